"""A flight's fine pixels to cells about 17 pixels wide, against decoding alone and general resampling."""

from __future__ import annotations

import threading
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
import rasterio
import rioxarray
from exactextract import exact_extract
from flight_rasters import NODATA, PIXEL_M, write_surface
from pyproj import CRS, Transformer
from rasterio.warp import Resampling, reproject, transform_bounds
from rasterio.windows import Window
from scipy.sparse import csr_array, lil_array
from shapely import segmentize, transform
from shapely.geometry import box, mapping
from timing import Figure, Runs, alternate, faster_at_least, no_more_than, peak_mb, slower_at_most

from snowtally.flights.aggregate import CellMeans, aggregate
from snowtally.flights.difference import Difference, moved
from snowtally.flights.mosaic import open_pixels
from snowtally.flights.rasters import quiet_gdal
from snowtally.model.cores import own_cores
from snowtally.model.grid import BasinGrid

WHOLE, QUARTER = 17_889, 8_945
"""Pixels a side: 320 million, and a quarter of that for what takes long or much memory."""

HERE, NEIGHBOUR = "EPSG:32625", "EPSG:32626"
CORNER = (500_037.3, 4_879_961.8)
CORNER_NEIGHBOUR = (262_037.3, 4_879_961.8)
"""Upper left corner in the neighbouring system, close to the meridian between the two."""

LIMITS = (-1.0, 12.0)
SHIFT_M = (3.31, -2.17, 0.4)
"""A fractional shift east and north, and a lift, as a registration finds them."""


def runs(folder: Path) -> Runs:
    """Return our aggregations, the decoding that each cannot do without, and two general ways of averaging."""
    whole = write_surface(folder / "depth.tif", WHOLE, CORNER, HERE)
    quarter = write_surface(folder / "depth_quarter.tif", QUARTER, CORNER, HERE)
    snow_on = write_surface(folder / "snow_on.tif", QUARTER, (CORNER[0] + 1.7, CORNER[1] - 0.6), HERE, 2002.0)
    other = write_surface(folder / "depth_other.tif", QUARTER, CORNER_NEIGHBOUR, NEIGHBOUR)
    snow_off = write_surface(folder / "snow_off.tif", QUARTER, CORNER, HERE, 2000.0)

    def difference() -> CellMeans:
        grid = grid_of(quarter)
        upper = moved(open_pixels([snow_on], grid), *SHIFT_M[:2])
        return aggregate(Difference(upper, open_pixels([snow_off], grid), SHIFT_M[2]), grid, LIMITS)

    return {
        "ours": lambda: ours(whole),
        "decode": lambda: decode(whole),
        "gdal": lambda: by_gdal(whole),
        "ours quarter": lambda: ours(quarter),
        "decode quarter": lambda: decode(quarter),
        "rioxarray quarter": lambda: by_rioxarray(quarter),
        "difference": difference,
        "decode both": lambda: (decode(snow_on), decode(snow_off)),
        "other system": lambda: ours(other),
        "decode other": lambda: decode(other),
    }


def figures(folder: Path) -> list[Figure]:
    """Return the ratios, the memory and the errors against exact area weights."""
    made = runs(folder)
    whole = alternate({name: made[name] for name in ("ours", "decode", "gdal")})
    rest = alternate({name: made[name] for name in list(made)[3:]})
    million = f"{QUARTER**2 / 1e6:.0f} million pixels"
    path = f"flight, {WHOLE**2 / 1e6:.0f} million pixels to the grid: mean, valid fraction, spread"
    floor = f"decoding, {own_cores()} threads"
    aligned, warped = made["ours quarter"](), made["other system"]()
    general = ("rioxarray reproject_match, mean only", rest["rioxarray quarter"])
    return [
        slower_at_most(path, whole["ours"], (floor, whole["decode"]), 1.25),
        faster_at_least("the same", whole["ours"], ("GDAL average by rasterio, mean only", whole["gdal"]), 2.5),
        faster_at_least(f"the same, {million}", rest["ours quarter"], general, 8.0),
        no_more_than("its peak memory, whole process", peak_mb("bench_aggregate", "ours", folder), 600.0, "MB"),
        no_more_than(
            "largest error against exact area weights", worst_aligned(folder / "depth_quarter.tif", aligned), 1e-5, "m"
        ),
        slower_at_most(f"snow-on less snow-off, {million} each", rest["difference"], (floor, rest["decode both"]), 1.6),
        slower_at_most(f"another system, {million}", rest["other system"], (floor, rest["decode other"]), 2.3),
        no_more_than(
            "largest error against exact outlines, 200 cells", worst_warped(folder / "depth_other.tif", warped), 5e-4, "m"
        ),
    ]  # fmt: skip


def grid_of(path: Path) -> BasinGrid:
    """Return the grid of 100 m cells that covers a raster."""
    with rasterio.open(path) as file:
        bounds = transform_bounds(file.crs, HERE, *file.bounds) if file.crs != HERE else file.bounds
    return BasinGrid.covering(bounds, 100.0, CRS(HERE))


def ours(path: Path) -> CellMeans:
    """Return what a flight's depth raster gives."""
    grid = grid_of(path)
    return aggregate(open_pixels([path], grid), grid, LIMITS)


def decode(path: Path) -> None:
    """Read every block once in as many threads as there are cores: nothing can be faster."""
    opened = threading.local()

    def work(top: int) -> None:
        with quiet_gdal((512, 512)):
            if not hasattr(opened, "file"):
                opened.file = rasterio.open(path)
            file = opened.file
            for left in range(0, file.width, 512):
                file.read(1, window=Window(left, top, min(512, file.width - left), min(512, file.height - top)))

    with rasterio.open(path) as file:
        tops = range(0, file.height, 512)
    with ThreadPoolExecutor(own_cores()) as pool:
        list(pool.map(work, tops))


def by_gdal(path: Path) -> np.ndarray:
    """Return the mean by GDAL's warper with all its threads."""
    grid = grid_of(path)
    mean = np.full(grid.shape, np.nan, np.float32)
    with rasterio.open(path) as file:
        reproject(
            rasterio.band(file, 1), mean, dst_transform=grid.transform, dst_crs=HERE, dst_nodata=np.nan,
            resampling=Resampling.average, num_threads=own_cores(),
        )  # fmt: skip
    return mean


def by_rioxarray(path: Path) -> np.ndarray:
    """Return the mean as most would write it."""
    grid = grid_of(path)
    target = grid.array(np.zeros(grid.shape, np.float32)).rio.write_crs(HERE)
    with rioxarray.open_rasterio(path, masked=True) as held:
        return held.squeeze().rio.reproject_match(target, resampling=Resampling.average).to_numpy()


def worst_aligned(path: Path, found: CellMeans) -> float:
    """Return the largest difference from the mean by two matrices of exact overlaps, m."""
    grid = grid_of(path)
    with rasterio.open(path) as file:
        left, top = file.transform.c, file.transform.f
        columns = _overlap((left - grid.left) / 100.0, file.width, grid.width)
        rows = _overlap((grid.top - top) / 100.0, file.height, grid.height)
        sums = np.zeros((2, grid.height, file.width))
        for start in range(0, file.height, 512):
            values = file.read(1, window=Window(0, start, file.width, min(512, file.height - start))).astype(float)
            used = (values != NODATA) & (values >= LIMITS[0]) & (values <= LIMITS[1])
            part = rows[:, start : start + 512]
            sums += part @ np.where(used, values, 0.0), part @ used.astype(float)
    total, weight = (layer @ columns.T for layer in sums)
    held = weight > 1e-6
    return float(np.abs(found.mean[held] - total[held] / weight[held]).max())


def _overlap(start: float, pixels: int, cells: int) -> csr_array:
    """Return the (cells, pixels) widths that pixels, the first at `start` cell widths, share with cells."""
    edges = start + np.arange(pixels + 1) * PIXEL_M / 100.0
    share = lil_array((cells, pixels))
    for cell in range(cells):
        first, last = np.clip(np.searchsorted(edges, [cell, cell + 1]) + [-1, 0], 0, pixels)
        width = np.minimum(edges[first + 1 : last + 1], cell + 1) - np.maximum(edges[first:last], cell)
        share[cell, first:last] = np.maximum(width, 0.0)
    return share.tocsr()


def worst_warped(path: Path, found: CellMeans) -> float:
    """Return the largest difference from the mean within cells' outlines carried into the raster's system, m."""
    grid = grid_of(path)
    full = np.argwhere(found.valid_fraction > 0.999)
    chosen = full[np.random.default_rng(4).choice(len(full), 200, replace=False)]
    back = Transformer.from_crs(HERE, NEIGHBOUR, always_xy=True)
    outlines = []
    for row, column in chosen:
        x, y = grid.x[column], grid.y[row]
        outline = segmentize(box(x - 50, y - 50, x + 50, y + 50), 10.0)
        moved_outline = transform(outline, lambda xy: np.column_stack(back.transform(xy[:, 0], xy[:, 1])))
        outlines.append({"type": "Feature", "properties": {}, "geometry": mapping(moved_outline)})
    exact = exact_extract(str(path), outlines, ["mean"], output="pandas")["mean"].to_numpy(float)
    return float(np.abs(found.mean[tuple(chosen.T)] - exact).max())
