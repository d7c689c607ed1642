"""Where to measure next: by how much a measurement would cut the error of a total, from the map's own error.

A measurement m with error variance r cuts the variance of a sum T by cov(T, m)^2 / (var(m) + r), whatever its outcome: the
gain can be told before anybody goes (conditioning of a Gaussian field; Rasmussen and Williams 2006, Gaussian Processes for
Machine Learning, eq. A.6). The covariances are those of the error parts of the day's map, so that a place tells of as much
ground as the map's errors hang together, and nothing where other sites have told it already. What is measured together is
told in sequence: each further measurement counts for what those before it leave.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.signal import fftconvolve

from snowtally.statistics.errors import SLOPE_REACH_M, ErrorPart, KrigedPart, volume_covariance
from snowtally.statistics.variogram import Variogram

SHARED_BY_SITES = ("site offset", "melt common")
"""Error parts that a new site has as the old ones have them, so that it does not cut them: places are chosen alike. Fewer than
`ErrorPart.shared` names: a site above all others does tell how the line goes on up there."""

SHARED_BY_FLIGHTS = ("density common", "density pattern", "density local")
"""Error parts that a new flight does not cut: it brings depth, and the density is as well known as before."""


@dataclass(frozen=True)
class MapError:
    """The error of a day's map as a field.

    Parameters
    ----------
    parts : independent error parts on (y, x), mm.
    x, y : coordinates of the columns and rows, m.
    """

    parts: list[ErrorPart | KrigedPart]
    x: np.ndarray
    y: np.ndarray

    def without(self, names: tuple[str, ...]) -> MapError:
        """Return the error less the parts of these names."""
        return MapError([part for part in self.parts if part.name not in names], self.x, self.y)

    def variance(self) -> np.ndarray:
        """Return the (y, x) error variance of each cell, mm2."""
        return sum((_scale(part) ** 2 * self._own(part) for part in self.parts), np.zeros(self._shape))

    def with_sum(self, weight: np.ndarray) -> np.ndarray:
        """Return each cell's covariance with the weighted sum of errors.

        Shape (y, x), mm2 times the weight's unit.
        """
        return sum((self._with_sum(part, weight) for part in self.parts), np.zeros(self._shape))

    def with_cell(self, row: int, column: int) -> np.ndarray:
        """Return each cell's error covariance with one cell, mm2, (y, x)."""
        return sum((self._with_cell(part, row, column) for part in self.parts), np.zeros(self._shape))

    @property
    def _shape(self) -> tuple[int, int]:
        return len(self.y), len(self.x)

    @property
    def _xy(self) -> np.ndarray:
        return np.stack(np.meshgrid(self.x, self.y), axis=-1).reshape(-1, 2)

    def _own(self, part: ErrorPart | KrigedPart) -> np.ndarray | float:
        """Return the variance of a part's field in units of its own."""
        if isinstance(part, ErrorPart):
            return 1.0
        return part.kriging.predict(self._xy, _flat(part.drift))[1].reshape(self._shape)

    def _with_sum(self, part: ErrorPart | KrigedPart, weight: np.ndarray) -> np.ndarray:
        scale = _scale(part)
        scaled = weight * scale
        if isinstance(part, ErrorPart):
            if part.correlation_m == 0:
                return scaled * scale
            if np.isinf(part.correlation_m):
                return scale * scaled.sum()
            return scale * self._spread(Variogram("exponential", 0.0, 1.0, part.correlation_m), scaled)
        kriging, weighed = part.kriging, scaled != 0
        with_sites = kriging.site_covariance(self._xy[weighed.ravel()]).T @ scaled[weighed]
        flat = _flat(part.drift)
        drift = None if flat is None else (flat, flat[weighed.ravel()].T @ scaled[weighed])
        prior = kriging.variogram.sill * self._spread(kriging.variogram, scaled)
        covariance = kriging.covariance_with(self._xy, prior.ravel(), with_sites, float(scaled.sum()), drift)
        return scale * covariance.reshape(self._shape)

    def _with_cell(self, part: ErrorPart | KrigedPart, row: int, column: int) -> np.ndarray:
        scale = _scale(part)
        if isinstance(part, ErrorPart) and part.correlation_m == 0:
            own = np.zeros(self._shape)
            own[row, column] = scale[row, column] ** 2
            return own
        if isinstance(part, ErrorPart) and np.isinf(part.correlation_m):
            return scale * scale[row, column]
        distance = np.hypot(self.x[None, :] - self.x[column], self.y[:, None] - self.y[row])
        if isinstance(part, ErrorPart):
            return scale * scale[row, column] * np.exp(-distance / part.correlation_m)
        kriging = part.kriging
        prior = kriging.variogram.sill * kriging.variogram.correlation(distance)
        cell = np.array([[self.x[column], self.y[row]]])
        flat = _flat(part.drift)
        drift = None if flat is None or part.drift is None else (flat, part.drift[row, column])
        covariance = kriging.covariance_with(self._xy, prior.ravel(), kriging.site_covariance(cell)[0], 1.0, drift)
        return scale * scale[row, column] * covariance.reshape(self._shape)

    def _spread(self, correlation: Variogram, weight: np.ndarray) -> np.ndarray:
        """Return the sum of correlation times weight about each cell."""
        steps = [abs(float(axis[1] - axis[0])) if len(axis) > 1 else 1.0 for axis in (self.y, self.x)]
        reach = [
            min(int(np.ceil(correlation.reach_m / step)), n - 1) for step, n in zip(steps, self._shape, strict=True)
        ]
        away = [np.arange(-r, r + 1) * step for r, step in zip(reach, steps, strict=True)]
        kernel = correlation.correlation(np.hypot(away[0][:, None], away[1][None, :]))
        return fftconvolve(weight, kernel, mode="same") if weight.size > 1 else weight * kernel


def variance_of_sum(error: MapError, weight: np.ndarray) -> float:
    """Return the error variance of a weighted sum of SWE.

    In mm2 times the square of the weight's unit; weight is (y, x).
    """
    return float(np.sum(weight * error.with_sum(weight)))


def best_sites(
    error: MapError, weight: np.ndarray, noise_mm: np.ndarray, allowed: np.ndarray, count: int
) -> tuple[pd.DataFrame, np.ndarray]:
    """Return where weighing the snow cuts a sum's error most.

    Parameters
    ----------
    error : of the day's map.
    weight : (y, x) weight of each cell in the sum, such as m3 per mm.
    noise_mm : (y, x) standard error of one measurement against its cell.
    allowed : (y, x) cells where one may measure.
    count : sites wanted; fewer where no allowed cell is left or would help.

    Returns
    -------
    chosen : row, column, alone (share of the sum's variance that this one would cut by itself), together (share that it
        and those before it cut), in the order of choice.
    alone : (y, x) share that each cell would cut by itself, missing where it is not allowed.
    """
    whole = variance_of_sum(error, weight)
    seen = error.without(SHARED_BY_SITES)
    covariance, variance = seen.with_sum(weight), seen.variance() + noise_mm**2
    if whole <= 0:
        return pd.DataFrame(columns=["row", "column", "alone", "together"]), np.where(allowed, 0.0, np.nan)
    alone = covariance**2 / np.where(variance > 0, variance, np.inf) / whole
    open_ = allowed & np.isfinite(alone)
    gain, cut = np.where(open_, alone, 0.0), 0.0
    chosen: list[dict[str, float]] = []
    directions: list[np.ndarray] = []
    rows, columns = np.indices(alone.shape)
    far = [abs(float(axis[1] - axis[0])) if len(axis) > 1 else np.inf for axis in (error.y, error.x)]
    while len(chosen) < count and gain.max() > 0:
        row, column = (int(k) for k in np.unravel_index(np.argmax(gain), gain.shape))
        size = np.sqrt(variance[row, column])
        left = seen.with_cell(row, column)
        for direction in directions:
            left = left - direction * direction[row, column]
        cut += float(gain[row, column])
        chosen.append({"row": row, "column": column, "alone": float(alone[row, column]), "together": cut})
        directions.append(left / size)
        covariance = covariance - directions[-1] * covariance[row, column] / size
        variance = np.maximum(variance - directions[-1] ** 2, noise_mm**2)
        open_ &= np.hypot((rows - row) * far[0], (columns - column) * far[1]) >= SLOPE_REACH_M
        gain = np.where(open_ & (variance > 0), covariance**2 / np.where(variance > 0, variance, 1.0) / whole, 0.0)
    return pd.DataFrame(chosen, columns=["row", "column", "alone", "together"]), np.where(allowed, alone, np.nan)


@dataclass(frozen=True)
class Strips:
    """Flight strips over the basin.

    Each is a set of squares of ground in a row.

    Parameters
    ----------
    square : (y, x) number of each cell's square, -1 outside the basin.
    members : the squares of each strip.
    names : each strip's direction and its number from the south or the west.
    east_west : whether each strip runs east-west; else north-south.
    middle_m : northing of an east-west strip's middle, easting of a north-south one's, m.
    width_m : width of the strips.
    cell_m : cell width, m.
    """

    square: np.ndarray
    members: list[np.ndarray]
    names: list[str]
    east_west: list[bool]
    middle_m: list[float]
    width_m: float
    cell_m: float


MOST_SQUARES = 400
"""Squares that strips are made of at most: their covariance is a matrix. A larger basin is planned in wider strips.
Accuracy and cost alone."""


def strips_over(inside: np.ndarray, x: np.ndarray, y: np.ndarray, width_m: float) -> Strips:
    """Return east-west and north-south strips over the basin.

    Parameters
    ----------
    inside : (y, x) cells of the basin.
    width_m : their width; they are wider where there would be too many squares.
    """
    cell_m = abs(float(x[1] - x[0])) if len(x) > 1 else width_m
    cells = max(1, round(width_m / cell_m))
    row, column = np.indices(inside.shape)
    while True:
        across = -(-inside.shape[1] // cells)
        number = np.where(inside, (row // cells) * across + column // cells, -1)
        held, square = np.unique(number, return_inverse=True)
        square = square.reshape(inside.shape) - int(held[0] < 0)
        held = held[held >= 0]
        if len(held) <= MOST_SQUARES:
            break
        cells += 1
    members: list[np.ndarray] = []
    names: list[str] = []
    east_west: list[bool] = []
    middle: list[float] = []
    for name, line, axis, start in (
        ("east-west", held // across, y, -1),
        ("north-south", held % across, x, 1),
    ):
        lines = np.unique(line)[::start]
        for order, at in enumerate(lines, 1):
            members.append(np.flatnonzero(line == at))
            names.append(f"{name} {order}")
            east_west.append(axis is y)
            middle.append(float(np.mean(axis[at * cells : (at + 1) * cells])))
    return Strips(square, members, names, east_west, middle, cells * cell_m, cell_m)


def best_strips(
    parts: list[ErrorPart | KrigedPart],
    flight_parts: list[ErrorPart],
    volume: tuple[np.ndarray, np.ndarray],
    strips: Strips,
    count: int,
) -> tuple[pd.DataFrame, float]:
    """Return the flight strips that cut a volume's error most.

    Each is chosen with those before it flown. The share that a flight over the whole basin would cut comes with them.

    Parameters
    ----------
    parts : error parts of the day's map.
    flight_parts : error parts of SWE as a flight would give it, mm on (y, x); all strips are flown on one day and share what is
        common.
    volume : (y, x) area of each cell, m2, 0 outside the basin, and (y, x) which cells belong to the total.
    strips : from `strips_over`.
    count : strips wanted.

    Returns
    -------
    chosen : strip (number in `strips`), alone and together (shares of the total's variance cut), in the order of choice.
    everything : share cut by a flight over the whole basin.
    """
    area, counted = volume
    n = int(strips.square.max()) + 1
    # Squares are cut in two by the total's edge, so that the total is an exact sum of what the covariance holds.
    group = np.where(strips.square >= 0, 2 * strips.square + ~counted, -1)
    area = np.nan_to_num(area)

    def squares(chosen: list) -> np.ndarray:
        return volume_covariance(chosen, area, group, 2 * n, strips.cell_m).total

    shared = [part for part in parts if part.name in SHARED_BY_FLIGHTS]
    seen = squares([part for part in parts if part.name not in SHARED_BY_FLIGHTS])
    in_total = np.arange(2 * n) % 2 == 0
    whole = float((seen + squares(shared))[np.ix_(in_total, in_total)].sum())
    if whole <= 0:
        return pd.DataFrame(columns=["strip", "alone", "together"]), 0.0
    pair = np.kron(np.eye(n), np.ones((1, 2)))
    noise = pair @ squares(list(flight_parts)) @ pair.T
    covariance, with_total = pair @ seen @ pair.T + noise, pair @ seen[:, in_total].sum(axis=1)

    def cut(members: np.ndarray) -> float:
        block, shared_with = covariance[np.ix_(members, members)], with_total[members]
        return float(shared_with @ np.linalg.lstsq(block, shared_with, rcond=1e-10)[0]) / whole

    alone = np.array([cut(members) for members in strips.members])
    chosen: list[dict[str, float]] = []
    flown = np.zeros(0, int)
    left = list(range(len(strips.members)))
    while left and len(chosen) < count:
        together = [cut(np.union1d(flown, strips.members[k])) for k in left]
        best = left.pop(int(np.argmax(together)))
        flown = np.union1d(flown, strips.members[best])
        chosen.append({"strip": best, "alone": float(alone[best]), "together": max(together)})
    return pd.DataFrame(chosen, columns=["strip", "alone", "together"]), cut(np.arange(n))


def _scale(part: ErrorPart | KrigedPart) -> np.ndarray:
    return np.nan_to_num(part.scale_mm if isinstance(part, KrigedPart) else part.error_mm)


def _flat(drift: np.ndarray | None) -> np.ndarray | None:
    return None if drift is None else drift.reshape(-1, drift.shape[-1])
