"""Where snow lay in earlier seasons: the pattern that flights of those seasons share, for nights before this season's first."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
import xarray as xr

from pipeline.methods.canopy import CANOPY_LOG
from pipeline.methods.carry import Pattern

PAST_PATTERN = "past_pattern"
"""Name of the pattern on the terrain and on the sites' table; missing from both where no earlier season was flown."""

PAST_SHARE = 0.7
"""How far the pattern of earlier seasons is believed: winds and storms are never quite the same (trial worlds: 0.6 to 0.8
alike)."""

KNOWN_VARIATION = 0.35
"""Coefficient of variation of accumulation about what the terrain and that pattern tell (trial worlds)."""

LEAST_DEPTH_M = 0.3
"""A flight over less snow than this on average is left out: what lies then are drifts and the shadows of late spring."""

MIDDLING_DENSITY = 330.0
"""kg/m3: turns depth into about the SWE in mm that `Pattern` counts its thin snow in; density varies far less than depth."""


def past_pattern(depths_m: Sequence[np.ndarray], terrain: xr.Dataset) -> np.ndarray | None:
    """Return the logarithm of how much more a cell gathers than its elevation and canopy tell, from earlier seasons' flights.

    Parameters
    ----------
    depths_m : depth (y, x) of each flight, missing where it did not see.
    terrain : elevation (m), canopy (1) and cell_area (m2) on the same cells.

    Returns
    -------
    (y, x), the mean of the flights weighted by their mean depth, 0 where none saw; None where no flight saw snow enough.

    Notes
    -----
    Winds and storms come back: between seasons the pattern of snow about its elevation's mean agrees well in mountain basins
    (Deems et al. 2008, Hydrol. Process. 22, 2975; Sturm and Wagner 2010, Water Resour. Res. 46, W12434; from memory).
    """
    elevation, area, canopy = (terrain[name].to_numpy() for name in ("elevation", "cell_area", "canopy"))
    total, weights = np.zeros(elevation.shape), np.zeros(elevation.shape)
    for depth in depths_m:
        seen = np.isfinite(depth) & np.isfinite(elevation)
        inside = seen & (area > 0)
        if not inside.any():
            continue
        shown = MIDDLING_DENSITY * np.maximum(depth, 0.0)
        mean = float(np.average(shown[inside], weights=area[inside]))
        if mean < MIDDLING_DENSITY * LEAST_DEPTH_M:
            continue
        some = elevation[inside], area[inside]
        factor = Pattern.of(shown[inside], *some).factor(shown, elevation)
        wooded = canopy - Pattern.of(canopy[inside], *some).at(elevation)
        total[seen] += mean * (np.log(factor) - CANOPY_LOG * wooded)[seen]
        weights[seen] += mean
    if not (weights > 0).any():
        return None
    return np.divide(total, weights, out=np.zeros_like(total), where=weights > 0)


def past_share(places: xr.Dataset | pd.DataFrame) -> float:
    """Return how far earlier seasons' pattern is believed at places: 0 where there is none."""
    return PAST_SHARE if PAST_PATTERN in places else 0.0


def expected_pattern(places: xr.Dataset | pd.DataFrame) -> np.ndarray | None:
    """Return the logarithm of what places, or sites by their cells, are expected to gather beyond their terrain; None if unknown."""
    return PAST_SHARE * places[PAST_PATTERN].to_numpy() if PAST_PATTERN in places else None
