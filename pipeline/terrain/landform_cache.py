"""The shape of the ground, made once for a basin and cached beside its archive."""

from __future__ import annotations

import numpy as np
import xarray as xr

from snowtally.statistics.errors import SLOPE_REACH_M
from snowtally.storage.cache import Cache, Maker
from snowtally.storage.encodings import ARRAYS
from snowtally.terrain.predictors import CURVATURE_M, landform_of

LANDFORM_MAKER = Maker("landform", 1, ("numpy", "scipy"))
"""Maker of `landform_of`'s fields."""


def cached_landform(cache: Cache, terrain: xr.Dataset, wind_from_deg: float) -> dict[str, np.ndarray]:
    """Return `landform_of` the terrain, from the cache where it is there."""
    fields = [terrain[name].to_numpy() for name in ("elevation", "convergence", "x", "y")]
    key = LANDFORM_MAKER.key(fields, wind_from_deg, SLOPE_REACH_M, CURVATURE_M)
    return cache.get_or_make(key, ARRAYS, lambda: landform_of(terrain, wind_from_deg))
