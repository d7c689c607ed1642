"""Rasters of any format, coordinate system and resolution, brought onto the basin grid in bounded memory."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import rasterio
import rioxarray  # noqa: F401  gives arrays their `rio`
import xarray as xr
from pyproj import CRS, Transformer
from rasterio.enums import Resampling
from rasterio.warp import calculate_default_transform
from rasterio.windows import Window

from snowtally.inputs.raster_band import NUMBERS, Values, band_of, opened
from snowtally.inputs.raster_frame import GDAL_TROUBLES, check_frame
from snowtally.inputs.undeclared_voids import Steps
from snowtally.model.grid import BasinGrid
from snowtally.model.problems import InputError

TILE_PIXELS = 16_000_000
"""A raster is read for so many of its pixels at a time: 128 MB in double precision."""

TILE_CELLS = 1024
"""Most cells of the grid to a side of what is made at a time."""

CLEAR_CELLS = 2
"""Cells around a tile for which the raster is read too: what is averaged or interpolated reaches no further."""


@dataclass(frozen=True)
class OnGrid:
    """A raster's first band on the basin grid.

    Parameters
    ----------
    values : (y, x), float64, missing where it has no data.
    unit : the unit that the file declares, where it was converted; else empty.
    """

    values: np.ndarray
    unit: str


def mean_on_grid(
    paths: Sequence[Path], grid: BasinGrid, values: Values = NUMBERS, steps: Steps | None = None
) -> OnGrid:
    """Return the first band of a raster, or of its tiles, on the grid.

    Finer rasters are averaged, coarser ones interpolated bilinearly. Scale, offset, unit and all that is no data are honoured
    (`snowtally.inputs.raster_band`). Where tiles overlap the first that has data counts; a cell on the seam of two holds the parts of
    both. Not for flights: their exact area weights live in pipeline/flights.

    Parameters
    ----------
    steps : is shown every window that is read.

    Raises
    ------
    InputError : a file is no raster, has no coordinate system, or none covers a cell; the message names file and remedy.
    """
    if len(paths) == 1:
        whole = _one_on_grid(paths[0], grid, values, steps)
        out, units = whole.values, {whole.unit}
    else:
        total, share, units = np.zeros(grid.shape), np.zeros(grid.shape), set()
        for path in paths:
            tile = _one_on_grid(path, grid, values, steps, apron=True)
            part = np.minimum(tile.share, 1.0 - share)
            total += np.where(part > 0, part * np.nan_to_num(tile.values), 0.0)
            share += part
            units |= {tile.unit} if part.any() else set()
        # What rounding of the resampling leaves at an edge is no data.
        out = np.divide(total, share, out=np.full(grid.shape, np.nan), where=share > LEAST_SHARE)
    if not np.isfinite(out).any():
        what = f"{paths[0]} has no" if len(paths) == 1 else f"none of {len(paths)} tiles ({paths[0]}, ...) has"
        message = f"{what} data on the basin grid. Check its coordinate system and extent"
        raise InputError(message)
    return OnGrid(out, ", ".join(sorted(units - {""})))


LEAST_SHARE = 1e-6
"""A smaller part of a cell than this is rounding."""


@dataclass(frozen=True)
class _Part:
    """One raster on the grid: values (y, x), the share of each cell that has data, and the unit that was converted."""

    values: np.ndarray
    share: np.ndarray
    unit: str


def _one_on_grid(path: Path, grid: BasinGrid, values: Values, steps: Steps | None, *, apron: bool = False) -> _Part:
    """Return one raster's first band on the grid.

    Parameters
    ----------
    apron : whether the share of each cell that has data is wanted; else it is 1.
    """
    out = np.full(grid.shape, np.nan)
    share = np.zeros(grid.shape) if apron else np.ones(grid.shape)
    try:
        with opened(path) as source:
            if source.crs is None:
                message = f"{path} has no coordinate system. Write its EPSG code into the file (for example with gdal_edit -a_srs)"
                raise InputError(message)
            check_frame(path, source)
            band = band_of(path, source, values)
            width = _width_on_grid(source, grid)
            resampling = Resampling.average if width <= grid.cell_m else Resampling.bilinear
            for rows, columns in _tiles(grid, width):
                part = _window_of(source, grid, rows, columns)
                if part is None:
                    continue
                stored = xr.DataArray(band.read_stored(source, part).astype(np.float64, copy=False), dims=("y", "x"))
                if steps is not None:
                    steps.see(stored.to_numpy(), band.scale, width)
                stored = stored.rio.write_crs(source.crs).rio.write_transform(source.window_transform(part))
                onto = {
                    "shape": (rows.stop - rows.start, columns.stop - columns.start),
                    "transform": grid.transform @ grid.transform.translation(columns.start, rows.start),
                    "resampling": resampling,
                }
                if apron:
                    out[rows, columns], share[rows, columns] = _with_share(stored, grid, width, onto)
                else:
                    out[rows, columns] = stored.rio.write_nodata(np.nan).rio.reproject(grid.crs.to_wkt(), **onto)
    except GDAL_TROUBLES as trouble:
        message = f"{path} cannot be read as a raster: {trouble}"
        raise InputError(message) from None
    return _Part(out * band.scale + band.offset, share, band.unit)


def _with_share(stored: xr.DataArray, grid: BasinGrid, pixel_m: float, onto: dict[str, Any]) -> np.ndarray:
    """Return the values of a tile's window on cells, and the share of each cell that has data, (2, y, x).

    An apron of no data lies around the window, so that a cell at its edge has the share that it holds.
    """
    known = np.isfinite(stored.to_numpy())
    pixels = CLEAR_CELLS * max(1, int(np.ceil(grid.cell_m / pixel_m)))
    both = np.pad(np.stack([np.where(known, stored, 0.0), known]), ((0, 0), (pixels, pixels), (pixels, pixels)))
    here = stored.rio.transform()
    apron = xr.DataArray(both, dims=("band", "y", "x")).rio.write_crs(stored.rio.crs)
    apron = apron.rio.write_transform(here @ here.translation(-pixels, -pixels))
    total, share = np.nan_to_num(apron.rio.reproject(grid.crs.to_wkt(), nodata=np.nan, **onto).to_numpy())
    return np.stack([np.divide(total, share, out=np.full(share.shape, np.nan), where=share > LEAST_SHARE), share])


def _tiles(grid: BasinGrid, pixel_m: float) -> Iterator[tuple[slice, slice]]:
    """Yield rows and columns of the tiles of the grid.

    No more than `TILE_PIXELS` pixels fall into one.
    """
    side = int(np.clip(np.sqrt(TILE_PIXELS) * pixel_m / grid.cell_m - 2 * CLEAR_CELLS, 1, TILE_CELLS))
    for top in range(0, grid.height, side):
        for left in range(0, grid.width, side):
            yield slice(top, min(top + side, grid.height)), slice(left, min(left + side, grid.width))


def _window_of(source: rasterio.DatasetReader, grid: BasinGrid, rows: slice, columns: slice) -> Window | None:
    """Return the window of a raster around a tile of the grid.

    `CLEAR_CELLS` around it are in it too; None where the raster holds none of the tile.
    """
    along = np.linspace(0, 1, 33)
    left, right = columns.start - CLEAR_CELLS, columns.stop + CLEAR_CELLS
    top, bottom = rows.start - CLEAR_CELLS, rows.stop + CLEAR_CELLS
    across, down = left + (right - left) * along, top + (bottom - top) * along
    at_columns = np.concatenate([across, across, 0 * along + left, 0 * along + right])
    at_rows = np.concatenate([0 * along + top, 0 * along + bottom, down, down])
    x, y = grid.left + grid.cell_m * at_columns, grid.top - grid.cell_m * at_rows
    to_source = Transformer.from_crs(grid.crs, CRS.from_wkt(source.crs.to_wkt()), always_xy=True)
    east, north = (np.asarray(values) for values in to_source.transform(x, y))
    if source.crs.is_geographic:
        # Longitudes of 0 to 360 are those of -180 to 180.
        middle = (source.bounds.left + source.bounds.right) / 2
        east = east + 360.0 * np.round((middle - east.mean()) / 360.0)
    at = ~source.transform * (east, north)
    if not np.isfinite(at).all():
        return Window(0, 0, source.width, source.height)
    # Two pixels more: what is interpolated looks at a neighbour, and an outline bends a little between its points.
    first = [int(np.clip(np.floor(part.min()) - 2, 0, most)) for part, most in zip(at, source.shape[::-1], strict=True)]
    last = [int(np.clip(np.ceil(part.max()) + 2, 0, most)) for part, most in zip(at, source.shape[::-1], strict=True)]
    if last[0] <= first[0] or last[1] <= first[1]:
        return None
    return Window(first[0], first[1], last[0] - first[0], last[1] - first[1])


def fraction_on_grid(paths: Sequence[Path], grid: BasinGrid) -> np.ndarray:
    """Return fractions from 0 to 1 on the grid, as `mean_on_grid`.

    Raises
    ------
    InputError : also where values lie outside 0 to 1: per cents, or another quantity.
    """
    values = mean_on_grid(paths, grid).values
    low, high = float(np.nanmin(values)), float(np.nanmax(values))
    if low < -ROUNDING or high > 1 + ROUNDING:
        raise InputError(
            f"{paths[0]} holds values from {low:.3g} to {high:.3g}, where fractions from 0 to 1 are wanted. "
            "Check the file, or write a scale of 0.01 into it where it holds per cents"
        )
    return np.clip(values, 0.0, 1.0)


ROUNDING = 0.01
"""A fraction may lie this far outside 0 to 1: half a step of a byte of per cents, and resampling."""


def _width_on_grid(source: rasterio.DatasetReader, grid: BasinGrid) -> float:
    """Return the width of a raster's pixels on the grid, m."""
    transform, _, _ = calculate_default_transform(
        source.crs, grid.crs.to_wkt(), source.width, source.height, *source.bounds
    )
    return abs(transform.a)
