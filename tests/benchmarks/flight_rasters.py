"""Made-up laser rasters for the benchmarks: tiled float32 with zstd, stored to a millimetre, with voids."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import rasterio
from affine import Affine
from rasterio.windows import Window

PIXEL_M = 5.9
"""Cells of 100 m are about 17 pixels wide, and their edges lie on no pixel's."""

STRIP = 1024
"""Rows made at a time."""

WAVE = 256
"""Pixels between the nodes of the smooth part."""

NODATA = -9999.0


def write_surface(path: Path, side: int, corner: tuple[float, float], crs: str, height_m: float = 0.0) -> Path:
    """Write a raster of `side` x `side` pixels with its upper left corner at (x, y), m, unless it is there already.

    Values are `height_m` and 0 to 4 m of something smooth, with noise of 0.1 m from pixel to pixel.
    """
    rng = np.random.default_rng(side)
    coarse = rng.normal(1.8, 0.5, (side // WAVE + 2, side // WAVE + 2))

    def strip(rows: np.ndarray) -> np.ndarray:
        values = _between(_between(coarse, rows).T, np.arange(side)).T + height_m
        return values + 0.1 * rng.standard_normal(values.shape, dtype=np.float32)

    return write_strips(path, (side, side), Affine(PIXEL_M, 0, corner[0], 0, -PIXEL_M, corner[1]), crs, strip)


def write_strips(
    path: Path, shape: tuple[int, int], transform: Affine, crs: str, strip: Callable[[np.ndarray], np.ndarray]
) -> Path:
    """Write a raster of this shape, unless it is there already; `strip` returns the values of the rows it is given."""
    if path.exists():
        return path
    rng = np.random.default_rng(shape[0])
    profile = {
        "driver": "GTiff", "height": shape[0], "width": shape[1], "count": 1, "dtype": "float32", "nodata": NODATA,
        "crs": crs, "transform": transform, "tiled": True, "blockxsize": 512, "blockysize": 512,
        "compress": "zstd", "zstd_level": 1, "bigtiff": "IF_SAFER", "num_threads": "ALL_CPUS",
    }  # fmt: skip
    part = path.with_suffix(".part")
    with rasterio.open(part, "w", **profile) as file:
        for top in range(0, shape[0], STRIP):
            rows = np.arange(top, min(top + STRIP, shape[0]))
            values = strip(rows)
            # Voids, such as water and shadow: a hundredth of the area.
            for _ in range(1 + values.size // 2_000_000):
                row, column = rng.integers(0, len(rows)), rng.integers(0, shape[1])
                values[row : row + 140, column : column + 140] = NODATA
            file.write(np.round(values, 3).astype(np.float32), 1, window=Window(0, top, shape[1], len(rows)))
    return part.rename(path)


def _between(nodes: np.ndarray, at: np.ndarray) -> np.ndarray:
    """Return lines of `nodes`, one every `WAVE` pixels, at pixels: linear between."""
    first, share = at // WAVE, (at % WAVE / WAVE)[:, None]
    return nodes[first] * (1.0 - share) + nodes[first + 1] * share
