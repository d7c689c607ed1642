"""Registration of a snow-on surface on 2 million stable pixels, against the same in a few lines of numpy and scipy; and of depths."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import rasterio
from affine import Affine
from pyproj import CRS
from scipy.ndimage import map_coordinates
from timing import Figure, Runs, alternate, faster_at_least, no_more_than, peak_mb

from snowtally.flights.depth_offset import DepthOffset, depth_offset
from snowtally.flights.mosaic import open_pixels
from snowtally.flights.register import Registration, register
from snowtally.inputs.raster_band import HEIGHTS
from snowtally.model.grid import BasinGrid

SIDE, STABLE_ROWS = 2048, 1000
"""Pixels a side, and rows of stable ground: 2 million stable pixels."""

PIXEL_M = 5.0
GRID = BasinGrid(CRS("EPSG:32625"), 100.0, 500_000.0, 4_880_000.0, 103, 103)
SHIFT_M = (3.3, -2.1, 0.8)
"""By how much the snow-on surface lies too far east, north and up."""


def runs(folder: Path) -> Runs:
    """Return our registration and the reference's."""
    paths = {name: folder / f"registration_{name}.tif" for name in ("on", "off", "stable", "depth")}
    if not paths["depth"].exists():
        _write(paths)
    return {"ours": lambda: _ours(paths), "plain": lambda: _plain(paths), "depth": lambda: _depth(paths)}


def figures(folder: Path) -> list[Figure]:
    """Return the seconds, the ratio, the memory, and how well the shift was found."""
    made = runs(folder)
    taken, found = alternate(made), made["ours"]()
    off = np.abs(np.array([found.east_m, found.north_m, found.up_m]) - SHIFT_M).max()
    path = f"registration, {found.pixels / 1e6:.1f} million stable pixels, {found.iterations} rounds"
    return [
        faster_at_least(path, taken["ours"], ("plain numpy, five rounds on all pixels", taken["plain"]), None),
        # A fifth of the 6 s that a general library for elevation models took when the design was made.
        no_more_than("its CPU seconds", taken["ours"].cpu_s, 1.2, "s"),
        no_more_than("largest error of the shift", off, 0.02, "m"),
        Figure("its peak memory, whole process", f"{peak_mb('bench_registration', 'ours', folder):.0f} MB"),
        # A depth raster's one pass must cost no more than the registration of two surfaces.
        no_more_than("the offset of depths on the same pixels, CPU seconds", taken["depth"].cpu_s, 1.2, "s"),
        Figure("its peak memory, whole process", f"{peak_mb('bench_registration', 'depth', folder):.0f} MB"),
    ]


def _ours(paths: dict[str, Path]) -> Registration:
    return register(*(open_pixels([paths[name]], GRID, HEIGHTS) for name in ("on", "off")), paths["stable"], GRID)


def _depth(paths: dict[str, Path]) -> DepthOffset:
    return depth_offset(open_pixels([paths["depth"]], GRID), (paths["stable"],), GRID)


def _plain(paths: dict[str, Path]) -> np.ndarray:
    """Return the shift by least squares on the gradient, five rounds of cubic resampling."""
    on, off, stable = (rasterio.open(path).read(1).astype(float) for path in list(paths.values())[:3])
    north, east = np.gradient(off, PIXEL_M)
    columns = np.column_stack([-east[stable > 0], north[stable > 0], np.ones(int(stable.sum()))])
    rows, cols = np.indices(off.shape, dtype=float)
    shift = np.zeros(3)
    for _ in range(5):
        moved = map_coordinates(on, [rows - shift[1] / PIXEL_M, cols + shift[0] / PIXEL_M], order=3, mode="nearest")
        step = np.linalg.lstsq(columns, (moved - off)[stable > 0], rcond=None)[0]
        shift[:2] += step[:2]
        shift[2] = step[2]
    return shift


def _write(paths: dict[str, Path]) -> None:
    """Write rough ground, the same ground moved and lifted (in Fourier space, exactly), and the stable rows."""
    rng = np.random.default_rng(1)
    down, across = np.fft.fftfreq(SIDE)[:, None], np.fft.rfftfreq(SIDE)
    wave = np.hypot(down, across)
    # Mountains without what pixels of this size could not hold: below ten pixels there is only noise.
    spectrum = (
        np.fft.rfft2(rng.normal(size=(SIDE, SIDE))) * np.maximum(wave, 4 / SIDE) ** -2.0 * np.exp(-((10 * wave) ** 2))
    )
    ground = np.fft.irfft2(spectrum, s=(SIDE, SIDE))
    scale = 300.0 / ground.std()
    phase = np.exp(-2j * np.pi * (across * SHIFT_M[0] - down * SHIFT_M[1]) / PIXEL_M)
    on = scale * np.fft.irfft2(spectrum * phase, s=(SIDE, SIDE)) + SHIFT_M[2] + rng.normal(0.0, 0.1, ground.shape)
    stable = np.zeros(ground.shape)
    stable[24 : 24 + STABLE_ROWS, 16:-16] = 1.0
    profile = {
        "driver": "GTiff", "width": SIDE, "height": SIDE, "count": 1, "dtype": "float32", "crs": "EPSG:32625",
        "transform": Affine(PIXEL_M, 0, GRID.left, 0, -PIXEL_M, GRID.top), "tiled": True, "compress": "zstd",
    }  # fmt: skip
    depth = SHIFT_M[2] + rng.normal(0.0, 0.1, ground.shape) + (stable == 0)
    made = {"on": on + 2000.0, "off": scale * ground + 2000.0, "stable": stable, "depth": depth}
    for name, values in made.items():
        with rasterio.open(paths[name], "w", **profile) as file:
            file.write(values.astype(np.float32), 1)
