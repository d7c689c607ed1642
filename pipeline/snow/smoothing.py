"""What a later flight says of an earlier day's snow: where within a zone-band it lay, not how much there was.

Levels err by what is common to the basin, the density of the flight's day first of all; shapes do so far less. So each zone-band
keeps its mean, and its cells move within it. docs/method.md has the formulas and the trials.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from snowtally.snow.background import PATCHY_MM
from snowtally.statistics.errors import SLOPE_REACH_M, ErrorPart, KrigedPart


@dataclass(frozen=True)
class ShapeErrors:
    """Variances of a map's shape by cells, mm2.

    Parameters
    ----------
    own_mm2 : of errors that cells share over the length of a slope at most: laser noise, a place's own gain and loss.
    wide_mm2 : of errors that they share further than that, yet not over the whole basin: where snow is denser than the sites tell
        one year's day, it is so on others, so that two flights are wrong alike and the one does not show it of the other.
    """

    own_mm2: np.ndarray
    wide_mm2: np.ndarray

    @classmethod
    def of(cls, parts: Sequence[ErrorPart | KrigedPart], shape: tuple[int, ...]) -> ShapeErrors:
        """Return the variances of the parts on cells of a shape. Kriged ones count for levels: they are as wide as sites are apart."""
        own, wide = np.zeros(shape), np.zeros(shape)
        for part in parts:
            if isinstance(part, ErrorPart) and np.isfinite(part.correlation_m):
                one = own if part.correlation_m <= SLOPE_REACH_M else wide
                one += np.square(part.error_mm)
        return cls(own, wide)


@dataclass(frozen=True)
class LaterFlight:
    """A later flight and the earlier map carried to its day.

    All of the shape of that map.

    Parameters
    ----------
    swe_mm : what the flight measured; missing where it says nothing.
    forecast_mm : the day's map carried to the flight's day.
    slope : change of the forecast with the day's SWE, 1; 0 where the snow is gone by then whatever there was.
    carry_mm2 : variance of the carrying, a cell's own.
    errors : those of the flight.
    """

    swe_mm: np.ndarray
    forecast_mm: np.ndarray
    slope: np.ndarray
    carry_mm2: np.ndarray
    errors: ShapeErrors


@dataclass(frozen=True)
class Smoothed:
    """SWE after smoothing (mm) and the change of variance (mm2)."""

    swe_mm: np.ndarray
    variance_change_mm2: np.ndarray


def smoothed(
    swe_mm: np.ndarray, errors: ShapeErrors, later: LaterFlight, zone_band: np.ndarray, area_m2: np.ndarray
) -> Smoothed:
    """Return a day's SWE given a later flight.

    Each zone-band's mean is as it was.

    Parameters
    ----------
    swe_mm, errors : the day's map.
    later : the flight and its forecast.
    zone_band : number of each cell's zone-band from 0 on, -1 outside the basin, where nothing changes.
    area_m2 : of each cell.

    Notes
    -----
    A cell moves by K r, K = H P / (H^2 P + Q + R) and r the flight less the forecast, and keeps P (1 - H K) of its variance: with
    its own variance P on the day, the slope H, and the variances Q of the carrying and R of the flight this is the smoother of
    Rauch, Tung and Striebel (1965, AIAA J. 3, 1445-1450) for one cell. In each zone-band the mean of r, weighted by K, is taken off
    first, so that as much is added as is taken away. Where innovations are larger than stated, what is left is stated larger by
    as much: by the mean of r^2 / (H^2 P + Q + R), weighted by H K, where it is over 1 (Birge 1932, Phys. Rev. 40, 207-227;
    both from memory).
    """
    seen = (zone_band >= 0) & (area_m2 > 0) & np.isfinite(later.swe_mm)
    nightly, measured, forecast, slope = (part[seen] for part in (swe_mm, later.swe_mm, later.forecast_mm, later.slope))
    prior = errors.own_mm2[seen]
    variance = slope**2 * prior + later.carry_mm2[seen] + later.errors.own_mm2[seen]
    gain = _ratio(slope * prior, variance)
    group, area = zone_band[seen], area_m2[seen]
    # A zone-band without snow has no shape.
    gain = np.where(_sum(measured * area, group) > 0, gain, 0.0)
    innovation = measured - forecast
    level = _ratio(_sum(gain * area * innovation, group), _sum(gain * area, group))
    moved = np.maximum(nightly + gain * (innovation - level), 0.0)
    out, change = swe_mm.copy(), np.zeros(swe_mm.shape)
    # What could not go below nought is taken from the others.
    out[seen] = moved * _ratio(_sum(nightly * area, group), _sum(moved * area, group))
    weights = slope * gain * area
    z2 = _ratio((innovation - level) ** 2, variance)
    doubt = max(1.0, float(np.average(z2, weights=weights))) if weights.any() else 1.0
    change[seen] = doubt * prior * (1.0 - slope * gain) - prior
    # A flight brings its own wide errors where the map had none, or lesser ones.
    change[seen] += np.maximum(gain**2 * later.errors.wide_mm2[seen] - errors.wide_mm2[seen], 0.0)
    return Smoothed(out, change)


def _sum(values: np.ndarray, group: np.ndarray) -> np.ndarray:
    """Return by cells the sum of values over their group."""
    return np.bincount(group, values)[group]


def _ratio(part: np.ndarray, whole: np.ndarray) -> np.ndarray:
    """Return part over whole, 0 where there is nothing."""
    return np.divide(part, whole, out=np.zeros(whole.shape), where=whole > 0)


def covered_after(covered: np.ndarray, before_mm: np.ndarray, after_mm: np.ndarray) -> np.ndarray:
    """Return the covered share of cells after a change.

    Each along its own depletion curve 1 - exp(-SWE / scale).

    >>> covered_after(np.array([0.5, 1.0, 0.0]), np.array([10.0, 90.0, 0.0]), np.array([20.0, 80.0, 0.0])).round(3)
    array([0.75, 1.  , 0.  ])
    """
    fresh = 1.0 - np.exp(-after_mm / PATCHY_MM)
    with np.errstate(divide="ignore", invalid="ignore"):
        along = 1.0 - (1.0 - covered) ** (after_mm / before_mm)
    return np.where(after_mm > 0, np.where(before_mm > 0, along, fresh), 0.0)
