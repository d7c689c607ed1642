"""SWE and depth that stand still: by right, since nothing fell and nothing melted, or since the sensor is stuck."""

from __future__ import annotations

import numpy as np

from snowtally.model.rules import stations as rules
from snowtally.stations.neighbours import Neighbours
from snowtally.stations.series import UNITS, StationSeries
from snowtally.stations.stretches import still_runs
from snowtally.stations.weather_checks import CATCH
from snowtally.statistics.few_values import quantile

GAP_HOURS = 36.0
"""Readings further apart than this have a gap between them: stations report at least daily."""

BARE = {"swe_mm": 25.0, "depth_m": 0.05}
"""Bare ground reads within this of nothing, for months and rightly: a zero wanders and then rests."""

SNOW = {"swe_mm": 30.0, "depth_m": 0.15}
"""More than this is snow and not a wandering zero."""

STUCK_READINGS = {"swe_mm": 5, "depth_m": 7}
"""A plateau has at least so many readings: five days of the same whole centimetre come by chance in settled cold weather."""

HALF = 0.5

AROUND_HOURS, FAR_BELOW = 240.0, 5.0
"""A plateau so many times below the upper readings of the ten days around it is in another unit, such as mm taken for inches (chosen)."""

MISSED_MM = 5.0
"""Change of SWE that a plateau must have missed where others tell of it too, and twice as much where the own gauge alone does: a
gauge is read to a tenth of an inch or two (common practice, no source). With 7.5, of 28 planted plateaus 22 are found, with 5.0 24
(seasons 100 to 105 of the fault trial), and no clean one is set aside with either."""

STEPS_MISSED = 3.0
"""And so many of the sensor's own steps: one is its rounding, the others its stiffness (common practice, no source)."""

FROZEN_MEAN_C = 0.0
"""Precipitation of a day with no warmer mean lies as snow (common practice, no source)."""

MELT_MM_C_DAY = (1.5, 5.0)
"""Least and greatest melt of a degree-day, mm (Hock 2003, J. Hydrol. 282, 104-115, Table 1 has 1.6 to 6 for seasonal snow,
from memory)."""

HELD_SHARE = 0.1
"""Share of SWE that melt must exceed before any leaves: 5 % of liquid water that the pores hold, and as much again for snow
below 0 C (common practice, no source)."""

MOST, FEW, EVERY = 0.75, 0.25, 0.1
"""Shares of the other stations: melt here is melt at three quarters of those under snow; without a gauge here what three
quarters of the others exceeded fell here; a gauge with nothing in it stands still itself where nine tenths of them caught much."""

MISSED_FACTOR = 4.0
"""That is so many times what a plateau must have missed: valleys lie in the lee of storms (chosen)."""

SETTLED_M = 0.10
"""Half of the others' depths moved by more than this: more than noise and rounding (common practice, no source)."""

GAUGED_SHARE = 0.8
"""A gauge that was silent on more of the days than this leaves says nothing (chosen)."""


def stuck(series: StationSeries, name: str, days: float, around: Neighbours, bare: np.ndarray) -> None:
    """Set aside winter readings of a stuck sensor.

    Such readings do not move at all, although the snow must have changed or the sensor always wobbles.

    Parameters
    ----------
    name : swe_mm or depth_m.
    days : longest rest of a sensor on snow.
    around : what the other stations and the gauges said meanwhile.
    bare : days (days, stations) of bare ground, on which a sensor rests by right, at nothing or at a drifted zero.
    """
    values = series.values[name]
    runs = still_runs(values, series.hours, series.bounds, GAP_HOURS, days * 24.0)
    at = np.abs(values[runs[:, 0]])
    depth = around.depth[series.day_of[runs[:, 0]], np.searchsorted(series.bounds, runs[:, 0], side="right") - 1]
    # A small reading under snow that the depth sensor sees is no wandering zero.
    suspect = (runs[:, 2] >= STUCK_READINGS[name]) & ((at > BARE[name]) | (depth > SNOW["depth_m"]))
    if not suspect.any():
        return
    wobbles = _always_wobbles(series, name)
    stuck_runs = []
    for first, last in runs[suspect, :2]:
        site = int(np.searchsorted(series.bounds, first, side="right")) - 1
        a, b = series.day_of[first], series.day_of[last]
        if bare[a : b + 1, site].mean() > HALF or _another_level(series, name, (first, last)):
            continue
        if (
            (wobbles[site] and not around.at_rest(name, site, (a + 1, max(a + 1, b - 1))))
            or _missed(series, site, (int(first), int(last)), around)
            or (name == "depth_m" and _others_settled(around, site, slice(a, b + 1)))
        ):
            stuck_runs.append((first, last))
    tell_stuck(series, name, np.array(stuck_runs, dtype=np.int64).reshape(-1, 2))


def _missed(series: StationSeries, site: int, run: tuple[int, int], around: Neighbours) -> bool:
    """Return whether a plateau missed snowfall or melt.

    The station's own gauge is asked first. A change of SWE is at least the snow caught less the greatest melt. It is at
    most the greatest snowfall less the least melt. The plateau is sound while a change of 0 lies between these, within
    what sensors miss.
    """
    days = slice(int(series.day_of[run[0]]), int(series.day_of[run[1]]) + 1)
    limit = max(MISSED_MM, STEPS_MISSED * sensor_step(series.values["swe_mm"][series.stations()[site]]))
    air = around.mean_temperature[days, site]
    snow, fallen = _fallen(series, site, run, air <= FROZEN_MEAN_C)
    before = around.swe[days.start]
    others = np.delete(np.where(before > SNOW["swe_mm"], around.swe[days.stop - 1] - before, np.nan), site)
    gauges = _others_caught(series, site, days)
    if np.isnan(snow) or (snow < limit and _share(gauges, EVERY) > MISSED_FACTOR * limit):
        snow = fallen = np.fmax(_share(gauges, FEW), _share(others, FEW))
    warm = float(np.nansum(np.maximum(air[1:], 0.0)))
    least, greatest = (rate * warm for rate in MELT_MM_C_DAY)
    held = np.nan_to_num(before[site])
    melted = min(least - HELD_SHARE * held, held) - CATCH * np.nan_to_num(fallen)
    rise = snow - greatest
    if rise > limit:
        return bool(rise > 2 * limit or _share(others, HALF) > 2 * limit)
    return bool(melted > limit and not _share(others, MOST) > -limit)


def _others_settled(around: Neighbours, site: int, days: slice) -> bool:
    """Return whether the other stations' depths moved on these days.

    Snow settles even without a storm and without melt.
    """
    others = np.delete(around.depth[days], site, axis=1)
    others = others[:, np.isfinite(others).any(axis=0)]
    if others.shape[1] == 0:
        return False
    return float(np.median(np.nanmax(others, axis=0) - np.nanmin(others, axis=0))) > SETTLED_M


def _fallen(series: StationSeries, site: int, run: tuple[int, int], frozen: np.ndarray) -> tuple[float, float]:
    """Return what the own gauge caught during a plateau, mm.

    The first value is that of the frozen days, the second that of all days. Both are missing where the gauge is silent.

    Parameters
    ----------
    frozen : whether each day of the plateau was, (days,).
    """
    a, b = series.bounds[site], series.bounds[site + 1]
    inside = (series.hours[a:b] > series.hours[run[0]]) & (series.hours[a:b] <= series.hours[run[1]])
    inside &= np.isfinite(series.gauge_steps[a:b])
    day = series.day_of[a:b][inside] - series.day_of[run[0]]
    if len(np.unique(day)) < GAUGED_SHARE * (len(frozen) - 1):
        return np.nan, np.nan
    by_day = np.bincount(day, series.gauge_steps[a:b][inside], minlength=len(frozen))
    return float(by_day[frozen].sum()), float(by_day.sum())


def _others_caught(series: StationSeries, site: int, days: slice) -> np.ndarray:
    """Return what each other gauge caught in the days, mm.

    The first day is left out. The value is missing where the gauge was silent on many days.
    """
    fallen = np.delete(series.precipitation[days.start + 1 : days.stop], site, axis=1)
    reported = np.isfinite(fallen).mean(axis=0) >= GAUGED_SHARE
    return np.where(reported, np.nansum(fallen, axis=0), np.nan)


def _share(values: np.ndarray, share: float) -> float:
    """Return a quantile of the values.

    It is the value that `share` of them stay below. Missing values are left out. It is missing where no value is there.
    """
    values = values[np.isfinite(values)]
    return quantile(values, share) if len(values) else np.nan


FINE = 0.1
"""Place of a sensor's step among the gaps between its readings, the narrowest first: one typed by hand is among thousands (chosen)."""


def sensor_step(values: np.ndarray) -> float:
    """Return the step in which a sensor's readings change.

    It is in the readings' unit. It is 0 where all readings are equal. It is a low quantile of the gaps between
    neighbouring different readings: fast weather skips steps, and a reading typed by hand adds a narrow gap.

    >>> round(sensor_step(np.array([0.0, 2.5, 5.1, 5.1, 10.2, 12.7, np.nan])), 2)
    2.5
    """
    gaps = np.diff(np.unique(values[np.isfinite(values)]))
    return quantile(gaps, FINE) if len(gaps) else 0.0


def _another_level(series: StationSeries, name: str, run: tuple[int, int]) -> bool:
    """Return whether a stretch lies far below the days around.

    Its readings are then in another unit, which another check reports.
    """
    site = int(np.searchsorted(series.bounds, run[0], side="right")) - 1
    a, b = series.bounds[site], series.bounds[site + 1]
    hours = series.hours[a:b]
    near = slice(
        a + np.searchsorted(hours, series.hours[run[0]] - AROUND_HOURS),
        a + np.searchsorted(hours, series.hours[run[1]] + AROUND_HOURS, side="right"),
    )
    values = series.values[name][near]
    values = values[np.isfinite(values)]
    return bool(quantile(values, 0.8) > FAR_BELOW * abs(series.values[name][run[0]]))


SUBDAILY, WOBBLING_DAYS, STILL_SHARE = 3, 20, 0.05
"""Readings a day, and days on snow, that tell whether a sensor always wobbles; and the share of days that it may still rest (chosen)."""


def _always_wobbles(series: StationSeries, name: str) -> np.ndarray:
    """Return which stations' readings always change within a day.

    Only days on snow count, at least `WOBBLING_DAYS` of them. The readings may rest on at most `STILL_SHARE` of these
    days.
    """
    least, greatest = series.daily_extremes(name)
    snow = (series.daily_count(name) >= SUBDAILY) & (series.daily_mean(name) > SNOW[name])
    # A stuck sensor's own days must not hide that it always moved before: long rests count as three days at most.
    resting = snow & (least == greatest)
    rest = np.zeros(resting.shape[1])
    run = np.zeros(resting.shape[1])
    for day in resting:
        run = np.where(day, run + 1, 0)
        rest += day & (run <= REST_COUNTED)
    days = (snow & ~resting).sum(axis=0) + rest
    return (days >= WOBBLING_DAYS) & (rest <= STILL_SHARE * days)


REST_COUNTED = 3
"""Days of a rest that count: those beyond may be the fault itself."""


def tell_stuck(series: StationSeries, name: str, runs: np.ndarray) -> None:
    """Set aside the readings of each run.

    `runs` holds the first and the last row of each run, (runs, 2).
    """
    if len(runs) == 0:
        return
    marks = np.zeros(len(series) + 1, np.int64)
    np.add.at(marks, runs[:, 0], 1)
    np.add.at(marks, runs[:, 1] + 1, -1)
    wrong = (np.cumsum(marks[:-1]) > 0) & np.isfinite(series.values[name])
    values, hours, unit = series.values[name], series.hours, UNITS[name]
    series.tell(
        wrong,
        name,
        rules.FLAT_LINE,
        evidence=lambda rows: (
            f"{values[rows[0]]:.4g} {unit}, not one step in {(hours[rows[-1]] - hours[rows[0]]) / 24.0:.1f} days"
        ),
        near_hours=0.0,
    )
