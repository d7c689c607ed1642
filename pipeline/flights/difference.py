"""Snow-on minus snow-off surface as a source of fine pixels: read by windows, resampled as it goes."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace

import numpy as np

from snowtally.flights.kernels import between, less_between
from snowtally.flights.placing import Placement, nodes
from snowtally.flights.rasters import Raster, RasterPixels, Read, Window

TALL_STRIP_ROWS = (4096, 4096)
"""Blocks that a strip's edge cuts are decoded by two strips: with blocks of 512 rows an eighth more of one of the files."""


@dataclass(frozen=True)
class Tilt:
    """A plane: metres per metre east and north of (x, y).

    It is 0 at that point.
    """

    per_east: float
    per_north: float
    x: float
    y: float

    def above(self, x: np.ndarray, y: np.ndarray) -> np.ndarray:
        """Return the plane's height at places of the grid's coordinate system, metres."""
        return self.per_east * (x - self.x) + self.per_north * (y - self.y)


@dataclass(frozen=True)
class Difference:
    """The difference of two surfaces on the pixels of the finer one.

    Parameters
    ----------
    upper, lower : the surfaces; the upper one as registered, its placement moved. The value is upper - lower - `lift_m`.
    lift_m : metres by which the upper surface lies too high.
    tilt : a plane by which it is tilted besides, where one was fitted.
    """

    upper: RasterPixels
    lower: RasterPixels
    lift_m: float = 0.0
    tilt: Tilt | None = None

    @property
    def _fine(self) -> RasterPixels:
        """The surface with the finer pixels.

        The difference has the same pixels. Where both surfaces have pixels of one size, it is the lower one.
        """
        return (
            self.upper
            if np.prod(self.upper.placement.pixel_m()) < 0.999 * np.prod(self.lower.placement.pixel_m())
            else self.lower
        )

    @property
    def placement(self) -> Placement:
        """Where the difference's pixels lie on the grid."""
        return self._fine.placement

    @property
    def block(self) -> tuple[int, int]:
        """Rows and columns of the blocks that the finer file is stored in."""
        return self._fine.block

    @property
    def strip_rows(self) -> tuple[int, int]:
        """Fewest and most rows of a strip.

        Tall, since the other file's blocks at its edge are decoded once more.
        """
        return TALL_STRIP_ROWS

    @contextmanager
    def reading(self) -> Iterator[Read]:
        """Open both files and yield the function that reads windows.

        That function returns the difference in a window, in metres.
        """
        fine = self._fine
        other, sign = (self.lower, 1.0) if fine is self.upper else (self.upper, -1.0)
        with fine.reading() as read_fine, other.reading() as read_other:

            def read(window: Window) -> np.ndarray:
                near = read_fine(window)
                # Heights need double precision, the difference of two does not.
                out = np.empty(near.shape, np.float32)
                steps = _steps(other.placement, fine.placement, window)
                if steps is None:
                    between = sample(other.raster, read_other, pixel_positions(other.placement, fine.placement, window))
                    out[:] = sign * (near - between) - self.lift_m
                else:
                    part = window_about(other.raster, steps, reach=2)
                    if part is None:
                        return np.full_like(out, np.nan)
                    columns, rows = steps
                    at = columns - part.left, rows - part.top
                    less_between(near, read_other(part), *at, (sign, self.lift_m), out)
                if self.tilt is not None:
                    out -= self.tilt.above(*centres(fine.placement, window))
                return out

            yield read


def moved(pixels: RasterPixels, east_m: float, north_m: float) -> RasterPixels:
    """Return a surface moved by metres east and north of the grid's coordinate system."""
    east, north = pixels.placement.shift
    return replace(pixels, placement=replace(pixels.placement, shift=(east + east_m, north + north_m)))


@dataclass(frozen=True)
class PixelValues:
    """Easting, northing and value, metres, of some pixels, each (n,)."""

    x: np.ndarray
    y: np.ndarray
    value: np.ndarray

    @classmethod
    def joined(cls, parts: list[PixelValues]) -> PixelValues:
        """Return several parts as one."""
        none = cls(np.zeros(0), np.zeros(0), np.zeros(0))
        columns = ([getattr(part, name) for part in [none, *parts]] for name in ("x", "y", "value"))
        return cls(*(np.concatenate(column) for column in columns))


def centres(placement: Placement, window: Window) -> tuple[np.ndarray, np.ndarray]:
    """Return easting and northing of a window's pixel centres.

    Each has the shape (rows, columns), in metres.
    """
    columns, rows = np.meshgrid(np.arange(window.left, window.right) + 0.5, np.arange(window.top, window.bottom) + 0.5)
    return placement.points(columns, rows)


def _steps(placement: Placement, onto: Placement, window: Window) -> tuple[np.ndarray, np.ndarray] | None:
    """Return a window's columns and rows in another raster.

    The window lies in the raster of `onto`, the other raster is that of `placement`. Both rasters have the same axes,
    so that columns depend on the column alone and rows on the row alone: each is an array along its own axis.

    The result is None where the axes of one raster do not run along the grid's, or where columns run in opposite
    directions.
    """
    if not (placement.aligned and onto.aligned) or placement.transform.a * onto.transform.a < 0:
        return None
    x, _ = onto.points(np.arange(window.left, window.right) + 0.5, np.array(float(window.top)))
    _, y = onto.points(np.array(float(window.left)), np.arange(window.top, window.bottom) + 0.5)
    columns, _ = placement.pixels(x, y[:1])
    _, rows = placement.pixels(x[:1], y)
    return columns, rows


def pixel_positions(placement: Placement, onto: Placement, window: Window) -> tuple[np.ndarray, np.ndarray]:
    """Return a window's pixel centres as positions in another raster.

    The window lies in the raster of `onto`, the other raster is that of `placement`. The positions are columns and rows
    with fractions, each of shape (rows, columns).

    Where a raster has another coordinate system than the grid, nodes are transformed exactly and positions between them
    are interpolated (`placing.NODE_PIXELS`).
    """
    if placement.to_grid is None and onto.to_grid is None:
        return placement.pixels(*centres(onto, window))
    node_rows, node_columns = nodes(window.top, window.bottom), nodes(window.left, window.right)
    at = placement.pixels(*onto.points(*np.meshgrid(node_columns.astype(float), node_rows.astype(float))))
    rows, columns = np.arange(window.top, window.bottom) + 0.5, np.arange(window.left, window.right) + 0.5
    down, across = _shares(node_rows, rows), _shares(node_columns, columns)
    column, row = (_interpolated(values, down, across) for values in at)
    return column, row


def _shares(nodes_at: np.ndarray, positions: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the node before each position, and the position's share.

    Positions and nodes lie along one axis. The node is an index of `nodes_at`. The share is how far the position lies
    on the way to the next node, 0 to 1.
    """
    before = np.searchsorted(nodes_at, positions, side="right") - 1
    return before, (positions - nodes_at[before]) / np.diff(nodes_at)[before]


def _interpolated(
    values: np.ndarray, down: tuple[np.ndarray, np.ndarray], across: tuple[np.ndarray, np.ndarray]
) -> np.ndarray:
    """Return values at positions between nodes.

    First down the columns, then along the rows.
    """
    row, share = down
    lines = values[row] * (1 - share)[:, None] + values[row + 1] * share[:, None]
    column, share = across
    return lines[:, column] * (1 - share) + lines[:, column + 1] * share


def sample(raster: Raster, read: Read, at: tuple[np.ndarray, np.ndarray]) -> np.ndarray:
    """Return a raster's values between its pixel centres.

    They are made by cubic convolution (see `between`). They are missing (NaN) beyond the raster's edge.

    Parameters
    ----------
    read : reads its windows.
    at : columns and rows with fractions, each of one shape (rows, columns).
    """
    columns, rows = at
    part = window_about(raster, at, reach=2)
    if part is None:
        return np.full(columns.shape, np.nan)
    out = np.empty(columns.shape)
    # What lies outside the part lies outside the raster: the part reaches two pixels beyond every position, edges apart.
    between(read(part), columns - part.left, rows - part.top, out)
    return out


def window_about(raster: Raster, at: tuple[np.ndarray, np.ndarray], reach: int) -> Window | None:
    """Return the part of a raster around some positions.

    It holds all of them and `reach` pixels more, as far as the raster reaches. It is None where the raster has no such
    part, or where a position is not finite.
    """
    columns, rows = at
    if not (np.isfinite(columns).all() and np.isfinite(rows).all()):
        return None
    height, width = raster.shape
    part = Window(
        int(np.clip(np.floor(rows.min()) - reach, 0, height)),
        int(np.clip(np.ceil(rows.max()) + reach, 0, height)),
        int(np.clip(np.floor(columns.min()) - reach, 0, width)),
        int(np.clip(np.ceil(columns.max()) + reach, 0, width)),
    )
    return part if part.bottom > part.top and part.right > part.left else None
