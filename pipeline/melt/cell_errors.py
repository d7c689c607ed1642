"""The standard error of a cell's melt on a forecast day: what its zone-band shares, and what its own SWE adds."""

from __future__ import annotations

import numpy as np

from snowtally.melt.march import COVERED, SWE, Cells, Melt, march_cells


def own_errors(cells: Cells, rows: np.ndarray, air: np.ndarray, swe_se: np.ndarray) -> np.ndarray:
    """Return what the error of a cell's SWE does to its melt, mm (cell, day).

    It is half of what one standard error more melts beyond one less.

    Parameters
    ----------
    rows, air : weather and what holds for all cells, as `march_cells` takes them.
    swe_se : (cell,) standard error of SWE, mm.
    """
    ends = []
    for change in (swe_se, -swe_se):
        state = cells.state.copy()
        state[:, SWE] = np.maximum(state[:, SWE] + change, 0.0)
        out = Melt.room(len(state), len(rows))
        march_cells(cells._replace(state=state), rows, air, out)
        ends.append(out.melt)
    return np.abs(ends[0] - ends[1]) / 2.0


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
