"""NetCDF time series of stations by the CF conventions (featureType timeSeries)."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import numpy as np
import pyarrow as pa
import xarray as xr

from snowtally.inputs.columns import Column, ColumnSetting, Table, plain_header
from snowtally.inputs.converting import Converted, canonical_numbers
from snowtally.inputs.printable import first_line
from snowtally.inputs.units import Conversion, conversion
from snowtally.inputs.values import INSTANT
from snowtally.model.problems import InputError

SUFFIXES = (".nc", ".nc4", ".cdf", ".netcdf")


def read_time_series(path: Path, table: Table, settings: Mapping[str, ColumnSetting]) -> tuple[Converted, set[str]]:
    """Return the rows of a file of station time series, and its keys.

    It holds one station, stations by times, or contiguous or indexed ragged arrays.

    Parameters
    ----------
    table : the stations table; a column is found by its CF standard name, or by the variable's name in `settings`.
    settings : for each canonical key, the variable and its unit where the file's own `units` are not to be believed.

    Returns
    -------
    rows : times in UTC, as the conventions have it; a row's line is its reading's number in the file, from 0.
    keys : what the file has something of.

    Raises
    ------
    InputError : it is no NetCDF file, has no station names or times, or a variable has no units that can be used.
    """
    try:
        with xr.open_dataset(path, engine="netcdf4", decode_timedelta=False) as dataset:
            return _rows(path, dataset.load(), table, settings)
    except InputError:
        raise
    except (OSError, ValueError, KeyError, TypeError, RuntimeError, OverflowError) as trouble:
        raise InputError(f"{path} cannot be read as a NetCDF time series: {first_line(trouble)}") from None


def _rows(
    path: Path, dataset: xr.Dataset, table: Table, settings: Mapping[str, ColumnSetting]
) -> tuple[Converted, set[str]]:
    names = _station_names(path, dataset, settings.get("site_id"))
    time = _time(path, dataset, settings.get("time"))
    readings = {
        column: variable
        for column in table.columns
        if column.kind == "number"
        and (variable := _variable(path, dataset, column, settings.get(column.key))) is not None
    }
    if not readings:
        wanted = ", ".join(name for column in table.columns for name in column.standard_names)
        raise InputError(
            f"{path}: no variable with one of the standard names {wanted}. "
            f"Name the variable as column under columns.{table.role} in the settings"
        )
    # Stations by times, in the order of the dimensions that the times and readings have together.
    every = xr.broadcast(time, *readings.values())
    dims = tuple(map(str, every[0].dims))
    station_of = _station_of(path, dataset, names, dims, every[0].shape)
    instants = every[0].transpose(*dims).to_numpy().astype("datetime64[s]").ravel()
    columns: dict[str, np.ndarray] = {}
    for column, values in zip(readings, every[1:], strict=True):
        how = _conversion(path, values, column, settings.get(column.key))
        columns[column.name] = canonical_numbers(values.transpose(*dims).to_numpy().astype(float).ravel(), column, how)
    anything = np.zeros(len(instants), bool)
    for numbers in columns.values():
        anything |= np.isfinite(numbers)
    columns = {name: numbers[anything] for name, numbers in columns.items()}
    n = int(anything.sum())
    for column in table.columns:
        if column.kind == "number" and column.name not in columns:
            columns[column.name] = np.full(n, np.nan)
    named = settings.get("site_id")
    words = {} if named is None else {plain_header(word): meaning for word, meaning in named.values.items()}
    labels = [words.get(plain_header(name), str(name)) for name in np.atleast_1d(names)]
    site_id = pa.DictionaryArray.from_arrays(
        pa.array(station_of.ravel()[anything].astype(np.int32)), pa.array(labels, pa.string())
    )
    columns["seconds"] = instants[anything].astype(np.int64)
    columns["kind"] = np.full(n, INSTANT, np.int8)
    line = np.flatnonzero(anything)
    rows = Converted(columns, {"site_id": site_id}, line, len(instants), [], [])
    return rows, {column.key for column in readings} | {"site_id", "time"}


def _station_names(path: Path, dataset: xr.Dataset, setting: ColumnSetting | None) -> np.ndarray:
    if setting is not None and setting.constant is not None:
        return np.array(setting.constant)
    if setting is not None and setting.column:
        naming = [setting.column] if setting.column in dataset.variables else []
    else:
        naming = [str(name) for name, v in dataset.variables.items() if v.attrs.get("cf_role") == "timeseries_id"]
    if not naming:
        raise InputError(
            f"{path}: no variable with cf_role timeseries_id, which names the stations. "
            "Name it as column under columns.stations.site_id in the settings"
        )
    names = dataset[naming[0]].to_numpy()
    said = [
        name.decode("utf-8", "replace") if isinstance(name, bytes) else str(name) for name in names.ravel().tolist()
    ]
    return np.array([name.strip("\0 ") for name in said]).reshape(names.shape)


def _time(path: Path, dataset: xr.Dataset, setting: ColumnSetting | None) -> xr.DataArray:
    named = setting.column if setting is not None and setting.column else None
    times = [
        dataset[name].variable
        for name, v in dataset.variables.items()
        if np.issubdtype(v.dtype, np.datetime64)
        and (name == named if named else v.attrs.get("standard_name") == "time")
    ]
    if not times and "time" in dataset.variables and np.issubdtype(dataset["time"].dtype, np.datetime64):
        times = [dataset["time"].variable]
    if not times:
        raise InputError(
            f"{path}: no time variable in the standard calendar (standard_name time, units '... since ...')"
        )
    return xr.DataArray(times[0])


def _variable(path: Path, dataset: xr.Dataset, column: Column, setting: ColumnSetting | None) -> xr.DataArray | None:
    if setting is not None and setting.column:
        if setting.column not in dataset.variables:
            raise InputError(
                f"{path}: no variable '{setting.column}'. It has: {', '.join(map(str, dataset.variables))}"
            )
        return xr.DataArray(dataset[setting.column].variable)
    for name in column.standard_names:
        named = [v for v in dataset.data_vars if dataset[v].attrs.get("standard_name") == name]
        if len(named) > 1:
            raise InputError(
                f"{path}: {', '.join(map(str, named))} all have the standard name {name}. "
                f"Name one as column under columns.stations.{column.key} in the settings"
            )
        if named:
            return xr.DataArray(dataset[named[0]].variable)
    return None


def _conversion(path: Path, values: xr.DataArray, column: Column, setting: ColumnSetting | None) -> Conversion:
    unit = setting.unit if setting is not None and setting.unit else values.attrs.get("units")
    if not unit:
        raise InputError(
            f"{path}: the variable for {column.key} has no units. Declare its unit under columns.stations.{column.key}"
        )
    try:
        return conversion(str(unit), column.unit or "")
    except InputError as trouble:
        raise InputError(f"{path}: the variable for {column.key}: {trouble}") from None


def _station_of(
    path: Path, dataset: xr.Dataset, names: np.ndarray, dims: tuple[str, ...], shape: tuple[int, ...]
) -> np.ndarray:
    """Return each reading's station as an index into the names, in the readings' shape."""
    if names.size == 1:
        return np.zeros(shape, int)
    counts = [v for v in dataset.variables.values() if "sample_dimension" in v.attrs]
    indices = [v for v in dataset.variables.values() if "instance_dimension" in v.attrs]
    of: np.ndarray | None = None
    if counts and list(dims) == [counts[0].attrs["sample_dimension"]]:
        of = np.repeat(np.arange(names.size), counts[0].to_numpy().astype(int))
    elif indices and list(dims) == list(indices[0].dims):
        of = indices[0].to_numpy().astype(int)
    else:
        stations = [
            dim for dim, n in zip(dims, shape, strict=True) if n == names.size and dim in _dims_of(dataset, names)
        ]
        if len(stations) == 1:
            axis = dims.index(stations[0])
            of = np.broadcast_to(
                np.arange(names.size).reshape([-1 if i == axis else 1 for i in range(len(dims))]), shape
            )
    if of is None or of.shape != shape or of.min(initial=0) < 0 or of.max(initial=0) >= names.size:
        raise InputError(
            f"{path}: it cannot be told which reading is which station's; see the CF conventions, time series"
        )
    return of


def _dims_of(dataset: xr.Dataset, names: np.ndarray) -> set[str]:
    """Return the dimensions along which the stations' names run."""
    return {
        str(v.dims[0])
        for v in dataset.variables.values()
        if v.ndim == 1 and v.shape == names.shape and v.dtype.kind in "OSU"
    }
