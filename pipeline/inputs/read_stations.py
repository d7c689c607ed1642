"""Station records: readings at any step, from any number of files, brought to instants and local days."""

from __future__ import annotations

import datetime as dt
import os
from collections import deque
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from pipeline.inputs.clocks import instants
from pipeline.inputs.columns import Column, ColumnSetting, Table
from pipeline.inputs.dead_clock import dead_clocks
from pipeline.inputs.formats import FileFormat, format_of
from pipeline.inputs.lines import CHUNK, BadLine, split
from pipeline.inputs.piece_cache import cached_piece
from pipeline.inputs.plausible import units_look_wrong
from pipeline.inputs.read_courses import SWE_WORDS
from pipeline.inputs.rows import local_days
from pipeline.inputs.sheets import SUFFIXES as SHEETS
from pipeline.inputs.station_findings import NO_CLOCK, SKIPPED, Told
from pipeline.inputs.station_rows import StationFile, StationRows, last_before, numbered, settled, together
from pipeline.inputs.tables import (
    Converted,
    Plan,
    bad_line,
    converted,
    first_findings,
    joined,
    opened,
    opened_text,
    rows_among,
    unreadable_table,
)
from pipeline.inputs.time_series import SUFFIXES as TIME_SERIES
from pipeline.inputs.time_series import read_time_series
from pipeline.inputs.usable import LEAST_USABLE_SHARE, Count, too_few
from pipeline.inputs.values import NO_TIME
from pipeline.inputs.wide import converted_wide, opened_wide
from pipeline.model.problems import Finding, InputError
from pipeline.storage.cache import Cache

STATIONS = Table(
    "stations",
    (
        Column("site_id", "site_id", kind="text", required=True),
        Column("time", "time", kind="time", required=True),
        Column(
            "swe",
            "swe_mm",
            "mm",
            standard_names=("lwe_thickness_of_surface_snow_amount", "surface_snow_amount"),
            words=SWE_WORDS,
        ),
        Column(
            "depth", "depth_cm", "cm", "depth_m", 0.01, standard_names=("surface_snow_thickness",), words=("depth",)
        ),
        Column("air_temperature", "air_temperature_c", "degC", standard_names=("air_temperature",)),
        Column(
            "precipitation",
            "precipitation_mm",
            "mm",
            standard_names=("precipitation_amount", "lwe_thickness_of_precipitation_amount"),
        ),
        Column("precipitation_total", "precipitation_total_mm", "mm"),
    ),
    expects=(("swe",), ("depth",)),
)

READINGS = {column.key: column.name for column in STATIONS.columns if column.kind == "number"}


@dataclass(frozen=True)
class _Task:
    """What all files are read with: the arguments of `read_stations`."""

    settings: Mapping[str, ColumnSetting]
    missing: Sequence[str]
    formats: Sequence[FileFormat]
    utc_offset_hours: float
    cache: Cache | None
    since: dt.date | None
    until: dt.date | None
    days: frozenset[dt.date]
    least_share: float

    @property
    def begin(self) -> int | None:
        """The instant before which no row can be wanted, whatever its clock."""
        return None if self.since is None else _midnight(self.since) - SLACK_DAYS * 86400


def read_stations(  # noqa: PLR0913  what the settings say of the files, and which days are wanted
    files: list[Path],
    settings: Mapping[str, ColumnSetting],
    missing: list[str],
    utc_offset_hours: float,
    *,
    formats: Sequence[FileFormat] = (),
    cache: Cache | None = None,
    since: dt.date | None = None,
    until: dt.date | None = None,
    days: frozenset[dt.date] = frozenset(),
    least_share: float = LEAST_USABLE_SHARE,
) -> tuple[pd.DataFrame, list[Finding]]:
    """Read station records: delimited text, long or wide, workbooks, and NetCDF time series.

    Parameters
    ----------
    utc_offset_hours : the basin's; a bare date is its local noon, and a row's date is its local day.
    formats : how files are written that are not plain CSV.
    cache : holds the rows of large files, so that one that grew is read again only at its end.
    since, until : first and last local day wanted; of earlier rows each site's last with snow comes too, since how long a
        station has been silent is counted from there.
    days : where some are given, of the rows between those only these local days' and their neighbours' are taken up.
    least_share : share of a file's rows, and of each reading's values, that must be usable.

    Returns
    -------
    rows : `site_id` and `file` (categorical), `line`, `time` (UTC) and `date` (local day), both datetime64[s], and the
        readings (mm, m, degrees Celsius); one row a site and time, sorted by them. Where a site's time stands again, the
        later file's or line's readings count, and those of the earlier row that the later file has no column for.
    findings : what could not be read, and rows sent again: one for a site and file where there are many.
    """
    task = _Task(settings, missing, formats, utc_offset_hours, cache, since, until, days, least_share)
    names: dict[str, int] = {}
    read: list[StationFile] = []
    findings: list[Finding] = []
    for path in files:
        try:
            file, noticed = _read_file(path, task, names)
        except InputError as trouble:
            findings.append(unreadable_table(STATIONS, path, trouble))
            continue
        read.append(file)
        findings += noticed
    if cache is not None:
        cache.drop_unused()
    rows, repeated = settled(read, list(names), list(READINGS.values()), since, utc_offset_hours)
    return rows, findings + repeated


# --- one file ---------------------------------------------------------------------------------------------------------


def _read_file(path: Path, task: _Task, names: dict[str, int]) -> tuple[StationFile, list[Finding]]:
    """Read one file; the names of its stations are added to `names`."""
    how = format_of(path, task.settings, task.formats)
    plan, found, pieces = _pieces(path, how, task)
    told = Told(path, how, plan, {column.key: column for column in STATIONS.columns})
    findings = first_findings(plan) if plan is not None and not how.wide else []
    start = plan.first_line if plan is not None else 1
    readings = {key: name for key, name in READINGS.items() if key in found}
    parts, bad, seen, lost = [], [], 0, 0
    for piece in pieces:
        seen += len(piece.line)
        lost += 0 if plan is None else rows_among(piece.bad, plan)
        bad += [BadLine(one.line + start, one.lines, one.why, one.text) for one in piece.bad]
        rows = numbered(piece, start, names, readings)
        told.remember(piece, start)
        nowhere = (rows.seconds == NO_TIME) | (rows.site == names.get("", -1))
        if nowhere.any():
            told.lose(rows.take(np.flatnonzero(nowhere)))
            lost += int(nowhere.sum())
            rows = rows.take(np.flatnonzero(~nowhere))
        parts.append(_nearly(rows, task))
        start += piece.lines
    rows = together(parts)
    told.names = list(names)
    findings += [bad_line(plan, one, 0) for one in joined(bad)] if plan is not None else []
    findings += told.nowhere()
    at = instants(rows.seconds, rows.kind, rows.site, told.names, (how, task.utc_offset_hours))
    findings += told.timeless(rows.take(np.flatnonzero(at.unclocked)), NO_CLOCK)
    findings += told.timeless(rows.take(np.flatnonzero(at.skipped)), SKIPPED)
    rows.seconds = at.seconds
    wanted = at.seconds != NO_TIME
    there = len(wanted) + lost
    # A file of other years has rows, though none is wanted.
    if there or not seen:
        findings += too_few("stations", str(path), Count(there, int(wanted.sum())), task.least_share)
    if task.until is not None:
        wanted &= local_days(at.seconds.view("datetime64[s]"), task.utc_offset_hours) <= np.datetime64(task.until)
    findings += told.ambiguous(rows.take(np.flatnonzero(at.ambiguous & wanted)))
    if not wanted.all():
        rows.reorder(np.flatnonzero(wanted))
    findings += told.unreadable(rows)
    findings += [one for count in _read_values(rows) for one in too_few("stations", str(path), count, task.least_share)]
    rows.wrong = {}
    findings += _without_dead_clocks(path, rows, told.names)
    findings += units_look_wrong("stations", path, rows.readings, {} if plan is None else how.columns)
    return StationFile(path, rows, set(readings.values())), findings


def _read_values(rows: StationRows) -> list[Count]:
    """Return how many values of each reading that has unreadable ones can be read."""
    counts = []
    for column in STATIONS.columns:
        wrong = rows.wrong.get(column.key)
        if wrong is not None and wrong.any():
            there = int((np.isfinite(rows.readings[column.name]) | wrong).sum())
            days = rows.seconds[wrong].view("datetime64[s]").astype("datetime64[D]")
            counts.append(Count(there, there - int(wrong.sum()), column.header, str(days.min()), str(days.max())))
    return counts


def _without_dead_clocks(path: Path, rows: StationRows, names: list[str]) -> list[Finding]:
    """Take out the rows under a dead clock's times and return the findings.

    It shows only in the order of the lines, before there is one row a site and time.
    """
    if not rows.readings:
        return []
    dead = dead_clocks(rows.site, rows.seconds, np.column_stack(list(rows.readings.values())))
    findings = [one.finding(str(path), rows.line, names[rows.site[one.rows[0]]]) for one in dead]
    if dead:
        rows.reorder(np.setdiff1d(np.arange(len(rows.line)), np.concatenate([one.rows for one in dead])))
    return findings


def _pieces(path: Path, how: FileFormat, task: _Task) -> tuple[Plan | None, set[str], Iterator[Converted]]:
    """Return how a file is laid out (None where it has no lines), the keys it has, and its rows a piece at a time."""
    suffix = path.suffix.casefold()
    if suffix in TIME_SERIES:
        piece, found = read_time_series(path, STATIONS, how.columns)
        return None, found, iter([piece])
    if how.wide:
        plan, stations, chunks = opened_wide(path, STATIONS, how, task.missing)
        also = f"{how.wide} {stations}"

        def convert(chunk: bytes) -> Converted:
            return converted_wide(split(chunk, plan.layout), plan, how.wide, stations)

        return plan, {how.wide}, _converted(chunks, convert, (plan, also), task)
    if suffix in SHEETS:
        plan, splits = opened(path, STATIONS, how, task.missing)
        return plan, plan.found, (converted(one, plan) for one in splits)
    plan, chunks = opened_text(path, STATIONS, how, task.missing)
    pieces = _converted(
        chunks,
        lambda chunk: converted(split(chunk, plan.layout), plan),
        (plan, ""),
        task,
    )
    return plan, plan.found, pieces


def _converted(
    chunks: Iterator[bytes], convert: Callable[[bytes], Converted], how: tuple[Plan, str], task: _Task
) -> Iterator[Converted]:
    """Yield the chunks' rows in their order, some at work at a time; whole chunks are cached where there is a cache."""

    def rows_of(chunk: bytes) -> Converted:
        if task.cache is None or len(chunk) < CHUNK:
            return convert(chunk)
        return cached_piece(task.cache, (chunk, *how), task.begin, lambda: convert(chunk))

    threads = min(MOST_THREADS, os.cpu_count() or 1)
    with ThreadPoolExecutor(threads) as pool:
        at_work: deque = deque()
        for chunk in chunks:
            at_work.append(pool.submit(rows_of, chunk))
            if len(at_work) > threads:
                yield at_work.popleft().result()
        while at_work:
            yield at_work.popleft().result()


MOST_THREADS = 4
"""More threads than this wait for the disk and for memory."""


def _nearly(rows: StationRows, task: _Task) -> StationRows:
    """Return the rows that may be wanted: those far from the days asked for are left out before they take up room.

    Of rows before them each station's last with snow is kept, and its last of any kind.
    """
    if task.until is not None:
        end = _midnight(task.until) + (SLACK_DAYS + 1) * 86400
        if (rows.seconds > end).any():
            rows = rows.take(np.flatnonzero(rows.seconds <= end))
    if task.days:
        wanted = np.array(sorted(_midnight(day) for day in task.days))
        after = rows.seconds - wanted[np.maximum(np.searchsorted(wanted, rows.seconds, side="right") - 1, 0)]
        before = wanted[np.minimum(np.searchsorted(wanted, rows.seconds), len(wanted) - 1)] - rows.seconds
        near = SLACK_DAYS * 86400
        rows = rows.take(np.flatnonzero(((after >= 0) & (after < near)) | ((before >= 0) & (before < near))))
    return rows if task.begin is None else last_before(rows, task.begin)


SLACK_DAYS = 2
"""Before clocks are known a time may be off by more than a day: from 12 hours west of UTC to 14 east."""


def _midnight(day: dt.date) -> int:
    return int(np.datetime64(day, "s").astype(np.int64))
