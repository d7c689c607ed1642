"""Tiles and overlapping strips of one flight taken as one raster, never written out."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from affine import Affine

from snowtally.flights.difference import pixel_positions, sample
from snowtally.flights.kernels import fill_voids
from snowtally.flights.placing import Placement, placement_of
from snowtally.flights.rasters import FineRaster, RasterPixels, Read, Window, on_grid, open_raster
from snowtally.inputs.raster_band import DEPTHS, Values
from snowtally.model.grid import BasinGrid
from snowtally.model.problems import InputError

ON_LATTICE = 0.01
"""Part of a pixel within which tiles whose pixels fall together have one lattice (chosen: corners are written with rounding)."""


@dataclass(frozen=True)
class Tile:
    """One tile: its raster, and the window it takes of the whole.

    `on_lattice` where its pixels are the whole's.
    """

    pixels: RasterPixels
    window: Window
    on_lattice: bool


@dataclass(frozen=True)
class Mosaic:
    """Tiles as one raster on the lattice of the finest of them.

    Where tiles overlap a pixel is that of the first tile, by name, that has data there, so that nothing counts twice. Tiles
    on another lattice or in another coordinate system are resampled as a surface is (`snowtally.flights.difference`).

    Parameters
    ----------
    shape : rows and columns of the whole.
    block : rows and columns of the finest tile's blocks, on whose edges the whole's windows lie.
    placement : where the whole lies on the grid.
    tiles : in the order of their names.
    """

    shape: tuple[int, int]
    block: tuple[int, int]
    placement: Placement
    tiles: tuple[Tile, ...]

    @property
    def units(self) -> tuple[str, ...]:
        """The units that tiles declare, where they are not the one wanted, sorted."""
        return tuple(sorted({unit for tile in self.tiles for unit in tile.pixels.raster.units}))

    @contextmanager
    def reading(self) -> Iterator[Read]:
        """Yield the function that reads a window of the whole.

        Tiles are opened when they are first read.
        """
        with ExitStack() as opened:
            readers: dict[int, Read] = {}

            def reader(number: int) -> Read:
                if number not in readers:
                    readers[number] = opened.enter_context(self.tiles[number].pixels.reading())
                return readers[number]

            def read(window: Window) -> np.ndarray:
                touched = {n: common for n, tile in enumerate(self.tiles) if (common := _common(tile.window, window))}
                if list(touched.values()) == [window]:
                    return self._part(next(iter(touched)), reader, window)
                whole = np.full(window.shape, np.nan)
                for number, common in touched.items():
                    rows = slice(common.top - window.top, common.bottom - window.top)
                    columns = slice(common.left - window.left, common.right - window.left)
                    fill_voids(whole[rows, columns], self._part(number, reader, common))
                return whole

            yield read

    def _part(self, number: int, reader: Callable[[int], Read], window: Window) -> np.ndarray:
        """Return a tile's values in a window of the mosaic.

        The window lies within the tile's window.
        """
        tile, read = self.tiles[number], reader(number)
        if not tile.on_lattice:
            return sample(tile.pixels.raster, read, pixel_positions(tile.pixels.placement, self.placement, window))
        top, left = tile.window.top, tile.window.left
        return read(Window(window.top - top, window.bottom - top, window.left - left, window.right - left))


def _common(one: Window, other: Window) -> Window | None:
    """Return what two windows have in common, None where that is nothing."""
    top, bottom = max(one.top, other.top), min(one.bottom, other.bottom)
    left, right = max(one.left, other.left), min(one.right, other.right)
    return Window(top, bottom, left, right) if bottom > top and right > left else None


def open_pixels(paths: Sequence[Path], grid: BasinGrid, values: Values = DEPTHS) -> RasterPixels:
    """Return a raster, or the tiles that make one, on the grid.

    Parameters
    ----------
    paths : one file or several, in any order.

    Raises
    ------
    InputError : a file cannot be used (`snowtally.flights.rasters.open_raster`), or a tile lies nowhere near the others.
    """
    rasters = [open_raster(path, values) for path in sorted(set(paths))]
    return on_grid(rasters[0], grid) if len(rasters) == 1 else _mosaic(rasters, grid)


def _mosaic(rasters: list[FineRaster], grid: BasinGrid) -> RasterPixels:
    pieces = [on_grid(raster, grid) for raster in rasters]
    areas = [round(float(np.prod(piece.placement.pixel_m())), 6) for piece in pieces]
    finest = areas.index(min(areas))
    raster, base = rasters[finest], pieces[finest]
    corners = [_corner_on_lattice(own, raster) for own in rasters]
    spots = [
        _outline_on(piece, base, f"{own.path} cannot be placed beside {raster.path}")
        if corner is None
        else Window(corner[0], corner[0] + own.shape[0], corner[1], corner[1] + own.shape[1])
        for own, piece, corner in zip(rasters, pieces, corners, strict=True)
    ]
    # The whole begins on an edge of the base's blocks, so that its windows decode no block twice.
    above, before = (
        -(-max(0, -least) // step) * step
        for least, step in zip((min(w.top for w in spots), min(w.left for w in spots)), base.block, strict=True)
    )
    to = raster.transform
    transform = Affine(to.a, to.b, to.c - to.a * before - to.b * above, to.d, to.e, to.f - to.d * before - to.e * above)
    shape = above + max(w.bottom for w in spots), before + max(w.right for w in spots)
    placement = placement_of(transform, shape, raster.crs, grid.crs)
    tiles = tuple(
        Tile(piece, Window(w.top + above, w.bottom + above, w.left + before, w.right + before), corner is not None)
        for piece, w, corner in zip(pieces, spots, corners, strict=True)
    )
    return RasterPixels(Mosaic(shape, raster.block, placement, tiles), placement)


def _corner_on_lattice(own: FineRaster, other: FineRaster) -> tuple[int, int] | None:
    """Return where a tile's first pixel lies on another's lattice.

    It is (row, column) there. It is None where the tile's pixels do not lie on that lattice.
    """
    if own.crs != other.crs:
        return None
    # Three corners: two alone would let a turned tile pass.
    rows, columns = own.shape
    corners = np.array([[0, 0], [columns, rows], [columns, 0]], float)
    x, y = Placement(own.transform, own.shape).points(corners[:, 0], corners[:, 1])
    at = np.stack(Placement(other.transform, other.shape).pixels(x, y), axis=-1)
    first = np.round(at[0])
    if np.abs(at - first - corners).max() > ON_LATTICE:
        return None
    column, row = first.astype(int)
    return int(row), int(column)


def _outline_on(pixels: RasterPixels, base: RasterPixels, refused: str) -> Window:
    """Return the base's window that a tile of another lattice touches.

    Raises
    ------
    InputError : its outline cannot be transformed there: its coordinate system does not reach so far. `refused` begins the message.
    """
    along = np.linspace(0, 1, 65)
    rows, columns = pixels.raster.shape
    outline = (
        np.concatenate([along, along, 0 * along, 0 * along + 1]) * columns,
        (np.concatenate([0 * along, 0 * along + 1, along, along]) * rows),
    )
    at_columns, at_rows = base.placement.pixels(*pixels.placement.points(*outline))
    if not (np.isfinite(at_columns).all() and np.isfinite(at_rows).all()):
        raise InputError(f"{refused}. Check the coordinate systems of both")
    return Window(
        int(np.floor(at_rows.min())),
        int(np.ceil(at_rows.max())),
        int(np.floor(at_columns.min())),
        int(np.ceil(at_columns.max())),
    )
