"""The order of work: a raster in strips of rows, a strip in windows, each window added to the cells below it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise, product

import numpy as np

from snowtally.flights.kernels import add_aligned, add_warped
from snowtally.flights.placing import Placement, nodes, overlaps
from snowtally.flights.rasters import STRIP_ROWS, PixelSource, Window
from snowtally.model.grid import BasinGrid

WINDOW_COLUMNS = (512, 1024)
"""Fewest and most columns that are read at once: a window of 512 x 512 pixels stays in the processor's cache."""

Strip = tuple[int, int]
"""First and last row of pixels, the last one not included."""


@dataclass(frozen=True)
class StripSums:
    """What one strip adds to the cells' sums.

    `sums` has the shape (3, cell rows, cell columns) and begins at the cell row `first_row`. `seen` counts the pixels
    with data, and `used` counts the pixels that were used. A pixel counts as often as its plan has `parts` to a side.
    """

    first_row: int
    sums: np.ndarray
    seen: int
    used: int


def piece_edges(start: int, stop: int, block: int, size: tuple[int, int]) -> list[int]:
    """Return the edges of pieces between `start` and `stop`.

    `size` is the fewest and the most pixels of a piece. The edges lie on multiples of the block. Where a block is
    larger than the most, they lie on multiples of the most.

    >>> piece_edges(100, 1300, 512, (128, 1024))
    [100, 512, 1024, 1300]
    """
    fewest, most = size
    step = block * max(1, -(-fewest // block)) if block <= most else most
    return [start, *range((start // step + 1) * step, stop, step), stop]


def strips_of(start: int, stop: int, source: PixelSource) -> Iterator[Strip]:
    """Yield the strips of the rows `start` to `stop`.

    The last one comes in pieces, so that all threads end together.
    """
    *strips, last = pairwise(piece_edges(start, stop, source.block[0], source.strip_rows))
    yield from strips
    yield from pairwise(piece_edges(*last, source.block[0], STRIP_ROWS))


class AlignedWork:
    """The order of work on pixels along the grid's axes.

    Areas are split exactly by rows and columns.
    """

    def __init__(self, source: PixelSource, grid: BasinGrid) -> None:
        self.source = source
        self.width = grid.width
        self.parts = 1
        self.columns = overlaps((source.placement.x_edges() - grid.left) / grid.cell_m, grid.width)
        self.rows = overlaps((grid.top - source.placement.y_edges()) / grid.cell_m, grid.height)

    def strips(self) -> Iterator[Strip]:
        """Yield the strips that lie on the grid."""
        if self.rows.pixel.size and self.columns.pixel.size:
            yield from strips_of(self.rows.pixel[0], self.rows.pixel[-1] + 1, self.source)

    def add_strip(self, strip: Strip, limits: tuple[float, float]) -> StripSums:
        """Return what a strip adds to the cells' sums.

        `limits` are the least and the most value to be used, in metres.
        """
        rows = self.rows.of_pixels(*strip)
        first_row = min(rows.cell[0], rows.cell[-1]) if rows.cell.size else 0
        last_row = max(rows.cell[0], rows.cell[-1]) if rows.cell.size else -1
        sums = np.zeros((3, last_row - first_row + 1, self.width))
        seen = used = 0
        edges = piece_edges(self.columns.pixel[0], self.columns.pixel[-1] + 1, self.source.block[1], WINDOW_COLUMNS)
        pieces = piece_edges(*strip, self.source.block[0], STRIP_ROWS)
        with self.source.reading() as read:
            for (left, right), (top, bottom) in product(pairwise(edges), pairwise(pieces)):
                columns, piece = self.columns.of_pixels(left, right), rows.of_pixels(top, bottom)
                column_entries = columns.pixel - left, columns.cell, columns.weight
                row_entries = piece.pixel - top, piece.cell - first_row, piece.weight
                values = read(Window(top, bottom, left, right))
                window_seen, window_used = add_aligned(values, limits, row_entries, column_entries, sums)
                seen += window_seen
                used += window_used
        return StripSums(first_row, sums, seen, used)


class WarpedWork:
    """The order of work on pixels that lie anyhow.

    They are of another coordinate system, or of a rotated raster.
    """

    def __init__(self, source: PixelSource, grid: BasinGrid) -> None:
        self.source = source
        self.grid = grid
        self.part = part_on_grid(source.placement, grid)
        self.parts = _parts(source.placement, grid.cell_m)

    def strips(self) -> Iterator[Strip]:
        """Yield the strips that may touch the grid."""
        if self.part.bottom > self.part.top and self.part.right > self.part.left:
            yield from strips_of(self.part.top, self.part.bottom, self.source)

    def add_strip(self, strip: Strip, limits: tuple[float, float]) -> StripSums:
        """Return what a strip adds to the cells' sums.

        `limits` are the least and the most value to be used, in metres.
        """
        edges = piece_edges(self.part.left, self.part.right, self.source.block[1], WINDOW_COLUMNS)
        pieces = piece_edges(*strip, self.source.block[0], STRIP_ROWS)
        windows = [
            Window(top, bottom, left, right)
            for (left, right), (top, bottom) in product(pairwise(edges), pairwise(pieces))
        ]
        cells = [self._cells(nodes(at.left, at.right), nodes(at.top, at.bottom)) for at in windows]
        first_row = self._row_within(min(np.floor(at[..., 1].min()) for at in cells) - 1)
        last_row = self._row_within(max(np.ceil(at[..., 1].max()) for at in cells) + 1)
        sums = np.zeros((3, last_row - first_row, self.grid.width))
        seen = used = 0
        with self.source.reading() as read:
            for window, at in zip(windows, cells, strict=True):
                at[..., 1] -= first_row
                if self._off(at, sums.shape[1]):
                    continue
                rows, columns = nodes(window.top, window.bottom), nodes(window.left, window.right)
                positions = rows - window.top, columns - window.left, at
                window_seen, window_used = add_warped(read(window), limits, positions, self.parts, sums)
                seen += window_seen
                used += window_used
        return StripSums(first_row, sums, seen, used)

    def _row_within(self, row: float) -> int:
        return int(np.clip(row, 0, self.grid.height))

    def _off(self, at: np.ndarray, cell_rows: int) -> bool:
        """Return whether a window is wholly off the sums.

        `at` are the cells of its nodes; a cell's width is left clear.
        """
        u, v = at[..., 0], at[..., 1]
        return u.max() < -1 or u.min() > self.grid.width + 1 or v.max() < -1 or v.min() > cell_rows + 1

    def _cells(self, columns: np.ndarray, rows: np.ndarray) -> np.ndarray:
        """Return the position of each node on the grid.

        It is the cell column and row, with fractions. The shape is (node rows, node columns, 2).
        """
        x, y = self.source.placement.points(*np.meshgrid(columns.astype(float), rows.astype(float)))
        return np.stack([(x - self.grid.left) / self.grid.cell_m, (self.grid.top - y) / self.grid.cell_m], axis=-1)


def part_on_grid(placement: Placement, grid: BasinGrid) -> Window:
    """Return the raster's part that may touch the grid.

    The part is empty where the raster does not touch it. It is the whole raster where a point of the grid's outline has
    no position there.
    """
    left, bottom, right, top = grid.bounds
    along = np.linspace(0, 1, 65)
    x = np.concatenate(
        [left + (right - left) * along, 0 * along + right, left + (right - left) * along, 0 * along + left]
    )
    y = np.concatenate(
        [0 * along + top, bottom + (top - bottom) * along, 0 * along + bottom, bottom + (top - bottom) * along]
    )
    columns, rows = placement.pixels(x, y)
    height, width = placement.shape
    if not (np.isfinite(columns).all() and np.isfinite(rows).all()):
        return Window(0, height, 0, width)
    # The outline bends between its points, by far less than this.
    clear = 2 + 0.001 * max(np.ptp(columns), np.ptp(rows))
    return Window(
        int(np.clip(np.floor(rows.min() - clear), 0, height)),
        int(np.clip(np.ceil(rows.max() + clear), 0, height)),
        int(np.clip(np.floor(columns.min() - clear), 0, width)),
        int(np.clip(np.ceil(columns.max() + clear), 0, width)),
    )


MOST_TURN = 0.1
"""Sine of the angle by which pixels may be turned against the grid and still be taken whole, as upright rectangles:
neighbouring systems of one projection differ by a tenth of it, and a pixel's split between two cells is then off by a
fortieth of its area, one way at one edge and the other way at the next."""

TURNED_PARTS = 4
"""Pixels turned by more are divided into parts: at least so many per side, and so many per cell width."""


def _parts(placement: Placement, cell_m: float) -> int:
    rows, columns = placement.shape[0] / 2, placement.shape[1] / 2
    x, y = placement.points(np.array([columns, columns + 1, columns]), np.array([rows, rows, rows + 1]))
    width, height = np.hypot(x[1] - x[0], y[1] - y[0]), np.hypot(x[2] - x[0], y[2] - y[0])
    turn = max(abs(y[1] - y[0]) / width, abs(x[2] - x[0]) / height)
    return 1 if turn < MOST_TURN else max(TURNED_PARTS, int(np.ceil(TURNED_PARTS * max(width, height) / cell_m)))
