"""A light mass balance of the snow since a day: snowfall and melt by elevation from the weather, scaled to the sites' changes."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from pipeline.ground import GroundRecord
from pipeline.methods.canopy import site_exposure
from pipeline.methods.carry import SPARE_MM, Pattern, Turnover
from pipeline.methods.forcing import Forcing
from pipeline.methods.regression import doubt

MELT_COUNTED = 0.8
"""Melt before the start counts towards what a place has gathered up to this share of its snowfall: beyond, it was bare and
melted nothing (trial worlds, docs/method.md)."""

FACTOR_MOST = 5.0
"""No place gathers more than this many times what the gauges catch: deeper drifts are avalanches and laser faults."""

SCALE_SD = (0.35, 0.35)
"""Prior spread of the logarithms of the two scales, on snowfall and on melt: gauges catch 60 to 95 % of the snow that falls
(common practice, no source), degree-day factors vary by half between basins (Hock 2003, Table 1)."""

SITE_SHARE = 0.15
SITE_MM = 8.0
"""Error of a site's modelled change: a share of what was gained and lost, and what instruments add, mm."""

LATER_DAYS = (*range(3, 60, 3), *range(60, 260, 10))
"""Days before the date since which snow is reckoned by itself: what fell on ground gone bare owes nothing to the melt before.
Against a march day by day eleven such days lost 5 % of the late snow on average, these 1 % (tests/methods/test_balance.py)."""

MARKS = 4
"""The sites' series are held against the model at so many days, evenly spread from the start to the end."""

ROUNDS = 8
"""Rounds of the fit; the scales settle in four to six."""


@dataclass(frozen=True)
class Gathered:
    """Snowfall and potential melt from the season's start to a day, mm, at the nodes.

    The factor of a place says how much of the gauges' snowfall it must have gathered to hold what it holds. `pattern` is the
    flight's mean SWE by elevation.
    """

    nodes_m: np.ndarray
    snowfall_mm: np.ndarray
    melt_mm: np.ndarray
    pattern: Pattern

    def factor(self, swe_mm: np.ndarray, elevation_m: np.ndarray, exposure: np.ndarray | float = 1.0) -> np.ndarray:
        """Return the accumulation factor of places by SWE, elevation and melt exposure: (w + min(M, 0.8 A)) / A.

        Where hardly any snow has fallen by the gauges, a place's snow over that of its elevation stands in: w / A is then one
        small number over another, and says nothing of the snow to come.
        """
        fallen = np.interp(elevation_m, self.nodes_m, self.snowfall_mm)
        melted = np.minimum(exposure * np.interp(elevation_m, self.nodes_m, self.melt_mm), MELT_COUNTED * fallen)
        factor = (np.asarray(swe_mm, float) + melted + SPARE_MM) / (fallen + SPARE_MM)
        told = fallen**2 / (fallen**2 + SPARE_MM**2)
        mixed = told * np.log(np.maximum(factor, 1e-6)) + (1 - told) * np.log(self.pattern.factor(swe_mm, elevation_m))
        return np.clip(np.exp(mixed), 0.0, FACTOR_MOST)


def gathered(forcing: Forcing, pattern: Pattern) -> Gathered:
    """Return what fell and could melt over the whole of the weather, beside the flight's mean SWE by elevation.

    Melt counts on days on which a place that gathers what the gauges catch has snow: before the first snow nothing melts.
    """
    snowfall, melt = forcing.snowfall_mm, forcing.melt_mm
    lying, counted = np.zeros(len(forcing.nodes_m)), np.zeros(len(forcing.nodes_m))
    for fallen, could in zip(snowfall, melt, strict=True):
        lying = lying + fallen
        counted += np.where(lying > 0, could, 0.0)
        lying = np.maximum(lying - could, 0.0)
    return Gathered(forcing.nodes_m, snowfall.sum(axis=0), counted, pattern)


def balance_turnover(
    ground: GroundRecord, forcing: Forcing, start_mm: pd.Series, factor: pd.Series
) -> tuple[Turnover, dict[str, float]]:
    """Return gain and loss by elevation over the weather's days, scaled to what the sites gained and lost meanwhile.

    Parameters
    ----------
    ground : the sites' series.
    forcing : the weather of the days after the start.
    start_mm, factor : SWE at the start and accumulation factor, by site_id.

    Returns
    -------
    turnover : for a place of factor 1.
    scales : snowfall and melt scales and the standard error of their logarithms.

    Notes
    -----
    Each site is marched day by day from its own SWE, w + a p S - b M, not below zero, so that its offset from its surroundings
    cancels; a and b are fitted by Gauss-Newton steps on their logarithms to the sites' series at a few days, with normal priors
    about 1 and a site far off the others doubted.
    """
    observed, marks = _observed(ground, forcing, start_mm.index)
    scales, spread = _scales(ground, forcing, (start_mm, factor), observed, marks)
    gain, loss = scales[0] * forcing.snowfall_mm, scales[1] * forcing.melt_mm
    turnover = replace(turnover_of(forcing.nodes_m, gain, loss), unheard_days=int((~forcing.heard).sum()))
    names = ("snowfall_scale", "melt_scale", "snowfall_log_se", "melt_log_se")
    return turnover, dict(zip(names, (float(v) for v in (*scales, *spread)), strict=True))


def turnover_of(nodes_m: np.ndarray, gain_mm: np.ndarray, loss_mm: np.ndarray) -> Turnover:
    """Return the sums of (day, node) gains and losses, over all days and since each of `LATER_DAYS`."""
    later = tuple(
        (gain_mm[-days:].sum(axis=0), loss_mm[-days:].sum(axis=0)) for days in LATER_DAYS if days < len(gain_mm)
    )
    return Turnover(nodes_m, gain_mm.sum(axis=0), loss_mm.sum(axis=0), 0, later)


def _observed(ground: GroundRecord, forcing: Forcing, sites: pd.Index) -> tuple[pd.DataFrame, np.ndarray]:
    """Return the sites' SWE at the marked days (mark, site), missing where not known, and the marks as row numbers."""
    marks = (
        np.unique(np.linspace(0, len(forcing.days) - 1, MARKS + 1).round().astype(int)[1:]) if len(forcing.days) else []
    )
    days = forcing.days[marks]
    series = [part.reindex(index=days, columns=sites) for part in (ground.station_series, ground.course_series)]
    return series[0].fillna(series[1]), np.asarray(marks, int)


def _scales(
    ground: GroundRecord,
    forcing: Forcing,
    begun: tuple[pd.Series, pd.Series],
    observed: pd.DataFrame,
    marks: np.ndarray,
) -> tuple[np.ndarray, np.ndarray]:
    """Return the scales on snowfall and melt and the standard errors of their logarithms."""
    prior = np.array(SCALE_SD)
    told = observed.columns[observed.notna().any()]
    if not len(told) or not len(marks):
        return np.ones(2), prior
    elevation = ground.sites.loc[told, "elevation_m"].to_numpy(float)
    snowfall, melt = (
        node_to_sites(field, forcing.nodes_m, elevation) for field in (forcing.snowfall_mm, forcing.melt_mm)
    )
    melt *= site_exposure(ground.sites.loc[told], southern=ground.southern)
    start, factor = begun[0][told].to_numpy(float), begun[1][told].to_numpy(float)
    seen = observed[told].to_numpy(float)
    turned = np.cumsum(factor * snowfall + melt, axis=0)[marks]
    # What was gained and lost is no more than there was to lose.
    size = np.minimum(turned, start + 2 * np.cumsum(factor * snowfall, axis=0)[marks])
    # Marks of one site err alike: together they count as about two.
    sd = np.sqrt(len(marks) / 2.0) * np.hypot(SITE_MM, SITE_SHARE * size)

    def left(log_scales: np.ndarray) -> np.ndarray:
        a, b = np.exp(log_scales)
        return seen - march(start, a * factor * snowfall, b * melt)[marks]

    there = np.isfinite(seen)
    scales, step = np.zeros(2), 0.02
    for _ in range(ROUNDS):
        off = left(scales)
        slopes = np.stack([(off - left(scales + step * unit)) / step for unit in np.eye(2)], axis=-1)
        weight = 1.0 / (sd**2 * doubt(off / sd))
        x, y, w = slopes[there], off[there], weight[there]
        precision = (x * w[:, None]).T @ x + np.diag(prior**-2.0)
        change = np.linalg.solve(precision, (x * w[:, None]).T @ y - scales / prior**2)
        scales = np.clip(scales + np.clip(change, -0.5, 0.5), -1.5, 1.5)
    return np.exp(scales), np.sqrt(np.diag(np.linalg.inv(precision)))


def march(start_mm: np.ndarray, gain_mm: np.ndarray, loss_mm: np.ndarray) -> np.ndarray:
    """Return SWE (day, place) after each day of gains and losses (day, place), from (place,) SWE at the start.

    >>> march(np.array([10.0]), np.array([[0.0], [4.0]]), np.array([[12.0], [1.0]])).ravel()
    array([0., 3.])
    """
    out = np.empty_like(gain_mm)
    swe = np.asarray(start_mm, float)
    for day in range(len(gain_mm)):
        swe = np.maximum(swe + gain_mm[day] - loss_mm[day], 0.0)
        out[day] = swe
    return out


def node_to_sites(field: np.ndarray, nodes_m: np.ndarray, elevation_m: np.ndarray) -> np.ndarray:
    """Return a (day, node) field at (site,) elevations in m, (day, site)."""
    place = np.interp(elevation_m, nodes_m, np.arange(len(nodes_m)))
    low = np.minimum(place.astype(int), max(len(nodes_m) - 2, 0))
    share = place - low
    high = np.minimum(low + 1, len(nodes_m) - 1)
    return field[:, low] * (1 - share) + field[:, high] * share
