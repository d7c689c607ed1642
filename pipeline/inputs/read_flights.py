"""The flights table: which rasters belong to which flight."""

from __future__ import annotations

import datetime as dt
import os
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Protocol

import numpy as np
import pandas as pd

from snowtally.inputs.find import is_file, matching, missing_file, misspelt_file
from snowtally.inputs.known_tables import FLIGHTS
from snowtally.inputs.rows import dated_outside, keep_newest, without_lines
from snowtally.inputs.source import Source
from snowtally.inputs.tables import read_tables
from snowtally.inputs.units import conversion
from snowtally.model.problems import Finding
from snowtally.model.rules import flights as rules

RASTERS = ("depth", "snow_on", "snow_off", "stable_ground")


@dataclass(frozen=True)
class FlightEntry:
    """One flight of the table.

    Parameters
    ----------
    flight_id, date, depth_se_m : as in the table.
    files : by `RASTERS` that it names, their files, absolute; several where a raster comes in tiles.
    metres_per_unit : by depth, snow_on and snow_off, the unit that the settings declare for their files.
    table, line : where it stands.
    """

    flight_id: str
    date: dt.date
    files: dict[str, tuple[Path, ...]]
    depth_se_m: float | None
    metres_per_unit: dict[str, float]
    table: Path
    line: int


@dataclass(frozen=True)
class FlightTables:
    """The rows of all flights tables, of any date.

    `between` chooses the flights of some days.

    Parameters
    ----------
    rows : every row, in the order of the files, as `read_tables` gives them.
    findings : lines and values that could not be read.
    source : the files, and what the settings say of them.
    """

    rows: pd.DataFrame
    findings: list[Finding]
    source: Source

    def between(self, first: dt.date, last: dt.date) -> tuple[list[FlightEntry], list[Finding]]:
        """Return the flights of a part of a season, oldest first, and the findings.

        A flight_id given again replaces the earlier row; rows dated before the first or after the last day are none of its
        business, since identifiers may be used again in each season. What has no date is reported whatever the days.

        Paths in the table are relative to the table; a raster in tiles is a glob, or a list with semicolons between. A flight that
        names neither a depth raster nor both surfaces, or a raster of which no file is there, is set aside with a finding; one of
        which some tiles are missing is used as far as it goes, with a finding for each. A later row that cannot be used replaces
        nothing.
        """
        outside = dated_outside(self.rows, (first, last))
        findings = [*without_lines(self.findings, self.rows[outside])]
        rows = self.rows[~outside].reset_index(drop=True)
        read = {row.Index: _entry(row, self.source) for row in rows.itertuples()}
        # Typed, since of no rows an untyped list would pick columns.
        usable = rows[np.array([read[index][0] is not None for index in rows.index], bool)]
        newest, repeated = keep_newest(usable, ["flight_id"], "flights")
        findings += repeated
        last_usable = dict(zip(usable["flight_id"], usable.index, strict=True))
        newest_lines = {(row.file, row.line) for row in newest.itertuples()}
        entries = []
        for row in rows.sort_values(["date", "flight_id"], kind="stable").itertuples():
            entry, noticed = read[row.Index]
            # What a later row has mended is no trouble any more.
            if entry is None and row.Index < last_usable.get(row.flight_id, -1):
                continue
            if entry is None or (row.file, row.line) in newest_lines:
                findings += noticed
            if entry is not None and (row.file, row.line) in newest_lines:
                entries.append(entry)
        return entries, findings


def read_flights(source: Source) -> FlightTables:
    """Return the flights tables, read once for all days that a night asks for."""
    rows, findings = read_tables(source, FLIGHTS)
    return FlightTables(rows, findings, source)


class _Row(Protocol):
    """A row of the flights table; `RASTERS` are attributes too."""

    file: str
    line: int
    flight_id: str
    date: pd.Timestamp
    depth_se_m: float


def _entry(row: _Row, source: Source) -> tuple[FlightEntry | None, list[Finding]]:
    """Return the flight of a row, None if unusable, and the findings."""
    table = Path(row.file)
    declared = source.format_of(table).columns
    named = {name: _files(table.parent, getattr(row, name)) for name in RASTERS if getattr(row, name)}
    wanted = ["depth"] if "depth" in named else ["snow_on", "snow_off"]
    day = "" if pd.isna(row.date) else str(row.date.date())

    def about(finding: Finding) -> Finding:
        return replace(finding, file=row.file, line=row.line, site_id=row.flight_id, start=day, end=day)

    if pd.isna(row.date) or not row.flight_id or any(name not in named for name in wanted):
        return None, [about(Finding(rules.INCOMPLETE_FLIGHT))]
    misspelt: list[Finding] = []
    absent: list[Finding] = []
    there: dict[str, tuple[Path, ...]] = {}
    for name, paths in named.items():
        there[name] = ()
        for path in paths:
            slip = misspelt_file("flights", path)
            if slip is not None:
                misspelt.append(slip)
            elif is_file(path):
                there[name] += (Path(os.path.realpath(path)),)
            else:
                absent.append(missing_file("flights", path, f"{row.file} line {row.line}"))
    findings = [about(finding) for finding in [*absent, *misspelt]]
    if not all(there.values()):
        return None, findings
    if row.depth_se_m <= 0:
        impossible = Finding(rules.IMPOSSIBLE_ERROR, evidence=f"depth_se_m = {row.depth_se_m:g}")
        findings.append(about(impossible))
    entry = FlightEntry(
        flight_id=row.flight_id,
        date=pd.Timestamp(row.date).date(),
        files=there,
        depth_se_m=float(row.depth_se_m) if row.depth_se_m > 0 else None,
        metres_per_unit={
            key: conversion(setting.unit, "m").factor
            for key, setting in declared.items()
            if key in RASTERS and setting.unit is not None
        },
        table=table,
        line=row.line,
    )
    return entry, findings


def _files(home: Path, text: str) -> list[Path]:
    """Return the files that a cell of the table names.

    One, several with semicolons between, or globs; a glob that finds none stays.
    """
    files = []
    for name in filter(None, (part.strip() for part in text.split(";"))):
        path = home / name
        files += sorted(matching(path.absolute())) or [path]
    return list(dict.fromkeys(files))
