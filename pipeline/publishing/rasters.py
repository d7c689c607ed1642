"""The grids of a published day that people open in a GIS: one cloud-optimised GeoTIFF a variable."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import rasterio
import xarray as xr
from affine import Affine
from rasterio.io import MemoryFile

from snowtally.model.day import Day
from snowtally.model.variables import VARIABLES
from snowtally.publishing.estimate_nc import LEVEL

RASTERS = ("swe", "swe_se", "depth", "density")
"""The variables that have a file of their own, `NAME.tif`."""

_TILE = 256
"""Cells along a tile: a window reads little (common practice, no source). Another size changes bytes, no value."""


def cog_bytes(day: Day, name: str, values: np.ndarray) -> bytes:
    """Return a variable of a day as a cloud-optimised GeoTIFF. `values` are float32 on its grid, NaN outside.

    The band carries description and unit. Missing is NaN: a reader that overlooks the nodata value gets NaN in its
    sums, never a plausible number.
    """
    variable = VARIABLES[name]
    frame = RasterFrame(day.grid.crs.to_wkt(), day.grid.transform)
    tags = {"basin_id": day.basin_id, "date": day.date.isoformat(), "standard_name": variable.standard_name}
    tags |= day.metadata.attributes
    return cog(values, frame, variable.long_name, variable.units, tags)


@dataclass(frozen=True)
class RasterFrame:
    """Where a raster lies: coordinate system as WKT, and transform."""

    crs_wkt: str
    transform: Affine


def cog(values: np.ndarray, frame: RasterFrame, description: str, unit: str, tags: dict[str, str]) -> bytes:
    """Return values (y, x) as a cloud-optimised GeoTIFF of one band. They are float32, NaN for missing.

    Parameters
    ----------
    description, unit : of the band.
    tags : further tags of the file.
    """
    # The predictor of floating point makes fields that are rounded to a step in binary a twentieth to a tenth smaller.
    profile = {
        "driver": "COG", "width": values.shape[1], "height": values.shape[0], "count": 1, "dtype": "float32",
        "crs": rasterio.CRS.from_wkt(frame.crs_wkt), "transform": frame.transform, "nodata": np.nan,
        "compress": "DEFLATE", "predictor": "FLOATING_POINT", "level": LEVEL, "blocksize": _TILE, "overview_resampling": "average",
    }  # fmt: skip
    with MemoryFile() as memory:
        with memory.open(**profile) as file:
            file.write(values, 1)
            file.set_band_description(1, description)
            file.set_band_unit(1, unit)
            file.update_tags(**tags)
        return memory.read()


def map_tif(field: xr.DataArray, unit: str, tags: dict[str, str]) -> bytes:
    """Return a field (y, x) as a cloud-optimised GeoTIFF. Its attributes are crs_wkt, cell_m (m) and long_name."""
    left, _, _, top = _outline_m(field)
    cell_m = field.attrs["cell_m"]
    frame = RasterFrame(field.attrs["crs_wkt"], Affine(cell_m, 0, left, 0, -cell_m, top))
    return cog(field.to_numpy().astype("f4"), frame, field.attrs["long_name"], unit, tags)


def extent_km(field: xr.DataArray) -> tuple[float, float, float, float]:
    """Return a field's left, right, bottom and top edges, in km. Its attribute cell_m is in m."""
    left, right, bottom, top = _outline_m(field)
    return left / 1000.0, right / 1000.0, bottom / 1000.0, top / 1000.0


def _outline_m(field: xr.DataArray) -> tuple[float, float, float, float]:
    half = field.attrs["cell_m"] / 2
    x, y = field["x"].to_numpy(), field["y"].to_numpy()
    return float(x[0]) - half, float(x[-1]) + half, float(y[-1]) - half, float(y[0]) + half
