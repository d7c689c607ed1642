"""The horizon of every cell: how high the ground around it stands, and how much of the sky it sees."""

from __future__ import annotations

import math

import numpy as np
from numba import njit

from snowtally.statistics.tiles import in_threads

_STEPS = ((-1, 0), (-2, 1), (-1, 1), (-1, 2), (0, 1), (1, 2), (1, 1), (2, 1))
"""Steps in rows and columns from one cell to the next along a bearing, from north to south by east; the others mirror these.
Steps that meet cells' centres need nothing between cells to be guessed. Accuracy and cost alone."""

STEPS = np.array([*_STEPS, *((-row, -column) for row, column in _STEPS)])
BEARINGS = np.arctan2(STEPS[:, 1], -STEPS[:, 0]) % math.tau
"""The bearings for which the horizon is reckoned, radians from the grid's north turning east, rising; 18 to 27 degrees apart."""


def horizons(elevation_m: np.ndarray, cell_m: float) -> np.ndarray:
    """Return the height of the horizon along `BEARINGS`, radians.

    It is never below the horizontal. The array is float32, (bearing, y, x).

    Parameters
    ----------
    elevation_m : (y, x), rows from north to south; missing cells hide nothing.

    Notes
    -----
    Along each bearing the grid falls into lines of cells, and each cell lies in one. A line is walked from its far end.
    Of the cells passed only those on their upper convex hull are kept: only these can be a horizon (Dozier et al. 1981,
    Comput. Geosci. 7, 145-151). Each cell enters the hull once and leaves it at most once, so that a far view costs no
    more than a near one.
    """
    height = np.where(np.isfinite(elevation_m), elevation_m, -1e6)
    out = np.zeros((len(STEPS), *height.shape), np.float32)

    def walk(number: int) -> None:
        down, right = STEPS[number]
        _walk(height, _far_ends(height.shape, down, right), (down, right), cell_m * np.hypot(down, right), out[number])

    list(in_threads(walk, range(len(STEPS))))
    return out


def _far_ends(shape: tuple[int, int], down: int, right: int) -> np.ndarray:
    """Return the cells of a grid before which none lies against a step, (n, 2)."""
    rows, columns = np.arange(shape[0]), np.arange(shape[1])
    edge_row = (rows - down < 0) | (rows - down >= shape[0])
    edge_column = (columns - right < 0) | (columns - right >= shape[1])
    above = np.stack(np.meshgrid(rows[edge_row], columns, indexing="ij"), axis=-1).reshape(-1, 2)
    beside = np.stack(np.meshgrid(rows[~edge_row], columns[edge_column], indexing="ij"), axis=-1).reshape(-1, 2)
    return np.concatenate([above, beside])


# Compiled code is kept beside this file and is made anew when the file changes.
@njit(cache=True, error_model="numpy", nogil=True)
def _walk(height: np.ndarray, starts: np.ndarray, step: tuple[int, int], step_m: float, out: np.ndarray) -> None:
    """Fill in the horizon towards `step` along lines.

    The lines begin at `starts`.
    """
    rows, columns = height.shape
    hull, high = np.empty(rows + columns, np.int64), np.empty(rows + columns)
    for line in range(len(starts)):
        row, column = starts[line]
        count = 0
        while 0 <= row + count * step[0] < rows and 0 <= column + count * step[1] < columns:
            count += 1
        held = 0
        for k in range(count - 1, -1, -1):
            here = height[row + k * step[0], column + k * step[1]]
            # A cell that does not rise above the one behind it, seen from here, is a horizon to none that follows.
            while held > 1:
                near, far = hull[held - 1] - k, hull[held - 2] - k
                if (high[held - 1] - here) * far > (high[held - 2] - here) * near:
                    break
                held -= 1
            if held > 0:
                rise = (high[held - 1] - here) / ((hull[held - 1] - k) * step_m)
                if rise > 0.0:
                    out[row + k * step[0], column + k * step[1]] = np.arctan(rise)
            hull[held], high[held] = k, here
            held += 1


def sky_view(horizon: np.ndarray, normals: np.ndarray) -> np.ndarray:
    """Return the share of diffuse sun that slopes receive.

    It is relative to level open ground, 0 to 1, (n,).

    Parameters
    ----------
    horizon : (bearing, n) radians.
    normals : (n, 3) grid east, north, up.

    Notes
    -----
    It is the mean over bearings of cos(S) sin2(H) + sin(S) cos(b - A) (H - sin(H) cos(H)), where H is the angle from
    the zenith to the horizon (Dozier and Frew 1990, IEEE Trans. Geosci. Remote Sens. 28, 963-969, eq. 7b). The sky is
    equally bright everywhere.
    """
    # Share of the round that each bearing stands for.
    widths = (np.roll(BEARINGS, -1) - np.roll(BEARINGS, 1)) % math.tau / (2 * math.tau)
    out = np.empty(horizon.shape[1])
    _view(horizon, np.ascontiguousarray(normals, np.float64), BEARINGS, widths, out)
    return out


@njit(cache=True, error_model="numpy", nogil=True)
def _view(horizon: np.ndarray, normals: np.ndarray, bearings: np.ndarray, widths: np.ndarray, out: np.ndarray) -> None:
    east, north = np.sin(bearings), np.cos(bearings)
    for i in range(len(out)):
        total = 0.0
        for b in range(len(bearings)):
            towards = normals[i, 0] * east[b] + normals[i, 1] * north[b]
            high = 1.0 * horizon[b, i]
            slope = towards / normals[i, 2]
            # Behind the slope's own plane there is no sky either; where that falls away, the horizon is above it.
            behind = -np.arctan(slope) if slope < 0.0 else 0.0
            if behind > high:
                sine = 1.0 / np.sqrt(1.0 + slope * slope)
                high, cosine = behind, -slope * sine
            else:
                # Of the angle from the zenith down to the horizon.
                sine, cosine = np.cos(high), np.sin(high)
            seen = normals[i, 2] * sine**2 + towards * (np.pi / 2 - high - sine * cosine)
            total += widths[b] * seen
        out[i] = min(max(total, 0.0), 1.0)
