"""Points that do not fit their course's visit, and the slip of unit that explains one."""

from __future__ import annotations

import numpy as np

from snowtally.courses.context import POINT_DENSITY_SD
from snowtally.courses.mixups import CORE_SD, LEAST_POINTS, MIX_UPS, Points, Slip, gauss, of_core
from snowtally.model.rules import courses as rules
from snowtally.statistics.few_values import row_medians

SHARED_SCALE = (
    "SWE in inches under centimetres (x 2.54 mends it)",
    "SWE in centimetres taken for inches (x 0.3937 mends it)",
)
"""A single core that is so much too light or heavy is more often badly taken than written in another unit: the whole sheet's
matter alone."""

POINT_DEPTH_SD = (0.25, 0.6)
"""Spread of depth among the points of a course, in natural logarithms, held within these: about 0.3 (common practice)."""

ODD_SD = 0.5
"""Spread, in natural logarithms, of a core that was badly taken, which may be off by anything."""

STEADY_DEPTH_SD = (0.15, 0.6)
"""The same beside how deep each point usually is, held within these."""

POINT_RARITY = -1.7
"""Natural logarithm of how much rarer one row in another unit is than one core badly taken (chosen)."""

DEEP_RATIO = 5.0
"""A point this much deeper than the median of its course, where that is more than thin, is no drift but a slip."""

DEEP_LEAST_M = 0.2
"""Where the median is thinner than this, a drift may be many times as deep."""


def odd_points(points: Points, usual: np.ndarray, many_sd: float) -> list[tuple[int, Slip | None, str]]:
    """Return the points that do not fit their course.

    Each has its position in `points`, the slip that explains it (or None), and the figures as text.

    Parameters
    ----------
    points : of one visit.
    usual : how much deeper in log depth each point was than its course at other visits, 0 where there is none: marked
        points are deep every time, which separates a slip of the stake from one of the scale.
    many_sd : a density further from the median of the others than so many standard deviations does not fit.
    """
    density, depth, core = points.log_density(), points.log_depth(), points.log_core()
    if not np.isfinite(depth).any():
        return []
    reading = points.reading_error(np.exp(np.nanmedian(density)) if np.isfinite(density).any() else np.nan)
    middle, spread, count = _of_others(density)
    spread = np.sqrt((count * spread**2 + 12 * POINT_DENSITY_SD**2) / (count + 12))
    sd = np.sqrt(spread**2 * (1 + 1.57 / np.maximum(count, 1)) + reading**2)
    depth_middle, depth_spread, depth_count = _of_others(depth)
    off, deep = density - middle, depth - depth_middle
    dense = (count >= LEAST_POINTS - 1) & (np.abs(off) > many_sd * sd)
    high = (depth_count >= LEAST_POINTS - 1) & (deep > np.log(DEEP_RATIO)) & (depth_middle > np.log(DEEP_LEAST_M))
    odd: list[tuple[int, Slip | None, str]] = []
    for odd_one in np.flatnonzero(dense | high):
        weighed = np.isfinite(off[odd_one]) and count[odd_one] >= LEAST_POINTS - 1
        said = f"depth {np.exp(deep[odd_one]):.2f} times the others' median"
        if weighed:
            said = (
                f"density {np.exp(density[odd_one]):.0f} kg/m3, the others' median {np.exp(middle[odd_one]):.0f} kg/m3, "
                + said
            )
        middle_now, spread_now, _ = (of_others[odd_one] for of_others in _of_others(depth - usual))
        steady = float(np.clip(spread_now, *STEADY_DEPTH_SD)), depth[odd_one] - usual[odd_one] - middle_now
        stake = min((float(np.clip(depth_spread[odd_one], *POINT_DEPTH_SD)), deep[odd_one]), steady)
        slip = _slip_of_point((off[odd_one] if weighed else None, float(sd[odd_one])), stake[::-1], core[odd_one])
        odd.append((int(odd_one), slip, said))
    return odd


def _slip_of_point(density: tuple[float | None, float], depth: tuple[float, float], core: float) -> Slip | None:
    """Return the mix-up that explains a point best.

    It is None where a badly taken core or a misread stake is at least as likely.
    """
    (off, sd), (deep, depth_sd) = density, depth
    deep = deep if np.isfinite(deep) else 0.0

    def likely(stake: float, water: float) -> float:
        of_depth = gauss((deep - np.log(stake)) / depth_sd) + of_core(core, stake)
        return of_depth if off is None else of_depth + gauss((off - np.log(water / stake)) / sd) - np.log(sd)

    wide = np.hypot(sd, ODD_SD)
    badly_taken = (
        gauss(deep / depth_sd) + gauss(core / CORE_SD) + (0.0 if off is None else gauss(off / wide) - np.log(wide))
    )
    known = [mix_up for mix_up in MIX_UPS if mix_up.words not in SHARED_SCALE]
    best = max(known, key=lambda mix_up: likely(mix_up.depth, mix_up.swe) + mix_up.rarity)
    gain = likely(best.depth, best.swe) + best.rarity + POINT_RARITY - badly_taken
    return Slip(rules.UNITS_OF_ROW, best.words, gain) if gain > 0 else None


def _of_others(values: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return median, robust spread and number of the other values.

    Each array has one entry for each value. Median and spread are missing where no other value is known.
    """
    others = np.tile(np.where(np.isfinite(values), values, np.nan), (len(values), 1))
    np.fill_diagonal(others, np.nan)
    middle = row_medians(others)
    return middle, 1.4826 * row_medians(np.abs(others - middle[:, None])), np.isfinite(others).sum(axis=1)
