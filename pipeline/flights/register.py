"""Registration of a snow-on surface on the snow-off one over ground that is bare and steady in both.

Two surfaces of one ground, one displaced by (e, n) and lifted by u, differ by dh = u - e gx - n gy, with gx and gy the
ground's gradient: on steep ground a shift shows as height, with opposite signs on opposite slopes. With slope and aspect
in place of the gradient this is dh = a cos(b - aspect) tan(slope) + c (Nuth and Kaab 2011, The Cryosphere 5, 271-290),
here fitted in its linear form by least squares with outliers trimmed, and repeated on the moved surface until it stands.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise, product
from pathlib import Path

import numpy as np
from scipy import ndimage

from snowtally.flights.areas import WHOLLY, Area, find_area
from snowtally.flights.difference import Tilt, centres, moved, window_about
from snowtally.flights.noise import PixelNoise, mean_over_ground_se_m, residual_noise
from snowtally.flights.rasters import STRIP_ROWS, RasterPixels, Read, Window
from snowtally.flights.strips import WINDOW_COLUMNS, part_on_grid, piece_edges
from snowtally.model.grid import BasinGrid
from snowtally.model.problems import RefusedFlightError

MOST_PIXELS = 2_000_000
"""Pixels used at most: more add nothing to three unknowns."""

SOME_PIXELS = 100_000
"""Rounds are made with so many of them; the last one with all."""

LEAST_WINDOWS = 24
"""Stable ground is taken from at least so many windows spread over the flight, where there are so many."""

LEAST_PIXELS = 300
"""With fewer stable pixels the shift cannot be told from noise (chosen: a shift of 1 m at 0.1 m noise on slopes of 20 degrees
then has an error of some 2 cm)."""

MOST_ITERATIONS = 12
"""Rounds at most; three to six are usual."""

SETTLED_M = 0.01
"""A round that moves the surface by less than this is the last, m."""

TRIM_NMAD = 4.0
"""Differences further than this many NMAD from the fit are outliers: snow on ground thought bare, trees, cars."""

PIXELS_ALIKE = 100.0
"""Neighbouring pixels err alike: a shift is as sure as if one in so many counted (chosen)."""

UNSURE_SHIFT = (0.25, 1.0)
"""On ground so even that the shift's error exceeds this part of a pixel, or so many metres, no shift is fitted but the lift
alone; unless the shift stands out by `STANDING_OUT` times its error."""

STANDING_OUT = 3.0
"""A shift so many times its own error is none of noise."""


@dataclass(frozen=True)
class Registration:
    """How a snow-on surface lay on the snow-off one, over stable ground, metres.

    Parameters
    ----------
    east_m, north_m, up_m : by how much it lay too far east, too far north and too high; it is moved back by these.
    tilt : the plane by which it is tilted besides, where one was asked for.
    shift_se_m : standard error of the shift in the direction that the slopes tell least of; infinite on even ground.
    shift_fitted : whether a shift was fitted; on ground too even for one the lift alone is.
    median_before_m : median of the differences before.
    nmad_before_m, nmad_after_m : robust spread of the differences before and after.
    pixels : stable pixels used.
    slope_low_deg, slope_deg, slope_high_deg : 5, 50 and 95 % of these lie on gentler slopes, degrees.
    iterations : rounds taken.
    noise : what the differences left say of a pixel's error.
    lift_se_m : standard error of the lift: how little such ground tells of ground elsewhere.
    """

    east_m: float
    north_m: float
    up_m: float
    tilt: Tilt | None
    shift_se_m: float
    shift_fitted: bool
    median_before_m: float
    nmad_before_m: float
    nmad_after_m: float
    pixels: int
    slope_low_deg: float
    slope_deg: float
    slope_high_deg: float
    iterations: int
    noise: PixelNoise
    lift_se_m: float


def nmad(values: np.ndarray) -> float:
    """Return the normalised median absolute deviation (NMAD).

    It is 1.4826 median|x - median x| (Hohle and Hohle 2009, ISPRS J. 64, 398-406).

    >>> nmad(np.array([1.0, 2, 3, 4, 100]))
    1.4826
    """
    return float(1.4826 * np.median(np.abs(values - np.median(values))))


def register(
    snow_on: RasterPixels,
    snow_off: RasterPixels,
    stable_ground: Path | tuple[Path, ...],
    grid: BasinGrid,
    *,
    fit_tilt: bool = False,
) -> Registration:
    """Return how the snow-on surface lies on the snow-off surface.

    Parameters
    ----------
    snow_on, snow_off : the surfaces, placed on the grid.
    stable_ground : file or files of bare, steady ground: rasters (not 0 where stable) or vectors (polygons).
    fit_tilt : whether a plane is fitted besides the shift and the lift.

    Raises
    ------
    InputError : the stable ground cannot be read.
    RefusedFlightError : there is too little stable ground with data in both surfaces.
    """
    files = (stable_ground,) if isinstance(stable_ground, Path) else stable_ground
    ground = _Ground.of(snow_off, stable_pixels(snow_off, find_area("stable ground", files, grid, WHOLLY), grid))
    some = ground.thinned(SOME_PIXELS)
    step = first = _Step.of(some, snow_on, files, even=False, fit_tilt=fit_tilt)
    unsure = step.shift_se_m > min(UNSURE_SHIFT[0] * max(snow_on.placement.pixel_m()), UNSURE_SHIFT[1])
    even = unsure and np.hypot(step.east, step.north) < STANDING_OUT * step.shift_se_m
    east, north, rounds = (0.0, 0.0, 1) if even else (step.east, step.north, 1)
    while not even and rounds < MOST_ITERATIONS and np.hypot(step.east, step.north) >= SETTLED_M:
        step = _Step.of(some, moved(snow_on, -east, -north), files, even=False, fit_tilt=fit_tilt)
        east, north, rounds = east + step.east, north + step.north, rounds + 1
    # The last word is all pixels'.
    step = _Step.of(ground, moved(snow_on, -east, -north), files, even=even, fit_tilt=fit_tilt)
    east, north, rounds = east + step.east, north + step.north, rounds + 1
    x, y = (values[step.there] for values in (ground.x, ground.y))
    slope = np.degrees(np.arctan(np.hypot(ground.east[step.there], ground.north[step.there])))
    left = step.left - np.median(step.left)
    noise = residual_noise(x, y, left, snow_off.placement.pixel_m())
    low, middle, high = (float(part) for part in np.percentile(slope, [5, 50, 95]))
    return Registration(
        east_m=east,
        north_m=north,
        up_m=step.up + float(np.median(step.left)),
        tilt=step.tilt if fit_tilt else None,
        shift_se_m=first.shift_se_m,
        shift_fitted=not even,
        median_before_m=float(np.median(first.height)),
        nmad_before_m=nmad(first.height),
        nmad_after_m=nmad(left),
        pixels=int(step.there.sum()),
        slope_low_deg=low,
        slope_deg=middle,
        slope_high_deg=high,
        iterations=rounds,
        noise=noise,
        lift_se_m=mean_over_ground_se_m(x, y, noise),
    )


@dataclass(frozen=True)
class _Step:
    """One round of the fit of shift, lift and tilt.

    It holds the shift, lift and tilt that explain the differences, and what they leave of them.

    Parameters
    ----------
    there : (n,) which stable pixels have data in both surfaces.
    height, left : differences before, and what shift, lift and tilt leave of them, m, of the pixels that have data.
    """

    east: float
    north: float
    up: float
    tilt: Tilt
    shift_se_m: float
    there: np.ndarray
    height: np.ndarray
    left: np.ndarray

    @classmethod
    def of(
        cls, ground: _Ground, snow_on: RasterPixels, files: tuple[Path, ...], *, even: bool, fit_tilt: bool
    ) -> _Step:
        difference = ground.difference(snow_on)
        there = np.isfinite(difference)
        if there.sum() < LEAST_PIXELS:
            raise RefusedFlightError(
                f"stable ground {files[0]} has {int(there.sum())} pixels with data in both surfaces, {LEAST_PIXELS} are needed. "
                "Add bare, steady ground on slopes of all aspects, or leave stable_ground out to use the surfaces as they are"
            )
        height, east, north = (values[there] for values in (difference, ground.east, ground.north))
        x, y = float(ground.x[there].mean()), float(ground.y[there].mean())
        terms = [np.ones_like(height)]
        terms += [] if even else [-east, -north]
        terms += [(ground.x[there] - x) / KILOMETRE, (ground.y[there] - y) / KILOMETRE] if fit_tilt else []
        columns = np.column_stack(terms)
        fitted = _fit(height, columns)
        shift = (0.0, 0.0) if even else (float(fitted[1]), float(fitted[2]))
        per_east, per_north = fitted[-2:] / KILOMETRE if fit_tilt else (0.0, 0.0)
        left = height - columns @ fitted
        # The slopes' scatter in the direction in which they vary least decides how well a shift is known.
        scatter = max(float(np.linalg.eigvalsh(np.cov(east, north))[0]), 0.0)
        with np.errstate(divide="ignore"):
            shift_se = float(
                np.float64(nmad(left[:: max(1, len(left) // SOME_PIXELS)]))
                / np.sqrt(max(len(height) * ground.each / PIXELS_ALIKE, 1.0) * scatter)
            )
        tilt = Tilt(float(per_east), float(per_north), x, y)
        return cls(*shift, float(fitted[0]), tilt, shift_se, there, height, left)


KILOMETRE = 1000.0
"""Tilt is fitted in m/km, so that its unknowns are as large as the others."""


def _fit(height: np.ndarray, columns: np.ndarray) -> np.ndarray:
    """Return the coefficients that explain the height differences, outliers trimmed."""
    used = _near_middle(height, height)
    for _ in range(3):
        part = columns[used]
        fitted = np.linalg.pinv(part.T @ part, hermitian=True) @ (part.T @ height[used])
        left = height - columns @ fitted
        used = _near_middle(left, left[used])
    return fitted


def _near_middle(values: np.ndarray, of: np.ndarray) -> np.ndarray:
    """Return which values lie within `TRIM_NMAD` of the middle of others."""
    some = of[:: max(1, len(of) // SOME_PIXELS)]
    return np.abs(values - np.median(some)) <= TRIM_NMAD * max(nmad(some), 1e-6)


@dataclass(frozen=True)
class StablePixels:
    """The stable pixels in a window of a surface.

    `rows` and `columns` count from the window's first pixel, each of shape (n,).
    """

    window: Window
    rows: np.ndarray
    columns: np.ndarray


@dataclass(frozen=True)
class _Ground:
    """The stable pixels of a surface.

    Parameters
    ----------
    points : by window, easting and northing, m, each (1, n).
    height : m, of all windows.
    east, north : gradient, m/m.
    each : how many pixels each of them stands for.
    """

    points: list[tuple[np.ndarray, np.ndarray]]
    height: np.ndarray
    east: np.ndarray
    north: np.ndarray
    each: int = 1

    @property
    def x(self) -> np.ndarray:
        """Eastings, m."""
        return np.concatenate([x[0] for x, _ in self.points]) if self.points else np.zeros(0)

    @property
    def y(self) -> np.ndarray:
        """Northings, m."""
        return np.concatenate([y[0] for _, y in self.points]) if self.points else np.zeros(0)

    @classmethod
    def of(cls, surface: RasterPixels, stable: list[StablePixels]) -> _Ground:
        points: list[tuple[np.ndarray, np.ndarray]] = []
        heights: list[np.ndarray] = [np.zeros(0)]
        easts, norths = heights.copy(), heights.copy()
        with surface.reading() as read:
            for pixels in stable:
                x, y = (
                    values[pixels.rows, pixels.columns][None, :] for values in centres(surface.placement, pixels.window)
                )
                # Differences over one pixel to either side, along the grid's axes: a rotated raster needs no other rule.
                reach_x, reach_y = surface.placement.pixel_m()
                around = np.array([[0, 0], [reach_x, 0], [-reach_x, 0], [0, reach_y], [0, -reach_y]])
                at = surface.placement.pixels(x + around[:, :1], y + around[:, 1:])
                height, *sides = _exactly(surface, read, at)
                heights.append(height)
                easts.append((sides[0] - sides[1]) / (2 * reach_x))
                norths.append((sides[2] - sides[3]) / (2 * reach_y))
                points.append((x, y))
        return cls(points, np.concatenate(heights), np.concatenate(easts), np.concatenate(norths))

    def thinned(self, most: int) -> _Ground:
        """Return at most so many of the pixels, evenly taken in each window."""
        each = max(1, -(-len(self.height) // most))
        ends = np.cumsum([x.size for x, _ in self.points])
        starts = ends - [x.size for x, _ in self.points]
        taken = [np.arange(start, end, each) for start, end in zip(starts, ends, strict=True)]
        which = np.concatenate(taken) if taken else np.zeros(0, int)
        points = [(x[:, ::each], y[:, ::each]) for x, y in self.points]
        return _Ground(points, self.height[which], self.east[which], self.north[which], each)

    def difference(self, upper: RasterPixels) -> np.ndarray:
        """Return upper surface less the ground at each stable pixel, m.

        Missing where either or the gradient is.
        """
        with upper.reading() as read:
            heights = [_exactly(upper, read, upper.placement.pixels(x, y))[0] for x, y in self.points]
        above = np.concatenate(heights) if heights else np.zeros(0)
        return np.where(np.isfinite(self.east + self.north), above - self.height, np.nan)


def _exactly(surface: RasterPixels, read: Read, at: tuple[np.ndarray, np.ndarray]) -> np.ndarray:
    """Return a surface's values between its pixel centres, by spline.

    The spline is cubic. The values are missing (NaN) beside voids. At the centres themselves a spline gives the pixel's
    value.

    `sample` uses cubic convolution, since it streams through millions of pixels. That damps rough ground by a few
    centimetres on steep slopes. Here this would be taken for half a metre of shift on 90 m pixels.
    """
    if all(np.abs(values - np.floor(values) - 0.5).max(initial=0.0) < AT_CENTRE for values in at):
        return _pixels(surface, read, at)
    part = window_about(surface.raster, at, reach=SPLINE_REACH)
    if part is None:
        return np.full(at[0].shape, np.nan)
    values = read(part).astype(np.float64)
    void = ~np.isfinite(values)
    if void.all():
        return np.full(at[0].shape, np.nan)
    if void.any():
        # The nearest height stands in, so that a void's edge does not ring; what used it is taken out below.
        nearest = ndimage.distance_transform_edt(void, return_distances=False, return_indices=True)
        values = values[tuple(nearest)]
    positions = [at[1] - part.top - 0.5, at[0] - part.left - 0.5]
    heights = ndimage.map_coordinates(values, positions, order=3, mode="constant", cval=np.nan)
    used_void = ndimage.map_coordinates(void.astype(np.float64), positions, order=1, mode="constant", cval=1.0) > 0
    return np.where(used_void, np.nan, heights)


def _pixels(surface: RasterPixels, read: Read, at: tuple[np.ndarray, np.ndarray]) -> np.ndarray:
    """Return the pixels that hold the positions, missing where there is none."""
    part = window_about(surface.raster, at, reach=1)
    if part is None:
        return np.full(at[0].shape, np.nan)
    values = read(part)
    row, column = (np.floor(at[1]).astype(int) - part.top), (np.floor(at[0]).astype(int) - part.left)
    there = (row >= 0) & (row < values.shape[0]) & (column >= 0) & (column < values.shape[1])
    return np.where(there, values[np.where(there, row, 0), np.where(there, column, 0)], np.nan).astype(np.float64)


AT_CENTRE = 1e-6
"""Places this near to pixel centres are at them: a part of a pixel."""

SPLINE_REACH = 12
"""Pixels read beyond the positions: a spline forgets its edge by a factor 0.27 a pixel, to 1e-7 over twelve."""


def stable_pixels(surface: RasterPixels, stable_ground: Area, grid: BasinGrid) -> list[StablePixels]:
    """Return the stable pixels to be used, by window of the surface.

    Windows are looked into in an order that spreads them over the flight, until there are enough pixels; none gives more than
    its share, so that a large car park does not outweigh the rest.
    """
    part = part_on_grid(surface.placement, grid)
    if part.bottom <= part.top or part.right <= part.left:
        return []
    rows = pairwise(piece_edges(part.top, part.bottom, surface.block[0], STRIP_ROWS))
    columns = pairwise(piece_edges(part.left, part.right, surface.block[1], WINDOW_COLUMNS))
    windows = [Window(*down, *across) for down, across in product(rows, columns)]
    stable: list[StablePixels] = []
    total = 0
    with stable_ground.opened() as is_inside:
        # Numbers read from their last bit on: each falls into the largest gap that those before have left.
        for number in sorted(range(len(windows)), key=lambda n: int(f"{n:032b}"[::-1], 2)):
            mask = is_inside(surface.placement, windows[number])
            share = -(-int(mask.sum()) // (MOST_PIXELS // min(LEAST_WINDOWS, len(windows))))
            if share:
                at_rows, at_columns = (index[::share] for index in np.nonzero(mask))
                stable.append(StablePixels(windows[number], at_rows, at_columns))
                total += len(at_rows)
            if total >= MOST_PIXELS:
                break
    return stable
