"""Loops over millions of readings, compiled: sums and extremes of stretches, and readings that do not move."""

from __future__ import annotations

import numpy as np
from numba import njit


# Compiled code is kept beside this file and is made anew when the file changes.
@njit(nogil=True, cache=True)
def group_sums(values: np.ndarray, starts: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the sum and number of values of each stretch.

    The stretches begin at `starts`. Missing values are left out. The sum of a stretch without a value is missing.
    """
    sums = np.full(starts.size, np.nan)
    counts = np.zeros(starts.size, np.int64)
    for group in range(starts.size):
        end = starts[group + 1] if group + 1 < starts.size else values.size
        total = 0.0
        n = 0
        for i in range(starts[group], end):
            if not np.isnan(values[i]):
                total += values[i]
                n += 1
        counts[group] = n
        if n > 0:
            sums[group] = total
    return sums, counts


@njit(nogil=True, cache=True)
def group_extremes(values: np.ndarray, starts: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the least and greatest value of each stretch.

    The stretches begin at `starts`. Both values are missing where a stretch has none.
    """
    least = np.full(starts.size, np.nan)
    greatest = np.full(starts.size, np.nan)
    for group in range(starts.size):
        end = starts[group + 1] if group + 1 < starts.size else values.size
        for i in range(starts[group], end):
            value = values[i]
            if np.isnan(value):
                continue
            if not value >= least[group]:
                least[group] = value
            if not value <= greatest[group]:
                greatest[group] = value
    return least, greatest


@njit(nogil=True, cache=True)
def still_runs(values: np.ndarray, hours: np.ndarray, bounds: np.ndarray, gap: float, least_hours: float) -> np.ndarray:
    """Return the stretches in which a reading does not change.

    Each row holds first row, last row and number of readings, (stretches, 3).

    Parameters
    ----------
    values, hours : (readings,); missing readings are passed over.
    bounds : (stations + 1,) first reading of each station.
    gap : readings further apart than this, h, are no stretch.
    least_hours : shorter stretches are left out.
    """
    runs = []
    for site in range(bounds.size - 1):
        first = -1
        last = -1
        n = 0
        for i in range(bounds[site], bounds[site + 1]):
            if np.isnan(values[i]):
                continue
            if first >= 0 and values[i] == values[last] and hours[i] - hours[last] <= gap:
                last = i
                n += 1
                continue
            if first >= 0 and hours[last] - hours[first] >= least_hours:
                runs.append((first, last, n))
            first = i
            last = i
            n = 1
        if first >= 0 and hours[last] - hours[first] >= least_hours:
            runs.append((first, last, n))
    table = np.empty((len(runs), 3), np.int64)
    for k in range(len(runs)):
        table[k, 0], table[k, 1], table[k, 2] = runs[k]
    return table


@njit(nogil=True, cache=True)
def zigzags(
    values: np.ndarray, hours: np.ndarray, bounds: np.ndarray, far: np.ndarray, most_hours: float
) -> np.ndarray:
    """Return the readings far from those before and after.

    Both of these lie to the same side.

    Parameters
    ----------
    values, hours, bounds : as `still_runs`.
    far : (stations,) how far.
    most_hours : the readings before and after lie no further apart than this.

    Returns
    -------
    array : (zigzags, 3) row, its number among the readings that are there, station.
    """
    marks = []
    n = 0
    for site in range(bounds.size - 1):
        before = -1
        middle = -1
        for i in range(bounds[site], bounds[site + 1]):
            if np.isnan(values[i]):
                continue
            n += 1
            if before >= 0 and hours[i] - hours[before] <= most_hours:
                up = values[middle] - values[before]
                down = values[middle] - values[i]
                if up * down > 0 and min(abs(up), abs(down)) > far[site]:
                    marks.append((middle, n - 1, site))
            before = middle
            middle = i
    table = np.empty((len(marks), 3), np.int64)
    for k in range(len(marks)):
        table[k, 0], table[k, 1], table[k, 2] = marks[k]
    return table
