"""The flights table: which rasters belong to which flight."""

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

FLIGHTS = Table(
    "flights",
    (
        Column("flight_id", "flight_id", kind="text", required=True),
        Column("date", "date", kind="date", required=True),
        Column("depth", "depth", kind="text"),
        Column("snow_on", "snow_on", kind="text"),
        Column("snow_off", "snow_off", kind="text"),
        Column("stable_ground", "stable_ground", kind="text"),
        Column("depth_se", "depth_se_m", "m"),
        Column("remark", "remark", kind="text"),
    ),
)

RASTERS = ("depth", "snow_on", "snow_off", "stable_ground")


@dataclass(frozen=True)
class FlightEntry:
    """One flight of the table: its date, its files (absolute, None where not given) and its declared depth error."""

    flight_id: str
    date: dt.date
    files: dict[str, Path]
    depth_se_m: float | None
    table: Path
    line: int


def read_flights(
    files: list[Path],
    settings: Mapping[str, ColumnSetting],
    missing: list[str],
    season: tuple[dt.date, dt.date],
    formats: Sequence[FileFormat] = (),
) -> tuple[list[FlightEntry], list[Finding]]:
    """Read the flights of a part of a season, oldest first; a flight_id given again replaces the earlier row.

    Parameters
    ----------
    season : first and last day; rows dated outside are none of its business, and what is wrong with them is not told.

    Paths in the table are relative to the table. A flight that names neither a depth raster nor both surfaces, or a file that
    is not there, is set aside with a finding.
    """
    rows, findings = read_tables(files, FLIGHTS, settings, missing, formats)
    outside = dated_outside(rows, season)
    findings = without_lines(findings, rows[outside])
    rows, repeated = keep_newest(rows[~outside], ["flight_id"], "flights")
    findings += repeated
    entries = []
    for row in rows.sort_values(["date", "flight_id"], kind="stable").itertuples():
        named = {name: Path(row.file).parent / getattr(row, name) for name in RASTERS if getattr(row, name)}
        wanted = ["depth"] if "depth" in named else ["snow_on", "snow_off"]
        about = {"line": row.line, "site_id": row.flight_id, "start": day_text(row), "end": day_text(row)}
        if pd.isna(row.date) or not row.flight_id or any(name not in named for name in wanted):
            words = "a flight needs flight_id, date, and either depth or both snow_on and snow_off"
            told = Finding(
                "flights", row.file, rule="incomplete flight", severity="error", action="set aside", detail=words
            )
            findings.append(replace(told, **about))
            continue
        absent = [path for path in named.values() if not path.is_file()]
        if absent:
            found = [missing_file("flights", path, f"{row.file} line {row.line}") for path in absent]
            findings += [replace(finding, file=row.file, **about) for finding in found]
            continue
        entries.append(
            FlightEntry(
                flight_id=row.flight_id,
                date=pd.Timestamp(row.date).date(),
                files={name: path.resolve() for name, path in named.items()},
                depth_se_m=None if pd.isna(row.depth_se_m) else float(row.depth_se_m),
                table=Path(row.file),
                line=row.line,
            )
        )
    return entries, findings
