"""The horizon of every cell: how high the ground around it stands, and how much of the sky it sees."""

from __future__ import annotations

import numpy as np
from numba import njit, prange

SECTORS = 16
"""Bearings for which the horizon is reckoned; between them a line is drawn."""


def horizons(elevation_m: np.ndarray, cell_m: float, sectors: int = SECTORS) -> np.ndarray:
    """Return the height of the horizon in radians, never below the horizontal, float32, (sectors, y, x).

    Parameters
    ----------
    elevation_m : (y, x), rows from north to south; missing cells hide nothing.
    sectors : evenly spaced bearings from the grid's north, turning east; a multiple of 4.

    Notes
    -----
    Along each bearing the grid falls into lines of cells, each cell in one. A line is walked from its far end, and of the
    cells passed only those on their upper convex hull are kept: only these can be a horizon (Dozier et al. 1981, Comput.
    Geosci. 7, 145-151). Each cell is pushed and taken once, so that the whole view costs no more than a step.
    """
    height = np.where(np.isfinite(elevation_m), elevation_m, -1e6)
    out = np.zeros((sectors, *height.shape), np.float32)
    for sector in range(sectors):
        bearing = 2 * np.pi * sector / sectors
        north, east = np.cos(bearing), np.sin(bearing)
        along_columns = abs(east) > abs(north)
        # The longer component becomes the walk, one cell a step, the other drifts beside it.
        major, minor = (east, -north) if along_columns else (-north, east)
        grid, view = (height.T, out[sector].T) if along_columns else (height, out[sector])
        if major < 0:
            grid, view = grid[::-1], view[::-1]
        _walk(grid, minor / abs(major), cell_m * np.hypot(1.0, minor / major), view)
    return out


@njit(parallel=True, cache=True)
def _walk(height: np.ndarray, drift: float, step_m: float, out: np.ndarray) -> None:
    """Fill in the horizon towards rising first index, the second index drifting by `drift` a step."""
    steps, width = height.shape
    reach = int(abs(drift) * steps) + 2
    for line in prange(width + 2 * reach):
        start = line - reach
        hull = np.empty(steps, np.int64)
        held = 0
        for k in range(steps - 1, -1, -1):
            j = start + int(np.floor(k * drift + 0.5))
            if j < 0 or j >= width:
                continue
            here = height[k, j]
            # Cells that stand lower than the next one behind them, seen from here, are seen by none that follows.
            while held > 1:
                a, b = hull[held - 1], hull[held - 2]
                high_a = height[a, start + int(np.floor(a * drift + 0.5))]
                high_b = height[b, start + int(np.floor(b * drift + 0.5))]
                if (high_a - here) * (b - k) > (high_b - here) * (a - k):
                    break
                held -= 1
            if held > 0:
                a = hull[held - 1]
                rise = (height[a, start + int(np.floor(a * drift + 0.5))] - here) / ((a - k) * step_m)
                out[k, j] = max(0.0, np.arctan(rise))
            hull[held] = k
            held += 1


def sky_view(horizon: np.ndarray, normals: np.ndarray) -> np.ndarray:
    """Return the share of diffuse sun that slopes receive of what level open ground does, 0 to 1, (n,).

    Parameters
    ----------
    horizon : (sectors, n) radians.
    normals : (n, 3) grid east, north, up.

    Notes
    -----
    Mean over bearings of cos(S) sin2(H) + sin(S) cos(b - A) (H - sin(H) cos(H)), H the angle from the zenith to the horizon
    (Dozier and Frew 1990, IEEE Trans. Geosci. Remote Sens. 28, 963-969, eq. 7b); sky as bright everywhere.
    """
    out = np.empty(horizon.shape[1])
    _view(horizon, np.ascontiguousarray(normals, np.float64), out)
    return out


@njit(parallel=True, cache=True)
def _view(horizon: np.ndarray, normals: np.ndarray, out: np.ndarray) -> None:
    sectors = horizon.shape[0]
    for i in prange(len(out)):
        total = 0.0
        for sector in range(sectors):
            bearing = 2 * np.pi * sector / sectors
            towards = normals[i, 0] * np.sin(bearing) + normals[i, 1] * np.cos(bearing)
            # Behind the slope's own plane there is no sky either.
            own = np.pi / 2 + np.arctan(towards / normals[i, 2])
            down = min(np.pi / 2 - horizon[sector, i], own)
            total += normals[i, 2] * np.sin(down) ** 2 + towards * (down - np.sin(down) * np.cos(down))
        out[i] = min(max(total / sectors, 0.0), 1.0)
