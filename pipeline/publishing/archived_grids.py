"""The gridded inputs that days were made from, kept once each by content.

The hash can be computed again in any language: the sha256 over the variables in the order of their names, for each one
header line and its values as little-endian float32, row by row, any NaN as 00 00 c0 7f and no negative zero. The header
line is JSON without blanks, keys sorted: `crs` (authority code where there is one, else WKT), `name`, `shape`, `x` and `y`
(first and last centre). Where the grids carry attributes of their own (a flight's date, its error ...) one more line
follows, JSON as before, that holds them. The grids are kept as `inputs/HASH.nc`, their attributes as JSON in the global
attribute `attributes`.
"""

from __future__ import annotations

import hashlib
import json
from errno import ENOSPC
from pathlib import Path
from typing import Any

import numpy as np
import xarray as xr
from pyproj import CRS

from snowtally.model.problems import ArchiveError
from snowtally.publishing.record import plain
from snowtally.publishing.staging import Work, is_archived
from snowtally.storage.files import put_file
from snowtally.storage.paths import local_file

_NAN = np.uint32(0x7FC00000)
"""NaN has many bit patterns; this is the one that counts."""


def grids_sha256(dataset: xr.Dataset) -> str:
    """Return a dataset's hash as this module's docstring defines it."""
    digest = hashlib.sha256()
    for name in _variables(dataset):
        values = _float32(dataset[name])
        ends = {axis: _ends(dataset, axis) for axis in ("x", "y")}
        header = {"name": name, "shape": list(values.shape), "crs": _crs_name(dataset), **ends}
        digest.update(_line(header))
        digest.update(values.tobytes())
    attributes = _attributes(dataset)
    if attributes:
        digest.update(_line(attributes))
    return digest.hexdigest()


def as_archived(dataset: xr.Dataset) -> xr.Dataset:
    """Return the dataset as it will come back from the archive. Values of float32, attributes as JSON has them.

    A day is estimated from this, so that the archive alone can give the same day again.
    """
    values = {
        name: (dataset[name].dims, _float32(dataset[name]).astype(np.float64), _texts(dataset[name]))
        for name in _variables(dataset)
    }
    return xr.Dataset(values, _axes(dataset), {**_attributes(dataset), "crs": _crs_name(dataset)})


def archive_grids(dataset: xr.Dataset, folder: Path, work: Work) -> str:
    """Keep grids in `folder` unless they are there, and return their hash. Raises OSError."""
    sha256 = grids_sha256(dataset)
    path = folder / f"{sha256}.nc"
    if not is_archived(path):
        beside = work.folder / path.name
        variables = {
            name: (dataset[name].dims, _float32(dataset[name]), _texts(dataset[name])) for name in _variables(dataset)
        }
        attributes = _attributes(dataset)
        own = {"attributes": _line(attributes).decode().strip()} if attributes else {}
        content = xr.Dataset(variables, _axes(dataset), {"crs": _crs_name(dataset), **own})
        # The checksum finds a flipped byte in the values, and tells it as an error of reading.
        packing = {"zlib": True, "complevel": 1, "shuffle": True, "fletcher32": True, "_FillValue": np.float32(np.nan)}
        try:
            content.to_netcdf(
                beside, engine="netcdf4", encoding={name: packing for name in variables if dataset[name].ndim}
            )
        except RuntimeError as error:
            # The library reports a full disk as an error of its own; nothing else of a grid made here can fail it.
            raise OSError(ENOSPC, "no room left", str(beside)) from error
        put_file(beside, path)
    return sha256


def read_grids(folder: Path, sha256: str) -> xr.Dataset:
    """Return archived grids by their hash, and check them against it.

    Raises ArchiveError when they are not kept, or are not what their hash says.
    """
    path = folder / f"{sha256}.nc"
    try:
        with xr.open_dataset(local_file(path), engine="netcdf4") as file:
            own = json.loads(file.attrs.get("attributes", "{}"))
            grids = file.load().assign_attrs(**own, crs=file.attrs["crs"])
        grids.attrs.pop("attributes", None)
        digest = grids_sha256(grids)
    except (OSError, RuntimeError, ValueError, KeyError, TypeError, AttributeError) as error:
        raise ArchiveError(f"{path} cannot be read ({error}). Put it back from a copy.") from error
    if digest != sha256:
        raise ArchiveError(f"{path} is not what its name says. Put it back from a copy.")
    return as_archived(grids)


def _line(content: dict[str, Any]) -> bytes:
    return json.dumps(content, sort_keys=True, separators=(",", ":")).encode("utf-8") + b"\n"


def _attributes(dataset: xr.Dataset) -> dict[str, Any]:
    """Return a dataset's own attributes in JSON's types, without the coordinate system.

    The grids' header names it.
    """
    return plain({name: value for name, value in dataset.attrs.items() if name != "crs"})


def _axes(dataset: xr.Dataset) -> dict[str, xr.DataArray]:
    return {axis: dataset[axis] for axis in ("y", "x") if axis in dataset.coords}


def _variables(dataset: xr.Dataset) -> list[str]:
    """Return the names of the variables that are grids. A scalar only carries the coordinate system."""
    return sorted(str(name) for name in dataset.data_vars if dataset[name].ndim)


def _texts(variable: xr.DataArray) -> dict[str, str]:
    return {name: value for name, value in variable.attrs.items() if isinstance(value, str)}


def _float32(variable: xr.DataArray) -> np.ndarray:
    values = np.ascontiguousarray(variable.to_numpy(), dtype="<f4") + np.float32(0)
    values.view("<u4")[np.isnan(values)] = _NAN
    return values


def _ends(dataset: xr.Dataset, axis: str) -> list[float]:
    return [float(dataset[axis][0]), float(dataset[axis][-1])] if dataset.sizes.get(axis) else []


def _crs_name(dataset: xr.Dataset) -> str:
    """Return the coordinate system that a dataset names.

    It stands in its attributes, or in its `crs` or `spatial_ref` variable.
    """
    given = dataset.attrs.get("crs", "")
    for name in ("crs", "spatial_ref"):
        if name in dataset.variables:
            given = dataset[name].attrs.get("crs_wkt", given)
    if not given:
        return ""
    crs = CRS.from_user_input(given)
    authority = crs.to_authority(min_confidence=100)
    return ":".join(authority) if authority else crs.to_wkt()
