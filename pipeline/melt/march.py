"""The snow of many places marched over the forecast days: what could melt, what melts, and how much ground stays covered."""

from __future__ import annotations

import numpy as np
from numba import njit, prange
from scipy.special import ndtr

from pipeline.melt.albedo import GROUND, aged, over_ground, renewed
from pipeline.melt.energy import (
    ELEVATION,
    HELD_WATER,
    PRECIPITATION,
    TEMPERATURE,
    brought_by,
    day_energy,
    melt_of_day,
    most_cold_mm,
    snowfall_mm,
)

SWE, COVERED, DENSITY, ALBEDO, COLD, DRY, PLACE_COLUMNS = range(3, 10)
"""Columns of a place after elevation, canopy and sky view: SWE (mm, mean of the cell), covered share, density (kg/m3), albedo,
cold content (mm of melt), water that the snow can still hold (mm); and how many columns there are."""

LAPSE, HEIGHT, ALBEDO_SHIFT, TUNED, _, _, AIR_COLUMNS = range(7)
"""What holds for all places and days: lapse rate (K/km), height of the weather (m), shift of albedo; from the fourth on what
`pipeline.melt.energy.day_energy` is tuned by; and how many columns there are."""

SUN, WAVES, TOUCH, WARMTH = range(4)
"""What is summed over places: energy of sun, long waves and air taken up by snow (MJ/m2), degrees above freezing (K day)."""

_STEPS = 256
"""Steps of the depletion table to a mean SWE: read off linearly, a share of a cell of usual variation is within 1e-5 of the exact one.
Accuracy and cost alone."""


def depletion(variation: float) -> np.ndarray:
    """Return how snow that lies log-normally within a cell goes, (n, 2) by potential melt over mean SWE in steps of 1/256.

    Columns are the share of SWE left, E max(W - M, 0) / E W, and the share of ground still covered, P(W > M); as in
    `pipeline.snow.carry`. Without variation snow goes evenly and all at once. From eight times the mean on nothing is left.

    >>> depletion(0.0)[[0, 128, 256]].tolist()
    [[1.0, 1.0], [0.5, 1.0], [0.0, 0.0]]
    """
    x = np.arange(8 * _STEPS + 1) / _STEPS
    if variation == 0:
        return np.column_stack([np.maximum(1.0 - x, 0.0), (x < 1.0).astype(float)])
    s = np.sqrt(np.log1p(variation**2))
    with np.errstate(divide="ignore"):
        d = -np.log(x) / s + s / 2
    left, covered = ndtr(d) - x * ndtr(d - s), ndtr(d - s)
    left[-1], covered[-1] = 0.0, 0.0
    return np.column_stack([left, covered])


@njit(cache=True)
def _looked_up(table: np.ndarray, melted: float, column: int) -> float:
    place = melted * _STEPS
    low = int(place)
    if low >= len(table) - 1:
        return 0.0
    share = place - low
    return table[low, column] * (1.0 - share) + table[low + 1, column] * share


@njit(cache=True)
def march_place(  # noqa: PLR0913  compiled, arrays alone
    place: np.ndarray, beam: np.ndarray, days: np.ndarray, air: np.ndarray, table: np.ndarray,
    potential: np.ndarray, melt: np.ndarray, covered: np.ndarray, fallen: np.ndarray, energy: np.ndarray,
) -> None:  # fmt: skip
    """March one place over the days and fill in, by day, potential melt, melt, covered share at the end, and new snow.

    Parameters
    ----------
    place : (9,); beam : (day,) factor of the direct sun; days : (day, 7); air : (6,).
    table : as `depletion` gives it.
    potential, melt, fallen : (day,) mm over the whole place; covered : (day,).
    energy : (4,) sums over days to which the place's are added.

    Notes
    -----
    New snow lies evenly on top and melts first; what potential melt is left then eats into the old snow. Potential melt is
    that of today's snow cover if it did not run out.
    """
    cover_now = place[COVERED] if place[SWE] > VANISHED_MM else 0.0
    start = place[SWE] / cover_now if cover_now > 0.0 else 0.0
    cold, bright, dry = place[COLD], place[ALBEDO], place[DRY]
    eaten, fresh, old_left, share = 0.0, 0.0, place[SWE] if cover_now > 0.0 else 0.0, cover_now
    for d in range(len(days)):
        warmth = days[d, TEMPERATURE] + air[LAPSE] * (place[ELEVATION] - air[HEIGHT]) / 1000.0
        snow = snowfall_mm(days[d, PRECIPITATION], warmth)
        fallen[d] = snow
        fresh += snow
        bright = renewed(bright, snow)
        cold += brought_by(snow, warmth)
        dry += HELD_WATER * snow
        new = min(1.0, fresh / COVERING_MM)
        under = new + share - new * share
        reach = max(cover_now, under)
        if reach == 0.0:
            potential[d], melt[d], covered[d] = 0.0, 0.0, 0.0
            continue
        lying = old_left + fresh
        # Where no snow is left, potential melt is that of snow deep enough to hide the ground.
        deep = lying / under / place[DENSITY] if lying > 0.0 else 1.0
        shown = over_ground(min(max(bright + air[ALBEDO_SHIFT], GROUND), 1.0), deep)
        taken = day_energy(place, beam[d], days[d], warmth, shown, air[TUNED:])
        limit = most_cold_mm(lying / under if under > 0.0 else 0.0, warmth)
        could, cold, dry = melt_of_day(taken, cold, dry, limit)
        potential[d] = could * reach
        energy[SUN] += taken[0] * under
        energy[WAVES] += (taken[1] + taken[3]) * under
        energy[TOUCH] += (taken[2] + taken[4]) * under
        energy[WARMTH] += max(warmth, 0.0) * reach
        first = min(fresh, could * new)
        fresh -= first
        eaten += could - first
        left = 0.0
        if start > 0.0:
            # Not above what there was, by a last digit.
            left = min(cover_now * start * _looked_up(table, eaten / start, 0), old_left)
            share = cover_now * _looked_up(table, eaten / start, 1)
        if left < VANISHED_MM:
            left, share = 0.0, 0.0
        melt[d] = first + old_left - left
        old_left = left
        bright = aged(bright, could > 0.0, 1.0)
        if fresh < VANISHED_MM:
            melt[d] += fresh
            fresh = 0.0
        new = min(1.0, fresh / COVERING_MM)
        covered[d] = new + share - new * share
        if fresh + old_left == 0.0:
            cold, dry = 0.0, 0.0


COVERING_MM = 2.0
"""New snow of so much water covers the ground: two centimetres; less lies on a part of it (common practice, no source)."""

VANISHED_MM = 1e-3
"""Less than this is no snow: the tail of a log-normal spread has no end. Accuracy and cost alone: without it what melts is looked up over
next to nothing."""


@njit(parallel=True, cache=True)
def march_places(  # noqa: PLR0913  compiled, arrays alone
    places: np.ndarray, beams: np.ndarray, at: np.ndarray, days: np.ndarray, air: np.ndarray, table: np.ndarray,
    potential: np.ndarray, melt: np.ndarray, covered: np.ndarray, fallen: np.ndarray, energy: np.ndarray,
) -> None:  # fmt: skip
    """March places, each by itself, so that no byte depends on how many threads there are.

    Parameters
    ----------
    places : (place, 9); beams : (place, node) factors of the direct sun on a few days; at : (day,) each day's place among these.
    potential, melt, covered, fallen : (place, day) filled in; energy : (place, 4) filled in.
    """
    for i in prange(len(places)):
        beam = np.empty(len(days))
        for d in range(len(days)):
            low = min(int(at[d]), beams.shape[1] - 1)
            high = min(low + 1, beams.shape[1] - 1)
            beam[d] = beams[i, low] * (1.0 - (at[d] - low)) + beams[i, high] * (at[d] - low)
        march_place(places[i], beam, days, air, table, potential[i], melt[i], covered[i], fallen[i], energy[i])


@njit(parallel=True, cache=True)
def march_members(  # noqa: PLR0913  compiled, arrays alone
    places: np.ndarray, beams: np.ndarray, at: np.ndarray, days: np.ndarray, air: np.ndarray, table: np.ndarray,
    swe_factor: np.ndarray, unit: np.ndarray, weight: np.ndarray, sums: np.ndarray,
) -> None:  # fmt: skip
    """March the same places once for each member and sum by unit, members in parallel and places in their order.

    Parameters
    ----------
    days : (member, day, 7); air : (member, 6); swe_factor : (member, unit) on the places' SWE.
    unit : (place,) number of the zone-band; weight : (place,) m2.
    sums : (member, unit, day, 3) filled in: potential melt and melt (mm m2), ground covered at the day's end (m2).
    """
    for m in prange(len(days)):
        count = days.shape[1]
        place, beam = np.empty(places.shape[1]), np.empty(count)
        potential, melt, covered, fallen = np.empty(count), np.empty(count), np.empty(count), np.empty(count)
        energy = np.zeros(4)
        for i in range(len(places)):
            place[:] = places[i]
            place[SWE] *= swe_factor[m, unit[i]]
            for d in range(count):
                low = min(int(at[d]), beams.shape[1] - 1)
                high = min(low + 1, beams.shape[1] - 1)
                beam[d] = beams[i, low] * (1.0 - (at[d] - low)) + beams[i, high] * (at[d] - low)
            march_place(place, beam, days[m], air[m], table, potential, melt, covered, fallen, energy)
            for d in range(count):
                sums[m, unit[i], d, 0] += weight[i] * potential[d]
                sums[m, unit[i], d, 1] += weight[i] * melt[d]
                sums[m, unit[i], d, 2] += weight[i] * covered[d]
