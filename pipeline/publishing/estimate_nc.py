"""The grid of a published day as one CF-1.11 NetCDF-4 file."""

from __future__ import annotations

import datetime as dt
import json
import re
import unicodedata
from functools import lru_cache
from pathlib import Path
from typing import Any, Final, Literal

import netCDF4
import numpy as np
import xarray as xr
from pyproj import CRS, Transformer

from snowtally.archive.layout import LAYOUT, LAYOUT_VERSION
from snowtally.model.day import Day
from snowtally.model.grid import BasinGrid
from snowtally.model.problems import ArchiveError
from snowtally.model.variables import MISSING_CLASS, SOURCE_FLAGS, VARIABLES, Variable

CLASSES = ("source", "zone", "elevation_band")
"""Variables that hold whole numbers with a meaning each."""

CHUNK = 256
"""Cells along a chunk: a small window of a large basin reads little, and a small basin is one or four chunks."""

LEVEL: Final = 1
"""Deflate level, of GeoTIFFs too: the fourth saves up to a tenth of the room and takes up to twice as long. Accuracy and cost alone."""

_ANGLE_STEP = 2.0**-20
"""Latitudes and longitudes are rounded to this many degrees (0.1 m): a power of two deflates to a third."""

_SPELLED = str.maketrans({"Æ": "Ae", "æ": "ae", "Ø": "O", "ø": "o", "Đ": "D", "đ": "d", "Ł": "L", "ł": "l", "ß": "ss"})
"""Letters that Unicode does not take apart into an ASCII letter and a mark; without this they would vanish."""

EPOCH = dt.datetime.fromisoformat("1970-01-01")
"""Times in the files are counted from here; UTC, naive as `Day.noon_utc` is."""

_ANCILLARY = {
    "swe": "swe_se swe_p10 swe_p90 snow_cover source",
    "depth": "depth_se source",
    "density": "density_se source",
}


def rounded_fields(day: Day) -> dict[str, np.ndarray]:
    """Return the published variables as stored, in the order of `VARIABLES`.

    Measures are float32 rounded to their steps, NaN outside the basin; classes are int16, 0 outside. Raises
    ArchiveError when a variable is missing or does not lie on the day's grid.
    """
    for name in VARIABLES:
        if name not in day.fields:
            raise ArchiveError(f"The day {day.date} of {day.basin_id} has no variable {name}.")
        if day.fields[name].dims != ("y", "x") or day.fields[name].shape != day.grid.shape:
            raise ArchiveError(f"Variable {name} of {day.basin_id} {day.date} does not lie on (y, x) of its grid.")
    if not (np.array_equal(day.fields["y"], day.grid.y) and np.array_equal(day.fields["x"], day.grid.x)):
        raise ArchiveError(f"The fields of {day.basin_id} {day.date} do not lie on its grid.")
    outside = ~(day.fields["cell_area"].to_numpy() > 0)
    return {name: _rounded(day.fields[name], variable, outside) for name, variable in VARIABLES.items()}


def _rounded(field: xr.DataArray, variable: Variable, outside: np.ndarray) -> np.ndarray:
    values = field.to_numpy()
    if variable.name in CLASSES:
        return np.where(outside | ~np.isfinite(values), MISSING_CLASS, values).astype(np.int16)
    out = rounded(values, variable.step)
    out[outside] = np.nan
    return out


def rounded(values: np.ndarray, step: float) -> np.ndarray:
    """Return values (y, x) rounded to a step that is a power of two, float32.

    >>> rounded(np.array([[0.27, -0.04]]), 0.125).tolist()
    [[0.25, 0.0]]
    """
    out = np.empty(values.shape, np.float32)
    room = np.empty((CHUNK, values.shape[1]))
    for first in range(0, len(values), CHUNK):
        # Row by row of chunks, in room that stays in the processor's cache; + 0.0 makes -0.0 plain.
        rows = values[first : first + CHUNK]
        here = np.multiply(rows, 1.0 / step, out=room[: len(rows)], dtype=np.float64)
        np.multiply(np.rint(here, out=here), step, out=here)
        out[first : first + CHUNK] = np.add(here, 0.0, out=here)
    return out


def write_estimate(day: Day, fields: dict[str, np.ndarray], path: Path) -> None:
    """Write `estimate.nc`. The same day gives the same bytes: the file holds no clock time and no host.

    Raises OSError when the file cannot be written.
    """
    # Through a file, not through memory: the library's in-memory files carry the time of their making.
    with netCDF4.Dataset(path, "w", format="NETCDF4") as file:
        create_grid_file(file, day, {})
        _write_noon(file, day)
        for name, values in fields.items():
            write_field(file, day, name, values)


def write_field(file: netCDF4.Dataset, day: Day, name: str, values: np.ndarray) -> None:
    """Write a published variable of a day into a file that `create_grid_file` has begun."""
    dims = ("time", "y", "x") if VARIABLES[name].dated else ("y", "x")
    variable = begin_variable(file, name, values.dtype, dims, _fill(name))
    variable.setncatts(_attributes(VARIABLES[name], day, values.dtype))
    variable[...] = values.reshape(variable.shape)


def create_grid_file(file: netCDF4.Dataset, day: Day, words: dict[str, str]) -> None:
    """Give an empty file its global attributes, axes, angles and projection.

    `words` replace some of the day's attributes.
    """
    angles = latitude_longitude(day.grid)
    file.setncatts(_global_attributes(day) | words | day.metadata.attributes | _extent(day, *angles))
    file.createDimension("y", day.grid.height)
    file.createDimension("x", day.grid.width)
    _write_axes(file, day)
    for word, units, values in zip(("latitude", "longitude"), ("degrees_north", "degrees_east"), angles, strict=True):
        variable = begin_variable(file, word[:3], "f8", ("y", "x"))
        variable.setncatts(_angle_attributes(word, units))
        variable[:] = values
    crs = file.createVariable("crs", "i4", ())
    crs.setncatts(_grid_mapping(day.grid))
    crs[...] = 0


def _fill(name: str) -> np.generic:
    return np.int16(MISSING_CLASS) if name in CLASSES else np.float32(np.nan)


def begin_variable(
    file: netCDF4.Dataset,
    name: str,
    dtype: np.dtype | str,
    dims: tuple[str, ...],
    fill: np.generic | Literal[False] = False,
) -> netCDF4.Variable:
    """Return a new variable on (y, x) or (time, y, x), compressed."""
    chunks = (1, *(min(CHUNK, file.dimensions[axis].size) for axis in ("y", "x")))[-len(dims) :]
    variable = file.createVariable(name, dtype, dims, zlib=True, complevel=LEVEL, chunksizes=chunks, fill_value=fill)
    variable.set_auto_maskandscale(False)
    return variable


def _write_axes(file: netCDF4.Dataset, day: Day) -> None:
    for axis, values in (("y", day.grid.y), ("x", day.grid.x)):
        variable = file.createVariable(axis, "f8", (axis,))
        variable.setncatts({
            "standard_name": f"projection_{axis}_coordinate", "long_name": f"{axis} of the cell's centre",
            "units": "m", "axis": axis.upper(), "coverage_content_type": "coordinate",
        })  # fmt: skip
        variable[:] = values


def _write_noon(file: netCDF4.Dataset, day: Day) -> None:
    # A record dimension: programs that know no other way of joining files put days together along it.
    file.createDimension("time", None)
    time = file.createVariable("time", "f8", ("time",), chunksizes=(1,))
    time.setncatts({
        "standard_name": "time", "long_name": "instant of the estimate, local noon",
        "units": "hours since 1970-01-01 00:00:00", "calendar": "standard", "units_metadata": "leap_seconds: none",
        "axis": "T", "coverage_content_type": "coordinate",
    })  # fmt: skip
    time[:] = [(day.noon_utc - EPOCH) / dt.timedelta(hours=1)]


def _angle_attributes(word: str, units: str) -> dict[str, str]:
    long_name = f"{word} of the cell's centre, WGS 84"
    # The projection is named here too: raster libraries look for one of all variables.
    return {
        "standard_name": word, "long_name": long_name, "units": units, "grid_mapping": "crs",
        "coverage_content_type": "coordinate",
    }  # fmt: skip


@lru_cache(maxsize=1)
def latitude_longitude(grid: BasinGrid) -> tuple[np.ndarray, np.ndarray]:
    """Return latitude and longitude of the cell centres, each (y, x). WGS 84, degrees, to 0.1 m."""
    x, y = np.meshgrid(grid.x, grid.y)
    longitude, latitude = Transformer.from_crs(grid.crs, CRS(4326), always_xy=True).transform(x, y)
    return np.round(latitude / _ANGLE_STEP) * _ANGLE_STEP, np.round(longitude / _ANGLE_STEP) * _ANGLE_STEP


def _grid_mapping(grid: BasinGrid) -> dict[str, Any]:
    """Return CF's description of the projection, with GDAL's two attributes."""
    wkt = grid.crs.to_wkt()
    transform = grid.transform
    geo = (transform.c, transform.a, transform.b, transform.f, transform.d, transform.e)
    return {
        **grid.crs.to_cf(),
        "long_name": "coordinate reference system",
        "spatial_ref": wkt,
        "GeoTransform": " ".join(repr(float(value)) for value in geo),
    }


def _attributes(variable: Variable, day: Day, dtype: np.dtype) -> dict[str, Any]:
    attributes: dict[str, Any] = {"long_name": variable.long_name, "units": variable.units}
    if variable.standard_name:
        attributes["standard_name"] = variable.standard_name
    attributes |= {"grid_mapping": "crs", "coordinates": "lat lon", "coverage_content_type": variable.content}
    if variable.name in _ANCILLARY:
        attributes["ancillary_variables"] = _ANCILLARY[variable.name]
    if variable.name in CLASSES:
        return attributes | _flags(variable.name, day, dtype)
    if variable.name != "cell_area":
        attributes["cell_measures"] = "area: cell_area"
        attributes["cell_methods"] = "area: mean time: point" if variable.dated else "area: mean"
    return attributes


def _flags(name: str, day: Day, dtype: np.dtype) -> dict[str, Any]:
    """Return flag values and meanings.

    For zones and bands also their true names and edges, which CF words cannot hold.
    """
    if name == "source":
        ordered = sorted(SOURCE_FLAGS.items(), key=lambda item: item[1])
        return {
            "flag_values": np.array([value for _, value in ordered], dtype),
            "flag_meanings": " ".join(word for word, _ in ordered),
        }
    if name == "zone":
        words = flag_words([zone_name or zone_id for zone_id, zone_name in day.zones])
        names: dict[str, Any] = {
            "zone_ids": json.dumps([zone_id for zone_id, _ in day.zones], ensure_ascii=False),
            "zone_names": json.dumps([zone_name for _, zone_name in day.zones], ensure_ascii=False),
        }
    else:
        words = flag_words([f"{low:g}_to_{high:g}_m" for low, high in day.bands])
        names = {
            "band_low_m": np.array([low for low, _ in day.bands], np.float64),
            "band_high_m": np.array([high for _, high in day.bands], np.float64),
        }
    return {"flag_values": np.arange(1, len(words) + 1).astype(dtype), "flag_meanings": " ".join(words), **names}


def flag_words(names: list[str]) -> list[str]:
    """Return one word a name that CF allows in `flag_meanings`. ASCII, no blanks, no two alike.

    >>> flag_words(["Øvre Å / nord", "Ovre A nord", "北"])
    ['Ovre_A_nord', 'Ovre_A_nord_2', 'class_3']
    """
    words: list[str] = []
    for number, name in enumerate(names, start=1):
        plain = unicodedata.normalize("NFKD", name.translate(_SPELLED)).encode("ascii", "ignore").decode()
        word = re.sub(r"[^0-9A-Za-z_.+@-]+", "_", plain).strip("_") or f"class_{number}"
        while word in words:
            word = f"{word}_{number}"
        words.append(word)
    return words


def _global_attributes(day: Day) -> dict[str, Any]:
    instant = f"{day.noon_utc.isoformat(timespec='seconds')}Z"
    return {
        "Conventions": "CF-1.11, ACDD-1.3",
        LAYOUT: np.int32(LAYOUT_VERSION),
        "title": f"Snow water equivalent of {day.title}, {day.date.isoformat()}",
        "summary": (
            "Snow water equivalent, snow depth and density of a basin on one day, with standard errors, "
            "from snow courses, snow stations and airborne laser depth."
        ),
        "id": f"{day.basin_id}_{day.date.isoformat()}",
        "basin_id": day.basin_id,
        "date": day.date.isoformat(),
        "keywords": "snow water equivalent, snow depth, snow density, basin",
        "source": "statistical estimate from ground and airborne measurements (snowtally)",
        "history": f"{day.date.isoformat()}: estimated by snowtally; when and with what stands in record.json",
        "references": "record.json beside this file: inputs, settings, versions",
        "comment": "Cells without a part in the basin are missing. A standard error is of the estimate, not a spread.",
        "standard_name_vocabulary": "CF Standard Name Table v93",
        "cdm_data_type": "Grid",
        "time_coverage_start": instant,
        "time_coverage_end": instant,
        "time_coverage_duration": "PT0S",
        "time_coverage_resolution": "P1D",
        "processing_level": "analysis: checked measurements, estimated on a grid",
    }


def _extent(day: Day, latitude: np.ndarray, longitude: np.ndarray) -> dict[str, Any]:
    elevation = rounded(day.fields["elevation"].to_numpy(), VARIABLES["elevation"].step)
    (south, north), (west, east) = ((float(angles.min()), float(angles.max())) for angles in (latitude, longitude))
    corners = ((south, west), (south, east), (north, east), (north, west), (south, west))
    return {
        # EPSG:4326 has latitude first.
        "geospatial_bounds": f"POLYGON (({', '.join(f'{lat} {lon}' for lat, lon in corners)}))",
        "geospatial_bounds_crs": "EPSG:4326",
        "geospatial_vertical_min": float(np.nanmin(elevation)),
        "geospatial_vertical_max": float(np.nanmax(elevation)),
        "geospatial_vertical_units": "m",
        "geospatial_vertical_positive": "up",
        "geospatial_lat_min": south,
        "geospatial_lat_max": north,
        "geospatial_lat_units": "degrees_north",
        "geospatial_lon_min": west,
        "geospatial_lon_max": east,
        "geospatial_lon_units": "degrees_east",
    }
