"""Air temperatures against the neighbours at their elevations: stations and the weather table alike."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from snowtally.model.rules import stations as rules
from snowtally.stations.limits import AirLimits
from snowtally.stations.neighbours import window_sum
from snowtally.stations.network import Agreement, Network, compare, span, stretches
from snowtally.stations.series import StationSeries
from snowtally.stations.stretches import group_sums, zigzags

NAME = "air_temperature_c"

TOGETHER = Agreement(usual_slope=-6.0, slopes=(-10.0, 40.0), agree=6.0, most_offset=6.0)
"""K and K/km. A mountain's air falls by 6 K/km on average, dry air never by more than 10 for long (common practice, no source), an
inversion rises by up to 40 across a network. Clean daily means of six real stations lay within 6 K of the line of the others on 99 %
of the days and within 9 K on 99.9 % (2000 to 2009); a greater usual offset than 6 K is a fault and no place."""

INVERSION_K_PER_M = 0.1
"""Cold air that fills a valley is a layer of one or two hundred metres (common practice, no source)."""

WITHIN_DAY_K = 15.0
"""A reading lies so far from its day's mean at most: half of the widest daily range (common practice, no source)."""

NEAR_SHARE = 0.5
"""Days beside a far one belong to the fault while they are off by this share of the limit to the same side."""

LINK_DAYS = 10
"""A thermometer that is far off twice within so many days is not believed in between. The real one came and went within days."""

HALF = 0.5
"""Share of the days that must be there, and of the limit within which a day is no fault (common practice, no source)."""


@dataclass(frozen=True)
class Verdict:
    """Days of records that are wrong or doubtful, (days, records).

    On a doubtful day two records contradict each other and no third one decides.

    Parameters
    ----------
    expected : what the others make of each, C.
    limit : departure beyond which a daily mean is far off, K, missing where the others do not agree.
    wrong : contradicted by others that agree, or by the season's climate.
    doubtful : contradicted by the only other record: nobody can say which of the two is wrong.
    """

    expected: np.ndarray
    limit: np.ndarray
    wrong: np.ndarray
    doubtful: np.ndarray


def judge(
    days: pd.DatetimeIndex, table: np.ndarray, heights: np.ndarray, network: Network, limits: AirLimits
) -> Verdict:
    """Return which daily mean temperatures are wrong or doubtful.

    `table` holds the daily means of the stations and of the weather table, C, (days, records). `heights` holds the
    elevations of the records, m, (records,).
    """
    comparison = compare(table, heights, TOGETHER)
    limit = _limits(table - comparison.expected, heights, limits)
    share = (table - comparison.expected) / limit
    far = np.abs(share) > 1.0
    unlikely = ~within_climate(days, table, heights, network.latitude)
    # Where both of two are beyond the climate, it is the climate.
    decided = far & comparison.lone & unlikely & (unlikely.sum(axis=1, keepdims=True) == 1)
    judged = comparison.agreed & ~comparison.alike
    for_long = (table - comparison.expected) / (limit - (1.0 - LASTING_SHARE) * limits.off_k)
    seeds = far & judged | decided | _lasting(np.where(judged, for_long, np.nan))
    near = comparison.agreed | comparison.lone
    wrong = np.zeros_like(seeds)
    for side in (1, -1):
        wrong |= stretches(seeds & (share * side > 0), near & (share * side > NEAR_SHARE), LINK_DAYS)
    wrong &= np.isfinite(table)
    doubtful = far & comparison.lone & ~wrong.any(axis=1, keepdims=True)
    return Verdict(
        comparison.expected, np.where(comparison.agreed & ~(far & comparison.alike), limit, np.nan), wrong, doubtful
    )


LASTING_DAYS, LASTING_SHARE = 10, 0.6
"""The median of ten days is wrong beyond this share of `off_k`: weather comes and goes meanwhile. Such medians of the real stations lay
within 6 K, in one outbreak of arctic air within 8 (2000 to 2009). Cold air may fill a valley for ten days and more: what is allowed
for that stays whole."""


def _lasting(share: np.ndarray) -> np.ndarray:
    """Return the days of lasting departures to one side.

    A departure lasts where its median over `LASTING_DAYS` days is beyond the limit. A median needs values on more than
    half of these days. Of such spans, the days beyond `NEAR_SHARE` of the limit to the same side are returned.

    Parameters
    ----------
    share : (days, records) departures in shares of their limit.
    """
    far = np.zeros((2, *share.shape), bool)
    if len(share) < LASTING_DAYS:
        return far[0]
    spans = np.sort(np.lib.stride_tricks.sliding_window_view(share, LASTING_DAYS, axis=0), axis=2)
    there = np.isfinite(spans).sum(axis=2)
    middle = np.take_along_axis(spans, np.maximum(there - 1, 0)[:, :, None] // 2, axis=2)[:, :, 0]
    middle[there <= HALF * LASTING_DAYS] = np.nan
    far[0, LASTING_DAYS - 1 :], far[1, LASTING_DAYS - 1 :] = middle > 1.0, middle < -1.0
    high, low = (window_sum(side, 0, LASTING_DAYS - 1) > 0 for side in far)
    return high & (share > NEAR_SHARE) | low & (share < -NEAR_SHARE)


def _limits(away: np.ndarray, heights: np.ndarray, limits: AirLimits) -> np.ndarray:
    """Return the departure beyond which each value is wrong, K.

    An inversion makes low sites cold and high sites warm. Departures of this kind get a wider limit.
    """
    above = np.array([h - _median(np.delete(heights, i)) for i, h in enumerate(heights)])
    inverted = np.nan_to_num(np.minimum(limits.inversion_k, INVERSION_K_PER_M * np.abs(above)))
    return limits.off_k + np.where(away * above > 0, inverted, 0.0)


def _median(values: np.ndarray) -> float:
    values = values[np.isfinite(values)]
    return float(np.median(values)) if len(values) else np.nan


ZONAL_C = (14.9, -28.0)
SEASONAL_K = 15.5
"""Zonal mean temperature at sea level, C: 14.9 - 28.0 P2(sin latitude), and its yearly course by 15.5 K sin latitude (energy balance
models after North, from memory)."""

CLIMATE_K = 35.0
"""Daily means lie within this of the zonal mean brought to their height by 6 K/km, save in the coldest hollows of the continents
(common practice, no source): it only decides between two thermometers that contradict each other."""

LAG_DAYS = 30
"""The air is warmest a month after midsummer."""


def within_climate(days: pd.DatetimeIndex, table: np.ndarray, heights: np.ndarray, latitude: float) -> np.ndarray:
    """Return which daily means the climate makes believable.

    Latitude, season and elevation decide. All values are believable where the latitude is unknown. A missing value
    counts as believable.
    """
    if not np.isfinite(latitude):
        return np.ones(table.shape, bool)
    x = np.sin(np.radians(latitude))
    zonal = ZONAL_C[0] + ZONAL_C[1] * (3 * x**2 - 1) / 2
    course = np.cos(2 * np.pi * (days.day_of_year.to_numpy() - 172 - LAG_DAYS) / 365.25)
    usual = zonal + SEASONAL_K * x * course[:, None] + TOGETHER.usual_slope * heights / 1000.0
    return ~(np.abs(table - usual) > CLIMATE_K)


SPIKE_K, SPIKE_HOURS = 25.0, 13.0
"""Air does not go up or down by so much and come back within half a day (common practice, no source)."""


def spikes(series: StationSeries) -> None:
    """Set aside single air temperatures that spike.

    A spike is far from the readings before and after it, to the same side of both.
    """
    values = series.values[NAME]
    far = np.full(series.shape[1], SPIKE_K)
    rows = zigzags(values, series.hours, series.bounds, far, SPIKE_HOURS)[:, 0]
    before = values.copy()
    series.tell(
        rows,
        NAME,
        rules.AIR_SPIKE,
        evidence=lambda part: (
            f"{before[part].min():.1f} to {before[part].max():.1f} C, {SPIKE_K:.0f} K and more from both sides"
        ),
        near_hours=2.0,
    )


def air(series: StationSeries, network: Network, limits: AirLimits) -> None:
    """Set aside air temperatures that the neighbours contradict.

    It sets aside whole days, and single readings of other days. Where two records alone contradict each other and the
    season's climate does not decide, both are used and a finding says so.
    """
    days = series.days
    said, height = network.table(NAME, days)
    heights = np.append(network.heights(series.names), height)
    values = series.values[NAME]
    first = judge(days, np.column_stack([series.daily_mean(NAME), said]), heights, network, limits)
    far = _far_readings(series, first)
    # Half a day and more of them is a day that is wrong, which its own verdict tells.
    share = _shares(series, far)
    lone = far & (np.repeat(share, series.day_ends - series.day_starts) < HALF)
    everything = values.copy()
    if lone.any():
        values[lone] = np.nan
        verdict = judge(days, np.column_stack([series.daily_mean(NAME), said]), heights, network, limits)
        values[lone] = everything[lone]
    else:
        verdict = first
    expected = verdict.expected[:, :-1]

    def evidence(rows: np.ndarray) -> str:
        site = int(np.searchsorted(series.bounds, rows[0], side="right")) - 1
        of_days = expected[np.unique(series.day_of[rows]), site]
        return words(everything[rows], of_days)

    there = np.isfinite(values)
    for wrong, rule in (
        (series.days_to_readings(verdict.doubtful[:, :-1]) & ~lone, rules.AIR_OF_TWO_ALONE),
        (series.days_to_readings(verdict.wrong[:, :-1]) | lone, rules.AIR_AGAINST_NEIGHBOURS),
    ):
        series.tell(wrong & there, NAME, rule, evidence=evidence, near_hours=72.0)


def words(values: np.ndarray, expected: np.ndarray) -> str:
    """Return readings and expected values of a stretch as text.

    Both are in C. The expected values come from the neighbours.
    """
    return f"{span(values, 1)} C, where {span(expected, 1)} C is expected by the neighbours"


def _far_readings(series: StationSeries, verdict: Verdict) -> np.ndarray:
    """Return a mask of readings that are impossible on their day.

    Such a reading is further from the day's expected mean than the mean's limit plus `WITHIN_DAY_K`.
    """
    of_day = series.day_number, series.day_site
    length = series.day_ends - series.day_starts
    expected, limit = (np.repeat(table[of_day], length) for table in (verdict.expected, verdict.limit))
    return np.abs(series.values[NAME] - expected) > limit + WITHIN_DAY_K


def _shares(series: StationSeries, marked: np.ndarray) -> np.ndarray:
    """Return each station day's share of marked readings, (station days,)."""
    marks = np.where(np.isfinite(series.values[NAME]), marked.astype(float), np.nan)
    sums, counts = group_sums(marks, series.day_starts)
    return np.nan_to_num(sums) / np.maximum(counts, 1)
