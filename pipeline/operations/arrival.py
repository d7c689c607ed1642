"""Inputs that are still being written: seen by their size and times, and waited for."""

from __future__ import annotations

import datetime as dt
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from snowtally.flights.rasters import virtual_parts
from snowtally.gather.day import OPTIONAL_TABLES
from snowtally.gather.sources import fixed_files, source_of
from snowtally.inputs.find import InputFile, find_tables, is_file
from snowtally.inputs.read_covers import read_covers
from snowtally.inputs.read_flights import read_flights
from snowtally.inputs.source import Source
from snowtally.settings.basin import Settings
from snowtally.settings.operations import Arrival

LOOK_S = 5.0
"""Time between two looks at files that are arriving, s (chosen: a tenth of the quiet time or less)."""

State = tuple[int, int, int]


@dataclass(frozen=True)
class Clock:
    """The time, and how to wait.

    A test's clock need not be the wall's.

    Parameters
    ----------
    now : seconds since 1970 (as file times are).
    sleep : waits so many seconds.
    """

    now: Callable[[], float] = time.time
    sleep: Callable[[float], None] = time.sleep


def input_paths(settings: Settings, date: dt.date) -> list[Path]:
    """Return the files that a date may be made from.

    Tables come first, then the rasters that these name; only those that are there.

    Raises
    ------
    InputError : a table cannot be read.
    """
    listed = [file.path for files in _tables(settings).values() for file in files]
    return [*fixed_files(settings, "sites"), *listed, *input_rasters(settings, date)]


def input_rasters(settings: Settings, date: dt.date) -> list[Path]:
    """Return the rasters of flights and covers up to a date.

    They are of the date's season, with the parts of virtual ones.

    Raises
    ------
    InputError : a table cannot be read.
    """
    tables, season = _tables(settings), (settings.season_start(date), date)

    def source(role: str) -> Source:
        return source_of(settings, role, [file.path for file in tables[role]])

    flights, _ = read_flights(source("flights")).between(*season)
    covers, _ = read_covers(source("covers"), season)
    named = [path for entry in flights for files in entry.files.values() for path in files]
    named = [path for path in [*named, *(entry.path for entry in covers)] if is_file(path)]
    parts = [part for path in named for part in virtual_parts(path) if is_file(part)]
    return list(dict.fromkeys([*named, *parts]))


def _tables(settings: Settings) -> dict[str, list[InputFile]]:
    patterns = {role: [settings.path(p) for p in getattr(settings.inputs, role)] for role in OPTIONAL_TABLES}
    return find_tables(patterns)[0]


def wait_for_arrival(
    find: Callable[[], list[Path]], limits: Arrival, clock: Clock, report: Callable[[list[Path]], None]
) -> frozenset[Path]:
    """Wait for input files and return those that are still being written.

    Parameters
    ----------
    find : names the files; asked at every look, as a table that arrives may name new rasters.
    report : gets the arriving files once, when there are any.

    A file has arrived when neither size nor times changed for `quiet_s`: by the file system's own times where these lie in
    the past, else by watching it. The change time is looked at too, as a copy may carry its original's modification time.
    """
    seen: dict[Path, tuple[State, float]] = {}
    begun, reported = clock.now(), False
    while True:
        now = clock.now()
        states = {path: state for path in find() if (state := _state(path)) is not None}
        for path, state in states.items():
            if path not in seen or seen[path][0] != state:
                # A file server's clock may be ahead of ours: then we watch.
                last = min(max(state[1:]) / 1e9, now) if path not in seen else now
                seen[path] = (state, last)
        arriving = [path for path in states if now - seen[path][1] < limits.quiet_s]
        if not arriving:
            return frozenset()
        if not reported:
            report(arriving)
            reported = True
        left = limits.wait_s - (now - begun)
        if left <= 0:
            return frozenset(arriving)
        clock.sleep(min(LOOK_S, left, limits.quiet_s))


def _state(path: Path) -> State | None:
    try:
        state = path.stat()
    except OSError:
        return None
    return state.st_size, state.st_mtime_ns, state.st_ctime_ns
