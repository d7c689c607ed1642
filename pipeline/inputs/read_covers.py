"""Cover grids: snow-covered fraction and snow albedo by date."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import pandas as pd

from pipeline.inputs.columns import Column, ColumnSetting, Table
from pipeline.inputs.find import missing_file
from pipeline.inputs.formats import FileFormat
from pipeline.inputs.rows import dated_outside, day_text, keep_newest, without_lines
from pipeline.inputs.tables import read_tables
from pipeline.problems import Finding

COVERS = Table(
    "covers",
    (
        Column("date", "date", kind="date", required=True),
        Column("variable", "variable", kind="text", required=True),
        Column("path", "path", kind="text", required=True),
    ),
)

VARIABLES = ("snow_cover_fraction", "snow_albedo")


@dataclass(frozen=True)
class CoverEntry:
    """One cover grid of the table: its date, variable and file (absolute), and where the table names it."""

    date: dt.date
    variable: str
    path: Path
    table: Path
    line: int


def read_covers(
    files: list[Path],
    settings: Mapping[str, ColumnSetting],
    missing: list[str],
    season: tuple[dt.date, dt.date],
    formats: Sequence[FileFormat] = (),
) -> tuple[list[CoverEntry], list[Finding]]:
    """Read the cover grids dated from the first to the last day of `season`, oldest first.

    Unknown variables and absent files are set aside with a finding; a date and variable given again replaces the earlier row.
    """
    rows, findings = read_tables(files, COVERS, settings, missing, formats)
    outside = dated_outside(rows, season)
    findings = without_lines(findings, rows[outside])
    rows, repeated = keep_newest(rows[~outside], ["date", "variable"], "covers")
    findings += repeated
    entries = []
    for row in rows.sort_values(["date", "variable"], kind="stable").itertuples():
        path = Path(row.file).parent / row.path
        about = {"file": row.file, "line": row.line, "start": day_text(row), "end": day_text(row)}
        if pd.isna(row.date) or row.variable not in VARIABLES:
            told = Finding(
                "covers",
                rule="unknown cover",
                severity="error",
                action="set aside",
                evidence=f"variable '{row.variable}'",
            )
            findings.append(
                replace(told, detail="a cover needs a date and the variable " + " or ".join(VARIABLES), **about)
            )
        elif not path.is_file():
            findings.append(replace(missing_file("covers", path, f"{row.file} line {row.line}"), **about))
        else:
            day = pd.Timestamp(row.date).date()
            entries.append(CoverEntry(day, row.variable, path.resolve(), Path(row.file), row.line))
    return entries, findings
