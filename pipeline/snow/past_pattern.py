"""Where snow lay in earlier seasons: the pattern that flights of those seasons share, for nights before this season's first."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
import xarray as xr

from snowtally.snow.carry import Pattern
from snowtally.snow.density import EVEN_DEPTH_M
from snowtally.snow.sturm import MIDDLING_KG_M3
from snowtally.terrain.canopy import CANOPY_LOG

PAST_PATTERN = "past_pattern"
"""Name of the pattern on the terrain and on the sites' table; missing from both where no earlier season was flown."""

PAST_SHARE = 0.7
"""How far the pattern of earlier seasons is believed: winds and storms are never quite the same. In made basins 0.6
to 0.8 gave the same errors, and the middle is taken."""


def past_pattern(depths_m: Sequence[np.ndarray], terrain: xr.Dataset) -> np.ndarray | None:
    """Return the accumulation pattern of earlier seasons' flights.

    Parameters
    ----------
    depths_m : depth (y, x) of each flight, missing where it did not see.
    terrain : elevation (m), canopy (1) and cell_area (m2) on the same cells.

    Returns
    -------
    (y, x), the mean of the flights weighted by their mean depth, missing where none saw; None where those with snow enough saw
    less of the basin than they did not: a corner's pattern is none of the basin's.

    Notes
    -----
    Winds and storms come back: between seasons the pattern of snow about its elevation's mean agrees well in mountain basins
    (Deems et al. 2008, Hydrol. Process. 22, 2975; Sturm and Wagner 2010, Water Resour. Res. 46, W12434; from memory).
    """
    elevation, area, canopy = (terrain[name].to_numpy() for name in ("elevation", "cell_area", "canopy"))
    total, weights = np.zeros(elevation.shape), np.zeros(elevation.shape)
    for depth in depths_m:
        mean = mean_depth_m(depth, terrain)
        if mean < EVEN_DEPTH_M:
            continue
        seen = np.isfinite(depth) & np.isfinite(elevation)
        inside = seen & (area > 0)
        # About the SWE in mm that `Pattern` counts its thin snow in; density varies far less than depth.
        shown = MIDDLING_KG_M3 * np.maximum(depth, 0.0)
        some = elevation[inside], area[inside]
        factor = Pattern.of(shown[inside], *some).factor(shown, elevation)
        wooded = canopy - Pattern.of(canopy[inside], *some).at(elevation)
        total[seen] += mean * (np.log(factor) - CANOPY_LOG * wooded)[seen]
        weights[seen] += mean
    if np.sum(area[weights > 0]) < np.sum(area[weights == 0]):
        return None
    return np.divide(total, weights, out=np.full(total.shape, np.nan), where=weights > 0)


def mean_depth_m(depth_m: np.ndarray, terrain: xr.Dataset) -> float:
    """Return a flight's mean depth in the basin, m.

    0 where it saw nothing of it.
    """
    area = terrain["cell_area"].to_numpy()
    inside = np.isfinite(depth_m) & np.isfinite(terrain["elevation"].to_numpy()) & (area > 0)
    return float(np.average(np.maximum(depth_m[inside], 0.0), weights=area[inside])) if inside.any() else 0.0


def past_share(locations: xr.Dataset | pd.DataFrame) -> float:
    """Return how far earlier seasons' pattern is believed at places.

    0 where there is none.
    """
    return PAST_SHARE if PAST_PATTERN in locations else 0.0


def expected_pattern(locations: xr.Dataset | pd.DataFrame) -> np.ndarray | None:
    """Return the expected pattern of cells or sites, in logarithms.

    0 where no flight saw; None where there is no pattern.
    """
    return PAST_SHARE * np.nan_to_num(locations[PAST_PATTERN].to_numpy()) if PAST_PATTERN in locations else None


def known_variation(unknown: float) -> float:
    """Return the coefficient of variation with the pattern known.

    >>> round(known_variation(0.5), 3)
    0.357
    """
    return unknown * float(np.sqrt(1.0 - PAST_SHARE**2))


def local_variation(locations: xr.Dataset | pd.DataFrame, unknown: float) -> np.ndarray:
    """Return the coefficient of variation about what is expected of places.

    `unknown` where no flight saw them.
    """
    if PAST_PATTERN not in locations:
        return np.full(locations["canopy"].shape, unknown)
    return np.where(np.isfinite(locations[PAST_PATTERN].to_numpy()), known_variation(unknown), unknown)
