"""The standard error of a cell's melt on a forecast day: what its zone-band shares, and what its own SWE adds."""

from __future__ import annotations

import numpy as np

from snowtally.melt.march import COVERED, SWE, VANISHED_MM, Cells, Melt


def own_errors(cells: Cells, melt: Melt, swe_se: np.ndarray) -> np.ndarray:
    """Return what the error of a cell's SWE does to its melt, mm (cell, day).

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
    left = cells.depletion[:, 0]
    eaten_to_mean = np.linspace(0.0, 8.0, len(left))
    swe = np.maximum(cells.state[:, SWE], VANISHED_MM)[:, None]
    gone = np.cumsum(melt.melt, axis=1) - np.cumsum(melt.fallen, axis=1)
    eaten = swe * np.interp(np.clip(gone, 0.0, swe) / swe, 1.0 - left, eaten_to_mean)
    ends = []
    for change in (swe_se, -swe_se):
        other = np.maximum(swe + change[:, None], VANISHED_MM)
        ends.append(np.diff(other * (1.0 - np.interp(eaten / other, eaten_to_mean, left)), axis=1, prepend=0.0))
    # Bare ground has no snow to err by.
    return np.where(cells.state[:, [SWE]] > VANISHED_MM, np.abs(ends[0] - ends[1]) / 2.0, 0.0)


def shared_errors(
    melt: np.ndarray, cells: Cells, unit: np.ndarray, area_m2: np.ndarray, unit_se: np.ndarray
) -> np.ndarray:
    """Return each cell's part of the error that its zone-band shares, mm (cell,).

    Parts times areas add up to the zone-band's error, since cells of one zone-band err together.

    Parameters
    ----------
    melt : (cell,) melt of the day, mm.
    unit, area_m2 : (cell,) number of its zone-band, and its area.
    unit_se : (unit,) standard error of each zone-band's melt of the day, mm m2.

    Notes
    -----
    A cell's part goes with its melt; where the zone-band's error is beyond its melt, with the covered ground.
    """
    area = np.bincount(unit, area_m2, len(unit_se))
    mean_se = np.divide(unit_se, area, out=np.zeros(len(unit_se)), where=area > 0)
    weight = melt + mean_se[unit] * np.where(cells.state[:, SWE] > 0, cells.state[:, COVERED], 0.0)
    whole = np.bincount(unit, weight * area_m2, len(unit_se))
    return weight * np.divide(unit_se, whole, out=np.zeros(len(unit_se)), where=whole > 0)[unit]
