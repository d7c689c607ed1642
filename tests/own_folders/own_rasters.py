"""Ways in which a made basin's ground is delivered: in degrees, in tiles, in feet, with voids that nothing declares."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import rasterio
from affine import Affine
from canonical import write_field
from pyproj import Transformer
from small_world import Field, Records

VOID_PIXELS = 3
"""Width of a void: a handful of them takes far less than a hundredth of the basin."""


def with_voids(field: Field, rng: np.random.Generator, count: int = 5) -> Field:
    """Return a field with small square voids (NaN) near its middle."""
    values, rows = field.values.copy(), len(field.values)
    for _ in range(count):
        row, column = rng.integers(int(rows * 0.35), int(rows * 0.65), 2)
        values[row : row + VOID_PIXELS, column : column + VOID_PIXELS] = np.nan
    return replace(field, values=values)


def filled(field: Field, code: float) -> Field:
    """Return a field whose voids hold a code."""
    return replace(field, values=np.where(np.isfinite(field.values), field.values, code))


def write_tiles(folder: Path, field: Field, crs: str, *, dtype: str, stem: str) -> None:
    """Write a field as four tiles."""
    half_rows, half_columns = (side // 2 for side in field.values.shape)
    for name, rows, columns in (
        ("a1", slice(None, half_rows), slice(None, half_columns)), ("a2", slice(None, half_rows), slice(half_columns, None)),
        ("b1", slice(half_rows, None), slice(None, half_columns)), ("b2", slice(half_rows, None), slice(half_columns, None)),
    ):  # fmt: skip
        left = field.left + (columns.start or 0) * field.pixel_m
        top = field.top - (rows.start or 0) * field.pixel_m
        write_field(
            folder / f"{stem}_{name}.tif",
            Field(left, top, field.pixel_m, field.values[rows, columns]),
            crs,
            dtype=dtype,
        )


def write_in_degrees(
    path: Path, records: Records, pixel: float = 0.00125, *, dtype: str, code: float, datum: str = "EPSG:4326"
) -> None:
    """Write the ground in degrees, its voids as a code that the file does not declare."""
    ground = records.elevation
    rows, columns = ground.values.shape
    inset = 3
    corners_x = ground.left + np.array([inset, columns - inset]) * ground.pixel_m
    corners_y = ground.top - np.array([inset, rows - inset]) * ground.pixel_m
    degrees = Transformer.from_crs(records.place.crs, datum, always_xy=True)
    west, north = (
        degrees.transform(corners_x[[0, 0]], corners_y)[0].max(),
        degrees.transform(corners_x, corners_y[[0, 0]])[1].min(),
    )
    east, south = (
        degrees.transform(corners_x[[1, 1]], corners_y)[0].min(),
        degrees.transform(corners_x, corners_y[[1, 1]])[1].max(),
    )
    width, height = int((east - west) / pixel), int((north - south) / pixel)
    longitude, latitude = np.meshgrid(
        west + (np.arange(width) + 0.5) * pixel, north - (np.arange(height) + 0.5) * pixel
    )
    x, y = degrees.transform(longitude, latitude, direction="INVERSE")
    heights = Field(west, north, pixel, ground.at(x, y))
    values = filled(with_voids(heights, np.random.default_rng(records.place.seed)), code).values
    if np.issubdtype(np.dtype(dtype), np.integer):
        values = np.round(values)
    profile = {"driver": "GTiff", "height": height, "width": width, "count": 1, "dtype": dtype, "compress": "deflate"}
    with rasterio.open(path, "w", crs=datum, transform=Affine(pixel, 0, west, 0, -pixel, north), **profile) as to:
        to.write(values.astype(dtype), 1)
