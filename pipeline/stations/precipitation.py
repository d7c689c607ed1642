"""What fell in each step of an accumulating gauge, through its resets, its noise and its faults."""

from __future__ import annotations

import numpy as np

RESET_MM = 5.0
"""An accumulating gauge that falls by less than this evaporates or wavers (common practice, no source)."""

EMPTIED_SHARE = 0.2
"""A fall to less than this share of the total is a gauge that was emptied or set to nothing, a smaller one a fault: crews empty
a gauge out, apart from a charge of antifreeze (common practice, no source)."""


def resets(totals: np.ndarray, bounds: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return where a gauge was emptied and where it fell.

    A gauge that was emptied falls to less than `EMPTIED_SHARE` of its total. Any smaller fall is a fault. A fall by
    less than `RESET_MM` counts as neither.

    Parameters
    ----------
    totals : accumulated precipitation, mm, stations one after the other, missing where there is none.
    bounds : (stations + 1,) first reading of each station.

    Returns
    -------
    emptied, fell : masks of readings: the first after the fall.
    """
    rows = np.flatnonzero(np.isfinite(totals))
    emptied, fell = np.zeros(len(totals), bool), np.zeros(len(totals), bool)
    if len(rows) == 0:
        return emptied, fell
    held = totals[rows]
    site = np.searchsorted(bounds, rows, side="right")
    same = site[1:] == site[:-1]
    down = same & (held[1:] - held[:-1] < -RESET_MM)
    to_nothing = held[1:] < EMPTIED_SHARE * held[:-1]
    emptied[rows[1:][down & to_nothing]] = True
    fell[rows[1:][down & ~to_nothing]] = True
    return emptied, fell


def steps_of_totals(totals: np.ndarray, bounds: np.ndarray) -> np.ndarray:
    """Return what fell in each step of an accumulating gauge, mm.

    Only what exceeds the highest total so far has fallen since. Otherwise a gauge that wavers by a millimetre would add
    up its own noise. A gauge that was emptied begins again from 0. A gauge that fell without being emptied goes on from
    its new level. Nobody knows when the first total fell, so its step is missing.

    Parameters
    ----------
    totals, bounds : as `resets`.

    Returns
    -------
    array : (readings,) mm, missing where there is no total and at a station's first.
    """
    steps = np.full(len(totals), np.nan)
    rows = np.flatnonzero(np.isfinite(totals))
    if len(rows) == 0:
        return steps
    emptied, fell = resets(totals, bounds)
    held = np.maximum(totals[rows], 0.0)
    site = np.searchsorted(bounds, rows, side="right")
    first = np.ones(len(rows), bool)
    first[1:] = site[1:] != site[:-1]
    starts = first | emptied[rows] | fell[rows]
    # The highest so far within each stretch: stretches are lifted apart by more than any gauge holds.
    lift = np.cumsum(starts) * (held.max() + 1.0)
    highest = np.maximum.accumulate(held + lift) - lift
    step = np.empty(len(rows))
    step[0] = np.nan
    step[1:] = highest[1:] - highest[:-1]
    step[starts] = np.where(emptied[rows][starts], held[starts], 0.0)
    step[first] = np.nan
    # The lift costs the last digits of a sum; gauges are not read to a millionth.
    steps[rows] = np.round(step, 6)
    return steps
