"""Course sheets: one row a sample point, SWE from the sheet or from the weighed core."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd

from snowtally.inputs.known_tables import COURSES
from snowtally.inputs.plausible import units_look_wrong
from snowtally.inputs.rows import rows_set_aside
from snowtally.inputs.source import Source
from snowtally.inputs.tables import read_tables
from snowtally.inputs.usable import Count, too_few
from snowtally.model.problems import Finding
from snowtally.model.rules import courses
from snowtally.model.rules import files as files_rules


def read_courses(source: Source) -> tuple[pd.DataFrame, list[Finding]]:
    """Return the samples of the course sheets, and the findings.

    `swe_mm` is filled from the masses where the sheet gives none.

    A row with depth and no SWE stays: it is a depth-only sample.
    """
    rows, findings = read_tables(source, COURSES)
    findings += _wrong_counts(rows)
    weighed = core_swe_mm(rows["mass_full_g"] - rows["mass_empty_g"], rows["cutter_cm2"], rows["cores"].fillna(1.0))
    rows["swe_mm"] = rows["swe_mm"].fillna(weighed)
    unweighed = rows[rows["mass_full_g"].notna() & rows["swe_mm"].isna()]
    findings += rows_set_aside(
        unweighed, courses.NO_CUTTER_AREA, evidence=unweighed["mass_full_g"].map("full {:.0f} g".format)
    )
    for path, sheet in rows.groupby("file", sort=False):
        readings = {name: sheet[name].to_numpy() for name in ("swe_mm", "depth_m")}
        declared = source.format_of(Path(path)).columns
        findings += units_look_wrong("courses", Path(path), readings, declared)
    lost = rows["date"].isna() | rows["site_id"].eq("")
    findings += rows_set_aside(rows[lost], courses.NO_SITE_OR_DATE)
    unusable = {one.file for one in findings if one.rule in (files_rules.NO_USABLE_ROW, files_rules.EMPTY_FILE)}
    findings += _sheets_without_a_sample(rows[~rows["file"].isin(unusable)], lost)
    findings += _weighed_in_vain(rows, unweighed, source.least_share)
    return rows[~lost].reset_index(drop=True), findings


CORES_MOST = 50
"""Cores that a crew weighs at once at most: the tube holds no more (common practice, no source)."""


def _wrong_counts(rows: pd.DataFrame) -> list[Finding]:
    """Take out impossible counts of cores and return findings.

    Such a row counts as one core.
    """
    cores = rows["cores"]
    wrong = cores.notna() & ((cores < 1) | (cores > CORES_MOST) | (cores % 1 != 0))
    findings = rows_set_aside(
        rows[wrong],
        files_rules.IMPOSSIBLE_CORES,
        evidence=cores[wrong].map("cores = {:g}".format),
        detail=files_rules.IMPOSSIBLE_CORES.says(most=CORES_MOST),
    )
    rows.loc[wrong, "cores"] = np.nan
    return findings


def _sheets_without_a_sample(rows: pd.DataFrame, lost: pd.Series) -> list[Finding]:
    """Return a finding for each file without a usable row."""
    usable = ~lost & (rows["depth_m"].notna() | rows["swe_mm"].notna())
    has_samples = usable.groupby(rows["file"], sort=False).any()
    return [
        Finding(
            files_rules.NO_USABLE_SAMPLE,
            file=str(path),
            start="" if (first := rows.loc[rows["file"] == path, "date"].min()) is pd.NaT else str(first.date()),
            evidence=f"{int((rows['file'] == path).sum())} rows",
        )
        for path in has_samples.index[~has_samples]
    ]


def _weighed_in_vain(rows: pd.DataFrame, unweighed: pd.DataFrame, least_share: float) -> list[Finding]:
    """Return a finding for each file with many cores weighed in vain."""
    findings = []
    for path, lost in unweighed.groupby("file", sort=False):
        weighed = int((rows["mass_full_g"].notna() & (rows["file"] == path)).sum())
        days = (
            ("", "")
            if lost["date"].isna().any()
            else (str(day.date()) for day in (lost["date"].min(), lost["date"].max()))
        )
        count = Count(weighed, weighed - len(lost), "mass_full_g", *days)
        findings += too_few("courses", str(path), count, least_share)
    return findings


def core_swe_mm(mass_g: pd.Series, cutter_cm2: pd.Series, cores: pd.Series | float = 1.0) -> pd.Series:
    """Return the water equivalent in mm of snow cores from their weight.

    SWE = mass / (cutter area x density of water); 1 g/cm2 of water is 10 mm. A bulk row weighs several cores at once.

    >>> round(float(core_swe_mm(620.0, 30.0)), 2)
    206.67
    """
    return 10.0 * mass_g / (np.where(np.asarray(cutter_cm2) > 0, cutter_cm2, np.nan) * cores)
