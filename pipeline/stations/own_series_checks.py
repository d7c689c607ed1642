"""Checks of a station's series against itself and against what snow can do: range, noise, spikes, frozen thermometers."""

from __future__ import annotations

import numpy as np

from snowtally.model.rules import stations as rules
from snowtally.stations.excursions import (
    JUMP,
    LEAST_NOISE,
    NOISE_ALLOWED,
    SPIKE,
    excursions,
    noise,
)
from snowtally.stations.limits import Rates
from snowtally.stations.series import READ, UNITS, StationSeries
from snowtally.stations.stretches import still_runs, zigzags
from snowtally.stations.stuck_sensors import GAP_HOURS, tell_stuck

ZERO_WANDERS = {"swe_mm": -25.0, "depth_m": -0.15}
"""Readings down to this are a sensor's wandering zero, not faults; daily values show them as none (common practice, no source)."""

AIR_TEMPERATURES = (-60.0, 50.0)
"""Air temperatures of inhabited mountains lie within these, C (common practice, no source)."""


def out_of_range(series: StationSeries, name: str, limits: tuple[float, float]) -> None:
    """Set aside readings below the first or above the second limit."""
    low, high = limits
    values, unit = series.values[name], UNITS[name]
    series.tell(
        (values < low) | (values > high),
        name,
        rules.OUT_OF_RANGE,
        evidence=lambda rows: (
            f"{values[rows].min():g} to {values[rows].max():g} {unit}, allowed {low:g} to {high:g} {unit}"
        ),
    )


def noises(series: StationSeries, name: str) -> np.ndarray:
    """Return each station's noise of one reading, (stations,), never below the rounding."""
    values = series.values[name]
    return np.array(
        [max(noise(values[rows][np.isfinite(values[rows])]), LEAST_NOISE[name]) for rows in series.stations()]
    )


ZIGZAG_NOISES = {"swe_mm": 4.0, "depth_m": 6.0}
"""A reading further than so many standard deviations of the usual noise from both its neighbours, to the same side. Sound in warm
air makes depth sensors noisier by themselves."""

ZIGZAG_LEAST = {"swe_mm": 5.0, "depth_m": 0.10}
"""And by at least this."""

ZIGZAGS = 3
"""So many zigzags within two days, and a quarter of the readings, are a sensor gone wild and not single spikes."""


def erratic(series: StationSeries, name: str, usual: np.ndarray) -> None:
    """Set aside days on which readings jump to and fro.

    The jumps are much larger than the station's usual noise.

    Parameters
    ----------
    usual : the stations' noise, as `noises`.
    """
    far = ZIGZAG_NOISES[name] * usual + ZIGZAG_LEAST[name]
    marks = zigzags(series.values[name], series.hours, series.bounds, far, ZIGZAG_HOURS)
    if len(marks) < ZIGZAGS:
        return
    # Every run of so many marks within two days, with the readings between them.
    first, last = marks[: 1 - ZIGZAGS], marks[ZIGZAGS - 1 :]
    close = series.hours[last[:, 0]] - series.hours[first[:, 0]] <= ZIGZAG_HOURS
    close &= (first[:, 2] == last[:, 2]) & (last[:, 1] - first[:, 1] <= ZIGZAGS / ZIGZAG_SHARE)
    edges = np.zeros(len(series) + 1, np.int64)
    np.add.at(edges, first[close, 0], 1)
    np.add.at(edges, last[close, 0] + 1, -1)
    inside = np.diff(np.concatenate([[0], (np.cumsum(edges) > 0).astype(np.int8)]))
    starts, ends = np.flatnonzero(inside == 1), np.flatnonzero(inside == -1) - 1
    wild = np.zeros(series.shape, bool)
    for a, b in zip(starts, ends, strict=True):
        # A burst of a few readings is spikes.
        if series.hours[b] - series.hours[a] >= WILD_HOURS:
            site = int(np.searchsorted(series.bounds, a, side="right")) - 1
            wild[series.day_of[a] : series.day_of[b] + 1, site] = True
    # Whole days: what is left of one would make its mean, and the day before and after that had a part in it go too.
    touched = np.zeros(series.shape, bool)
    touched[series.day_of[marks[:, 0]], marks[:, 2]] = True
    beside = np.zeros(series.shape, bool)
    beside[1:] |= wild[:-1]
    beside[:-1] |= wild[1:]
    wrong = series.days_to_readings(wild | (touched & beside)) & np.isfinite(series.values[name])
    everything, unit = series.values[name].copy() if wrong.any() else series.values[name], UNITS[name]
    series.tell(
        wrong,
        name,
        rules.RATE_OF_CHANGE,
        evidence=lambda part: (
            f"to and fro between {everything[part].min():.3g} and {everything[part].max():.3g} {unit}, usual noise "
            f"{usual[np.searchsorted(series.bounds, part[0], side='right') - 1]:.2g} {unit}"
        ),
    )


ZIGZAG_HOURS = 48.0
"""Readings that go to and fro do so within so many hours (common practice, no source)."""

WILD_HOURS = 18.0
"""Wild readings spoil what lies so many hours beside them (common practice, no source)."""

ZIGZAG_SHARE = 0.25
"""Share of the readings among which the turns lie close enough to be noise (common practice, no source)."""


def spikes(series: StationSeries, name: str, rates: Rates, usual: np.ndarray) -> np.ndarray:
    """Set aside spikes; return the rows where a level jumps.

    A spike is a reading or a short burst that no snow can make and that comes back.

    Parameters
    ----------
    rates : what snow can do.
    usual : the stations' noise.
    """
    kind = np.zeros(len(series), np.uint8)
    values, unit = series.values[name], UNITS[name]
    limits = (rates.rise_hour, rates.rise_day, rates.fall_hour, rates.fall_day)
    excursions(values, series.hours, series.bounds, limits, NOISE_ALLOWED[name] * usual, kind)

    def evidence(rows: np.ndarray) -> str:
        before = values[: rows[0]][-SEEN_BACK:]
        before = before[np.isfinite(before)]
        worst = values[rows][np.argmax(np.abs(values[rows] - before[-1]))]
        return f"{worst:.4g} {unit} where {before[-1]:.4g} {unit} stood before and after"

    series.tell(
        kind == SPIKE,
        name,
        rules.SPIKE,
        evidence=evidence,
        near_hours=2.0,
    )
    return np.flatnonzero(kind == JUMP)


SEEN_BACK = 2000
"""Readings looked back over for the last good one: a week of five-minute steps."""

TEMPERATURE_STUCK_HOURS = 48.0
TEMPERATURE_STUCK_READINGS = 5
"""Air that has the very same temperature for two days and five readings is a stuck sensor (common practice, no source)."""


def stuck_temperature(series: StationSeries) -> None:
    """Set aside air temperatures that do not change for days.

    Real air always changes.
    """
    name = "air_temperature_c"
    runs = still_runs(series.values[name], series.hours, series.bounds, GAP_HOURS, TEMPERATURE_STUCK_HOURS)
    tell_stuck(series, name, runs[runs[:, 2] >= TEMPERATURE_STUCK_READINGS, :2])


REPEATED_READINGS = 12
"""A day of so many readings, one by one the same as the day before, is no weather: it is the day before sent again."""

REPEATED_ALL = 4
"""Where snow and air temperature are the same together, a day of so many readings is enough."""

REPEATED_CHANGES = 1.0 / 3.0
"""Share of the day's steps that must be changes: a still day is like the day before by right."""


def repeated_days(series: StationSeries) -> None:
    """Set aside SWE and depth that repeat the day before.

    The values are exactly those of 24 hours before, as the feed stood still. SWE or depth must repeat by itself, or
    together with all other readings of snow and air. Air temperatures are not set aside.
    """
    for rows in series.stations():
        hours = series.hours[rows]
        least = 2 * REPEATED_ALL
        if len(hours) < least:
            continue
        step = float(np.median(np.diff(hours)))
        lag = round(24.0 / step) if step > 0 else 0
        if lag < REPEATED_ALL or len(hours) <= lag:
            continue
        apart = hours[lag:] - hours[:-lag] == DAY
        same, moving, there = {}, {}, {}
        for name in READ:
            values = series.values[name][rows]
            there[name] = np.isfinite(values[lag:]) & np.isfinite(values[:-lag])
            same[name] = apart & there[name] & (values[lag:] == values[:-lag])
            moving[name] = values[lag:] != values[lag - 1 : -1]
        snow = [name for name in ("swe_mm", "depth_m") if there[name].any()]
        together = np.logical_and.reduce([same[name] | ~there[name] for name in READ])
        together &= same["air_temperature_c"] & np.logical_or.reduce([same[name] for name in snow] or [~apart])
        repeated = _long_runs(together, moving["air_temperature_c"], lag)
        for name in snow:
            own = (
                _long_runs(same[name], moving[name], lag) if lag >= REPEATED_READINGS else np.zeros(len(repeated), bool)
            )
            _tell_repeated(series, name, rows, lag, repeated | own)


DAY = 24.0
"""Hours after which a repeated feed says the same again."""


def _long_runs(same: np.ndarray, moving: np.ndarray, lag: int) -> np.ndarray:
    """Return the stretches of `same` that last a day.

    They may be one reading shorter. At least `REPEATED_CHANGES` of the steps must be changes.
    """
    edges = np.flatnonzero(np.diff(np.concatenate([[0], same.astype(np.int8), [0]])))
    repeated = np.zeros(len(same), bool)
    starts, ends = edges[::2], edges[1::2]
    long = ends - starts >= max(lag - 1, REPEATED_ALL)
    for a, b in zip(starts[long], ends[long], strict=True):
        repeated[a:b] = moving[a:b].mean() >= REPEATED_CHANGES
    return repeated


def _tell_repeated(series: StationSeries, name: str, rows: slice, lag: int, repeated: np.ndarray) -> None:
    if not repeated.any():
        return
    wrong = np.zeros(len(series), bool)
    wrong[rows.start + lag : rows.stop] = repeated
    wrong &= np.isfinite(series.values[name])
    values, unit = series.values[name], UNITS[name]
    series.tell(
        wrong,
        name,
        rules.REPEATED_DAY,
        evidence=lambda part: (
            f"{values[part].min():.4g} to {values[part].max():.4g} {unit}, value for value those of the day before"
        ),
        near_hours=2.0,
    )
