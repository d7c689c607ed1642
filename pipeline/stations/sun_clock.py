"""Whether a file's times agree with the sun: by the daily wave of its air temperature."""

from __future__ import annotations

import calendar
import datetime as dt
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from snowtally.model.problems import Finding
from snowtally.model.rules import slips as rules
from snowtally.stations.clock_checks import LEAST_AMPLITUDE_C, daily_waves
from snowtally.stations.network import Network
from snowtally.stations.series import StationSeries

DEGREES_AN_HOUR = 15.0
"""The earth turns so far in an hour."""

WARMEST_HOUR = 14.5
"""Hour of the sun's time at which the daily wave of air temperature is highest: two to three hours after noon (common practice, no
source)."""

OFF_HOURS = 4.0
"""Slope, shade and air drainage move the warmest hour by up to two hours; twice that is a wrong clock (chosen)."""

LEAST_DAYS = 20
"""Days of readings from which the wave of a station is told (chosen: fronts average out)."""

TOGETHER_HOURS, LEAST_STATIONS = 2.0, 2
"""Stations of a file that agree so well tell of its clock; one alone may have a clock of its own (chosen)."""

STEP_DAYS = 14
"""Days before and after a change of the clock whose waves are compared: America's and Europe's changes are two weeks apart."""

STEP_HOURS = (0.6, 1.5)
"""A change of an hour, as two weeks of weather show it (chosen)."""

STEP_SURE = 4.0
"""The step must be so many times what the warmest hour moves by on other days (robust standard deviations; chosen)."""


def clocks_against_sun(series: StationSeries, network: Network) -> None:
    """Report files whose times the sun contradicts, and note those that seem to be put forward in summer.

    Parameters
    ----------
    network : where the stations stand; without a longitude nothing is told.
    """
    if not np.isfinite(network.longitude) or len(series) == 0:
        return
    waves, counts = daily_waves(series)
    first_rows = series.bounds[:-1]
    files = series.records["file"].astype(str).to_numpy()[first_rows]
    total, readings, days = waves.sum(axis=0), counts.sum(axis=0), (counts > 0).sum(axis=0)
    clear = (2.0 * np.abs(total) >= LEAST_AMPLITUDE_C * np.maximum(readings, 1)) & (days >= LEAST_DAYS)
    hour = np.angle(total) * 24.0 / (2.0 * np.pi) + network.longitude / DEGREES_AN_HOUR
    off = _turned(hour - WARMEST_HOUR)
    # Where all files are off alike they are told together: each may hold one station.
    for own in _groups(files, clear):
        finding = _off(files[own], off[own])
        if finding is None and len(own) >= LEAST_STATIONS:
            finding = _put_forward(series, files[own], waves[:, own], network.latitude)
        if finding is not None:
            series.findings.append(finding)
            if len(own) == clear.sum():
                return


def _groups(files: np.ndarray, clear: np.ndarray) -> list[np.ndarray]:
    """Return the stations with a clear wave: all together, then those of each file."""
    each = [np.flatnonzero(clear & (files == file)) for file in np.unique(files[clear])]
    return each if len(each) == 1 else [np.flatnonzero(clear), *each] if each else []


def _off(files: np.ndarray, off: np.ndarray) -> Finding | None:
    """Return a finding where stations are all off by hours, the same way.

    Parameters
    ----------
    files, off : each station's file, and by how many hours its air is warmest too late; (stations,).
    """
    middle = float(np.median(off))
    if abs(middle) < OFF_HOURS or np.abs(_turned(off - middle)).max() > TOGETHER_HOURS:
        return None
    rule = rules.TIMES_AGAINST_SUN if len(off) >= LEAST_STATIONS else rules.TIMES_AGAINST_SUN_ONE
    about = "late" if middle > 0 else "early"
    hour, several = (WARMEST_HOUR + middle) % 24.0, len(np.unique(files))
    return Finding(
        rule,
        file=str(files[0]),
        evidence=f"the air at {len(off)} station{'s' * (len(off) > 1)}{f' in {several} files' if several > 1 else ''} is warmest at {_clock(hour)} of the sun's time, where "
        f"{_clock(WARMEST_HOUR)} is usual",
        detail=rule.says(hours=abs(round(middle)), about=about),
    )


@dataclass(frozen=True)
class _Change:
    """A day on which clocks are changed; `hours` is how much later the times are written from then on."""

    day: dt.date
    hours: int


def _put_forward(series: StationSeries, files: np.ndarray, waves: np.ndarray, latitude: float) -> Finding | None:
    """Return a note where the daily wave of all stations moves by an hour on the day of a change of clocks."""
    moved = _moved(waves)
    known = np.isfinite(moved)
    if known.sum() < 3 * STEP_DAYS:
        return None
    usual = 1.4826 * float(np.median(np.abs(moved[known] - np.median(moved[known]))))
    days = series.days.date
    for change in _changes(days[0], days[-1], southern=latitude < 0):
        at = (change.day - days[0]).days
        step = change.hours * moved[at] if 0 <= at < len(moved) else np.nan
        if STEP_HOURS[0] <= step <= STEP_HOURS[1] and step >= STEP_SURE * usual:
            which = "later" if change.hours > 0 else "earlier"
            return Finding(
                rules.SUMMER_TIME,
                file=str(files[0]),
                start=str(change.day),
                end=str(change.day),
                evidence=f"from this day on the air of {waves.shape[1]} stations is warmest {step:.1f} h {which}",
                detail=rules.SUMMER_TIME.message,
            )
    return None


def _moved(waves: np.ndarray) -> np.ndarray:
    """Return by how many hours the warmest hour is later from each day on, the median of the stations, (days,)."""
    total = np.vstack([np.zeros((1, waves.shape[1]), complex), np.cumsum(waves, axis=0)])
    days = np.arange(len(waves))
    inside = (days >= STEP_DAYS) & (days <= len(waves) - STEP_DAYS)
    after = total[np.minimum(days + STEP_DAYS, len(waves))] - total[days]
    before = total[days] - total[np.maximum(days - STEP_DAYS, 0)]
    turned = np.angle(after * np.conj(before)) * 24.0 / (2.0 * np.pi)
    return np.where(inside, np.median(turned, axis=1), np.nan)


def _changes(first: dt.date, last: dt.date, *, southern: bool) -> Iterator[_Change]:
    """Yield the days on which lands of a hemisphere change their clocks (IANA time zone database)."""
    for year in range(first.year, last.year + 1):
        forward = (
            [_sunday(year, 9, -1), _sunday(year, 10, 0)] if southern else [_sunday(year, 3, 1), _sunday(year, 3, -1)]
        )
        back = [_sunday(year, 4, 0)] if southern else [_sunday(year, 10, -1), _sunday(year, 11, 0)]
        for hours, days in ((1, forward), (-1, back)):
            yield from (_Change(day, hours) for day in days if first <= day <= last)


def _sunday(year: int, month: int, number: int) -> dt.date:
    """Return a month's Sunday by its number from 0 on; -1 is the last.

    >>> _sunday(2031, 3, -1), _sunday(2031, 3, 1)
    (datetime.date(2031, 3, 30), datetime.date(2031, 3, 9))
    """
    days = calendar.Calendar(calendar.SUNDAY).monthdatescalendar(year, month)
    return [week[0] for week in days if week[0].month == month][number]


def _turned(hours: np.ndarray) -> np.ndarray:
    """Return differences of hours as -12 to 12."""
    return (hours + 12.0) % 24.0 - 12.0


def _clock(hour: float) -> str:
    minutes = round(hour * 60) % 1440
    return f"{minutes // 60:02d}:{minutes % 60:02d}"
