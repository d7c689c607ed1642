"""The error of fine depths from pixel to pixel: how large, how far it hangs together, what it leaves of a cell's mean.

Over stable ground the true depth is nought, so that what a registered pair of surfaces shows there is its error. Its variogram
tells the part that every pixel has for itself (nugget) from the part that neighbours share (sill, falling off with distance).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.optimize import nnls

TRIES = 40_000
"""Pairs looked for at each distance, at random but always the same ones (chosen: the semivariance is then good to 2 %)."""

LEAST_PAIRS = 300
"""Pairs below which a distance is left out (chosen: its semivariance would err by a tenth)."""

LONGEST_SHARE = 0.5
"""Longest distance as a share of the ground's extent (common practice: pairs further apart are few and much the same)."""

REACHES = 40
"""Reaches tried between a pixel and the longest distance, evenly in their logarithm (chosen: a tenth apart)."""


@dataclass(frozen=True)
class PixelNoise:
    """Error of fine depths: variogram nugget + sill (1 - exp(-distance / reach)).

    Parameters
    ----------
    nugget_m2 : variance of what each pixel errs by itself, m2.
    sill_m2 : variance of what neighbours err alike, m2.
    reach_m : distance over which that falls to 1/e, m.
    """

    nugget_m2: float
    sill_m2: float
    reach_m: float

    @property
    def pixel_se_m(self) -> float:
        """Standard error of one pixel, m."""
        return float(np.sqrt(self.nugget_m2 + self.sill_m2))

    def cell_se_m(self, valid_fraction: np.ndarray, cell_m: float, pixel_m2: float) -> np.ndarray:
        """Return the standard error of a cell's mean depth, m.

        It is missing (NaN) where nothing is valid.

        Parameters
        ----------
        valid_fraction : (y, x) part of each cell that was seen; taken as a square of that area.
        cell_m : cell width, m.
        pixel_m2 : area of a pixel, m2.
        """
        seen = valid_fraction > 0
        share = np.where(seen, valid_fraction, 1.0)
        # The mean correlation is smooth in the width: a table of it serves any number of cells.
        table = np.linspace(0.0, 1.0, 65)
        shared = np.interp(np.sqrt(share), table, mean_correlation(cell_m * table / self.reach_m))
        own = self.nugget_m2 * np.minimum(pixel_m2 / (share * cell_m**2), 1.0)
        return np.where(seen, np.sqrt(own + self.sill_m2 * shared), np.nan)


def mean_correlation(width: np.ndarray) -> np.ndarray:
    """Return the mean correlation of two points of a square.

    The correlation is exp(-distance). `width` is the square's width, in units of the reach.

    This is the variance of a square's mean over that of a point. Differences of the coordinates of two random points of
    the unit square have the density 2 (1 - u), so that two of the four integrals remain. They are computed after Gauss
    and Legendre with 64 points each, which lie denser near 0.

    >>> mean_correlation(np.array([0.0, 1.0, 10.0])).round(4)
    array([1.    , 0.6119, 0.048 ])
    """
    node, weight = np.polynomial.legendre.leggauss(64)
    s, weight = (node + 1) / 2, weight / 2
    u, density = s**2, 4 * s * (1 - s**2) * weight
    distance = np.hypot(u[:, None], u[None, :])
    return np.array([density @ np.exp(-w * distance) @ density for w in np.atleast_1d(width)])


def residual_noise(x: np.ndarray, y: np.ndarray, residual_m: np.ndarray, pixel_m: tuple[float, float]) -> PixelNoise:
    """Return the noise that residuals over stable ground show.

    Semivariances are the robust ones of Dowd (1984; from memory): half the square of 1.4826 times the median of the pairs'
    distances in value, so that what is left of outliers does not count.

    Parameters
    ----------
    x, y : (n,) easting and northing, m.
    residual_m : (n,) registered difference over stable ground, m.
    pixel_m : width and height of a pixel, m.
    """
    spread = float(np.median(np.abs(residual_m - np.median(residual_m))) * 1.4826)
    lags, semivariances, counts = _semivariances(x, y, residual_m, pixel_m)
    if len(lags) < FEWEST_LAGS:
        # Too scattered to tell: all of it is then taken as shared over some pixels, never as each pixel's own.
        return PixelNoise(0.0, spread**2, SHARED_PIXELS * max(pixel_m))
    weight = np.sqrt(counts)
    least = np.inf
    best = PixelNoise(0.0, spread**2, SHARED_PIXELS * max(pixel_m))
    for reach in np.geomspace(min(lags[0], lags[-1] / 2), lags[-1], REACHES):
        columns = np.column_stack([np.ones_like(lags), 1 - np.exp(-lags / reach)])
        (nugget, sill), left = nnls(columns * weight[:, None], semivariances * weight)
        if left < least:
            least, best = left, PixelNoise(float(nugget), float(sill), float(reach))
    return best


FEWEST_LAGS = 4
"""Distances needed for three unknowns."""

SHARED_PIXELS = 4.0
"""Reach in pixels where it cannot be told (chosen)."""


def _semivariances(
    x: np.ndarray, y: np.ndarray, values: np.ndarray, pixel_m: tuple[float, float]
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return mean distance (m), semivariance (m2) and number of pairs by lag.

    Lags run from a pixel's width on, each half as far again.
    """
    width, height = pixel_m
    column = np.round((x - x.min()) / width).astype(np.int64)
    row = np.round((y - y.min()) / height).astype(np.int64)
    columns = int(column.max()) + 1
    key = row * columns + column
    order = np.argsort(key, kind="stable")
    sorted_key = key[order]
    random = np.random.default_rng(1)
    longest = LONGEST_SHARE * np.hypot(np.ptp(x), np.ptp(y))
    lag = max(pixel_m)
    rows: list[tuple[float, float, float]] = []
    while lag <= longest:
        start = random.integers(0, len(x), TRIES)
        angle = random.uniform(0, 2 * np.pi, TRIES)
        to_column = column[start] + np.round(lag * np.cos(angle) / width).astype(np.int64)
        to_row = row[start] + np.round(lag * np.sin(angle) / height).astype(np.int64)
        wanted = np.where((to_column >= 0) & (to_column < columns), to_row * columns + to_column, -1)
        # In rising order the search finds its places in the cache: five times as fast.
        rising = np.argsort(wanted)
        start, wanted = start[rising], wanted[rising]
        at = np.minimum(np.searchsorted(sorted_key, wanted), len(order) - 1)
        there = (sorted_key[at] == wanted) & (order[at] != start)
        if there.sum() >= LEAST_PAIRS:
            first, second = start[there], order[at[there]]
            apart = np.hypot(x[first] - x[second], y[first] - y[second]).mean()
            semivariance = 0.5 * (1.4826 * np.median(np.abs(values[first] - values[second]))) ** 2
            rows.append((apart, semivariance, there.sum()))
        lag *= 1.5
    lags, semivariances, counts = np.array(rows, float).reshape(-1, 3).T.copy()
    return lags, semivariances, counts


def mean_over_ground_se_m(x: np.ndarray, y: np.ndarray, noise: PixelNoise) -> float:
    """Return the standard error of the mean over scattered pixels, m."""
    random = np.random.default_rng(2)
    first, second = random.integers(0, len(x), (2, TRIES))
    apart = np.hypot(x[first] - x[second], y[first] - y[second])
    shared = noise.sill_m2 * float(np.exp(-apart / noise.reach_m).mean())
    return float(np.sqrt(noise.nugget_m2 / len(x) + shared))
