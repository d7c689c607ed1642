"""Station readings as columns and as station days: what every station check works on, and how a check speaks."""

from __future__ import annotations

from collections.abc import Callable
from functools import cached_property
from itertools import pairwise

import numpy as np
import pandas as pd

from snowtally.model.problems import Finding
from snowtally.model.rules.rule import Action, Rule
from snowtally.model.season import first_of_season
from snowtally.stations.precipitation import steps_of_totals
from snowtally.stations.stretches import group_extremes, group_sums

READ = ("swe_mm", "depth_m", "air_temperature_c")
"""The readings of snow and air."""

GAUGED = ("precipitation_mm", "precipitation_total_mm")
"""The readings of gauges."""

UNITS = {
    "swe_mm": "mm",
    "depth_m": "m",
    "air_temperature_c": "C",
    "precipitation_mm": "mm",
    "precipitation_total_mm": "mm",
}

QUANTITIES = {
    "swe_mm": "SWE",
    "depth_m": "depth",
    "air_temperature_c": "air temperature",
    "precipitation_mm": "precipitation",
    "precipitation_total_mm": "precipitation total",
}
"""What people call each column."""

NEAR_HOURS = 24.0
"""Faulty readings of one rule no further apart than this are one finding."""


class StationSeries:
    """Readings of all stations, with tables of their station days.

    The readings are sorted by station and time.

    Parameters
    ----------
    records : site_id, time (UTC), date (local day), swe_mm, depth_m, air_temperature_c, precipitation_mm,
        precipitation_total_mm, file, line; in any order.
    season_start : month and day on which a snow season begins; corrections and comparisons do not reach beyond it.

    Attributes
    ----------
    names : the stations, sorted.
    bounds : (stations + 1,) first reading of each station.
    hours : (readings,) hours since 1970, UTC.
    values : the readings by column name, arrays that the checks change in place.
    findings : what the checks noticed.
    """

    def __init__(self, records: pd.DataFrame, season_start: str = "10-01") -> None:
        self.season_start = season_start
        codes, names = _codes(records["site_id"])
        seconds = records["time"].to_numpy("datetime64[s]").astype(np.int64)
        if _out_of_order(codes, seconds):
            # A station's time that stands twice is put in the order of file and line, so that row order means nothing.
            order = np.lexsort((records["line"].to_numpy(), records["file"].astype(str).to_numpy(), seconds, codes))
            records, codes, seconds = records.iloc[order], codes[order], seconds[order]
        self.records = records.reset_index(drop=True)
        self.names = names
        self.bounds = np.searchsorted(codes, np.arange(len(names) + 1))
        self.hours = seconds / 3600.0
        self.values = {name: records[name].to_numpy(float, copy=True) for name in (*READ, *GAUGED)}
        self.findings: list[Finding] = []
        self._number_days(codes)

    def _number_days(self, codes: np.ndarray) -> None:
        """Find the station days and their first readings.

        Each station day also gets its place in a table of days by stations.
        """
        day = self.records["date"].to_numpy().astype("datetime64[D]").astype(np.int64)
        new = np.ones(len(day), bool)
        new[1:] = (np.diff(day) != 0) | (np.diff(codes) != 0)
        self.day_starts = np.flatnonzero(new)
        self.day_ends = np.append(self.day_starts[1:], len(day))
        self.day_site = codes[self.day_starts].astype(np.int64)
        first = int(day.min()) if len(day) else 0
        self.first_day = np.datetime64(first, "D")
        self.day_number = day[self.day_starts] - first
        self.shape = (int(self.day_number.max()) + 1 if len(day) else 0, len(self.names))

    def __len__(self) -> int:
        """Return the number of readings."""
        return len(self.hours)

    def stations(self) -> list[slice]:
        """Return each station's stretch of the readings."""
        return [slice(a, b) for a, b in zip(self.bounds[:-1], self.bounds[1:], strict=True)]

    @cached_property
    def days(self) -> pd.DatetimeIndex:
        """The days of the tables."""
        return pd.DatetimeIndex((self.first_day + np.arange(self.shape[0])).astype("datetime64[s]"))

    @cached_property
    def seasons(self) -> np.ndarray:
        """Season of each day of the tables, numbered from the first, (days,)."""
        season = np.array([first_of_season(day, self.season_start).year for day in self.days.date], np.int64)
        return season - season.min() if len(season) else season

    @cached_property
    def station_days(self) -> np.ndarray:
        """Number of each station day, (days, stations).

        It is -1 where a station has none.
        """
        table = np.full(self.shape, -1)
        table[self.day_number, self.day_site] = np.arange(len(self.day_starts))
        return table

    @cached_property
    def day_of(self) -> np.ndarray:
        """Day number of each reading."""
        return np.repeat(self.day_number, self.day_ends - self.day_starts)

    def season_end(self, row: int, site: int) -> int:
        """Return the row after the last reading of a reading's season."""
        last = np.searchsorted(self.seasons, self.seasons[self.day_of[row]], side="right")
        a, b = self.bounds[site], self.bounds[site + 1]
        return int(a + np.searchsorted(self.day_of[a:b], last, side="left"))

    def by_day(self, of_day: np.ndarray) -> np.ndarray:
        """Return values of station days as a (days, stations) table.

        `of_day` has one value for each station day. The table is missing where a station has none.
        """
        table = np.full(self.shape, np.nan)
        table[self.day_number, self.day_site] = of_day
        return table

    def daily_mean(self, name: str) -> np.ndarray:
        """Return the days' means of the readings, (days, stations)."""
        return self.by_day(self.day_means(name))

    def day_means(self, name: str) -> np.ndarray:
        """Return the mean reading of each station day, (station days,).

        It is missing where the day has no reading.
        """
        sums, counts = group_sums(self.values[name], self.day_starts)
        return sums / np.maximum(counts, 1)

    def daily_count(self, name: str) -> np.ndarray:
        """Return the days' numbers of readings, (days, stations)."""
        return self.by_day(group_sums(self.values[name], self.day_starts)[1].astype(float))

    def daily_extremes(self, name: str) -> tuple[np.ndarray, np.ndarray]:
        """Return the days' least and greatest readings, each (days, stations)."""
        least, greatest = group_extremes(self.values[name], self.day_starts)
        return self.by_day(least), self.by_day(greatest)

    @cached_property
    def precipitation(self) -> np.ndarray:
        """Daily precipitation of each station's own gauge, mm.

        The table is (days, stations). It is missing where no gauge reported.
        """
        return self.by_day(group_sums(self.gauge_steps, self.day_starts)[0])

    @cached_property
    def gauge_steps(self) -> np.ndarray:
        """What each station's own gauge caught in each step, mm.

        A step ends at each reading, (readings,). It is missing where the gauge did not report.
        """
        fallen, totals = (self.values[name] for name in GAUGED)
        return np.where(np.isnan(fallen), steps_of_totals(totals, self.bounds), fallen)

    def count_in_steps(self, sites: np.ndarray) -> None:
        """Turn accumulated totals of some stations into steps.

        A stretch of steps can then be set aside by itself. The totals become missing.

        Parameters
        ----------
        sites : numbers of the stations.
        """
        steps = self.gauge_steps
        for site in sites:
            rows = slice(self.bounds[site], self.bounds[site + 1])
            self.values["precipitation_mm"][rows] = steps[rows]
            self.values["precipitation_total_mm"][rows] = np.nan

    def days_to_readings(self, days: np.ndarray) -> np.ndarray:
        """Return a mask of the readings on the marked days.

        `days` is a mask of (days, stations).
        """
        marked = days[self.day_number, self.day_site]
        return np.repeat(marked, self.day_ends - self.day_starts)

    def tell(
        self,
        wrong: np.ndarray,
        name: str,
        rule: Rule,
        *,
        evidence: Callable[[np.ndarray], str],
        detail: str = "",
        near_hours: float = NEAR_HOURS,
    ) -> None:
        """Add a finding for each unbroken stretch of marked readings.

        If the rule sets the readings aside, they become missing.

        Parameters
        ----------
        wrong : mask of the readings, or their rows in rising order.
        name : the column they stand in.
        evidence : gives the figures that broke the rule, from the marked rows of a stretch.
        detail : one sentence with the remedy, where the rule's message needs values.
        near_hours : marked readings no further apart than this belong together.
        """
        rows = np.flatnonzero(wrong) if wrong.dtype == bool else wrong
        if len(rows) == 0:
            return
        site = np.searchsorted(self.bounds, rows, side="right") - 1
        apart = (np.diff(site) != 0) | (np.diff(self.hours[rows]) > near_hours) & (np.diff(rows) > 1)
        edges = np.concatenate([[0], np.flatnonzero(apart) + 1, [len(rows)]])
        for a, b in pairwise(edges):
            part = rows[a:b]
            words = f"{QUANTITIES[name]}: {evidence(part)} ({len(part)} reading{'s' if len(part) > 1 else ''})"
            first, last = int(part[0]), int(part[-1])
            self.findings.append(
                Finding(
                    rule,
                    "stations",
                    str(self.records["file"].iloc[first]),
                    int(self.records["line"].iloc[first]),
                    self.site_of(first),
                    self.moment(first),
                    self.moment(last),
                    words,
                    detail,
                )
            )
        if rule.action is Action.SET_ASIDE:
            self.values[name][rows] = np.nan
            if name in GAUGED:
                for made in ("precipitation", "gauge_steps"):
                    self.__dict__.pop(made, None)

    def sharpest(self, name: str, site: int, window: tuple[int, int], sign: float) -> tuple[int | None, float]:
        """Return the reading after the sharpest change, and that change.

        A change is from one reading to the next within the window's days. It is positive in the direction of `sign`.
        With fewer than two readings the result is None and 0.

        Parameters
        ----------
        window : first and last day.
        sign : +1 for a rise, -1 for a fall.
        """
        a, b = self.bounds[site], self.bounds[site + 1]
        day_of = self.day_of[a:b]
        first, last = np.searchsorted(day_of, max(window[0], 0)), np.searchsorted(day_of, window[1], side="right")
        rows = a + first + np.flatnonzero(np.isfinite(self.values[name][a + first : a + last]))
        if len(rows) < 2:  # noqa: PLR2004  a change has two ends
            return None, 0.0
        steps = sign * np.diff(self.values[name][rows])
        k = int(np.argmax(steps))
        return int(rows[k + 1]), float(steps[k])

    def site_of(self, row: int) -> str:
        """Return the station of a reading."""
        return self.names[int(np.searchsorted(self.bounds, row, side="right")) - 1]

    def moment(self, row: int) -> str:
        """Return the instant of a reading as text."""
        return f"{self.records['time'].iloc[row]:%Y-%m-%dT%H:%MZ}"

    def checked(self) -> pd.DataFrame:
        """Return the records with the readings as the checks left them."""
        return self.records.assign(**self.values)


def _codes(site_ids: pd.Series) -> tuple[np.ndarray, list[str]]:
    """Return each row's station number, and the station names.

    The numbers follow the sorted names.
    """
    codes, names = pd.factorize(site_ids, sort=False)
    names = [str(name) for name in names]
    order = np.argsort(np.array(names, dtype=object), kind="stable")
    rank = np.empty(len(names), np.int32)
    rank[order] = np.arange(len(names), dtype=np.int32)
    return (rank[codes] if names else codes.astype(np.int32)), [names[i] for i in order]


def _out_of_order(codes: np.ndarray, seconds: np.ndarray) -> bool:
    same = codes[1:] == codes[:-1]
    return bool(np.any(codes[1:] < codes[:-1]) or np.any(same & (seconds[1:] <= seconds[:-1])))


def rows_with_readings(series: StationSeries, name: str, ends: tuple[int, int]) -> np.ndarray:
    """Return the rows between two rows that hold a reading.

    Both ends are included.
    """
    return ends[0] + np.flatnonzero(np.isfinite(series.values[name][ends[0] : ends[1] + 1]))


ALL_ONE = 1e9
"""Hours: one stretch is one finding, whatever gaps lie in it."""
