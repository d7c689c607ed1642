"""What is seen of Larkmoor from above: laser flights with noise, voids and a misregistration; snow cover and albedo grids."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

import numpy as np
import rasterio
from scipy import ndimage
from scipy.sparse import csr_array
from world_terrain import CRS, PIXEL_M, Lattice, random_field

SHIFT_EAST_M, SHIFT_NORTH_M, SHIFT_UP_M = 4.0, -3.0, 0.15
"""How far the snow-on surface of LF-2 lies from where it should."""


@dataclass(frozen=True)
class DepthFlight:
    """A flight that delivers depth: its id, date, common bias (m), noise by pixel (m), share of small voids, one large void.

    `large_void` is the centre (share of rows, share of columns of the box) and the radius in metres, or None.
    """

    flight_id: str
    date: str
    bias: float
    noise: float
    voids: float
    large_void: tuple[float, float, float] | None


DEPTH_FLIGHTS = (
    DepthFlight("LF-1", "2031-02-06", 0.02, 0.085, 0.030, None),
    DepthFlight("LF-3", "2031-05-08", -0.025, 0.095, 0.025, (0.33, 0.64, 1500.0)),
)
SURFACE_FLIGHT = ("LF-2", "2031-03-27")


def overlaps(first: float, pixel: float, count: int, edges: np.ndarray) -> csr_array:
    """Return the share of each coarse interval that each fine interval fills, (coarse, fine).

    Parameters
    ----------
    first, pixel, count : where the fine intervals start, their width (m) and number.
    edges : ascending edges of the coarse intervals, m.
    """
    starts = first + pixel * np.arange(count)
    rows, columns, shares = [], [], []
    for number, (low, high) in enumerate(pairwise(edges)):
        shared = np.clip(np.minimum(starts + pixel, high) - np.maximum(starts, low), 0, None)
        hit = np.flatnonzero(shared)
        rows += [number] * hit.size
        columns += hit.tolist()
        shares += (shared[hit] / shared[hit].sum()).tolist()
    return csr_array((shares, (rows, columns)), shape=(len(edges) - 1, count))


def average(values: np.ndarray, fine: Lattice, coarse: Lattice) -> np.ndarray:
    """Return the exact area means of a fine grid on a coarse grid that it covers."""
    west, east = coarse.west, coarse.west + coarse.pixel * coarse.columns
    south, north = coarse.north - coarse.pixel * coarse.rows, coarse.north
    across = overlaps(fine.west, fine.pixel, fine.columns, np.linspace(west, east, coarse.columns + 1))
    # Counted downwards from the north edge, so that rows stay in order.
    down = overlaps(0.0, fine.pixel, fine.rows, np.linspace(fine.north - north, fine.north - south, coarse.rows + 1))
    return (across @ (down @ values.astype(np.float64)).T).T


def coarse_within(fine: Lattice, pixel: float, shift: float = 0.0) -> Lattice:
    """Return the largest grid of coarse pixels, edges at multiples of the pixel plus a shift (m), inside a fine one."""
    west = np.ceil((fine.west - shift) / pixel) * pixel + shift
    north = np.floor((fine.north - shift) / pixel) * pixel + shift
    columns = int((fine.west + fine.pixel * fine.columns - west) // pixel)
    rows = int((north - (fine.north - fine.pixel * fine.rows)) // pixel)
    return Lattice(float(west), float(north), pixel, rows, columns)


def write_raster(path: Path, values: np.ndarray, lattice: Lattice, kind: str, scale: float, unit: str) -> None:
    """Write a GeoTIFF of scaled integers; not-a-number becomes nodata.

    Parameters
    ----------
    path : the file.
    values : (row, column), in `unit`.
    lattice : where they lie.
    kind : the integer type stored.
    scale : unit per stored step.
    unit : named in the band.
    """
    limits = np.iinfo(kind)
    nodata = limits.min if limits.min < 0 else limits.max
    stored = np.round(values / scale)
    seen = np.isfinite(stored)
    inner = (limits.min + 1, limits.max) if limits.min < 0 else (0, limits.max - 1)
    stored = np.where(seen, np.clip(np.where(seen, stored, 0), *inner), nodata).astype(kind)
    profile = {
        "driver": "GTiff",
        "height": lattice.rows,
        "width": lattice.columns,
        "count": 1,
        "dtype": kind,
        "crs": CRS,
        "transform": lattice.transform,
        "nodata": nodata,
        "tiled": True,
        "blockxsize": 256,
        "blockysize": 256,
        "compress": "deflate",
        "zlevel": 9,
        "predictor": 2,
    }
    with rasterio.open(path, "w", **profile) as target:
        target.write(stored, 1)
        target.scales, target.offsets = (scale,), (0.0,)
        target.units = (unit,)


def laser_noise(rng: np.random.Generator, canopy: np.ndarray, noise: float) -> np.ndarray:
    """Return the error of laser depths, m: partly shared by neighbouring pixels, larger under trees, with rare outliers."""
    shape = canopy.shape
    error = 0.8 * noise * rng.standard_normal(shape) + 0.6 * noise * random_field(rng, shape, PIXEL_M, 60.0)
    error *= 1.0 + 0.7 * canopy
    error += (
        0.025
        * random_field(rng, (shape[0] // 20 + 2, shape[1] // 20 + 2), 400.0, 3000.0)
        .repeat(20, 0)
        .repeat(20, 1)[: shape[0], : shape[1]]
    )
    far = rng.random(shape) < 1.5e-4
    error[far] += rng.choice([-1, 1], far.sum()) * rng.uniform(2.5, 14.0, far.sum())
    return error


def void_mask(
    rng: np.random.Generator, canopy: np.ndarray, share: float, large: tuple[float, float, float] | None
) -> np.ndarray:
    """Return where a flight saw nothing: cloud shadows, gaps between strips, dense wood, and one large void if given."""
    shape = canopy.shape
    field = random_field(rng, shape, PIXEL_M, 350.0)
    void = field > np.quantile(field, 1 - 0.6 * share)
    rows, columns = np.indices(shape)
    strip = np.abs((columns + 0.22 * rows + 14 * np.sin(rows / 140)) % 190 - 95)
    field = random_field(rng, shape, PIXEL_M, 200.0)
    void |= (strip < 4) & (field > 0.9)
    void |= (canopy > 0.6) & (rng.random(shape) < 0.04)
    if large is not None:
        row, column, radius = large
        far = np.hypot((rows - row * shape[0]) / 0.7, columns - column * shape[1]) * PIXEL_M
        void |= far < radius * (1 + 0.25 * random_field(rng, shape, PIXEL_M, 500.0))
    return void


def depth_flight(
    flight: DepthFlight, depth: np.ndarray, canopy: np.ndarray, seed: np.random.SeedSequence
) -> np.ndarray:
    """Return a flight's depth raster (m) from the true one, not-a-number in voids; small negative depths are kept."""
    rng = np.random.default_rng(seed)
    seen = depth + flight.bias + laser_noise(rng, canopy, flight.noise)
    seen[void_mask(rng, canopy, flight.voids, flight.large_void)] = np.nan
    return seen


def surface_flight(
    elevation: np.ndarray, depth: np.ndarray, canopy: np.ndarray, seed: np.random.SeedSequence
) -> tuple[np.ndarray, np.ndarray]:
    """Return snow-on and snow-off surfaces (m): the first shifted and lifted as a whole, both with noise, voids as NaN."""
    streams = [np.random.default_rng(child) for child in seed.spawn(3)]
    shift = (-SHIFT_NORTH_M / PIXEL_M, SHIFT_EAST_M / PIXEL_M)  # rows run southwards
    moved = ndimage.shift((elevation + depth).astype(np.float64), shift, order=1, mode="nearest")
    snow_on = moved + SHIFT_UP_M + laser_noise(streams[0], canopy, 0.075)
    snow_on[void_mask(streams[1], canopy, 0.02, None)] = np.nan
    snow_off = elevation + 0.04 * streams[2].standard_normal(elevation.shape)
    return snow_on, snow_off


def cover_grid(true: np.ndarray, noise: float, clouds: float, seed: np.random.SeedSequence, pixel: float) -> np.ndarray:
    """Return a cover grid (0..1) as seen from orbit: noise everywhere, not-a-number under clouds.

    Parameters
    ----------
    true : the truth on the grid's own pixels.
    noise : standard deviation, 1.
    clouds : share hidden.
    seed : of the errors.
    pixel : m.
    """
    rng = np.random.default_rng(seed)
    seen = np.clip(true + noise * rng.standard_normal(true.shape), 0, 1)
    sky = random_field(rng, true.shape, pixel, 2200.0)
    seen[sky > np.quantile(sky, 1 - clouds)] = np.nan
    return seen
