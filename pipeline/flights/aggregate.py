"""Fine pixels added up on the basin grid by area, streaming: mean, covered area and spread of every cell."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np

from snowtally.flights.kernels import SQUARES, TOTAL, WEIGHT
from snowtally.flights.rasters import PixelSource
from snowtally.flights.strips import AlignedWork, Strip, StripSums, WarpedWork
from snowtally.model.cores import own_cores
from snowtally.model.grid import BasinGrid

LEAST_COVER = 1e-6
"""A cell of which less than this part is covered has no mean: what lies there is rounding."""

EVERYTHING = (-np.inf, np.inf)
"""No limits: every value is used."""


@dataclass(frozen=True)
class CellMeans:
    """What the fine pixels say of each cell.

    Parameters
    ----------
    mean : (y, x), metres, over the covered area; missing where nothing is covered.
    valid_fraction : (y, x), part of the cell's area covered by pixels that were used, 0 to 1.
    spread : (y, x), metres, standard deviation of the pixels within the cell; a spread in space, not an error.
    pixels : number of pixels on the grid with data.
    masked : number of these beyond the limits, not used.
    """

    mean: np.ndarray
    valid_fraction: np.ndarray
    spread: np.ndarray
    pixels: int
    masked: int


def aggregate(
    source: PixelSource, grid: BasinGrid, limits: tuple[float, float] = EVERYTHING, threads: int | None = None
) -> CellMeans:
    """Average fine pixels over the cells of the grid by area.

    Pixels along the grid's axes are split between cells exactly. Pixels of another coordinate system, or of a rotated
    raster, are placed by their transformed centres, each as a rectangle of its own area along the grid's axes: sums are
    conserved, and a cell's mean is off by a few ten-thousandths of a metre at most (tests/flights/test_aggregate.py).

    The raster is read once, by blocks, in strips of rows that threads take one at a time. What a strip adds does not
    depend on who works on it, and strips are added in their order: the same bytes whatever the number of threads.

    Parameters
    ----------
    source : the pixels, metres.
    grid : the basin grid.
    limits : least and most value to be used, metres; pixels beyond are left out and counted.
    threads : number of threads; default as many as there are processors.

    Raises
    ------
    InputError : the file is cut short or damaged.
    """
    order = (AlignedWork if source.placement.aligned else WarpedWork)(source, grid)
    sums = np.zeros((3, *grid.shape))
    seen = used = 0

    def work(strip: Strip) -> StripSums:
        return order.add_strip(strip, limits)

    with ThreadPoolExecutor(threads or own_cores()) as pool:
        for part in pool.map(work, order.strips()):
            sums[:, part.first_row : part.first_row + part.sums.shape[1]] += part.sums
            seen += part.seen
            used += part.used
    # Of a pixel across the grid's edge only some parts count: a number of whole pixels is told, none of them left out.
    return _means(sums, -(-seen // order.parts), -(-(seen - used) // order.parts))


def _means(sums: np.ndarray, pixels: int, masked: int) -> CellMeans:
    covered = sums[WEIGHT] >= LEAST_COVER
    weight = np.where(covered, sums[WEIGHT], 1.0)
    mean = np.where(covered, sums[TOTAL] / weight, np.nan)
    variance = sums[SQUARES] / weight - mean**2
    # A cell of one value has no spread; rounding must not leave a little, or the root of something below zero.
    variance[variance < 1e-12 * sums[SQUARES] / weight] = 0.0
    spread = np.sqrt(variance)
    return CellMeans(mean, np.where(covered, np.minimum(sums[WEIGHT], 1.0), 0.0), spread, pixels, masked)
