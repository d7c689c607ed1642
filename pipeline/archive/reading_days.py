"""Many days as one lazy dataset on (time, y, x), put together from what the files say of themselves.

A general reader of many files makes thousands of lazy arrays to put together (200 days of 14 variables took half a minute);
here each variable is one array whose blocks, one a day, know which file to open.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import dask.array as da
import netCDF4
import numpy as np
import xarray as xr
from xarray.backends.netCDF4_ import NETCDF4_PYTHON_LOCK

from snowtally.archive.layout import as_one_day, layout_of, names_today


def open_files(files: list[Path]) -> xr.Dataset:
    """Return the days of some `estimate.nc` as one lazy Dataset. It lies on (time, y, x), with one chunk a day.

    Attributes that differ from day to day are left out; a variable that a day lacks, since an earlier version wrote it, is missing
    there. Raises ValueError when the files do not share one grid, OSError when
    one cannot be opened.
    """
    said = [_said(path) for path in files]
    fullest = max(range(len(files)), key=lambda n: len(said[n][1]))
    with xr.open_dataset(files[fullest], engine="netcdf4", decode_coords="all") as one:
        template = as_one_day(one)
        grid = template.coords.to_dataset().drop_vars("time").load()
    for path, (axes, _, _) in zip(files, said, strict=True):
        if not all(np.array_equal(a, b) for a, b in zip(axes, said[0][0], strict=True)):
            raise ValueError(f"{path} lies on another grid than {files[0]}")
    attributes = _shared([said[n][1] for n in (fullest, *range(len(files)))])
    instants = np.array([instant for _, _, instant in said], "datetime64[ns]")
    paths = da.from_array(np.array([str(path) for path in files]), chunks=1)
    variables = {
        name: (("time", "y", "x"), _days_of(paths, str(name), variable), attributes[str(name)])
        for name, variable in template.data_vars.items()
    }
    times = {"time": ("time", instants, template["time"].attrs)}
    return xr.Dataset(variables, {**grid.coords, **times}, attributes[""])


def _days_of(paths: da.Array, name: str, like: xr.DataArray) -> da.Array:
    chunks = (paths.chunks[0], (like.sizes["y"],), (like.sizes["x"],))
    return da.map_blocks(_read, paths, name=f"{name}-{da.core.tokenize(paths, name)}", variable=name, kind=like.dtype,
                         dtype=like.dtype, chunks=chunks, new_axis=[1, 2], meta=np.empty((0, 0, 0), like.dtype))  # fmt: skip


def _read(paths: np.ndarray, variable: str, kind: np.dtype) -> np.ndarray:
    # The C library is not made for threads; this is the lock under which xarray reads single days.
    with NETCDF4_PYTHON_LOCK, netCDF4.Dataset(str(paths[0])) as day:
        shape = (1, day.dimensions["y"].size, day.dimensions["x"].size)
        stored = {_today(day, name): name for name in day.variables}
        if variable not in stored:
            return np.full(shape, np.nan, kind)
        values = day[stored[variable]][:]
    return np.ma.filled(values.astype(kind), np.nan).reshape(shape)


def _today(file: netCDF4.Dataset, name: str) -> str:
    """Return what a variable of a file is called today."""
    return names_today(layout_of(file.__dict__)).get(name, name)


def _said(path: Path) -> tuple[tuple[np.ndarray, ...], dict[str, dict[str, Any]], np.datetime64]:
    """Return a file's axes, its attributes by variable, and its instant.

    The axes are x, y and the coordinate system; the file's own attributes are those of "".
    """
    with NETCDF4_PYTHON_LOCK, netCDF4.Dataset(path) as file:
        axes = file["x"][:].data, file["y"][:].data, np.array(file["crs"].spatial_ref)
        attributes = {"": dict(file.__dict__)} | {
            _today(file, name): {k: v for k, v in variable.__dict__.items() if k not in _DECODED}
            for name, variable in file.variables.items()
        }
        hours = float(file["time"][...].item())
    instant = np.datetime64("1970-01-01T00:00", "ns") + np.timedelta64(round(hours * 3600), "s")
    return axes, attributes, instant


_DECODED = ("_FillValue", "coordinates", "grid_mapping", "cell_measures")
"""What the reading of one day takes out of the attributes."""


def _shared(said: list[dict[str, dict[str, Any]]]) -> dict[str, dict[str, Any]]:
    """Return by variable the attributes that all files share."""
    return {
        name: {
            key: value
            for key, value in attributes.items()
            if all(
                name not in other or (key in other[name] and np.array_equal(other[name][key], value))
                for other in said[1:]
            )
        }
        for name, attributes in said[0].items()
    }
