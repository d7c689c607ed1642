"""The grids of a published day that people open in a GIS: one cloud-optimised GeoTIFF a variable."""

from __future__ import annotations

import numpy as np
import rasterio
import xarray as xr
from affine import Affine
from rasterio.io import MemoryFile

from pipeline.model.day import Day
from pipeline.model.variables import VARIABLES

RASTERS = ("swe", "swe_se", "depth", "density")
"""The variables that have a file of their own, `NAME.tif`."""

_TILE = 256


def cog_bytes(day: Day, name: str, values: np.ndarray) -> bytes:
    """Return variable `name`, float32 on the day's grid with NaN outside, as a cloud-optimised GeoTIFF.

    The band carries description and unit. Missing is NaN: a reader that overlooks the nodata value gets NaN in its
    sums, never a plausible number.
    """
    variable = VARIABLES[name]
    place = rasterio.CRS.from_wkt(day.grid.crs.to_wkt()), day.grid.transform
    tags = {"basin_id": day.basin_id, "date": day.date.isoformat(), "standard_name": variable.standard_name}
    return cog(values, place, (variable.long_name, variable.units), tags)


def cog(values: np.ndarray, place: tuple[rasterio.CRS, Affine], band: tuple[str, str], tags: dict[str, str]) -> bytes:
    """Return values (y, x), float32 with NaN for missing, as a cloud-optimised GeoTIFF of one band.

    Parameters
    ----------
    place : coordinate system and transform.
    band : the band's description and unit.
    tags : further tags of the file.
    """
    profile = {
        "driver": "COG", "width": values.shape[1], "height": values.shape[0], "count": 1, "dtype": "float32",
        "crs": place[0], "transform": place[1], "nodata": np.nan,
        "compress": "DEFLATE", "predictor": 3, "level": 6, "blocksize": _TILE, "overview_resampling": "average",
    }  # fmt: skip
    with MemoryFile() as memory:
        with memory.open(**profile) as file:
            file.write(values, 1)
            file.set_band_description(1, band[0])
            file.set_band_unit(1, band[1])
            file.update_tags(**tags)
        return memory.read()


def map_tif(field: xr.DataArray, unit: str, tags: dict[str, str]) -> bytes:
    """Return a field on (y, x), its attributes crs_wkt, cell_m (m) and long_name, as a cloud-optimised GeoTIFF."""
    left, _, _, top = _outline_m(field)
    cell_m = field.attrs["cell_m"]
    place = rasterio.CRS.from_wkt(field.attrs["crs_wkt"]), Affine(cell_m, 0, left, 0, -cell_m, top)
    return cog(field.to_numpy().astype("f4"), place, (field.attrs["long_name"], unit), tags)


def extent_km(field: xr.DataArray) -> tuple[float, float, float, float]:
    """Return a field's left, right, bottom and top edges, km, as drawings take them; its attribute cell_m is in m."""
    return tuple(metres / 1000.0 for metres in _outline_m(field))


def _outline_m(field: xr.DataArray) -> tuple[float, float, float, float]:
    half = field.attrs["cell_m"] / 2
    x, y = field["x"].to_numpy(), field["y"].to_numpy()
    return float(x[0]) - half, float(x[-1]) + half, float(y[-1]) - half, float(y[0]) + half
