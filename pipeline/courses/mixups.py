"""Slips of unit and tare: which one explains a course's sheet, or one of its rows, better than the snow does.

Each explanation is weighed by how likely it makes what stands on the sheet: density against what is expected, SWE against what
is expected, and how the points hang together. Nothing is converted: a sheet with a mix-up is set aside with the probable cure.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from snowtally.courses.context import (
    LEAST_READING_SWE_MM,
    POINT_DENSITY_SD,
    READING_DEPTH_M,
    READING_SWE_MM,
    Expected,
)
from snowtally.courses.station_days import THIN_M
from snowtally.model.rules import courses as rules
from snowtally.model.rules.rule import Rule
from snowtally.statistics.few_values import median


@dataclass(frozen=True)
class MixUp:
    """One way of writing a number under the wrong unit.

    Parameters
    ----------
    words : what was probably done, for people.
    depth, swe : what the slip multiplied depth and SWE by.
    rarity : natural logarithm of how much rarer it is than the commonest slips (chosen).
    """

    words: str
    depth: float
    swe: float
    rarity: float = 0.0


MIX_UPS = (
    MixUp("depths in inches under centimetres (x 2.54 mends it)", 1 / 2.54, 1.0),
    MixUp("SWE in inches under millimetres (x 25.4 mends it)", 1.0, 1 / 25.4),
    MixUp("depths and SWE in inches under centimetres and millimetres (x 2.54 and x 25.4 mend it)", 1 / 2.54, 1 / 25.4),
    MixUp("SWE in centimetres under millimetres (x 10 mends it)", 1.0, 0.1),
    MixUp("depths in millimetres, or a slipped decimal point (x 0.1 mends it)", 10.0, 1.0),
    MixUp("depths in centimetres taken for inches (x 0.3937 mends it)", 2.54, 1.0, -3.0),
    MixUp("SWE in millimetres taken for inches (x 0.03937 mends it)", 1.0, 25.4, -3.0),
    MixUp("depths and SWE in metric units taken for inches (x 0.3937 and x 0.03937 mend it)", 2.54, 25.4, -3.0),
    MixUp("SWE ten times too large, a slipped decimal point (x 0.1 mends it)", 1.0, 10.0, -1.0),
    MixUp("depths ten times too small, a slipped decimal point (x 10 mends it)", 0.1, 1.0, -1.0),
    MixUp("depths in metres under centimetres (x 100 mends it)", 0.01, 1.0, -1.0),
    MixUp("depths in feet under centimetres (x 30.48 mends it)", 1 / 30.48, 1.0, -1.0),
    MixUp("SWE in inches under centimetres (x 2.54 mends it)", 1.0, 1 / 2.54, -2.0),
    MixUp("SWE in centimetres taken for inches (x 0.3937 mends it)", 1.0, 2.54, -3.0),
    MixUp("depths and SWE ten times too large (x 0.1 mends both)", 10.0, 10.0, -0.5),
)
"""Both ten times too small is not among them: that is what a course looks like that melts out before its neighbours."""

BULK_CORES = range(2, 13)
"""Numbers of cores that are weighed together. It is no explanation of its own, which would make any heavy sheet a slip: only where
a slip explains the sheet already is this told beside it."""

BULK_RARITY = -2.0
"""Natural logarithm of how much likelier one of the two must be than the other to be told first, or alone (chosen): the number of
cores may be any, and fits the better for it."""

MOST_SURPRISE = 6.0
"""No single yardstick counts for more than so many standard deviations: the yardstick itself may be wrong."""

LEVEL_SURPRISE = 3.5
"""The same of SWE by neighbours and last visit: wind, shade and early melt can do what no density does."""

UNBELIEVABLE = 8.0
"""Natural logarithm of how much less likely a sheet is right whose density lies outside the believable limits."""

FITS_SD = 3.5
"""A slip explains a sheet when the mended density is within so many standard deviations of the expected one."""

TARE_RARITY = -4.0
"""Natural logarithm of what a constant weight, which may be any, must explain better than a unit that has no freedom."""

CORE_SHARE, CORE_SD = 0.95, 0.12
"""A core is about 90 to 99 % as long as the snow is deep (common practice, no source), and the spread of its logarithm."""

LEAST_POINTS = 4
"""A median of three is no yardstick for the fourth."""


@dataclass(frozen=True)
class Points:
    """The points of one visit that are still in use.

    All arrays have one length. SWE is missing where it is not in use. `cores` is the number of cores of a bulk row. It
    is missing where none is written.
    """

    depth_m: np.ndarray
    swe_mm: np.ndarray
    core_m: np.ndarray
    cores: np.ndarray

    def counts(self) -> np.ndarray:
        """Return how many points each row stands for: one where no number of cores is written."""
        return np.fmax(self.cores, 1.0)

    def log_depth(self) -> np.ndarray:
        """Return the natural logarithm of depth in m, missing at bare points."""
        return _log(self.depth_m)

    def log_density(self) -> np.ndarray:
        """Return the natural logarithm of density in kg/m3.

        It is missing at bare points and where no core was weighed.
        """
        return _log(self.swe_mm) - _log(self.depth_m)

    def log_core(self) -> np.ndarray:
        """Return the natural logarithm of core length over its usual length.

        The usual length is `CORE_SHARE` of the depth.
        """
        return _log(self.core_m) - _log(self.depth_m) - np.log(CORE_SHARE)

    @cached_property
    def scale_error_mm(self) -> float:
        """Reading error of the scale, mm.

        It is half the step that the visit's weights show, and lies within the errors of known scales. With too few
        different weights it is `READING_SWE_MM`.
        """
        weights = np.unique(self.swe_mm[self.swe_mm > 0])
        if len(weights) < LEAST_POINTS:
            return READING_SWE_MM
        return float(np.clip(np.diff(weights).min() / 2, LEAST_READING_SWE_MM, READING_SWE_MM))

    def reading_error(self, density_kg_m3: float) -> np.ndarray:
        """Return the reading error of each point's log density.

        It comes from reading stake and scale. A slip that makes a weight too small does not make the reading worse. So
        the scale's error is taken relative to the weight, or to what snow of a density of `density_kg_m3` would weigh,
        if that is more.
        """
        with np.errstate(divide="ignore", invalid="ignore"):
            weight = np.maximum(self.swe_mm, density_kg_m3 * self.depth_m)
            return np.hypot(READING_DEPTH_M / self.depth_m, self.scale_error_mm / weight)


@dataclass(frozen=True)
class Slip:
    """What explains a sheet better than snow does.

    `words` says what happened. `odds` is the natural logarithm of how many times likelier it is.
    """

    rule: Rule
    words: str
    odds: float


def explain_sheet(points: Points, expected: Expected, believable: tuple[float, float]) -> Slip | None:
    """Return the likeliest slip that explains a whole sheet.

    It is None where no slip fits what is expected, or where new snow may explain the low density of thin snow. The slip
    may still be less likely than snow: the caller looks at its `odds`.

    Parameters
    ----------
    points : the sheet's points.
    expected : density and SWE to expect.
    believable : least and largest bulk density of a course, kg/m3.
    """
    density = points.log_density()
    there = np.isfinite(density)
    if not there.any():
        return None
    density, reading = density[there], points.reading_error(np.exp(expected.density))[there]
    middle = median(density)
    # Rounding does not average out wholly: a scale read in steps is off the same way in like snow.
    own, off_all = median(np.hypot(POINT_DENSITY_SD, reading)) / np.sqrt(points.counts()[there].sum()), median(reading)
    own = float(np.hypot(own, 0.5 * off_all))
    depth = median(points.depth_m[there])
    cores = points.log_core()[there]
    core = float(np.nanmedian(cores)) if np.isfinite(cores).any() else np.nan
    off = middle - expected.density
    swe, swe_sd = expected.swe()
    swe_off = float(np.log(np.nanmean(points.swe_mm))) - swe

    def spread(stake: float) -> float:
        return float(np.hypot(expected.density_sd_at(depth / stake), own))

    def likely(stake: float, water: float, off: float = off) -> float:
        sd = spread(stake)
        of_density = gauss((off - np.log(water / stake)) / sd) - np.log(sd)
        return of_density + of_core(core, stake) + gauss((swe_off - np.log(water)) / swe_sd, LEVEL_SURPRISE)

    low, high = np.log(believable[0]) - off_all, np.log(believable[1]) + off_all
    right = likely(1.0, 1.0) - (0.0 if low <= middle <= high else UNBELIEVABLE)
    if off < 0 and expected.may_be_fresh(depth, middle + off_all):
        # Thin snow holds little water by itself: its SWE is no second witness.
        if depth < THIN_M:
            return None
        # New snow on old is light by itself: density is no witness then, and SWE must tell alone.
        right = likely(1.0, 1.0, off=0.0)
    best = max(MIX_UPS, key=lambda mix_up: likely(mix_up.depth, mix_up.swe) + mix_up.rarity)
    mixed = likely(best.depth, best.swe) + best.rarity
    tare = _constant_weight(points, expected)
    if tare is not None and tare[0] + of_core(core, 1.0) > max(right, mixed):
        gain, constant = tare
        return Slip(
            rules.WRONG_TARE_OF_SHEET,
            f"every core is about {abs(constant):.0f} mm of water too {'heavy' if constant > 0 else 'light'}",
            gain - right,
        )
    # A slip that leaves density as it is has SWE alone to tell of it: by other places and by the last visit, not by one of them.
    if best.depth == best.swe and not np.isfinite(expected.near + expected.last_mm):
        return None
    cured = middle + np.log(best.depth / best.swe)
    if abs(off - np.log(best.swe / best.depth)) > FITS_SD * spread(best.depth) or not low <= cured <= high:
        return None
    words = best.words
    if np.isnan(points.cores).all():
        words = _or_cores_together(words, mixed, max((likely(1.0, float(n)), n) for n in BULK_CORES))
    return Slip(rules.UNITS_OF_SHEET, words, mixed - right)


def _or_cores_together(words: str, mixed: float, bulk: tuple[float, int]) -> str:
    """Return the words of a slip, perhaps with cores weighed together.

    Several cores weighed together are named where they are about as likely, and first where they are much likelier.

    Parameters
    ----------
    mixed : how likely the slip is.
    bulk : how likely the best number of cores is, and that number.
    """
    together, number = bulk
    cores = f"some {number} cores weighed together without their number (write it under cores)"
    if together + BULK_RARITY > mixed:
        return f"{cores}, or {words}"
    return f"{words}, or {cores}" if together > mixed + BULK_RARITY else words


def of_core(core: float, stake: float) -> float:
    """Return the log likelihood of a core length.

    Depths are `stake` times too large. Core lengths have the same slip or none.
    """
    return max(gauss(core / CORE_SD), gauss((core + np.log(stake)) / CORE_SD))


def _constant_weight(points: Points, expected: Expected) -> tuple[float, float] | None:
    """Return how likely one constant weight makes the sheet.

    The first value is the natural logarithm of its likelihood over that of no such weight. The second is the weight in
    mm of water. The result is None where there are too few points.

    With a constant c on every core, SWE = rho h + c: density then falls with depth as no snow does. For each density
    rho about the expected one, c is the median of what is left. The points' scatter about the line is compared with
    their scatter about one density.
    """
    there = np.isfinite(points.log_density())
    depth, swe = points.depth_m[there], points.swe_mm[there]
    if len(depth) < LEAST_POINTS:
        return None
    reading = points.reading_error(np.exp(expected.density))[there]
    one = points.log_density()[there]
    sd = np.hypot(POINT_DENSITY_SD, reading)
    together = float(np.sum(_heavy_tailed((one - median(one)) / sd) - np.log(sd)))
    wide = expected.density_sd_at(median(depth))
    best = (-np.inf, 0.0)
    steps = np.linspace(-2, 2, 17)
    rho = np.exp(expected.density + steps * wide)[:, None]
    constant = np.median(swe - rho * depth, axis=1)
    sd_mm = np.hypot(POINT_DENSITY_SD * rho * depth, points.scale_error_mm)
    # In logarithms of SWE like the other side: a density of log w is w times that of w.
    likelihood = _heavy_tailed((swe - constant[:, None] - rho * depth) / sd_mm) - np.log(sd_mm / swe)
    for step, line, weight in zip(steps, likelihood.sum(axis=1), constant, strict=True):
        best = max(best, (float(line) - together + gauss(step) - np.log(wide) + TARE_RARITY, float(weight)))
    swe_at, swe_sd = expected.swe()
    if np.isfinite(swe_at):
        left = float(np.mean(swe)) - best[1]
        best = (best[0] + gauss((np.log(max(left, 1e-3)) - swe_at) / swe_sd, LEVEL_SURPRISE), best[1])
    return best


def _log(values: np.ndarray) -> np.ndarray:
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.log(np.where(values > 0, values, np.nan))


def gauss(z: float, most: float = MOST_SURPRISE) -> float:
    """Return the log of the normal density without its constant.

    `z` is held at `most` deviations. The result is 0 where nothing is known.
    """
    return -0.5 * min(abs(z), most) ** 2 if np.isfinite(z) else 0.0


def _heavy_tailed(z: np.ndarray) -> np.ndarray:
    """Return the log of Student's t density without its constant.

    It has 4 degrees of freedom.
    """
    return -2.5 * np.log1p(z**2 / 4)
