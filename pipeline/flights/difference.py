"""Snow-on minus snow-off surface as a source of fine pixels: read by windows, resampled as it goes."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace

import numpy as np

from pipeline.flights.kernels import between
from pipeline.flights.placing import Placement
from pipeline.flights.rasters import FineRaster, RasterPixels, Read, Window


@dataclass(frozen=True)
class Difference:
    """The difference of two surfaces on the pixels of the finer one.

    Parameters
    ----------
    upper, lower : the surfaces; the upper one as registered, its placement moved. The value is upper - lower - `lift_m`.
    lift_m : metres by which the upper surface lies too high.
    """

    upper: RasterPixels
    lower: RasterPixels
    lift_m: float = 0.0

    @property
    def _fine(self) -> RasterPixels:
        """The surface whose pixels the difference has: the finer, the lower where they are alike."""
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
    def missing(self) -> float:
        """The value that means no data."""
        return float("nan")

    @contextmanager
    def reading(self) -> Iterator[Read]:
        """Open both files and yield the function that reads a window of the difference, metres."""
        fine = self._fine
        other = self.lower if fine is self.upper else self.upper
        sign = 1.0 if fine is self.upper else -1.0
        with fine.reading() as read_fine, other.reading() as read_other:

            def read(window: Window) -> np.ndarray:
                near = read_fine(window).astype(np.float64)
                near[near == fine.missing] = np.nan
                x, y = centres(fine.placement, window)
                return sign * (near - sample(other.raster, read_other, other.placement.pixels(x, y))) - self.lift_m

            yield read


def moved(pixels: RasterPixels, east_m: float, north_m: float) -> RasterPixels:
    """Return a surface moved by metres east and north of the grid's coordinate system."""
    east, north = pixels.placement.shift
    return replace(pixels, placement=replace(pixels.placement, shift=(east + east_m, north + north_m)))


def centres(placement: Placement, window: Window) -> tuple[np.ndarray, np.ndarray]:
    """Return easting and northing of the pixel centres of a window, each (rows, columns), metres."""
    columns, rows = np.meshgrid(np.arange(window.left, window.right) + 0.5, np.arange(window.top, window.bottom) + 0.5)
    return placement.points(columns, rows)


def sample(raster: FineRaster, read: Read, at: tuple[np.ndarray, np.ndarray]) -> np.ndarray:
    """Return a raster's values between its pixel centres (cubic, see `between`), missing (NaN) beyond its edge.

    Parameters
    ----------
    read : reads its windows.
    at : columns and rows with fractions, each of one shape (rows, columns).
    """
    columns, rows = at
    out = np.full(columns.shape, np.nan)
    part = window_about(raster, at, reach=2)
    if part is None:
        return out
    values = read(part)
    # What lies outside the part lies outside the raster: the part reaches two pixels beyond every place, edges apart.
    between(values, values.dtype.type(raster.missing), columns - part.left, rows - part.top, out)
    return out


def window_about(raster: FineRaster, at: tuple[np.ndarray, np.ndarray], reach: int) -> Window | None:
    """Return the part of a raster that holds all places and `reach` pixels more; None where it holds none of them."""
    columns, rows = at
    height, width = raster.shape
    part = Window(
        int(np.clip(np.floor(rows.min()) - reach, 0, height)),
        int(np.clip(np.ceil(rows.max()) + reach, 0, height)),
        int(np.clip(np.floor(columns.min()) - reach, 0, width)),
        int(np.clip(np.ceil(columns.max()) + reach, 0, width)),
    )
    return part if part.bottom > part.top and part.right > part.left else None
