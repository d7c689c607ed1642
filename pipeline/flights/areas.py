"""Areas on the ground that a raster or polygons tell of: stable ground, water, dense canopy."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path

import geopandas
import numpy as np
import pandas as pd
from affine import Affine
from rasterio.features import geometry_mask
from shapely.geometry import box

from snowtally.flights.difference import centres, pixel_positions, sample
from snowtally.flights.mosaic import open_pixels
from snowtally.flights.placing import Placement
from snowtally.flights.rasters import PixelSource, RasterPixels, Read, Window
from snowtally.inputs.raster_band import NUMBERS
from snowtally.inputs.vector_file import read_shapes
from snowtally.model.grid import BasinGrid

VECTORS = {".geojson", ".json", ".gpkg", ".shp", ".fgb"}
"""File endings of vector data; anything else is read as a raster."""

WHOLLY, MOSTLY = 0.99, 0.5
"""Shares of a pixel that an area must have of it: stable ground all (to rounding), since its neighbours decide its slope;
water the larger part."""

Inside = Callable[[Placement, Window], np.ndarray]
"""Tells which pixels of a window of a raster lie in an area: bool, (rows, columns)."""


@dataclass(frozen=True)
class Area:
    """An area given by a raster (not 0 inside) or by polygons; see `find_area`.

    Parameters
    ----------
    source : the raster, or the polygons in the grid's coordinate system.
    share : the least share of a pixel that must lie inside a raster's area.
    above : a raster's least value inside, for one of cover fractions; None for one that is not 0 inside.
    """

    source: RasterPixels | geopandas.GeoDataFrame
    share: float = MOSTLY
    above: float | None = None

    @contextmanager
    def opened(self) -> Iterator[Inside]:
        """Yield the function that tells which pixels of a window lie inside."""
        if isinstance(self.source, RasterPixels):
            with self.source.reading() as read:
                yield lambda placement, window: self._inside(self.source, read, placement, window)
        else:
            yield lambda placement, window: _within(self.source, placement, window)

    def _inside(self, pixels: RasterPixels, read: Read, placement: Placement, window: Window) -> np.ndarray:
        def read_inside(part: Window) -> np.ndarray:
            values = read(part)
            return values if self.above is not None else ((values != 0) & np.isfinite(values)).astype(np.float64)

        if pixels.placement == placement:
            values = read_inside(window)
        else:
            values = sample(pixels.raster, read_inside, pixel_positions(pixels.placement, placement, window))
        return values > (self.share if self.above is None else self.above)


def find_area(
    about: str, paths: Sequence[Path], grid: BasinGrid, share: float = MOSTLY, above: float | None = None
) -> Area:
    """Return the area that the files describe.

    The files are all rasters or all vector files.

    Parameters
    ----------
    about : what it is, for messages.

    Raises
    ------
    InputError : a file cannot be read, or has no coordinate system.
    """
    if all(path.suffix.lower() in VECTORS for path in paths):
        return Area(_shapes(about, paths, grid), share)
    return Area(open_pixels(paths, grid, NUMBERS), share, above)


def _shapes(about: str, paths: Sequence[Path], grid: BasinGrid) -> geopandas.GeoDataFrame:
    shapes = [read_shapes(about, path).to_crs(grid.crs)[["geometry"]] for path in paths]
    return pd.concat(shapes, ignore_index=True)


def _within(shapes: geopandas.GeoDataFrame, placement: Placement, window: Window) -> np.ndarray:
    """Return which pixel centres lie in the shapes.

    These are burnt onto a north-up raster as fine as the pixels, and looked up there.
    """
    x, y = centres(placement, window)
    width, height = placement.pixel_m()
    left, top = x.min() - width / 2, y.max() + height / 2
    near = shapes[shapes.intersects(box(left, y.min() - height, x.max() + width, top))]
    if near.empty:
        return np.zeros(x.shape, bool)
    shape = int((top - y.min()) / height) + 2, int((x.max() - left) / width) + 2
    burnt = geometry_mask(near.geometry, shape, Affine(width, 0, left, 0, -height, top), invert=True)
    return burnt[((top - y) / height).astype(int), ((x - left) / width).astype(int)]


@dataclass(frozen=True)
class ChangedPixels:
    """Fine pixels of a source, with other values.

    Their positions, blocks and strips are those of the source.
    """

    source: PixelSource

    @property
    def placement(self) -> Placement:
        """Where the pixels lie on the grid."""
        return self.source.placement

    @property
    def block(self) -> tuple[int, int]:
        """Rows and columns of the blocks that the file is stored in."""
        return self.source.block

    @property
    def strip_rows(self) -> tuple[int, int]:
        """Fewest and most rows of a strip."""
        return self.source.strip_rows


@dataclass(frozen=True)
class WithoutAreas(ChangedPixels):
    """Fine pixels without those in some areas: they count as no data."""

    areas: tuple[Area, ...]

    @contextmanager
    def reading(self) -> Iterator[Read]:
        """Open all files and yield the function that reads a window."""
        with ExitStack() as opened:
            read_source = opened.enter_context(self.source.reading())
            inside = [opened.enter_context(area.opened()) for area in self.areas]

            def read(window: Window) -> np.ndarray:
                values = read_source(window)
                for is_inside in inside:
                    values[is_inside(self.placement, window)] = np.nan
                return values

            yield read
