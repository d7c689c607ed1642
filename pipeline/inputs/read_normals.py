"""Normals: what a site or the basin holds on a day of the year in the mean of a stated period."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

import pandas as pd

from pipeline.inputs.columns import Column, ColumnSetting, Table
from pipeline.inputs.formats import FileFormat
from pipeline.inputs.rows import keep_newest, rows_set_aside
from pipeline.inputs.tables import read_tables
from pipeline.inputs.usable import LEAST_USABLE_SHARE
from pipeline.model.problems import Finding

NORMALS = Table(
    "normals",
    (
        Column("site_id", "site_id", kind="text", required=True),
        Column("day", "day", kind="text", required=True),
        Column("swe", "swe_mm", "mm", required=True),
        Column("period", "period", kind="text"),
    ),
)


def read_normals(  # noqa: PLR0913  as `read_tables`, and which sites there are
    files: list[Path],
    settings: Mapping[str, ColumnSetting],
    missing: list[str],
    known: tuple[str, list[str]],
    formats: Sequence[FileFormat] = (),
    *,
    least_share: float = LEAST_USABLE_SHARE,
) -> tuple[pd.DataFrame, list[Finding]]:
    """Read the normals: one row a site or basin and day of the year, written 04-01.

    Parameters
    ----------
    known : the basin's id, which stands under site_id for the basin's mean SWE over its whole area, and the ids of its sites.

    Returns
    -------
    rows : site_id, day (MM-DD), swe_mm (mm), period (text, empty where not told), file, line.
    findings : rows that cannot be used.
    """
    rows, findings = read_tables(files, NORMALS, settings, missing, formats, least_share=least_share)
    if "period" not in rows:
        rows["period"] = ""
    # A leap year, so that 02-29 is a day.
    day = pd.to_datetime("2028-" + rows["day"].str.strip(), format="%Y-%m-%d", errors="coerce")
    basin_id, site_ids = known
    stranger = ~rows["site_id"].isin([basin_id, *site_ids])
    wrong = day.isna() | rows["swe_mm"].isna() | (rows["swe_mm"] < 0)
    findings += rows_set_aside(
        rows[wrong],
        "normals",
        rule="unusable normal",
        detail="a normal needs a day written as 04-01 and swe_mm of 0 or more",
        evidence="day '"
        + rows["day"]
        + "', swe_mm "
        + rows["swe_mm"].map("{:g}".format).astype(str).replace("nan", "missing"),
    )
    findings += rows_set_aside(
        rows[stranger & ~wrong],
        "normals",
        rule="unknown site",
        detail=f"site_id must be one of the sites table, or '{basin_id}' for the basin's mean",
        evidence="site_id '" + rows["site_id"] + "'",
    )
    rows, repeated = keep_newest(
        rows.assign(day=day.dt.strftime("%m-%d"), period=rows["period"].fillna(""))[~wrong & ~stranger],
        ["site_id", "day"],
        "normals",
    )
    return rows, findings + repeated
