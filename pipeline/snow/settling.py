"""How dense the season's snow has become by its age and weather: one layer by elevation, marched through the days."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from snowtally.snow.forcing import Forcing

SETTLED = (300.0, 500.0)
"""Density that cold and melting snow settles towards, kg/m3 (Essery 2015, Geosci. Model Dev. 8, 3867-3876, Table 1, from
memory)."""

SETTLING_DAYS = 200.0 / 24.0
"""E-folding time of settling, days (same source)."""


@dataclass(frozen=True)
class Settling:
    """Modelled bulk density by day and elevation.

    Parameters
    ----------
    days : (d,) every day once, rising.
    nodes_m : (n,) rising elevations.
    density : (d, n) kg/m3, missing where the model has no snow.
    """

    days: pd.DatetimeIndex
    nodes_m: np.ndarray
    density: np.ndarray

    def at(self, day: pd.Timestamp, elevation_m: np.ndarray) -> np.ndarray:
        """Return the density of the model's snow at elevations, kg/m3.

        Missing where no elevation has any.
        """
        row = int(np.clip(self.days.searchsorted(pd.Timestamp(day), side="right") - 1, 0, len(self.days) - 1))
        density = self.density[row]
        known = np.isfinite(density)
        if not known.any():
            return np.full(np.shape(elevation_m), np.nan)
        return np.interp(elevation_m, self.nodes_m[known], density[known])


def fresh_density(temperature_c: np.ndarray) -> np.ndarray:
    """Return the density of new snow, kg/m3, by air temperature.

    Hedstrom and Pomeroy 1998, Hydrol. Process. 12, 1611-1625.

    >>> fresh_density(np.array([-20.0, 0.0])).round(1)
    array([ 67.9, 119.2])
    """
    return 67.92 + 51.25 * np.exp(np.minimum(temperature_c, 2.0) / 2.59)


def settled_density(forcing: Forcing) -> Settling:
    """Return the settled density by day and elevation.

    Notes
    -----
    Each day new snow joins at its own density, melt takes the same share of water and depth, and the rest settles towards the
    density of cold or melting snow by an exponential. How much snow there is hardly matters, since all of it is one layer.
    """
    snowfall, melt = forcing.snowfall_mm, forcing.melt_mm
    swe, depth = np.zeros(len(forcing.nodes_m)), np.zeros(len(forcing.nodes_m))
    densities = np.full(snowfall.shape, np.nan)
    cold, wet = SETTLED
    for day in range(len(forcing.days)):
        lost = np.minimum(melt[day], swe)
        left = np.divide(swe - lost, swe, out=np.zeros_like(swe), where=swe > 0)
        swe, depth = swe * left, depth * left
        target = np.where(lost > 1.0, wet, cold)
        density = np.divide(swe, depth, out=np.full_like(swe, cold), where=depth > 0)
        # Snow that is denser than its target already stays so.
        density = np.maximum(target + (density - target) * np.exp(-1.0 / SETTLING_DAYS), density)
        depth = np.where(swe > 0, swe / density, 0.0)
        swe = swe + snowfall[day]
        depth = depth + snowfall[day] / fresh_density(forcing.temperature_c[day])
        densities[day] = np.where(swe > 1.0, swe / np.where(depth > 0, depth, 1.0), np.nan)
    return Settling(forcing.days, forcing.nodes_m, densities)
