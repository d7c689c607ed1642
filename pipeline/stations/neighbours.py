"""What the other stations and the gauges say of the weather at a station: snow fallen, melted, frozen or at rest."""

from __future__ import annotations

from functools import cached_property

import numpy as np

from snowtally.stations.series import StationSeries
from snowtally.statistics.few_values import median, quantile

MANY = 0.9
"""Share of the others that must have had less: a storm that reaches a tenth of the stations is a storm."""

SEES_NOON = 4
HALF_A_DAYS_RANGE_C = 8.0
"""Readings a day that see the warmest hour, and how much warmer than another hour it may be (common practice, no source)."""

FROZEN_C = -1.0
"""A day whose warmest air stays below this melts no snow, also under sun (common practice, no source)."""


class Neighbours:
    """Daily tables that support or contradict a change of snow.

    Each table is (days, stations).

    Parameters
    ----------
    series : readings as the checks have left them so far; the tables are made when first asked for.
    """

    def __init__(self, series: StationSeries) -> None:
        self.series = series
        self._spans: dict[str, tuple[np.ndarray, np.ndarray]] = {}

    @cached_property
    def swe(self) -> np.ndarray:
        """Daily SWE, mm."""
        return self.series.daily_mean("swe_mm")

    @cached_property
    def depth(self) -> np.ndarray:
        """Daily depth, m."""
        return self.series.daily_mean("depth_m")

    @cached_property
    def warmest(self) -> np.ndarray:
        """The day's warmest air, C.

        It is the station's own, else the median of the others. Days with few readings miss the warmest hour, so
        `HALF_A_DAYS_RANGE_C` is added to them.
        """
        own = self.series.daily_extremes("air_temperature_c")[1]
        # A reading or two a day miss the warmest hour.
        own = own + np.where(self.series.daily_count("air_temperature_c") < SEES_NOON, HALF_A_DAYS_RANGE_C, 0.0)
        return np.where(np.isfinite(own), own, others_quantile(own, 0.5))

    @cached_property
    def mean_temperature(self) -> np.ndarray:
        """The day's mean air temperature, C.

        It is the station's own, else the median of the others.
        """
        own = self.series.daily_mean("air_temperature_c")
        return np.where(np.isfinite(own), own, others_quantile(own, 0.5))

    @cached_property
    def others_precipitation(self) -> np.ndarray:
        """Precipitation that a tenth of the other gauges exceeded, mm a day."""
        return others_quantile(self.series.precipitation, MANY)

    def precipitation(self, site: int, days: tuple[int, int]) -> float:
        """Return the precipitation at and near a station, mm.

        It covers the first to the last day. It is the greatest of three values: the station's own gauge, what a tenth
        of the other gauges exceeded, and the rise of SWE that a tenth of the other stations exceeded. It is missing
        where all three are missing.
        """
        a, b = max(days[0], 0), days[1] + 1
        own = _sum(self.series.precipitation[a:b, site])
        gauges = _sum(self.others_precipitation[a:b, site])
        return float(np.fmax(np.fmax(own, gauges), self.change_of_others(site, (a, days[1]), MANY)))

    def fallen_here(self, site: int, days: tuple[int, int]) -> float:
        """Return what most likely fell at the station, mm.

        It covers the first to the last day. It is what the station's own gauge caught, else the median change of the
        others' SWE.
        """
        own = _sum(self.series.precipitation[max(days[0], 0) : days[1] + 1, site])
        return own if np.isfinite(own) else self.change_of_others(site, days, 0.5)

    def change_of_others(self, site: int, days: tuple[int, int], share: float, name: str = "swe_mm") -> float:
        """Return a quantile of the others' change over the days.

        It is the change in SWE (mm) or depth (m) that `share` of the others stayed below. It is missing where no other
        station has a change.
        """
        table = self.swe if name == "swe_mm" else self.depth
        first, last = max(days[0], 0), min(days[1], len(table) - 1)
        change = np.delete(table[last] - table[first], site)
        change = change[np.isfinite(change)]
        return quantile(change, share) if len(change) else np.nan

    def change_here(self, site: int, days: tuple[int, int]) -> float:
        """Return the change of the station's own SWE, mm.

        It covers the first to the last day. It is 0 where either value is missing.
        """
        first, last = max(days[0], 0), min(days[1], len(self.swe) - 1)
        return float(np.nan_to_num(self.swe[last, site] - self.swe[first, site]))

    def at_rest(self, name: str, site: int, days: tuple[int, int]) -> bool:
        """Return whether the other stations' readings rested too.

        The median range of their readings decides. If they rested, the weather was cold and still, and the sensor is
        not stuck. It is false where no other station has readings.
        """
        low, high = self._extremes(name)
        part = slice(days[0], days[1] + 1)
        lows, highs = np.delete(low[part], site, axis=1), np.delete(high[part], site, axis=1)
        there = np.isfinite(lows).any(axis=0)
        if not there.any():
            return False
        span = np.nanmax(highs[:, there], axis=0) - np.nanmin(lows[:, there], axis=0)
        return median(span) <= RESTING[name]

    def bare_ground(self, zero_mm: float) -> np.ndarray:
        """Return the days of bare ground at each station, (days, stations).

        Ground is bare where the depth sensor shows no snow for five days, in air above `THAW_C` or while no station has
        snow. It is also bare where each of five days has a mean of 8 C or more and no depth of snow: such days melt
        100 mm and more (common practice, no source). Where SWE falls meanwhile, there is snow.

        Parameters
        ----------
        zero_mm : SWE of the others below this is no snow.
        """
        # In colder air a depth of nothing may be the depth sensor's fault: no snow anywhere must bear it out, and SWE that
        # does not rise as in the season's first storms.
        change = change_over(self.swe, BARE_DAYS - 1)
        nobody = (np.abs(self.swe) < AUTUMN_MM) & (others_quantile(self.swe, 0.5) < zero_mm) & ~(change > NO_MELT_MM)
        seen = (self.depth <= BARE_DEPTH_M) & ((self.mean_temperature > THAW_C) | nobody)
        hot = (self.mean_temperature >= WARM_C) & ~(self.depth > BARE_DEPTH_M)
        still = change > -NO_MELT_MM
        ends = still & (
            (window_sum(seen, BARE_DAYS - 1, 0) == BARE_DAYS) | (window_sum(hot, BARE_DAYS - 1, 0) == BARE_DAYS)
        )
        return (window_sum(ends, 0, BARE_DAYS - 1) > 0) & np.isfinite(self.swe)

    def _extremes(self, name: str) -> tuple[np.ndarray, np.ndarray]:
        if name not in self._spans:
            self._spans[name] = self.series.daily_extremes(name)
        return self._spans[name]


BARE_DAYS = 5
BARE_DEPTH_M = 0.05
THAW_C = 1.0
WARM_C = 8.0
AUTUMN_MM = 100.0
NO_MELT_MM = 8.0

RESTING = {"swe_mm": 1.0, "depth_m": 0.01}
"""Readings that change by no more than their rounding rest."""


def _sum(values: np.ndarray) -> float:
    there = values[np.isfinite(values)]
    return float(there.sum()) if len(there) else np.nan


def others_quantile(table: np.ndarray, share: float, least: int = 1) -> np.ndarray:
    """Return the daily quantile of all other stations' values.

    For each station it is the value that `share` of the others lie below.

    Parameters
    ----------
    table : (days, stations), missing where a station has no value.
    share : 0..1; the nearest of the others' values is taken, none in between.
    least : with fewer others than this the result is missing.

    Returns
    -------
    array : (days, stations).

    >>> others_quantile(np.array([[1.0, 2.0, 9.0]]), 0.5)
    array([[2., 1., 1.]])
    """
    own = np.isfinite(table)
    order = np.argsort(table, axis=1, kind="stable")
    rank = np.empty_like(order)
    np.put_along_axis(rank, order, np.arange(table.shape[1])[None, :].repeat(len(table), axis=0), axis=1)
    ranked = np.take_along_axis(table, order, axis=1)
    others = own.sum(axis=1, keepdims=True) - own
    take = np.floor(share * np.maximum(others - 1, 0)).astype(np.int64)
    take = np.minimum(take + (own & (rank <= take)), max(table.shape[1] - 1, 0))
    chosen = np.take_along_axis(ranked, take, axis=1) if table.shape[1] else table
    return np.where(others >= least, chosen, np.nan)


def window_sum(table: np.ndarray, back: int, ahead: int) -> np.ndarray:
    """Return sums over a window of days about each day.

    The window is from `back` days before to `ahead` days after. A missing value counts as 0.

    >>> window_sum(np.array([[1.0], [2.0], [4.0]]), 1, 0).ravel()
    array([1., 3., 6.])
    """
    days = len(table)
    total = np.vstack([np.zeros((1, table.shape[1])), np.cumsum(np.nan_to_num(table.astype(float)), axis=0)])
    stop = np.minimum(np.arange(days) + ahead + 1, days)
    start = np.maximum(np.arange(days) - back, 0)
    return total[stop] - total[start]


def change_over(table: np.ndarray, days: int) -> np.ndarray:
    """Return the change up to each day, (days, stations).

    It is the change over the last `days` days. It is missing at the start.
    """
    change = np.full(table.shape, np.nan)
    change[days:] = table[days:] - table[:-days]
    return change
