"""Clocks that stand still or run a day again: only the order in which readings were written tells of them."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from snowtally.model.problems import Finding
from snowtally.model.rules import stations as rules

STANDING_ROWS = 3
"""Readings with other values under one and the same time that show a clock that stood still; two may be a correction (chosen)."""

REPLAY_ROWS = 2
"""Readings under times that had been written before, then a gap as long, that show times that ran again (chosen)."""

SKIPPED_SHARE = 0.75
"""Share of the repeated readings that the gap after them must hold: these are the times they truly have (chosen)."""


@dataclass(frozen=True)
class DeadClock:
    """Readings under times that are not theirs.

    Parameters
    ----------
    rows : their indices among the file's rows.
    start, end : seconds since 1970 between which they were truly read.
    words : what the clock did.
    """

    rows: np.ndarray
    start: int
    end: int
    words: str

    def finding(self, file: str, line: np.ndarray, site_id: str) -> Finding:
        """Return the finding on it; `line` holds the lines of the file's rows."""
        return Finding(
            rules.DEAD_CLOCK,
            file=file,
            line=int(line[self.rows[0]]),
            site_id=site_id,
            start=_moment(self.start),
            end=_moment(self.end),
            evidence=f"{self.words} ({len(self.rows)} readings)",
        )


def dead_clocks(site: np.ndarray, seconds: np.ndarray, readings: np.ndarray) -> list[DeadClock]:
    """Return the readings of one file under a dead clock's times.

    A row sent again later on, and readings sent twice, are no dead clock: after a clock's repeated times, the times are missing
    that the readings truly had. Of a time that stood still the first reading stays.

    Parameters
    ----------
    site : (rows,) a number for each row's station, rows in the order of the file's lines.
    seconds : (rows,) instants, seconds since 1970.
    readings : (rows, quantities), missing ones NaN.
    """
    order = np.argsort(site, kind="stable")
    backward = (np.diff(seconds[order]) <= 0) & (np.diff(site[order]) == 0)
    stretches: list[DeadClock] = []
    for station in np.unique(site[order[1:][backward]]):
        rows = order[np.searchsorted(site[order], station) : np.searchsorted(site[order], station, side="right")]
        times, values = seconds[rows].astype(np.int64), readings[rows]
        forward = np.diff(times)
        step = float(np.median(forward[forward > 0])) if (forward > 0).any() else 0.0
        of_station = _standing(times, values, step) + _replayed(times, values, step)
        stretches += [replace(stretch, rows=rows[stretch.rows]) for stretch in of_station]
    return stretches


def _standing(times: np.ndarray, values: np.ndarray, step: float) -> list[DeadClock]:
    """Return runs of one and the same time under which other readings were written."""
    starts = np.flatnonzero(np.concatenate([[True], times[1:] != times[:-1]]))
    ends = np.append(starts[1:], len(times))
    runs = []
    for a, b in zip(starts[ends - starts > 1], ends[ends - starts > 1], strict=True):
        until = max(times[b], times[a]) if b < len(times) else times[a]
        if b - a < STANDING_ROWS and not _skips(until - times[a], b - a - 1, step):
            continue
        if not _same(values[a + 1 : b], values[a]):
            words = f"{b - a} readings under one and the same time"
            runs.append(DeadClock(np.arange(a + 1, b), int(times[a]), int(until), words))
    return runs


def _replayed(times: np.ndarray, values: np.ndarray, step: float) -> list[DeadClock]:
    """Return blocks of times that were written before, followed by a gap as long."""
    blocks = []
    highest = np.maximum.accumulate(times)
    back = np.flatnonzero(times[1:] < highest[:-1]) + 1
    k = 0
    while k < len(back):
        a = back[k]
        last = highest[a - 1]
        later = np.flatnonzero(times[a:] > last)
        b = a + (later[0] if len(later) else len(times) - a)
        k = int(np.searchsorted(back, b))
        if b - a < REPLAY_ROWS or b == len(times) or not _skips(times[b] - last, b - a, step):
            continue
        if not _same(values[a:b], values[np.minimum(np.searchsorted(times[:a], times[a:b]), a - 1)]):
            words = f"{b - a} readings under times from {_moment(times[a])} on that had been written before"
            blocks.append(DeadClock(np.arange(a, b), int(last), int(times[b]), words))
    return blocks


def _skips(gap: int, rows: int, step: float) -> bool:
    """Return whether a gap has room for about so many readings."""
    return step > 0 and gap - step >= SKIPPED_SHARE * rows * step


def _same(some: np.ndarray, others: np.ndarray) -> bool:
    return bool(np.all((some == others) | (np.isnan(some) & np.isnan(others))))


def _moment(seconds: int) -> str:
    return f"{np.datetime64(int(seconds), 's').astype('datetime64[m]')}Z"
