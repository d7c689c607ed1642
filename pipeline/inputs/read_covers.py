"""Cover grids: snow-covered fraction and snow albedo by date."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from pipeline.inputs.columns import Column, ColumnSetting, Table, keep_newest, read_tables
from pipeline.inputs.find import missing_file
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
    files: list[Path], settings: Mapping[str, ColumnSetting], missing: list[str]
) -> tuple[list[CoverEntry], list[Finding]]:
    """Read the covers table, oldest first; unknown variables and absent files are set aside with a finding."""
    rows, findings = read_tables(files, COVERS, settings, missing)
    rows, repeated = keep_newest(rows, ["date", "variable"], "covers")
    findings += repeated
    entries = []
    for row in rows.sort_values(["date", "variable"], kind="stable").itertuples():
        path = Path(row.file).parent / row.path
        if pd.isna(row.date) or row.variable not in VARIABLES:
            findings.append(
                Finding(
                    table="covers",
                    file=row.file,
                    line=row.line,
                    rule="unknown cover",
                    severity="error",
                    evidence=f"variable '{row.variable}'",
                    action="set aside",
                    detail="a cover needs a date and the variable " + " or ".join(VARIABLES),
                )
            )
        elif not path.is_file():
            findings.append(missing_file("covers", path, f"{row.file} line {row.line}", row.line))
        else:
            entries.append(
                CoverEntry(pd.Timestamp(row.date).date(), row.variable, path.resolve(), Path(row.file), row.line)
            )
    return entries, findings
