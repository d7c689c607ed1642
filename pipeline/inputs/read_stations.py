"""Station records: readings at any step, from any number of files, brought to instants and local days."""

from __future__ import annotations

import datetime as dt
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

import numpy as np
import pandas as pd

from snowtally.inputs.clocks import Clock, instants
from snowtally.inputs.converting import Converted, converted
from snowtally.inputs.dead_clock import dead_clocks
from snowtally.inputs.headers import FieldMap, open_mapped
from snowtally.inputs.known_tables import STATIONS
from snowtally.inputs.lines import CHUNK, BadLine, Layout, Split, split
from snowtally.inputs.opening import OpenedTable
from snowtally.inputs.piece_cache import cached_piece
from snowtally.inputs.plausible import units_look_wrong
from snowtally.inputs.rows import local_days
from snowtally.inputs.sheets import Sheet
from snowtally.inputs.source import Source
from snowtally.inputs.station_findings import StationFindings
from snowtally.inputs.station_rows import StationFile, StationRows, last_before, numbered, settled, together
from snowtally.inputs.table_findings import findings_above, header_findings, joined, line_finding
from snowtally.inputs.tables import each_sheet, rows_among, unreadable_table
from snowtally.inputs.time_series import SUFFIXES as TIME_SERIES
from snowtally.inputs.time_series import read_time_series
from snowtally.inputs.usable import Count, too_few
from snowtally.inputs.values import NO_TIME
from snowtally.inputs.wide import converted_wide, open_wide
from snowtally.model.cores import own_cores
from snowtally.model.problems import Finding, InputError
from snowtally.model.rules import files as rules
from snowtally.storage.cache import Cache

MOST_THREADS = 4
"""Threads that convert chunks; more of them wait for the disk and for memory (chosen; cost alone)."""

SLACK_DAYS = 2
"""Days around those asked for whose rows are read before clocks are known: local clocks run from 12 h behind UTC to 14 h ahead."""

READINGS = {column.key: column.name for column in STATIONS.columns if column.kind == "number"}


@dataclass(frozen=True)
class Window:
    """Which days' rows are wanted.

    Parameters
    ----------
    since, until : first and last local day; of earlier rows each site's last with snow comes too, since how long a
        station has been silent is counted from there.
    days : where some are given, of the rows between those only these local days' and their neighbours' are read.
    """

    since: dt.date | None = None
    until: dt.date | None = None
    days: frozenset[dt.date] = frozenset()

    @property
    def begin(self) -> int | None:
        """The instant before which no row can be wanted, whatever its clock."""
        return None if self.since is None else _midnight(self.since) - SLACK_DAYS * 86400


EVERY_DAY = Window()


@dataclass(frozen=True)
class _Task:
    """What all files are read with: the arguments of `read_stations`."""

    source: Source
    utc_offset_hours: float
    window: Window
    cache: Cache | None


def read_stations(
    source: Source, utc_offset_hours: float, window: Window = EVERY_DAY, cache: Cache | None = None
) -> tuple[pd.DataFrame, list[Finding]]:
    """Return station records of delimited text, long or wide, workbooks, and NetCDF time series.

    Parameters
    ----------
    utc_offset_hours : the basin's; a bare date is its local noon, and a row's date is its local day.
    cache : holds the rows of large files, so that one that grew is read again only at its end.

    Returns
    -------
    rows : `site_id` and `file` (categorical), `line`, `time` (UTC) and `date` (local day), both datetime64[s], and the
        readings (mm, m, degrees Celsius); one row a site and time, sorted by them. Where a site's time is given again, the
        later file's or line's readings count, and those of the earlier row that the later file has no column for.
    findings : what could not be read, and rows sent again: one for a site and file where there are many.
    """
    task = _Task(source, utc_offset_hours, window, cache)
    names: dict[str, int] = {}
    read: list[StationFile] = []
    findings: list[Finding] = []
    for path in source.files:
        try:
            files, noticed = each_sheet(path, STATIONS, source, partial(_read_file, path, task=task, names=names))
        except InputError as trouble:
            findings.append(unreadable_table(STATIONS, path, trouble))
            continue
        read += files
        findings += noticed
    if cache is not None:
        cache.drop_unused()
    rows, repeated = settled(read, list(names), list(READINGS.values()), window.since, utc_offset_hours)
    return rows, findings + repeated


# --- one file ---------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Opened:
    """A file as opened.

    Parameters
    ----------
    field_map : how its fields become columns; None where it has no lines.
    keys : the keys that it has.
    pieces : its rows, a piece at a time.
    findings : on the headers of a wide table.
    """

    field_map: FieldMap | None
    keys: set[str]
    pieces: Iterator[Converted]
    findings: Sequence[Finding] = ()


def _read_file(
    path: Path, sheet: Sheet | None, task: _Task, names: dict[str, int]
) -> tuple[StationFile, list[Finding]]:
    """Return the rows of one file, or of one sheet, and the findings.

    The names of the file's stations are added to `names`.
    """
    how, share = task.source.format_of(path), task.source.least_share
    opened_file = _opened(path, sheet, task)
    field_map = opened_file.field_map
    noticed = StationFindings(path, field_map, {column.key: column for column in STATIONS.columns})
    findings = [*opened_file.findings, *(findings_above(field_map) if field_map is not None else [])]
    findings += header_findings(field_map) if field_map is not None and not how.wide else []
    start = field_map.first_line if field_map is not None else 1
    readings = {key: name for key, name in READINGS.items() if key in opened_file.keys}
    parts: list[StationRows] = []
    bad: list[BadLine] = []
    seen, lost = 0, 0
    for piece in opened_file.pieces:
        seen += len(piece.line)
        lost += 0 if field_map is None else rows_among(piece.bad, field_map)
        bad += [replace(lines, line=lines.line + start) for lines in piece.bad]
        rows = numbered(piece, start, names, readings)
        noticed.remember(piece, start)
        nowhere = (rows.seconds == NO_TIME) | (rows.site == names.get("", -1))
        if nowhere.any():
            noticed.lose(rows.take(np.flatnonzero(nowhere)))
            lost += int(nowhere.sum())
            rows = rows.take(np.flatnonzero(~nowhere))
        parts.append(_nearly(rows, task.window))
        start += piece.lines
    rows = together(parts)
    noticed.names = list(names)
    findings += [line_finding(field_map, lines, 0) for lines in joined(bad)] if field_map is not None else []
    findings += noticed.nowhere()
    clock = Clock(how.clock, how.clocks, task.utc_offset_hours)
    at = instants(rows.seconds, rows.kind, rows.site, noticed.names, clock)
    findings += noticed.timeless(rows.take(np.flatnonzero(at.unclocked)), rules.NO_CLOCK)
    findings += noticed.timeless(rows.take(np.flatnonzero(at.skipped)), rules.SKIPPED_TIME)
    rows.seconds = at.seconds
    wanted = at.seconds != NO_TIME
    there = len(wanted) + lost
    # A file of other years has rows, though none is wanted.
    if there or not seen:
        findings += too_few("stations", str(path), Count(there, int(wanted.sum())), share)
    if task.window.until is not None:
        days = local_days(at.seconds.view("datetime64[s]"), task.utc_offset_hours)
        wanted &= days <= np.datetime64(task.window.until)
    findings += noticed.ambiguous(rows.take(np.flatnonzero(at.ambiguous & wanted)))
    if not wanted.all():
        rows.reorder(np.flatnonzero(wanted))
    findings += noticed.unreadable(rows)
    for count in _read_values(rows):
        findings += too_few("stations", str(path), count, share)
    rows.wrong = {}
    findings += _without_dead_clocks(path, rows, noticed.names)
    declared = {} if field_map is None else how.columns
    findings += units_look_wrong("stations", path, rows.readings, declared)
    return StationFile(path, rows, set(readings.values())), findings


def _read_values(rows: StationRows) -> list[Count]:
    """Return counts for each reading that has unreadable values."""
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
    findings = [stretch.finding(str(path), rows.line, names[rows.site[stretch.rows[0]]]) for stretch in dead]
    if dead:
        rows.reorder(np.setdiff1d(np.arange(len(rows.line)), np.concatenate([stretch.rows for stretch in dead])))
    return findings


def _opened(path: Path, sheet: Sheet | None, task: _Task) -> _Opened:
    how = task.source.format_of(path)
    if path.suffix.casefold() in TIME_SERIES:
        piece, keys = read_time_series(path, STATIONS, how.columns)
        return _Opened(None, keys, iter([piece]))
    if how.wide:
        opened_wide = open_wide(path, STATIONS, task.source, sheet)
        wide = opened_wide.wide
        ways = _Ways(wide.field_map.layout, lambda fields: converted_wide(fields, wide), wide.deciding)
        return _Opened(wide.field_map, wide.keys, _pieces(opened_wide.table, ways, task), wide.findings())
    mapped = open_mapped(path, STATIONS, task.source, sheet)
    field_map = mapped.field_map
    ways = _Ways(field_map.layout, lambda fields: converted(fields, field_map), field_map.deciding)
    return _Opened(field_map, field_map.keys, _pieces(mapped.table, ways, task))


@dataclass(frozen=True)
class _Ways:
    """How lines become rows: split by a layout, then converted; with all that decides what is made of them."""

    layout: Layout
    convert: Callable[[Split], Converted]
    deciding: object


def _pieces(table: OpenedTable, ways: _Ways, task: _Task) -> Iterator[Converted]:
    """Yield a table's rows piece by piece, in their order."""
    if table.sheet is not None:
        return map(ways.convert, table.splits(ways.layout))
    return _converted(table.chunks(), lambda chunk: ways.convert(split(chunk, ways.layout)), ways.deciding, task)


def _converted(
    chunks: Iterator[bytes], convert: Callable[[bytes], Converted], deciding: object, task: _Task
) -> Iterator[Converted]:
    """Yield the chunks' rows in their order.

    Some chunks are at work at a time; whole ones are cached where there is a cache.
    """

    def rows_of(chunk: bytes) -> Converted:
        if task.cache is None or len(chunk) < CHUNK:
            return convert(chunk)
        return cached_piece(task.cache, (chunk, deciding), task.window.begin, lambda: convert(chunk))

    threads = min(MOST_THREADS, own_cores())
    with ThreadPoolExecutor(threads) as pool:
        at_work: deque[Future[Converted]] = deque()
        for chunk in chunks:
            at_work.append(pool.submit(rows_of, chunk))
            if len(at_work) > threads:
                yield at_work.popleft().result()
        while at_work:
            yield at_work.popleft().result()


def _nearly(rows: StationRows, window: Window) -> StationRows:
    """Return the rows that may be wanted.

    Those far from the days asked for are left out before they take up room.

    Of rows before them each station's last with snow remains, and its last of any kind.
    """
    if window.until is not None:
        end = _midnight(window.until) + (SLACK_DAYS + 1) * 86400
        if (rows.seconds > end).any():
            rows = rows.take(np.flatnonzero(rows.seconds <= end))
    if window.days:
        wanted = np.array(sorted(_midnight(day) for day in window.days))
        after = rows.seconds - wanted[np.maximum(np.searchsorted(wanted, rows.seconds, side="right") - 1, 0)]
        before = wanted[np.minimum(np.searchsorted(wanted, rows.seconds), len(wanted) - 1)] - rows.seconds
        near = SLACK_DAYS * 86400
        rows = rows.take(np.flatnonzero(((after >= 0) & (after < near)) | ((before >= 0) & (before < near))))
    return rows if window.begin is None else last_before(rows, window.begin)


def _midnight(day: dt.date) -> int:
    return int(np.datetime64(day, "s").astype(np.int64))
