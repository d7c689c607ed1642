"""Clocks and thermometers that are off: the air's daily cycle against the other stations'."""

from __future__ import annotations

import numpy as np

from snowtally.model.rules import stations as rules
from snowtally.stations.air_checks import TOGETHER
from snowtally.stations.neighbours import others_quantile, window_sum
from snowtally.stations.network import Network, alike_another, stretches
from snowtally.stations.series import StationSeries
from snowtally.stations.stretches import group_sums

CYCLE_DAYS = 10
"""Days over which a daily cycle is taken together: weather fronts have no fixed hour and average out."""

LEAST_READINGS = 4
"""Readings a day from which a daily cycle can be told."""

LEAST_AMPLITUDE_C = 1.2
"""A flatter daily cycle has no clear hour of its greatest warmth."""

AGREEMENT = 0.7
"""The others' cycles must agree so well (length of their mean direction): their skill is to be earned."""

OFF_HOURS = 3.0
"""Slope, shade and air drainage move the warmest hour by up to two hours; a clock that is further off is wrong."""

LEAST_OTHERS = 3
"""Other stations that must show a daily cycle: two may be off together (common practice, no source)."""


def clocks(series: StationSeries) -> None:
    """Report stations whose clock or time offset is wrong.

    Their air is warmest hours before or after the air of the other stations. The check compares the first harmonic of
    the day's air temperature, over ten days, with the mean direction of the others'. Nothing is set aside: daily means
    move by no more than the change within some hours.
    """
    cycle, counts = _cycles(series)
    if cycle.shape[0] < CYCLE_DAYS or cycle.shape[1] <= LEAST_OTHERS:
        return
    amplitude = np.where(counts > 0, 2.0 * np.abs(cycle) / np.maximum(counts, 1), 0.0)
    clear = amplitude >= LEAST_AMPLITUDE_C
    direction = np.where(clear, cycle / np.maximum(np.abs(cycle), 1e-12), 0.0)
    others = direction.sum(axis=1, keepdims=True) - direction
    n = clear.sum(axis=1, keepdims=True) - clear
    agree = (n >= LEAST_OTHERS) & (np.abs(others) >= AGREEMENT * np.maximum(n, 1))
    late = np.angle(direction * np.conj(others)) * 24.0 / (2.0 * np.pi)
    wrong = clear & agree & (np.abs(late) >= OFF_HOURS)
    # The sums over ten days smear an end by five; a clock is off for at least so long.
    wrong = _lasting(wrong, CYCLE_DAYS // 2)
    marked = series.days_to_readings(wrong) & np.isfinite(series.values["air_temperature_c"])

    def evidence(rows: np.ndarray) -> str:
        site = int(np.searchsorted(series.bounds, rows[0], side="right")) - 1
        days = np.unique(series.day_of[rows])
        return f"warmest about {np.median(late[days, site]):+.1f} h from the other stations' hour"

    series.tell(
        marked,
        "air_temperature_c",
        rules.CLOCK_OFF,
        evidence=evidence,
        near_hours=120.0,
    )


def _cycles(series: StationSeries) -> tuple[np.ndarray, np.ndarray]:
    """Return the daily cycle of air temperature over ten days, and its readings; both (days, stations)."""
    waves, counts = daily_waves(series)
    return _window(waves), _window(counts)


def daily_waves(series: StationSeries) -> tuple[np.ndarray, np.ndarray]:
    """Return the daily wave of air temperature, (days, stations).

    The first array holds complex sums: each reading's departure from its day's mean, times the direction of its hour, UTC.
    The second array holds the number of readings in each sum. Both are 0 on days with fewer than `LEAST_READINGS`.
    """
    values = series.values["air_temperature_c"]
    departure = values - np.repeat(series.day_means("air_temperature_c"), series.day_ends - series.day_starts)
    hour = 2.0 * np.pi / 24.0 * (series.hours % 24.0)
    counts = series.daily_count("air_temperature_c")
    enough = counts >= LEAST_READINGS
    east, north = (
        np.where(enough, series.by_day(group_sums(departure * of(hour), series.day_starts)[0]), 0.0)
        for of in (np.cos, np.sin)
    )
    return east + 1j * north, np.where(enough, counts, 0.0)


def _window(table: np.ndarray) -> np.ndarray:
    """Return centred sums over ten days."""
    total = np.vstack([np.zeros((1, table.shape[1])), np.cumsum(table, axis=0)])
    days = np.arange(len(table))
    return total[np.minimum(days + CYCLE_DAYS // 2, len(table))] - total[np.maximum(days - CYCLE_DAYS // 2, 0)]


def _lasting(marks: np.ndarray, least: int) -> np.ndarray:
    """Return marks in unbroken stretches of enough days, (days, stations).

    A stretch needs at least `least` days.
    """
    lasting = np.zeros_like(marks)
    for site in range(marks.shape[1]):
        edges = np.flatnonzero(np.diff(np.concatenate([[0], marks[:, site].astype(np.int8), [0]])))
        for a, b in zip(edges[::2], edges[1::2], strict=True):
            lasting[a:b, site] = b - a >= least
    return lasting


UNIT_DAYS, FAHRENHEIT_SHARE, FAR_C = 5, 0.3, 12.0
"""Days on end on which a daily mean is so far from the others', K, and read as Fahrenheit within this share of that (chosen: freezing
air reads 32, and no front stands for so long)."""

MONTH_DAYS, MONTH_SHARE = 30, 0.8
"""Ridges do not stand in warm air above a cold valley on so large a share of so many days (common practice, no source): thermometers
that bear each other out for longer read in one wrong unit."""


def fahrenheit(series: StationSeries, network: Network | None = None) -> None:
    """Set aside air temperatures that are in Fahrenheit.

    Such days are far from the other stations' median, and near it once they are converted from Fahrenheit. Where
    another station is as far off, such days must fill most of a month.

    Parameters
    ----------
    network : where the stations stand: a ridge above a valley's cold air is like the other ridges.
    """
    name = "air_temperature_c"
    air = series.daily_mean(name)
    others = others_quantile(air, 0.5, LEAST_OTHERS)
    if air.shape[0] < UNIT_DAYS:
        return
    heights = np.zeros(air.shape[1]) if network is None else network.heights(series.names)
    far, turned = np.abs(air - others), np.abs((air - 32.0) / 1.8 - others)
    alike = alike_another(air, heights, TOGETHER)
    looks = (far > FAR_C) & (turned < FAHRENHEIT_SHARE * far)
    months = window_sum(window_sum(looks, MONTH_DAYS - 1, 0) >= MONTH_SHARE * MONTH_DAYS, 0, MONTH_DAYS - 1) > 0
    wrong = _lasting(looks & ~alike, UNIT_DAYS) | stretches(looks & months, looks, UNIT_DAYS)
    values = series.values[name]
    series.tell(
        series.days_to_readings(wrong) & np.isfinite(values),
        name,
        rules.FAHRENHEIT,
        evidence=lambda rows: f"{values[rows].min():.1f} to {values[rows].max():.1f} C, far from the other stations",
        near_hours=120.0,
    )
