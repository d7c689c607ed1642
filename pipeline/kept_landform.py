"""The shape of the ground, made once for a basin and kept beside its archive: a night reads what another night has made.

A file that may be deleted at any time. It lies under the hash of all that decides it: elevation, grid north, the wind's
direction and the code; what cannot be read, or was cut short, is as if it were not there.
"""

from __future__ import annotations

import contextlib
import hashlib
import secrets
import zipfile
from pathlib import Path

import numpy as np
import xarray as xr

from pipeline.methods import predictors
from pipeline.methods.predictors import LANDFORM, landform_of


def kept_landform(folder: Path, terrain: xr.Dataset, wind_from_deg: float, *, writable: bool) -> dict[str, np.ndarray]:
    """Return `predictors.landform_of` the terrain, read from `folder` where it is kept, else made and, if writable, kept."""
    path = folder / f"{_key(terrain, wind_from_deg)}.npz"
    found = _read(path, terrain["elevation"].shape)
    if found is None:
        found = landform_of(terrain, wind_from_deg)
        if writable:
            _put(path, found)
    return found


def _key(terrain: xr.Dataset, wind_from_deg: float) -> str:
    digest = hashlib.sha256(Path(predictors.__file__).read_bytes())
    for name in ("elevation", "convergence"):
        digest.update(np.ascontiguousarray(terrain[name].to_numpy(), dtype="<f8").tobytes())
    for axis in ("x", "y"):
        digest.update(np.ascontiguousarray(terrain[axis].to_numpy(), dtype="<f8").tobytes())
    digest.update(f"{wind_from_deg:.6f}".encode())
    return digest.hexdigest()


def _read(path: Path, shape: tuple[int, int]) -> dict[str, np.ndarray] | None:
    try:
        with np.load(path, allow_pickle=False) as held:
            found = {name: held[name] for name in LANDFORM}
    except (OSError, ValueError, KeyError, EOFError, zipfile.BadZipFile):
        return None
    return found if all(field.shape == shape for field in found.values()) else None


def _put(path: Path, fields: dict[str, np.ndarray]) -> None:
    """Put the file in place in one step; a folder that cannot be written in is no trouble of the night's."""
    # The ending keeps the library from adding its own.
    beside = path.with_name(f"{path.stem}.{secrets.token_hex(4)}.npz")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        np.savez(beside, **fields)
        beside.replace(path)
    except OSError:
        with contextlib.suppress(OSError):
            beside.unlink()
