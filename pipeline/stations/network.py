"""What the other records of a network make of each one, day by day: the ground of the checks on air and precipitation."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from snowtally.stations.neighbour_checks import column_medians
from snowtally.stations.neighbours import others_quantile

LINE_RECORDS = 5
"""Fewer records than this on a day do not show its change with elevation robustly: the usual one is taken."""

LINE_APART_M = 100.0
"""Records closer in elevation than this show more of their sites than of a change with elevation."""

MOST_OF_A_HALF = 30
"""Records of each half of a large network from which the change with elevation is taken."""


MOST = 0.75
"""Share of the others that must agree. Half are too few: arctic air that leans against a range lies on the stations of one side, and in
the real records a thermometer on the other side stood against three of five (trial, 2000 to 2009)."""


@dataclass(frozen=True)
class Network:
    """Elevations of the stations, and the weather table.

    The checks of air temperature and precipitation use them.

    Parameters
    ----------
    elevation_m : by site_id.
    weather : days of the weather table: date, elevation_m, air_temperature_c, precipitation_mm; may be empty.
    latitude, longitude : of the basin, degrees north and east, missing where unknown.
    """

    elevation_m: pd.Series
    weather: pd.DataFrame = field(default_factory=pd.DataFrame)
    latitude: float = np.nan
    longitude: float = np.nan

    def heights(self, names: list[str]) -> np.ndarray:
        """Return the elevations of stations, m, (stations,), missing where unknown."""
        return self.elevation_m.reindex(names).to_numpy(float)

    def table(self, name: str, days: pd.DatetimeIndex) -> tuple[np.ndarray, float]:
        """Return a column of the weather table, and its elevation.

        The values are those of the given days, (days,). The elevation is in m. Both are missing where the table has no
        values.
        """
        if name not in self.weather or self.weather[name].isna().all():
            return np.full(len(days), np.nan), np.nan
        rows = self.weather.dropna(subset=[name, "elevation_m"])
        by_day = rows.groupby("date")[name].mean().reindex(days)
        return by_day.to_numpy(float), float(rows["elevation_m"].mean())


@dataclass(frozen=True)
class Agreement:
    """How records of one quantity go together.

    Parameters
    ----------
    usual_slope : change with elevation in a kilometre where too few records show it.
    slopes : least and greatest change that is believed.
    agree : records within this of their median agree.
    most_offset : greatest usual offset of a record from its neighbours that is believed.
    """

    usual_slope: float
    slopes: tuple[float, float]
    agree: float
    most_offset: float


@dataclass(frozen=True)
class Comparison:
    """Each record beside what the others make of it; all (days, records).

    Parameters
    ----------
    expected : the others' median moved to the record's elevation, with the record's own usual offset.
    agreed : the record has two others or more, and three quarters of them agree.
    alike : some other record is like it, moved by the usual slope: two in one valley's cold air, whatever the others read.
    lone : the record has exactly one other.
    """

    expected: np.ndarray
    agreed: np.ndarray
    alike: np.ndarray
    lone: np.ndarray


def compare(table: np.ndarray, elevation_m: np.ndarray, agreement: Agreement) -> Comparison:
    """Return what the other records make of each.

    Parameters
    ----------
    table : (days, records), missing where a record has no value.
    elevation_m : (records,); a record without one is compared with nobody.
    """
    known = np.isfinite(elevation_m)
    trend = slopes(table, elevation_m, agreement)[:, None] * (
        elevation_m - elevation_m[known].mean() if known.any() else elevation_m
    )
    trend /= 1000.0
    level = table - trend
    offset = _usual_offsets(level - column_medians(level.T)[:, None], agreement.most_offset)
    level = level - offset
    others = others_quantile(level, 0.5)
    there = np.isfinite(level)
    count = there.sum(axis=1, keepdims=True) - there
    near = np.zeros(table.shape, np.int64)
    for record in range(table.shape[1]):
        close = np.abs(level - others[:, [record]]) <= agreement.agree
        close[:, record] = False
        near[:, record] = close.sum(axis=1)
    alike = alike_another(table - offset, elevation_m, agreement)
    return Comparison(others + offset + trend, (count > 1) & (near >= MOST * count), alike, count == 1)


def alike_another(table: np.ndarray, elevation_m: np.ndarray, agreement: Agreement) -> np.ndarray:
    """Return which values are like another record's, (days, records).

    The records of a day are compared after the usual slope has moved them to one elevation.
    """
    level = table - agreement.usual_slope * elevation_m / 1000.0
    ranked = np.sort(level, axis=1)
    gap = np.full((len(level), level.shape[1] + 1), np.inf)
    gap[:, 1:-1] = np.nan_to_num(np.diff(ranked, axis=1), nan=np.inf)
    nearest = np.empty_like(level)
    np.put_along_axis(nearest, np.argsort(level, axis=1), np.minimum(gap[:, 1:], gap[:, :-1]), axis=1)
    return np.isfinite(level) & (nearest <= agreement.agree)


def slopes(table: np.ndarray, elevation_m: np.ndarray, agreement: Agreement) -> np.ndarray:
    """Return each day's change in a kilometre of elevation, (days,).

    It is the median of the slopes between records of the lower and of the upper half of the network. A few wrong
    records do not move it (Theil 1950; the halves after Theil's abbreviated method, from memory).
    """
    usual = np.full(len(table), agreement.usual_slope)
    order = np.argsort(elevation_m, kind="stable")[: np.isfinite(elevation_m).sum()]
    if len(order) < LINE_RECORDS:
        return usual
    half = len(order) // 2
    thin = max(1, half // MOST_OF_A_HALF)
    low, high = (side.ravel() for side in np.meshgrid(order[:half:thin], order[-half::thin]))
    apart = elevation_m[high] - elevation_m[low]
    low, high, apart = (side[apart >= LINE_APART_M] for side in (low, high, apart))
    if not len(apart):
        return usual
    slope = (table[:, high] - table[:, low]) / (apart / 1000.0)
    enough = np.isfinite(table[:, order]).sum(axis=1) >= LINE_RECORDS
    enough &= np.isfinite(slope).sum(axis=1) >= LINE_RECORDS
    return np.where(enough, np.clip(column_medians(slope.T), *agreement.slopes), usual)


SHRINK_DAYS = 15.0
"""A usual offset counts half after so many days: the first days of a season are no habit."""


def _usual_offsets(away: np.ndarray, most: float) -> np.ndarray:
    """Return each record's usual distance from the middle, (records,).

    It is the median of `away`. It is shrunk where the record has few days, and no larger than `most`.
    """
    days = np.isfinite(away).sum(axis=0)
    middle = np.nan_to_num(column_medians(away))
    return np.clip(middle * days / (days + SHRINK_DAYS), -most, most)


def span(values: np.ndarray, digits: int = 0) -> str:
    """Return the least and the greatest of some values as text.

    >>> span(np.array([3.0, np.nan, -1.04]), 1), span(np.array([np.nan]))
    ('-1.0 to 3.0', 'nothing')
    """
    values = values[np.isfinite(values)]
    return f"{values.min():.{digits}f} to {values.max():.{digits}f}" if len(values) else "nothing"


def stretches(seeds: np.ndarray, near: np.ndarray, link_days: int) -> np.ndarray:
    """Return seeds with the days between and beside them.

    Days between two seeds no more than `link_days` apart are included. So are the unbroken days of `near` before and
    after.

    Parameters
    ----------
    seeds, near : (days, records) masks.

    >>> stretches(np.array([[0, 0, 1, 0, 1, 0, 0]]).T == 1, np.array([[1, 0, 0, 0, 0, 1, 0]]).T == 1, 2).ravel().astype(int)
    array([0, 0, 1, 1, 1, 1, 0])
    """
    grown = np.zeros_like(seeds)
    for record in np.flatnonzero(seeds.any(axis=0)):
        days = np.flatnonzero(seeds[:, record])
        groups = np.split(days, np.flatnonzero(np.diff(days) > link_days) + 1)
        for group in groups:
            first, last = group[0], group[-1]
            while first > 0 and near[first - 1, record]:
                first -= 1
            while last + 1 < len(seeds) and near[last + 1, record]:
                last += 1
            grown[first : last + 1, record] = True
    return grown
