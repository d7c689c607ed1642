"""Where the pixels of a fine raster lie: in the grid's coordinate system, in another raster, in the grid's cells."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from affine import Affine
from pyproj import CRS, Transformer

NODE_PIXELS = 64
"""Other coordinate systems: positions are transformed exactly at nodes this many pixels apart and interpolated
between. A map projection bends a line of 64 m by less than 0.1 mm, one of 64 x 30 m by 0.1 m."""

SAME_POINT = 1e-6
"""Part of a pixel within which two coordinate systems that agree on every point are one, without warping (chosen: rounding)."""

SLIVER = 1e-9
"""Part of a cell's width below which an overlap is rounding, and would lend a cell its neighbour's value (chosen)."""


@dataclass(frozen=True)
class Placement:
    """Where a raster's pixels lie in the grid's coordinate system.

    Parameters
    ----------
    transform : from column and row to the raster's own coordinates.
    shape : rows and columns of the raster.
    to_grid, from_grid : from the raster's coordinate system to the grid's and back; None where they are one.
    shift : metres east and north by which the raster is moved, in the grid's coordinate system.
    """

    transform: Affine
    shape: tuple[int, int]
    to_grid: Transformer | None = None
    from_grid: Transformer | None = None
    shift: tuple[float, float] = (0.0, 0.0)

    @property
    def aligned(self) -> bool:
        """Whether rows and columns run along the grid's axes.

        Areas can then be split exactly by rows and columns.
        """
        return self.to_grid is None and self.transform.b == 0 and self.transform.d == 0

    def x_edges(self) -> np.ndarray:
        """Return the eastings of the column edges, in m.

        The shape is (columns + 1,). The raster must be aligned.
        """
        return self.transform.c + self.shift[0] + self.transform.a * np.arange(self.shape[1] + 1)

    def y_edges(self) -> np.ndarray:
        """Return the northings of the row edges, in m.

        The shape is (rows + 1,). The raster must be aligned.
        """
        return self.transform.f + self.shift[1] + self.transform.e * np.arange(self.shape[0] + 1)

    def points(self, columns: np.ndarray, rows: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Return easting and northing, m, of columns and rows.

        A column or row of 0.5 is a pixel's centre.
        """
        columns, rows = np.asarray(columns), np.asarray(rows)
        to = self.transform
        x, y = to.a * columns + to.b * rows + to.c, to.d * columns + to.e * rows + to.f
        if self.to_grid is not None:
            x, y = self.to_grid.transform(x, y)
        return x + self.shift[0], y + self.shift[1]

    def pixels(self, x: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Return the column and row, with fractions, of places in the grid's coordinate system."""
        x, y = np.asarray(x) - self.shift[0], np.asarray(y) - self.shift[1]
        if self.from_grid is not None:
            x, y = self.from_grid.transform(x, y)
        back = ~self.transform
        return back.a * x + back.b * y + back.c, back.d * x + back.e * y + back.f

    def pixel_m(self) -> tuple[float, float]:
        """Return a pixel's width and height on the grid, m.

        At the raster's middle.
        """
        rows, columns = self.shape[0] / 2, self.shape[1] / 2
        x, y = self.points(np.array([columns, columns + 1, columns]), np.array([rows, rows, rows + 1]))
        return float(np.hypot(x[1] - x[0], y[1] - y[0])), float(np.hypot(x[2] - x[0], y[2] - y[0]))

    def bounds(self) -> tuple[float, float, float, float]:
        """Return left, bottom, right and top of the raster, in m.

        They are in the grid's coordinate system, and are taken along the raster's outline. They are NaN where no point
        of the outline has coordinates there.
        """
        along = np.linspace(0, 1, 33)
        rows, columns = self.shape
        outline_columns = np.concatenate([along, along, 0 * along, 0 * along + 1]) * columns
        outline_rows = np.concatenate([0 * along, 0 * along + 1, along, along]) * rows
        x, y = self.points(outline_columns, outline_rows)
        x, y = x[np.isfinite(x)], y[np.isfinite(y)]
        if x.size == 0 or y.size == 0:
            return np.nan, np.nan, np.nan, np.nan
        return float(x.min()), float(y.min()), float(x.max()), float(y.max())


def placement_of(transform: Affine, shape: tuple[int, int], crs: CRS, grid_crs: CRS) -> Placement:
    """Return where a raster lies in the grid's coordinate system, both horizontal ones."""
    to_grid = Transformer.from_crs(crs, grid_crs, always_xy=True)
    rows, columns = shape
    corner_columns = np.array([0, columns, 0, columns, columns / 2])
    corner_rows = np.array([0, 0, rows, rows, rows / 2])
    unwarped = Placement(transform, shape)
    x, y = unwarped.points(corner_columns, corner_rows)
    x_on_grid, y_on_grid = to_grid.transform(x, y)
    width, height = unwarped.pixel_m()
    same = np.abs(x_on_grid - x).max() <= SAME_POINT * width and np.abs(y_on_grid - y).max() <= SAME_POINT * height
    if same:
        return unwarped
    return Placement(transform, shape, to_grid, Transformer.from_crs(grid_crs, crs, always_xy=True))


@dataclass(frozen=True)
class Overlaps:
    """Which pixels lie in which cells, along one axis.

    Each pair of a pixel and a cell is one entry. Pixels rise from entry to entry. Cells rise with them, or fall with
    them.

    Parameters
    ----------
    pixel, cell : indices along the axis.
    weight : the part of the cell's width that the pixel covers.
    """

    pixel: np.ndarray
    cell: np.ndarray
    weight: np.ndarray

    def of_pixels(self, start: int, stop: int) -> Overlaps:
        """Return the entries of the pixels `start` to `stop`, the last one not included."""
        first, last = np.searchsorted(self.pixel, [start, stop])
        return Overlaps(self.pixel[first:last], self.cell[first:last], self.weight[first:last])


def overlaps(edges: np.ndarray, cells: int) -> Overlaps:
    """Return how pixels overlap cells along one axis.

    Parameters
    ----------
    edges : (pixels + 1,), rising or falling, in cell widths from the grid's first edge.
    cells : number of cells.

    Examples
    --------
    >>> overlaps(np.array([0.5, 0.9, 1.3]), 2).weight
    array([0.4, 0.1, 0.3])
    """
    low = np.clip(np.minimum(edges[:-1], edges[1:]), 0, cells)
    high = np.clip(np.maximum(edges[:-1], edges[1:]), 0, cells)
    first = np.floor(low).astype(np.int64)
    count = np.where(high > low, np.ceil(high).astype(np.int64) - first, 0)
    pixel = np.repeat(np.arange(low.size), count)
    step = np.arange(pixel.size) - np.repeat(np.cumsum(count) - count, count)
    falling = edges[-1] < edges[0]
    cell = first[pixel] + (count[pixel] - 1 - step if falling else step)
    weight = np.minimum(high[pixel], cell + 1) - np.maximum(low[pixel], cell)
    large = weight > SLIVER
    return Overlaps(pixel[large], cell[large], weight[large])


def nodes(start: int, stop: int) -> np.ndarray:
    """Return the nodes along one axis, in pixels: both ends and between.

    At nodes positions are transformed exactly.
    """
    return np.append(np.arange(start, stop, NODE_PIXELS), stop)
