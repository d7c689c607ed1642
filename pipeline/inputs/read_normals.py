"""Normals: what a site, a zone or the basin holds on a day of the year in the mean of a stated period."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

from snowtally.inputs.known_tables import NORMALS
from snowtally.inputs.rows import keep_newest, rows_set_aside
from snowtally.inputs.source import Source
from snowtally.inputs.tables import read_tables
from snowtally.model.problems import Finding
from snowtally.model.rules import sites as rules


def read_normals(source: Source, basin_id: str, known_ids: Sequence[str]) -> tuple[pd.DataFrame, list[Finding]]:
    """Return the normals of sites, zones and basin, and the findings.

    There is one row for each site (or zone, or the basin) and day of the year.

    Parameters
    ----------
    basin_id : in the column site_id it means the basin's mean SWE over its whole area, as a zone's identifier means the zone's.
    known_ids : the sites and zones that there are.

    Returns
    -------
    rows : site_id, day (MM-DD), swe_mm (mm), period (text, empty where not given), file, line.
    findings : rows that cannot be used.
    """
    rows, findings = read_tables(source, NORMALS)
    if "period" not in rows:
        rows["period"] = ""
    # A leap year, so that 02-29 is a day.
    day = pd.to_datetime("2028-" + rows["day"].str.strip(), format="%Y-%m-%d", errors="coerce")
    stranger = ~rows["site_id"].isin([basin_id, *known_ids])
    wrong = day.isna() | rows["swe_mm"].isna() | (rows["swe_mm"] < 0)
    findings += rows_set_aside(
        rows[wrong],
        rules.UNUSABLE_NORMAL,
        evidence="day '"
        + rows["day"]
        + "', swe_mm "
        + rows["swe_mm"].map("{:g}".format).astype(str).replace("nan", "missing"),
    )
    findings += rows_set_aside(
        rows[stranger & ~wrong],
        rules.NORMAL_OF_NO_SITE,
        evidence="site_id '" + rows["site_id"] + "'",
        detail=rules.NORMAL_OF_NO_SITE.says(basin_id=basin_id),
    )
    rows, repeated = keep_newest(
        rows.assign(day=day.dt.strftime("%m-%d"), period=rows["period"].fillna(""))[~wrong & ~stranger],
        ["site_id", "day"],
        "normals",
    )
    return rows, findings + repeated
