"""A light mass balance of the snow since a day: snowfall and melt by elevation from the weather, scaled to the sites' changes."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from snowtally.snow.carry import SPARE_MM, Pattern, Turnover
from snowtally.snow.forcing import Forcing
from snowtally.snow.melt_windows import Scales

MELT_COUNTED = 0.8
"""Melt before the start counts towards what a place has gathered up to this share of its snowfall: beyond, it was bare and
melted nothing (trial worlds, docs/method.md)."""

FACTOR_MOST = 5.0
"""No place gathers more than this many times what the gauges catch: deeper drifts are avalanches and laser faults."""

LATER_DAYS = (*range(3, 60, 3), *range(60, 260, 10))
"""Days before the date since which snow is reckoned by itself: what fell on ground gone bare owes nothing to the melt before.
Against a march day by day eleven such days lost 5 % of the late snow on average, these 1 % (tests/snow/test_balance.py)."""


@dataclass(frozen=True)
class Gathered:
    """Snowfall and potential melt since the season's start, mm.

    The factor of a place says how much of the gauges' snowfall it must have gathered to hold what it holds. `pattern` is the
    flight's mean SWE by elevation.
    """

    nodes_m: np.ndarray
    snowfall_mm: np.ndarray
    melt_mm: np.ndarray
    pattern: Pattern

    def factor(self, swe_mm: np.ndarray, elevation_m: np.ndarray, exposure: np.ndarray | float = 1.0) -> np.ndarray:
        """Return the accumulation factor of places by SWE, elevation and melt exposure.

        (w + min(M, 0.8 A)) / A.

        Where hardly any snow has fallen by the gauges, a place's snow over that of its elevation stands in: w / A is then one
        small number over another, and says nothing of the snow to come.
        """
        fallen = np.interp(elevation_m, self.nodes_m, self.snowfall_mm)
        melted = np.minimum(exposure * np.interp(elevation_m, self.nodes_m, self.melt_mm), MELT_COUNTED * fallen)
        factor = (np.asarray(swe_mm, float) + melted + SPARE_MM) / (fallen + SPARE_MM)
        weight = fallen**2 / (fallen**2 + SPARE_MM**2)
        mixed = weight * np.log(np.maximum(factor, 1e-6)) + (1 - weight) * np.log(
            self.pattern.factor(swe_mm, elevation_m)
        )
        return np.clip(np.exp(mixed), 0.0, FACTOR_MOST)


def gathered(forcing: Forcing, pattern: Pattern) -> Gathered:
    """Return what fell and could melt over the weather.

    Melt counts on days on which a place that gathers what the gauges catch has snow: before the first snow nothing melts.
    """
    snowfall, melt = forcing.snowfall_mm, forcing.melt_mm
    lying, counted = np.zeros(len(forcing.nodes_m)), np.zeros(len(forcing.nodes_m))
    for fallen, could in zip(snowfall, melt, strict=True):
        lying = lying + fallen
        counted += np.where(lying > 0, could, 0.0)
        lying = np.maximum(lying - could, 0.0)
    return Gathered(forcing.nodes_m, snowfall.sum(axis=0), counted, pattern)


def balance_turnover(forcing: Forcing, scales: Scales, start: pd.Timestamp) -> Turnover:
    """Return gain and loss by elevation after `start`.

    Of a point of factor 1, with the scales' errors.
    """
    first = int((forcing.days <= start).sum())
    gain, loss = scales.snowfall * forcing.snowfall_mm[first:], scales.melt[first:, None] * forcing.melt_mm[first:]
    unobserved = int((~forcing.observed[first:]).sum())
    turnover = turnover_of(forcing.nodes_m, gain, loss)
    return replace(turnover, unobserved_days=unobserved, scale_errors=scales.errors(forcing.melt_mm, first))


def turnover_of(nodes_m: np.ndarray, gain_mm: np.ndarray, loss_mm: np.ndarray) -> Turnover:
    """Return the sums of (day, node) gains and losses.

    Over all days and since each of `LATER_DAYS`.
    """
    later = tuple(
        (gain_mm[-days:].sum(axis=0), loss_mm[-days:].sum(axis=0)) for days in LATER_DAYS if days < len(gain_mm)
    )
    return Turnover(nodes_m, gain_mm.sum(axis=0), loss_mm.sum(axis=0), 0, later)


def march(start_mm: np.ndarray, gain_mm: np.ndarray, loss_mm: np.ndarray) -> np.ndarray:
    """Return SWE after each day, (day, point).

    >>> march(np.array([10.0]), np.array([[0.0], [4.0]]), np.array([[12.0], [1.0]])).ravel()
    array([0., 3.])
    """
    out = np.empty_like(gain_mm)
    swe = np.asarray(start_mm, float)
    for day in range(len(gain_mm)):
        swe = np.maximum(swe + gain_mm[day] - loss_mm[day], 0.0)
        out[day] = swe
    return out
