"""Cover grids: snow-covered fraction and snow albedo by date."""

from __future__ import annotations

import datetime as dt
import os
from dataclasses import dataclass, replace
from pathlib import Path

import pandas as pd

from snowtally.inputs.find import is_file, missing_file
from snowtally.inputs.known_tables import COVERS
from snowtally.inputs.rows import dated_outside, day_text, keep_newest, rows_set_aside, without_lines
from snowtally.inputs.source import Source
from snowtally.inputs.tables import read_tables
from snowtally.model.problems import Finding
from snowtally.model.rules import flights as rules

VARIABLES = ("snow_cover_fraction", "snow_albedo")


@dataclass(frozen=True)
class CoverEntry:
    """One cover grid of the table.

    Its date, variable and file (absolute), and the table's file and line.
    """

    date: dt.date
    variable: str
    path: Path
    table: Path
    line: int


def read_covers(source: Source, season: tuple[dt.date, dt.date]) -> tuple[list[CoverEntry], list[Finding]]:
    """Return the cover grids of a season, and the findings.

    `season` is the first and the last day. The grids are sorted, the oldest first. Rows with an unknown variable and
    rows whose file is absent are set aside with a finding. A later row of the same date and variable replaces the
    earlier row, unless the later row cannot be used.
    """
    rows, findings = read_tables(source, COVERS)
    outside = dated_outside(rows, season)
    findings = without_lines(findings, rows[outside])
    rows = rows[~outside].reset_index(drop=True)
    unknown = rows["date"].isna() | ~rows["variable"].isin(VARIABLES)
    findings += rows_set_aside(
        rows[unknown],
        rules.UNKNOWN_COVER,
        evidence="variable '" + rows["variable"] + "'",
        detail=rules.UNKNOWN_COVER.says(variables=" or ".join(VARIABLES)),
    )
    rows = rows[~unknown]
    rows = rows.assign(whole=[Path(row.file).parent / row.path for row in rows.itertuples()])
    there = pd.Series([is_file(path) for path in rows["whole"]], rows.index, dtype=bool)
    newest, repeated = keep_newest(rows[there], ["date", "variable"], "covers")
    findings += repeated
    for row in rows[~there].itertuples():
        mended = there & (rows["date"] == row.date) & (rows["variable"] == row.variable) & (rows.index > row.Index)
        if not mended.any():
            about = {"file": row.file, "line": row.line, "start": day_text(row), "end": day_text(row)}
            findings.append(replace(missing_file("covers", row.whole, f"{row.file} line {row.line}"), **about))
    entries = [
        CoverEntry(
            pd.Timestamp(row.date).date(), row.variable, Path(os.path.realpath(row.whole)), Path(row.file), row.line
        )
        for row in newest.sort_values(["date", "variable"], kind="stable").itertuples()
    ]
    return entries, findings
