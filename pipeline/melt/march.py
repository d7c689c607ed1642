"""Melt of cells over the forecast days: potential melt, melt, and how much ground stays covered."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numba import njit
from scipy.special import ndtr

from snowtally.melt.albedo import GROUND, aged, over_ground, renewed
from snowtally.melt.energy import (
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

SWE, COVERED, DENSITY, ALBEDO, COLD, DRY, CELL_COLUMNS = range(3, 10)
"""Columns of a cell after elevation, canopy and sky view: SWE (mm, mean of the cell), covered share, density (kg/m3), albedo,
cold content (mm of melt), water that the snow can still hold (mm); and how many columns there are."""

LAPSE, HEIGHT, ALBEDO_SHIFT, TUNED, _, _, AIR_COLUMNS = range(7)
"""What holds for all cells and days: lapse rate (K/km), height of the weather (m), shift of albedo; from the fourth on what
`snowtally.melt.energy.day_energy` is tuned by; and how many columns there are."""

SUN, WAVES, TOUCH, WARMTH = range(4)
"""What is summed over cells: energy of sun, long waves and air taken up by snow (MJ/m2), degrees above freezing (K day)."""

STEPS = 256
"""Steps of the depletion table to a mean SWE: read off linearly, a share of a cell of usual variation is within 1e-5 of the exact one.
Accuracy and cost alone."""

COVERING_MM = 2.0
"""New snow of so much water covers the ground: two centimetres; less lies on a part of it (common practice, no source)."""

VANISHED_MM = 1e-3
"""Less than this is no snow: the tail of a log-normal spread has no end. Accuracy and cost alone: without it what melts is looked up over
next to nothing."""


class Cells(NamedTuple):
    """Cells to be marched, as arrays for compiled functions.

    Parameters
    ----------
    state : (cell, 9) columns `ELEVATION` to `DRY`.
    beams : (cell, node) factors of the direct sun on a few days.
    at : (day,) position of each day among the nodes.
    depletion : table as `depletion` gives it.
    """

    state: np.ndarray
    beams: np.ndarray
    at: np.ndarray
    depletion: np.ndarray


class Melt(NamedTuple):
    """Melt by cell and day, filled in by the march.

    Parameters
    ----------
    potential, melt, fallen : (cell, day) potential melt, melt and new snow, mm over the whole cell.
    covered : (cell, day) covered share at the day's end.
    energy : (cell, 4) sums over days, columns `SUN` to `WARMTH`.
    """

    potential: np.ndarray
    melt: np.ndarray
    covered: np.ndarray
    fallen: np.ndarray
    energy: np.ndarray

    @classmethod
    def room(cls, cells: int, days: int) -> Melt:
        """Return room for the melt of cells over days."""
        potential, melt, covered, fallen = (np.empty((cells, days)) for _ in range(4))
        return cls(potential, melt, covered, fallen, np.zeros((cells, 4)))


class Sample(NamedTuple):
    """Cells that stand for all.

    Parameters
    ----------
    cells : (n,) their numbers.
    unit : (n,) number of the zone-band of each.
    weight : (n,) how many m2 each stands for.
    """

    cells: np.ndarray
    unit: np.ndarray
    weight: np.ndarray


def depletion(variation: float) -> np.ndarray:
    """Return the depletion of log-normal snow within a cell, (n, 2).

    Rows are potential melt over mean SWE in steps of 1/256. Columns are the share of SWE left, E max(W - M, 0) / E W, and the share of ground still covered, P(W > M); as in
    `snowtally.snow.melting`. Without variation snow goes evenly and all at once. From eight times the mean on nothing is left.

    >>> depletion(0.0)[[0, 128, 256]].tolist()
    [[1.0, 1.0], [0.5, 1.0], [0.0, 0.0]]
    """
    x = np.arange(8 * STEPS + 1) / STEPS
    if variation == 0:
        return np.column_stack([np.maximum(1.0 - x, 0.0), (x < 1.0).astype(float)])
    s = np.sqrt(np.log1p(variation**2))
    with np.errstate(divide="ignore"):
        d = -np.log(x) / s + s / 2
    left, covered = ndtr(d) - x * ndtr(d - s), ndtr(d - s)
    left[-1], covered[-1] = 0.0, 0.0
    return np.column_stack([left, covered])


@njit(cache=True, error_model="numpy")
def depleted(table: np.ndarray, melted: float) -> tuple[float, float]:
    """Return the shares of SWE left and of ground still covered, by potential melt over mean SWE."""
    position = melted * STEPS
    low = int(position)
    if low >= len(table) - 1:
        return 0.0, 0.0
    share = position - low
    left = table[low, 0] * (1.0 - share) + table[low + 1, 0] * share
    return left, table[low, 1] * (1.0 - share) + table[low + 1, 1] * share


@njit(cache=True, error_model="numpy")
def _beam(nodes: np.ndarray, at: float) -> float:
    """Return a cell's factor of the direct sun at a position among nodes."""
    low = min(int(at), len(nodes) - 1)
    high = min(low + 1, len(nodes) - 1)
    return nodes[low] * (1.0 - (at - low)) + nodes[high] * (at - low)


@njit(cache=True, error_model="numpy")
def march_cell(cell: np.ndarray, nodes: np.ndarray, cells: Cells, days: np.ndarray, air: np.ndarray, out: Melt) -> None:
    """Fill in one cell's melt over the days.

    Parameters
    ----------
    cell : (9,) columns `ELEVATION` to `DRY`.
    nodes : (node,) factors of the direct sun.
    cells : all cells, of which it takes `at` and `depletion`.
    days : (day, 7) weather.
    air : (6,) columns `LAPSE` to `TUNED` and after.
    out : arrays of this cell, (day,) each and (4,) energy, to which the cell's is added.

    Notes
    -----
    New snow lies evenly on top and melts first; what potential melt is left then eats into the old snow. Potential melt is
    that of today's snow cover if it did not run out.
    """
    potential, melt, covered, fallen, energy = out
    cover_now = cell[COVERED] if cell[SWE] > VANISHED_MM else 0.0
    start = cell[SWE] / cover_now if cover_now > 0.0 else 0.0
    cold, bright, dry = cell[COLD], cell[ALBEDO], cell[DRY]
    eaten, fresh, old_left, share = 0.0, 0.0, cell[SWE] if cover_now > 0.0 else 0.0, cover_now
    for d in range(len(days)):
        warmth = days[d, TEMPERATURE] + air[LAPSE] * (cell[ELEVATION] - air[HEIGHT]) / 1000.0
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
        deep = lying / under / cell[DENSITY] if lying > 0.0 else 1.0
        shown = over_ground(min(max(bright + air[ALBEDO_SHIFT], GROUND), 1.0), deep)
        taken = day_energy(cell, _beam(nodes, cells.at[d]), days[d], warmth, shown, air[TUNED:])
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
            share_left, still = depleted(cells.depletion, eaten / start)
            # Not above what there was, by a last digit.
            left, share = min(cover_now * start * share_left, old_left), cover_now * still
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


@njit(cache=True, error_model="numpy", nogil=True)
def march_cells(cells: Cells, days: np.ndarray, air: np.ndarray, out: Melt) -> None:
    """Fill in the melt of cells over the days.

    Parameters
    ----------
    days : (day, 7) weather.
    air : (6,) columns `LAPSE` to `TUNED` and after.
    """
    potential, melt, covered, fallen, energy = out
    for i in range(len(cells.state)):
        of_cell = Melt(potential[i], melt[i], covered[i], fallen[i], energy[i])
        march_cell(cells.state[i], cells.beams[i], cells, days, air, of_cell)


@njit(cache=True, error_model="numpy", nogil=True)
def march_member(
    cells: Cells, sample: Sample, days: np.ndarray, air: np.ndarray, swe_factor: np.ndarray, sums: np.ndarray
) -> None:
    """Fill in a member's sums by zone-band and day, cell after cell.

    Parameters
    ----------
    cells : those of the sample.
    days : (day, 7) weather.
    air : (6,) columns `LAPSE` to `TUNED` and after.
    swe_factor : (unit,) on the cells' SWE.
    sums : (unit, day, 3) filled in: potential melt and melt (mm m2), ground covered at the day's end (m2).
    """
    unit, weight, count = sample.unit, sample.weight, len(days)
    cell = np.empty(cells.state.shape[1])
    out = Melt(np.empty(count), np.empty(count), np.empty(count), np.empty(count), np.zeros(4))
    for i in range(len(cells.state)):
        # One by one: an array put into a slice takes two seconds to compile, for the words of its error alone.
        for column in range(len(cell)):
            cell[column] = cells.state[i, column]
        cell[SWE] *= swe_factor[unit[i]]
        march_cell(cell, cells.beams[i], cells, days, air, out)
        for d in range(count):
            sums[unit[i], d, 0] += weight[i] * out.potential[d]
            sums[unit[i], d, 1] += weight[i] * out.melt[d]
            sums[unit[i], d, 2] += weight[i] * out.covered[d]
