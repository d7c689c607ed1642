"""The stations' days beside the courses' visits, laid out by day and station."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

THIN_M = 0.25
"""Densities of thinner snow are no yardstick for others: it may be all new or all crust (common practice, no source)."""

FRESH_DAYS = 7
"""So long new snow makes a pack light: later it has settled (common practice, no source)."""

NEAREST_STATION_DAYS = 2
"""A station's day this near stands for the visit's."""

STEP_DAYS = 3
"""Gains and losses are told apart over steps of three days: daily noise of some mm would count as both."""


@dataclass(frozen=True)
class StationDays:
    """Station days laid out by day and station.

    A value also stands for up to `NEAREST_STATION_DAYS` missing days after it, and then before it.

    Parameters
    ----------
    first : day number of the first row.
    swe_mm, log_density : (days, stations).
    gained_mm, lost_mm : (steps, stations) summed up from the first row on in steps of `STEP_DAYS`.
    elevation_m : (stations,).
    """

    first: int
    swe_mm: np.ndarray
    log_density: np.ndarray
    gained_mm: np.ndarray
    lost_mm: np.ndarray
    elevation_m: np.ndarray

    @classmethod
    def of(cls, daily: pd.DataFrame, elevation_m: pd.Series) -> StationDays:
        """Return the station days of a table: site_id, date, swe_mm, depth_m."""
        names = sorted(set(daily["site_id"]))
        day = days_since_epoch(daily["date"])
        first, count = (int(day.min()), int(day.max() - day.min()) + 1) if len(day) else (0, 1)
        cells = day - first, pd.Index(names).get_indexer(daily["site_id"])
        swe, depth = np.full((count, len(names)), np.nan), np.full((count, len(names)), np.nan)
        swe[cells], depth[cells] = daily["swe_mm"].to_numpy(float), daily["depth_m"].to_numpy(float)
        swe, depth = (
            pd.DataFrame(v).ffill(limit=NEAREST_STATION_DAYS).bfill(limit=NEAREST_STATION_DAYS) for v in (swe, depth)
        )
        density = np.log((swe / depth.where(depth > THIN_M)).where(swe > 0))
        step = swe.interpolate(limit_area="inside").iloc[::STEP_DAYS].diff().fillna(0.0)
        return cls(
            first,
            swe.to_numpy(),
            density.to_numpy(),
            step.clip(lower=0).cumsum().to_numpy(),
            (-step).clip(lower=0).cumsum().to_numpy(),
            elevation_m.reindex(names).to_numpy(float),
        )

    def at(self, values: np.ndarray, day: int) -> np.ndarray:
        """Return a day's row.

        All its values are missing outside the days there are.
        """
        row = int(day) - self.first
        return values[row] if 0 <= row < len(values) else np.full(values.shape[1], np.nan)

    def risen(self, day: int) -> float:
        """Return how much SWE rose in the last days, mm.

        It is what a tenth of the stations exceeded in the `FRESH_DAYS` days up to a day and the next day. A station
        that reads at midnight has the day's snow on the next. It is missing where no station has a value.
        """
        row = int(day) - self.first
        rows = self.swe_mm[max(row - FRESH_DAYS, 0) : max(row + 2, 0)]
        rows = rows[:, np.isfinite(rows).any(axis=0)] if len(rows) else rows
        if not rows.size:
            return np.nan
        lowest = np.minimum.accumulate(np.where(np.isnan(rows), np.inf, rows), axis=0)
        return float(np.quantile(np.nanmax(rows - lowest, axis=0), 0.9))

    def between(self, start: int, end: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Return SWE at the start, gain and loss, each in mm.

        Only the stations with a value on both days are included.
        """
        first, last = self.at(self.swe_mm, start), self.at(self.swe_mm, end)
        both = np.isfinite(first) & np.isfinite(last)
        if not both.any():
            return np.zeros(0), np.zeros(0), np.zeros(0)
        begin, finish = (round((int(day) - self.first) / STEP_DAYS) for day in (start, end))
        finish = min(finish, len(self.gained_mm) - 1)
        gain, loss = (total[finish] - total[begin] for total in (self.gained_mm, self.lost_mm))
        return first[both], gain[both], loss[both]


def days_since_epoch(dates: pd.Series) -> np.ndarray:
    """Return dates as whole days since an epoch."""
    return dates.to_numpy("datetime64[D]").astype(int)
