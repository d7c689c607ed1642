"""The standard error of a cell's melt on a forecast day: what its zone-band shares, and what its own SWE adds."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numba import njit

from snowtally.melt.march import STEPS, SWE, VANISHED_MM, Cells, Melt, depleted
from snowtally.melt.totals import UnitSums


@njit(cache=True, error_model="numpy", nogil=True)
def own_errors(cells: Cells, melt: Melt, swe_se: np.ndarray, out: np.ndarray) -> None:
    """Fill in what the error of a cell's SWE does to its melt, mm (cell, day).

    It is half of what one standard error more melts beyond one less.

    Parameters
    ----------
    melt : what the cells melt, as `march_cells` fills it in.
    swe_se : (cell,) standard error of SWE, mm.

    Notes
    -----
    The energy that ate into the old snow is read back from what is left of it, and lent to more and to less snow: a march of
    each would take thrice as long.
    """
    table = cells.depletion
    for i in range(len(out)):
        swe = cells.state[i, SWE]
        out[i] = 0.0
        # Bare ground has no snow to err by.
        if swe <= VANISHED_MM:
            continue
        more, less = swe + swe_se[i], max(swe - swe_se[i], VANISHED_MM)
        gone, position, more_left, less_left = 0.0, 0.0, more, less
        for d in range(out.shape[1]):
            gone += melt.melt[i, d] - melt.fallen[i, d]
            position = _position(table, 1.0 - min(max(gone, 0.0), swe) / swe, int(position))
            eaten = swe * position / STEPS
            now = more * depleted(table, eaten / more)[0], less * depleted(table, eaten / less)[0]
            out[i, d] = abs((more_left - now[0]) - (less_left - now[1])) / 2.0
            more_left, less_left = now


@njit(cache=True, error_model="numpy")
def _position(table: np.ndarray, left: float, low: int) -> float:
    """Return where in the depletion table a share of SWE is left, from a row on: it seldom lies far."""
    last, step = len(table) - 1, 1
    if left <= table[last, 0]:
        return float(last)
    if table[low, 0] < left:
        low = 0
    high = low + 1
    while table[high, 0] >= left:
        low, step = high, 2 * step
        high = min(low + step, last)
    while high - low > 1:
        middle = (low + high) // 2
        if table[middle, 0] >= left:
            low = middle
        else:
            high = middle
    return low + (table[low, 0] - left) / (table[low, 0] - table[high, 0])


class Shares(NamedTuple):
    """How the errors of zone-bands' melt are shared among their cells, (unit, day) each, or (unit,) of a day.

    Parameters
    ----------
    of_melt : a cell's part over its melt, and over its covered ground times `of_cover`.
    of_cover : mm, the mean error of the zone-band's ground.

    Notes
    -----
    A cell's part goes with its melt; where the zone-band's error is beyond its melt, with the covered ground. Parts times areas
    add up to the zone-band's error, since cells of one zone-band err together.
    """

    of_melt: np.ndarray
    of_cover: np.ndarray

    @classmethod
    def of(cls, sums: UnitSums, unit_se: np.ndarray) -> Shares:
        """Return how the zone-bands' errors are shared.

        Parameters
        ----------
        unit_se : (unit, day) standard error of each zone-band's melt, mm m2.
        """
        area = sums.area[:, None]
        mean_se = np.divide(unit_se, area, out=np.zeros(unit_se.shape), where=area > 0)
        whole = sums.melt + mean_se * sums.covered[:, None]
        return cls(np.divide(unit_se, whole, out=np.zeros(unit_se.shape), where=whole > 0), mean_se)


@njit(cache=True, error_model="numpy", nogil=True)
def add_shared_errors(melt: np.ndarray, cells: SharingCells, shares: Shares, out: np.ndarray) -> None:
    """Add to cells' errors of a day their parts of the error that their zone-band shares, mm.

    Parameters
    ----------
    melt, out : of all cells of the grid, mm. shares : of the day.
    """
    for i in range(len(cells.at)):
        at, unit = cells.at[i], cells.unit[i]
        part = (melt[at] + shares.of_cover[unit] * cells.cover[i]) * shares.of_melt[unit]
        out[at] = np.sqrt(np.float64(out[at]) ** 2 + part**2)


class SharingCells(NamedTuple):
    """Cells of the basin: number in the grid, number of the zone-band, and share of ground under snow, (n,) each."""

    at: np.ndarray
    unit: np.ndarray
    cover: np.ndarray
