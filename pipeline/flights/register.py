"""Registration of a snow-on surface on the snow-off one over ground that is bare and steady in both.

Two surfaces of one ground, one displaced by (e, n) and lifted by u, differ by dh = u - e gx - n gy, with gx and gy the
ground's gradient: on steep ground a shift shows as height, with opposite signs on opposite slopes. With slope and aspect
in place of the gradient this is dh = a cos(b - aspect) tan(slope) + c (Nuth and Kaab 2011, The Cryosphere 5, 271-290),
here fitted in its linear form by least squares with outliers trimmed, and repeated on the moved surface until it stands.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

import geopandas
import numpy as np
import pyogrio
from affine import Affine
from rasterio.features import geometry_mask
from scipy import ndimage
from shapely.geometry import box

from pipeline.flights.difference import centres, moved, sample, window_about
from pipeline.flights.rasters import NUMBERS, STRIP_ROWS, RasterPixels, Read, Window, raster_pixels
from pipeline.flights.strips import WINDOW_COLUMNS, part_on_grid, piece_edges
from pipeline.grid import BasinGrid
from pipeline.problems import InputError, RefusedFlightError

MOST_PIXELS = 2_000_000
"""Pixels used at most, taken evenly over the stable ground: more add nothing to three unknowns."""

LEAST_PIXELS = 300
"""With fewer stable pixels the shift cannot be told from noise (chosen: a shift of 1 m at 0.1 m noise on slopes of 20 degrees
then has an error of some 2 cm)."""

MOST_ITERATIONS = 12
"""Rounds at most; three to six are usual."""

SETTLED_M = 0.01
"""A round that moves the surface by less than this is the last, m."""

TRIM_NMAD = 4.0
"""Differences further than this many NMAD from the fit are outliers: snow on ground thought bare, trees, cars."""

VECTORS = {".geojson", ".json", ".gpkg", ".shp", ".fgb"}
"""File endings of vector data; anything else is read as a raster."""


@dataclass(frozen=True)
class Registration:
    """How a snow-on surface lay on the snow-off one, over stable ground, metres.

    Parameters
    ----------
    east_m, north_m, up_m : by how much it lay too far east, too far north and too high; it is moved back by these.
    nmad_before_m, nmad_after_m : robust spread of the differences before and after.
    pixels : stable pixels used.
    iterations : rounds taken.
    """

    east_m: float
    north_m: float
    up_m: float
    nmad_before_m: float
    nmad_after_m: float
    pixels: int
    iterations: int


def nmad(values: np.ndarray) -> float:
    """Return the normalised median absolute deviation, 1.4826 median|x - median x| (Hohle and Hohle 2009, ISPRS J. 64, 398-406).

    >>> nmad(np.array([1.0, 2, 3, 4, 100]))
    1.4826
    """
    return float(1.4826 * np.median(np.abs(values - np.median(values))))


def register(snow_on: RasterPixels, snow_off: RasterPixels, stable_ground: Path, grid: BasinGrid) -> Registration:
    """Return how the snow-on surface lies on the snow-off surface.

    Parameters
    ----------
    snow_on, snow_off : the surfaces, placed on the grid.
    stable_ground : raster (not 0 where stable) or vector (polygons) of bare, steady ground.

    Raises
    ------
    InputError : the stable ground cannot be read.
    RefusedFlightError : there is too little stable ground with data in both surfaces.
    """
    windows = list(_stable_windows(snow_off, stable_ground, grid))
    stride = max(1, sum(int(mask.sum()) for _, mask in windows) // MOST_PIXELS)
    ground = _Ground.of(snow_off, windows, stride)
    east = north = up = 0.0
    before = None
    rounds = 0
    while rounds < MOST_ITERATIONS:
        rounds += 1
        height = ground.difference(moved(snow_on, -east, -north))
        there = np.isfinite(height)
        if there.sum() < LEAST_PIXELS:
            raise RefusedFlightError(
                f"stable ground {stable_ground} has {int(there.sum())} pixels with data in both surfaces, {LEAST_PIXELS} are needed. "
                "Add bare, steady ground on slopes of all aspects, or leave stable_ground out to use the surfaces as they are"
            )
        if before is None:
            before = nmad(height[there])
        step_east, step_north, up = _fit(height[there], ground.east[there], ground.north[there])
        east, north = east + step_east, north + step_north
        if np.hypot(step_east, step_north) < SETTLED_M:
            break
    left = height[there] - up + step_east * ground.east[there] + step_north * ground.north[there]
    up += float(np.median(left))
    return Registration(east, north, up, before, nmad(left), int(there.sum()), rounds)


def _fit(height: np.ndarray, east: np.ndarray, north: np.ndarray) -> tuple[float, float, float]:
    """Return the shift east and north and the lift that explain the height differences, outliers trimmed, metres."""
    columns = np.column_stack([-east, -north, np.ones_like(east)])
    kept = np.abs(height - np.median(height)) <= TRIM_NMAD * max(nmad(height), 1e-6)
    for _ in range(3):
        found = np.linalg.lstsq(columns[kept], height[kept], rcond=None)[0]
        left = height - columns @ found
        kept = np.abs(left - np.median(left[kept])) <= TRIM_NMAD * max(nmad(left[kept]), 1e-6)
    return float(found[0]), float(found[1]), float(found[2])


@dataclass(frozen=True)
class _Ground:
    """The stable pixels: their places, heights and gradient (m/m to the east and the north)."""

    places: list[tuple[np.ndarray, np.ndarray]]
    height: np.ndarray
    east: np.ndarray
    north: np.ndarray

    @classmethod
    def of(cls, surface: RasterPixels, windows: list[tuple[Window, np.ndarray]], stride: int) -> _Ground:
        places, heights, easts, norths = [], [], [], []
        with surface.reading() as read:
            for window, mask in windows:
                rows, columns = (index[::stride] for index in np.nonzero(mask))
                x, y = (values[rows, columns][None, :] for values in centres(surface.placement, window))
                at = surface.placement.pixels(x, y)
                heights.append(_exactly(surface, read, at)[0])
                # Differences over one pixel to either side, along the grid's axes: a rotated raster needs no other rule.
                reach_x, reach_y = surface.placement.pixel_m()
                sides = [
                    _exactly(surface, read, surface.placement.pixels(x + dx, y + dy))[0]
                    for dx, dy in ((reach_x, 0), (-reach_x, 0), (0, reach_y), (0, -reach_y))
                ]
                easts.append((sides[0] - sides[1]) / (2 * reach_x))
                norths.append((sides[2] - sides[3]) / (2 * reach_y))
                places.append((x, y))
        joined = (np.concatenate(parts) if parts else np.zeros(0) for parts in (heights, easts, norths))
        return cls(places, *joined)

    def difference(self, upper: RasterPixels) -> np.ndarray:
        """Return upper surface less the ground at each stable pixel, m, missing where either or the gradient is."""
        with upper.reading() as read:
            found = [_exactly(upper, read, upper.placement.pixels(x, y))[0] for x, y in self.places]
        above = np.concatenate(found) if found else np.zeros(0)
        return np.where(np.isfinite(self.east + self.north), above - self.height, np.nan)


def _exactly(surface: RasterPixels, read: Read, at: tuple[np.ndarray, np.ndarray]) -> np.ndarray:
    """Return a surface's values between its pixel centres by a cubic spline, missing beside voids.

    What streams through millions of pixels uses cubic convolution (`sample`); here its damping of rough ground by a few
    centimetres on steep slopes would be taken for half a metre of shift on 90 m pixels.
    """
    part = window_about(surface.raster, at, reach=SPLINE_REACH)
    if part is None:
        return np.full(at[0].shape, np.nan)
    values = read(part).astype(np.float64)
    void = ~np.isfinite(values)
    if void.all():
        return np.full(at[0].shape, np.nan)
    if void.any():
        # The nearest height stands in, so that a void's edge does not ring; what used it is taken out below.
        nearest = ndimage.distance_transform_edt(void, return_distances=False, return_indices=True)
        values = values[tuple(nearest)]
    places = [at[1] - part.top - 0.5, at[0] - part.left - 0.5]
    found = ndimage.map_coordinates(values, places, order=3, mode="constant", cval=np.nan)
    return np.where(
        ndimage.map_coordinates(void.astype(np.float64), places, order=1, mode="constant", cval=1.0) > 0, np.nan, found
    )


SPLINE_REACH = 12
"""Pixels read beyond the places: a spline forgets its edge by a factor 0.27 a pixel, to 1e-7 over twelve."""


def _stable_windows(surface: RasterPixels, stable_ground: Path, grid: BasinGrid) -> Iterator[tuple[Window, np.ndarray]]:
    """Yield the windows of the surface that hold stable ground, each with its mask (rows, columns)."""
    part = part_on_grid(surface.placement, grid)
    if part.bottom <= part.top or part.right <= part.left:
        return
    stable = (
        _vector(stable_ground, grid)
        if stable_ground.suffix.lower() in VECTORS
        else raster_pixels(stable_ground, grid, NUMBERS)
    )
    for top, bottom in pairwise(piece_edges(part.top, part.bottom, surface.block[0], STRIP_ROWS)):
        for left, right in pairwise(piece_edges(part.left, part.right, surface.block[1], WINDOW_COLUMNS)):
            window = Window(top, bottom, left, right)
            x, y = centres(surface.placement, window)
            if isinstance(stable, RasterPixels):
                with stable.reading() as read:
                    mask = sample(stable.raster, read, stable.placement.pixels(x, y)) > STABLE_SHARE
            else:
                mask = _within(stable, x, y, surface)
            if mask.any():
                yield window, mask


STABLE_SHARE = 0.99
"""A pixel between stable and other pixels is not stable: its neighbours must all be (to rounding)."""


def _vector(path: Path, grid: BasinGrid) -> geopandas.GeoDataFrame:
    try:
        shapes = geopandas.read_file(path)
    except (pyogrio.errors.DataSourceError, pyogrio.errors.DataLayerError, OSError) as trouble:
        raise InputError(f"stable ground {path} cannot be read as vector data: {trouble}") from None
    if shapes.crs is None:
        raise InputError(f"stable ground {path} has no coordinate system. Write it into the file")
    return shapes.to_crs(grid.crs)


def _within(shapes: geopandas.GeoDataFrame, x: np.ndarray, y: np.ndarray, surface: RasterPixels) -> np.ndarray:
    """Return which places lie in the shapes: burnt onto a north-up raster as fine as the surface, and looked up there."""
    width, height = surface.placement.pixel_m()
    left, top = x.min() - width, y.max() + height
    near = shapes[shapes.intersects(box(left, y.min() - height, x.max() + width, top))]
    if near.empty:
        return np.zeros(x.shape, bool)
    shape = int((top - y.min()) / height) + 2, int((x.max() - left) / width) + 2
    burnt = geometry_mask(near.geometry, shape, Affine(width, 0, left, 0, -height, top), invert=True)
    return burnt[((top - y) / height).astype(int), ((x - left) / width).astype(int)]
