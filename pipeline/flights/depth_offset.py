"""How far a raster of depths lies off over stable ground, where the true depth is nought, and the depths without it."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from snowtally.flights.areas import WHOLLY, ChangedPixels, find_area
from snowtally.flights.difference import PixelValues, centres
from snowtally.flights.noise import PixelNoise, mean_over_ground_se_m, residual_noise
from snowtally.flights.rasters import RasterPixels, Read, Window
from snowtally.flights.register import LEAST_PIXELS, nmad, stable_pixels
from snowtally.model.grid import BasinGrid
from snowtally.model.problems import RefusedFlightError

CUT_OFF = 0.5
"""Where this share of the stable pixels is exactly nought and none is below, negative depths were cut off in delivery: the middle
of what was measured is then no longer in the file, and its scatter neither. With fewer noughts the median is the true one."""


@dataclass(frozen=True)
class DepthOffset:
    """What a depth raster shows over stable ground, metres.

    Parameters
    ----------
    up_m : median depth there: by so much the raster lies too high.
    nmad_m : robust spread about it.
    pixels : stable pixels used.
    noise : what they say of a pixel's error.
    lift_se_m : standard error of the median: how little such ground tells of ground elsewhere.
    """

    up_m: float
    nmad_m: float
    pixels: int
    noise: PixelNoise
    lift_se_m: float


def depth_offset(depth: RasterPixels, stable_ground: tuple[Path, ...], grid: BasinGrid) -> DepthOffset | None:
    """Return the offset of a flight's depths over stable ground.

    The result is None where negative depths were cut off.

    The ground is taken as bare on the day of the flight, as it is for surfaces. Snow on less than half of it does not
    move the median. Snow on most of it would be taken for an error.

    Raises
    ------
    InputError : the stable ground cannot be read.
    RefusedFlightError : there is too little stable ground with data.
    """
    parts: list[PixelValues] = []
    windows = stable_pixels(depth, find_area("stable ground", stable_ground, grid, WHOLLY), grid)
    with depth.reading() as read:
        for pixels in windows:
            values = read(pixels.window)[pixels.rows, pixels.columns].astype(np.float64)
            x, y = (axis[pixels.rows, pixels.columns] for axis in centres(depth.placement, pixels.window))
            there = np.isfinite(values)
            parts.append(PixelValues(x[there], y[there], values[there]))
    stable = PixelValues.joined(parts)
    values = stable.value
    if len(values) < LEAST_PIXELS:
        raise RefusedFlightError(
            f"stable ground {stable_ground[0]} has {len(values)} pixels with data in the depth raster, {LEAST_PIXELS} are needed. "
            "Add bare, steady ground, or leave stable_ground out to use the depths as they are"
        )
    if (values >= 0).all() and (values == 0).mean() >= CUT_OFF:
        return None
    up = float(np.median(values))
    noise = residual_noise(stable.x, stable.y, values - up, depth.placement.pixel_m())
    return DepthOffset(up, nmad(values), len(values), noise, mean_over_ground_se_m(stable.x, stable.y, noise))


@dataclass(frozen=True)
class Lowered(ChangedPixels):
    """Fine pixels less a constant.

    Parameters
    ----------
    by_m : metres by which they lie too high.
    """

    by_m: float

    @contextmanager
    def reading(self) -> Iterator[Read]:
        """Open the raster and yield the function that reads a window."""
        with self.source.reading() as read:

            def lowered(window: Window) -> np.ndarray:
                values = read(window)
                values -= self.by_m
                return values

            yield lowered
