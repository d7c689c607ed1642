"""What a raster file says of itself before its pixels are read: where they lie, how they are scaled, how many they are."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import rasterio
from affine import Affine
from pyproj.exceptions import ProjError
from rasterio._err import CPLE_BaseError  # GDAL's own errors, which some calls of rasterio let through
from rasterio.errors import CRSError, RasterioError
from rasterio.warp import transform_bounds

from snowtally.model.grid import BasinGrid
from snowtally.model.problems import InputError

GDAL_TROUBLES = (RasterioError, CRSError, CPLE_BaseError, ProjError)
"""Everything that opening, placing or reading a raster may raise of the file itself."""

MOST_DEGREES = 720.0
"""Coordinates beyond two turns are no degrees: metres under a geographic coordinate system."""

SCALES = (1e-9, 1e9)
"""Least and most size of a believable scale: stored steps of a nanometre up to a million kilometres."""

MOST_OFFSET = 1e9
"""Most size of a believable offset."""

BLOCKS_OF_LIMIT = 16
"""A block, the part of a file that is decoded at one stroke, may have this part of the size allowed: several are held at once."""


def check_frame(path: Path, source: rasterio.DatasetReader) -> None:
    """Refuse a raster whose position or scale cannot be true.

    Its pixels must have an area, and degrees must lie on the earth. Scale and offset of its numbers must be believable.

    Raises
    ------
    InputError : one line with the figures.
    """
    transform = source.transform
    with np.errstate(all="ignore"):
        lengths = np.hypot(transform.a, transform.d) * np.hypot(transform.b, transform.e)
    # Rounding leaves a little of a pixel whose sides lie along each other.
    if not (np.isfinite([*transform[:6], lengths]).all() and abs(transform.determinant) > FLAT * lengths):
        raise InputError(
            f"{path} has a geotransform that gives its pixels no area ({_figures(transform)}). Write its corners or geotransform anew"
        )
    if source.crs is not None and source.crs.is_geographic:
        furthest = max(abs(edge) for edge in source.bounds)
        if furthest > MOST_DEGREES:
            raise InputError(
                f"{path} declares degrees, but its coordinates reach {furthest:.0f}: they are metres, it seems. Write the EPSG code "
                "of its projected coordinate system into it (for example with gdal_edit -a_srs)"
            )
    scale, offset = source.scales[0], source.offsets[0]
    if not (SCALES[0] <= abs(scale) <= SCALES[1] and abs(offset) <= MOST_OFFSET):
        raise InputError(
            f"{path} declares scale {scale:g} and offset {offset:g} for its numbers, which nothing measured has. Write the right ones into it"
        )


FLAT = 1e-9
"""A pixel whose area is less than this part of its sides' product is a line."""


def _figures(transform: Affine) -> str:
    return ", ".join(f"{value:g}" for value in transform[:6])


def refuse_large(path: Path, grid: BasinGrid, most_gb: float) -> None:
    """Refuse a raster that is too large to decode.

    Only the file's header is read, no pixel. Two sizes count: the part over the basin grid, and the largest block,
    which must be decoded at once. A block may have 1 / `BLOCKS_OF_LIMIT` of the size allowed. A file that is absent or
    is no raster passes: its reader reports it.

    Parameters
    ----------
    most_gb : most size, GB (`operations.limits.raster_gb` in the settings).

    Raises
    ------
    InputError : one line with the figures.
    """
    try:
        with rasterio.open(path) as source:
            if source.count == 0:
                return
            rows, columns = _over(source, grid)
            width = np.dtype(source.dtypes[0]).itemsize
            block_rows, block_columns = source.block_shapes[0]
            whole = source.shape
    except (*GDAL_TROUBLES, OSError, ValueError, TypeError):
        return
    remedy = (
        "Give it at a coarser resolution or in smaller blocks, or raise operations.limits.raster_gb in the settings"
    )
    size_gb = rows * columns * width / 1e9
    if size_gb > most_gb:
        raise InputError(
            f"{path} declares {whole[1]} x {whole[0]} pixels, {columns} x {rows} of them on the basin grid: {size_gb:.1f} GB to read, "
            f"more than the {most_gb:g} GB allowed. {remedy}"
        )
    block_gb, most_block_gb = block_rows * block_columns * width / 1e9, most_gb / BLOCKS_OF_LIMIT
    if block_gb > most_block_gb:
        raise InputError(
            f"{path} is stored in blocks of {block_columns} x {block_rows} pixels: {block_gb:.1f} GB to decode at one stroke, more "
            f"than the {most_block_gb:g} GB allowed. {remedy}"
        )


def _over(source: rasterio.DatasetReader, grid: BasinGrid) -> tuple[int, int]:
    """Return how many rows and columns of a raster lie over the grid.

    All of them where that is not known.
    """
    height, width = source.shape
    if source.transform.is_degenerate:
        return height, width
    try:
        left, bottom, right, top = transform_bounds(grid.crs.to_wkt(), source.crs, *grid.bounds)
        back = ~source.transform
    except (*GDAL_TROUBLES, ValueError, TypeError, ArithmeticError):
        return height, width
    x, y = np.array([left, left, right, right]), np.array([bottom, top, bottom, top])
    columns, rows = back.a * x + back.b * y + back.c, back.d * x + back.e * y + back.f
    if not np.isfinite(columns + rows).all():
        return height, width
    columns, rows = np.clip(columns, 0, width), np.clip(rows, 0, height)
    # A corner between two pixels needs both.
    return int(np.ceil(np.ptp(rows))) + 1, int(np.ceil(np.ptp(columns))) + 1
