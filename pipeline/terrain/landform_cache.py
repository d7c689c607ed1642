"""The shape of the ground, made once for a basin and kept beside its archive: a night reads what another night has made.

A file that may be deleted at any time. It lies under the hash of all that decides it: elevation, grid north, the wind's
direction and the code.
"""

from __future__ import annotations

import hashlib
import io
from pathlib import Path

import numpy as np
import xarray as xr

from pipeline.statistics.errors import SLOPE_REACH_M
from pipeline.storage.cache import KeptFiles
from pipeline.terrain import predictors
from pipeline.terrain.predictors import LANDFORM, landform_of


def kept_landform(folder: Path, terrain: xr.Dataset, wind_from_deg: float, *, writable: bool) -> dict[str, np.ndarray]:
    """Return `predictors.landform_of` the terrain, read from `folder` where it is kept, else made and, if writable, kept."""
    kept = KeptFiles(folder, writable)
    name = f"{_key(terrain, wind_from_deg)}.npz"
    body = kept.find(name)
    if body is not None:
        with np.load(io.BytesIO(body), allow_pickle=False) as held:
            return {field: held[field] for field in LANDFORM}
    found = landform_of(terrain, wind_from_deg)
    packed = io.BytesIO()
    np.savez(packed, **found)
    kept.keep(name, packed.getvalue())
    kept.drop_unused()
    return found


def _key(terrain: xr.Dataset, wind_from_deg: float) -> str:
    digest = hashlib.sha256(Path(predictors.__file__).read_bytes())
    digest.update(f"{SLOPE_REACH_M:.6f}".encode())
    for name in ("elevation", "convergence"):
        digest.update(np.ascontiguousarray(terrain[name].to_numpy(), dtype="<f8").tobytes())
    for axis in ("x", "y"):
        digest.update(np.ascontiguousarray(terrain[axis].to_numpy(), dtype="<f8").tobytes())
    digest.update(f"{wind_from_deg:.6f}".encode())
    return digest.hexdigest()
