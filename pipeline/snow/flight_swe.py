"""SWE on a flight's own day: laser depth times the density that the ground teams weighed."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, replace

import numpy as np
import xarray as xr
from scipy.special import ndtr

from snowtally.snow.carry import Pattern
from snowtally.snow.density import BulkDensity, Locations
from snowtally.snow.evening import Level
from snowtally.statistics.errors import ErrorPart

CANOPY_DEPTH_SE_M = 0.1
"""Depth under closed canopy is off by so much everywhere alike, m, and under a thinner one by its share: few pulses reach the snow
there, and shrubs and the pits about stems are taken for ground or for snow (some centimetres to two decimetres, common practice,
no source; one made basin of others: 0.16 m under a canopy of 0.5)."""


def without_negatives(depth_m: np.ndarray, area_m2: np.ndarray, slices: np.ndarray) -> np.ndarray:
    """Return depths without negatives, sums by slice unchanged.

    Small negative depths are noise about zero, and so are as many small positive ones: cutting off the negative ones alone
    would lift the total (by 0.4 of the noise's spread on bare ground). In each slice the lowest positive depths are set to zero
    until the sum balances; a slice whose sum is negative becomes bare.

    Parameters
    ----------
    depth_m : (n,) depths, m.
    area_m2 : (n,) areas.
    slices : (n,) class of each cell, such as its elevation band.

    Examples
    --------
    >>> without_negatives(np.array([-0.02, 0.01, 0.01, 0.5]), np.ones(4), np.zeros(4, int))
    array([0. , 0. , 0. , 0.5])
    """
    out = np.maximum(depth_m, 0.0)
    negative = depth_m < 0
    owed = np.bincount(slices[negative], -(area_m2 * depth_m)[negative], slices.max() + 1)
    # Only slices that owe something pay, and of them only the positive depths.
    paying = np.flatnonzero((out > 0) & (owed > 0)[slices])
    order = paying[np.lexsort((out[paying], slices[paying]))]
    water = out[order] * area_m2[order]
    starts = np.searchsorted(slices[order], np.arange(len(owed)))
    running = np.cumsum(water)
    before = np.concatenate([[0.0], running])[starts]
    paid = running - before[slices[order]]
    left = np.clip(paid - owed[slices[order]], 0.0, water)
    out[order] = left / np.where(area_m2[order] > 0, area_m2[order], 1.0)
    return out


@dataclass(frozen=True)
class Flown:
    """The basin on a flight's day.

    Parameters
    ----------
    date : day of the flight.
    swe_mm : SWE on (y, x) of the grid; where the flight did not see, from the background of that day.
    depth_m : depth where the flight saw, missing elsewhere.
    depth_se_m : standard error of that depth.
    covered : share of each cell under snow.
    parts : error parts of SWE, mm, on (y, x).
    pattern : mean SWE by elevation within the basin.
    level : how SWE was combined with the flight before, which depth was not; None where it was not.
    """

    date: dt.date
    swe_mm: np.ndarray
    depth_m: np.ndarray
    depth_se_m: np.ndarray
    covered: np.ndarray
    parts: list[ErrorPart]
    pattern: Pattern
    level: Level | None = None

    @property
    def seen(self) -> np.ndarray:
        """Which cells the flight saw."""
        return np.isfinite(self.depth_m)

    def standard_error(self) -> np.ndarray:
        """Return the standard error of SWE in mm, all parts together."""
        return np.sqrt(sum(part.error_mm**2 for part in self.parts))

    def with_one_part(self) -> Flown:
        """Return the flight with all parts of its error as one.

        Each cell's error is the same; that of a sum over cells is not.
        """
        return replace(self, parts=[ErrorPart("flight", self.standard_error(), np.inf)])

    def combined(self, level: Level) -> Flown:
        """Return the flight with SWE and its errors brought to a level.

        The depth stays as it was measured.
        """
        return replace(self._times(level.factor), level=level)

    def as_measured(self) -> Flown:
        """Return the flight with the level that it had by itself."""
        return self if self.level is None else replace(self._times(1.0 / self.level.factor), level=None)

    def _times(self, factor: float) -> Flown:
        parts = [part.scaled(factor) for part in self.parts]
        pattern = replace(self.pattern, mean_mm=factor * self.pattern.mean_mm)
        return replace(self, swe_mm=factor * self.swe_mm, parts=parts, pattern=pattern)


def flight_swe(flight: xr.Dataset, density: BulkDensity, terrain: xr.Dataset, least_valid_fraction: float) -> Flown:
    """Return SWE of the cells that a flight saw.

    With the parts of its error; the other cells are missing.

    Parameters
    ----------
    flight : depth (m), valid_fraction (1), depth_spread (m), depth_random_se (m) on (y, x); attributes date,
        depth_bias_se_m and noise_correlation_m.
    density : bulk density fitted for the flight's date.
    terrain : elevation (m), canopy (0 to 1), band and cell_area on the same cells.
    least_valid_fraction : cells seen less than this are left to the background.
    """
    depth = flight["depth"].to_numpy()
    elevation, area = terrain["elevation"].to_numpy(), terrain["cell_area"].to_numpy()
    seen = (flight["valid_fraction"].to_numpy() >= least_valid_fraction) & np.isfinite(depth) & np.isfinite(elevation)
    shown = np.full(depth.shape, np.nan)
    # Cells of the margin have no band and no area inside; they balance among themselves.
    weight = np.where(area > 0, area, 1.0)
    if seen.any():
        shown[seen] = without_negatives(depth[seen], weight[seen], terrain["band"].to_numpy()[seen])
    densities = density.predict(np.nan_to_num(shown), Locations.of_terrain(terrain))
    rho = densities.mean
    swe = shown * rho
    inside = seen & (area > 0)
    counted = inside if inside.any() else seen
    random_se = np.where(seen, flight["depth_random_se"].to_numpy(), np.nan)
    # A flight that lies too low takes thin snow for bare ground: the bias counts by the chance that snow lies there.
    whole_se = np.hypot(flight.attrs["depth_bias_se_m"], random_se)
    with np.errstate(invalid="ignore", divide="ignore"):
        lies = np.where(seen, ndtr(depth / whole_se), np.nan)
    bias_se = lies * flight.attrs["depth_bias_se_m"]
    # All places under trees err alike, so that their number takes nothing off.
    canopy_se = lies * CANOPY_DEPTH_SE_M * np.nan_to_num(terrain["canopy"].to_numpy())
    parts = [
        ErrorPart("flight bias", rho * bias_se, np.inf),
        ErrorPart("flight canopy", rho * canopy_se, np.inf),
        ErrorPart("flight random", rho * random_se, flight.attrs["noise_correlation_m"]),
        *densities.parts(shown),
    ]
    # A spread below the single depths' noise is not told from none; even an even cover is pierced by stones and shrubs.
    noise = flight.attrs["noise_m"] ** 2
    spread = np.sqrt(np.maximum(flight["depth_spread"].to_numpy() ** 2 - noise, noise))
    return Flown(
        date=dt.date.fromisoformat(flight.attrs["date"]),
        swe_mm=swe,
        depth_m=shown,
        depth_se_m=np.sqrt(bias_se**2 + canopy_se**2 + random_se**2),
        covered=np.where(shown > 0, ndtr(shown / spread), 0.0),
        parts=parts,
        pattern=Pattern.of(swe[counted], elevation[counted], weight[counted]),
    )
