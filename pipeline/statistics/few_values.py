"""Median, quantile and mean of few values: the libraries' own take many times as long to begin as they do to reckon."""

from __future__ import annotations

import math

import numpy as np


def median(values: np.ndarray) -> float:
    """Return the median of values, missing where one is missing.

    >>> median(np.array([3.0, 1.0, 2.0])), median(np.array([4.0, 1.0])), median(np.array([1.0, np.nan]))
    (2.0, 2.5, nan)
    """
    return quantile(values, 0.5)


def quantile(values: np.ndarray, share: float) -> float:
    """Return a quantile of values, missing where one is missing.

    Read off linearly between neighbours.

    >>> quantile(np.array([0.0, 10.0, 20.0]), 0.75), quantile(np.array([5.0]), 0.1)
    (15.0, 5.0)
    """
    ordered = np.sort(values)
    if math.isnan(ordered[-1]):
        return math.nan
    position = share * (len(ordered) - 1)
    low = int(position)
    below, above, part = float(ordered[low]), float(ordered[min(low + 1, len(ordered) - 1)]), position - low
    # From the nearer of the two, as numpy does.
    return below + (above - below) * part if part < 0.5 else above - (above - below) * (1.0 - part)  # noqa: PLR2004  half way


def row_medians(rows: np.ndarray) -> np.ndarray:
    """Return each row's median of the known values.

    Missing where none is known; `rows` has one column or more.

    >>> row_medians(np.array([[3.0, np.nan, 1.0], [np.nan, np.nan, np.nan]])).tolist()
    [2.0, nan]
    """
    count = np.isfinite(rows).sum(axis=1)
    # What is missing is sorted to the end, where a row of nothing else finds it.
    ordered, row = np.sort(rows, axis=1), np.arange(len(rows))
    return (ordered[row, (count - 1) // 2] + ordered[row, count // 2]) / 2


def known_mean(values: np.ndarray, axis: int) -> np.ndarray:
    """Return the mean of the known values along an axis.

    Missing where none is known.

    >>> known_mean(np.array([[3.0, np.nan, 1.0], [np.nan, np.nan, np.nan]]), 1).tolist()
    [2.0, nan]
    """
    known = np.isfinite(values)
    count = known.sum(axis=axis)
    return np.divide(
        np.where(known, values, 0.0).sum(axis=axis), count, out=np.full(count.shape, np.nan), where=count > 0
    )
