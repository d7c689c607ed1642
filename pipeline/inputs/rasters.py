"""Rasters of any format, coordinate system and resolution, brought onto the basin grid in bounded memory."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import rasterio
from rasterio.enums import Resampling
from rasterio.warp import calculate_default_transform, reproject

from pipeline.grid import BasinGrid
from pipeline.problems import InputError
from pipeline.raster_frame import GDAL_TROUBLES, check_frame


def mean_on_grid(path: Path, grid: BasinGrid) -> np.ndarray:
    """Return a raster's first band on the grid, shape (y, x), float64, missing where it has no data.

    Finer rasters are averaged, coarser ones interpolated bilinearly. Scale, offset and nodata are honoured. Not for
    flights: their exact area weights live in pipeline/flights.

    Raises
    ------
    InputError : the file is no raster, has no coordinate system, or covers no cell; the message names file and remedy.
    """
    out = np.full(grid.shape, np.nan)
    try:
        with rasterio.open(path) as source:
            if source.crs is None:
                message = f"{path} has no coordinate system. Write its EPSG code into the file (for example with gdal_edit -a_srs)"
                raise InputError(message)
            check_frame(path, source)
            fine = _width_on_grid(source, grid) <= grid.cell_m
            reproject(
                rasterio.band(source, 1),
                out,
                src_nodata=source.nodata,
                dst_nodata=np.nan,
                dst_transform=grid.transform,
                dst_crs=grid.crs.to_wkt(),
                resampling=Resampling.average if fine else Resampling.bilinear,
            )
            scale, offset = source.scales[0], source.offsets[0]
    except GDAL_TROUBLES as trouble:
        message = f"{path} cannot be read as a raster: {trouble}"
        raise InputError(message) from None
    out = out * scale + offset
    if not np.isfinite(out).any():
        message = f"{path} has no data on the basin grid. Check its coordinate system and extent"
        raise InputError(message)
    return out


def fraction_on_grid(path: Path, grid: BasinGrid) -> np.ndarray:
    """Return a raster of fractions from 0 to 1 on the grid, as `mean_on_grid`.

    Raises
    ------
    InputError : also where values lie outside 0 to 1: per cents, or another quantity.
    """
    values = mean_on_grid(path, grid)
    low, high = float(np.nanmin(values)), float(np.nanmax(values))
    if low < -ROUNDING or high > 1 + ROUNDING:
        raise InputError(
            f"{path} holds values from {low:.3g} to {high:.3g}, where fractions from 0 to 1 are wanted. "
            "Check the file, or write a scale of 0.01 into it where it holds per cents"
        )
    return np.clip(values, 0.0, 1.0)


ROUNDING = 0.01
"""A fraction may lie this far outside 0 to 1: half a step of a byte of per cents, and resampling."""


def _width_on_grid(source: rasterio.DatasetReader, grid: BasinGrid) -> float:
    """Return the width of the source's pixels in metres of the grid's coordinate system."""
    transform, _, _ = calculate_default_transform(
        source.crs, grid.crs.to_wkt(), source.width, source.height, *source.bounds
    )
    return abs(transform.a)
