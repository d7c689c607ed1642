"""Whether a flight's rasters can be what they are said to be: metres or feet, this place or another, snow above ground."""

from __future__ import annotations

from itertools import product

import numpy as np
from scipy.ndimage import map_coordinates

from snowtally.flights.difference import PixelValues, centres
from snowtally.flights.limits import FlightLimits
from snowtally.flights.placing import Placement
from snowtally.flights.rasters import PixelSource, RasterPixels, Window
from snowtally.flights.register import nmad
from snowtally.flights.strips import part_on_grid
from snowtally.model.grid import BasinGrid
from snowtally.model.problems import RefusedFlightError

FEET_PER_METRE = 1 / 0.3048
"""Feet taken for metres are so many times too large; metres taken for feet as many times too small."""

FEET_LEEWAY = 1.05
"""Heights above the sea follow the terrain's so closely that their ratio is one of these to a few per cent."""

WINDOWS, WINDOW_PIXELS = 8, 32
"""Windows along each axis in which pixels are taken, and pixels along each side of one (chosen: some 65,000 in all)."""

LEAST_PIXELS = 200
"""Pixels with data from which a median is taken (chosen: it is then good to a tenth of the scatter)."""

LEAST_HEIGHT_M = 100.0
"""Ratios of heights are taken above so many metres: nearer to the sea an offset of height systems would pass for a factor."""

LEAST_MEAN_DEPTH_M = -0.3
"""A flight whose mean depth is lower lies under the ground, m: noise and bias of a bare basin stay within some decimetres."""


def spread_pixels(source: PixelSource, grid: BasinGrid) -> PixelValues:
    """Return pixels with data, spread over the grid.

    They are spread evenly over the part of the source that lies on the grid.
    """
    parts: list[PixelValues] = []
    with source.reading() as read:
        for window in _windows(source.placement, grid):
            values = read(window)
            there = np.isfinite(values)
            x, y = centres(source.placement, window)
            parts.append(PixelValues(x[there], y[there], values[there].astype(np.float64)))
    return PixelValues.joined(parts)


def _windows(placement: Placement, grid: BasinGrid) -> list[Window]:
    part = part_on_grid(placement, grid)
    height, width = part.shape
    if height <= 0 or width <= 0:
        return []
    tall, wide = min(WINDOW_PIXELS, height), min(WINDOW_PIXELS, width)
    tops = np.unique(np.linspace(part.top, part.bottom - tall, WINDOWS).astype(int))
    lefts = np.unique(np.linspace(part.left, part.right - wide, WINDOWS).astype(int))
    return [Window(top, top + tall, left, left + wide) for top, left in product(tops.tolist(), lefts.tolist())]


def check_surface(
    about: str, surface: RasterPixels, elevation_m: np.ndarray, grid: BasinGrid, limits: FlightLimits
) -> None:
    """Compare a surface with the basin's terrain, wherever both have heights.

    Parameters
    ----------
    about : flight and surface, for messages, such as "flight F1: snow_on".
    elevation_m : the terrain on the grid, (y, x), missing where it has none.

    Raises
    ------
    RefusedFlightError : its heights are in feet, or were taken for feet and are metres, or belong to another place.
    """
    pixels = spread_pixels(surface, grid)
    height = pixels.value
    rows, columns = (grid.top - pixels.y) / grid.cell_m - 0.5, (pixels.x - grid.left) / grid.cell_m - 0.5
    terrain = map_coordinates(elevation_m, [rows, columns], order=1, mode="constant", cval=np.nan)
    there = np.isfinite(terrain)
    height, terrain = height[there], terrain[there]
    high = terrain > LEAST_HEIGHT_M
    if high.sum() >= LEAST_PIXELS:
        ratio = float(np.median(height[high] / terrain[high]))
        for factor, words in (
            (
                FEET_PER_METRE,
                "they are feet and were taken for metres. Declare it: a unit in the file, or {key}: {{unit: foot}}",
            ),
            (1 / FEET_PER_METRE, "they are metres and were taken for feet. Correct the unit in the file, or {key}"),
        ):
            if factor / FEET_LEEWAY < ratio < factor * FEET_LEEWAY:
                key = f"columns.flights.{about.rsplit(maxsplit=1)[-1]} in the settings"
                raise RefusedFlightError(
                    f"{about} has heights {ratio:.2f} times the terrain's: {words.format(key=key)}"
                )
    if there.sum() >= LEAST_PIXELS:
        apart, offset = nmad(height - terrain), float(np.median(height - terrain))
        if apart > limits.most_terrain_nmad_m:
            raise RefusedFlightError(
                f"{about} lies {offset:.0f} m above the terrain with a scatter (NMAD) of {apart:.0f} m, more than "
                f"{limits.most_terrain_nmad_m:g} m (flights.most_terrain_nmad_m): it shows another place. Check its coordinate system"
            )


def check_depths(
    about: str, depth_m: np.ndarray, masked: tuple[int, int], source: PixelSource, grid: BasinGrid
) -> None:
    """Refuse depths that lie under the ground, or almost all beyond the limits.

    Parameters
    ----------
    about : flight, for messages.
    depth_m : mean depth of the cells, (y, x).
    masked : number of pixels with data beyond the limits, and of all pixels with data.
    source : the fine depths, looked into where the limits took most of them.

    Raises
    ------
    RefusedFlightError : telling the median depth.
    """
    beyond, seen = masked
    remedy = "Check that snow_on and snow_off are not exchanged and lie in one height system; stable_ground takes a constant out"
    if seen and beyond > 0.5 * seen:
        median = float(np.median(spread_pixels(source, grid).value))
        raise RefusedFlightError(
            f"{about}: {beyond / seen:.0%} of its pixels are beyond the limits of depth, the median pixel is {median:.2f} m. {remedy}"
        )
    mean = float(np.nanmean(depth_m)) if np.isfinite(depth_m).any() else 0.0
    if mean < LEAST_MEAN_DEPTH_M:
        raise RefusedFlightError(f"{about}: its mean depth is {mean:.2f} m, snow under the ground. {remedy}")
