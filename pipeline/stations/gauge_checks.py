"""Checks on precipitation: totals that fall, steps that cannot be, and SWE above what has fallen."""

from __future__ import annotations

from functools import partial

import numpy as np

from snowtally.model.rules import stations as rules
from snowtally.stations.neighbours import Neighbours
from snowtally.stations.precipitation import resets
from snowtally.stations.series import StationSeries

STEP_MM = (-0.5, 150.0)
"""Precipitation of one step; more than 150 mm falls in no step of a day or less on mountains (common practice, no source)."""

TOTAL_LEAST_MM = -10.0
"""An accumulated total below this is no total: a gauge's zero wanders less, mm (common practice, no source)."""

UNDERCATCH = 1.6
"""A gauge in wind catches little more than 60 % of the snow (common practice, no source)."""

ALLOWANCE_MM = 50.0
"""And the SWE's own zero, what wind brought, and what fell before the gauge began."""


def gauges(series: StationSeries) -> None:
    """Check the precipitation steps and accumulated totals of gauges.

    Impossible steps and totals become missing. Totals that fall are only reported.
    """
    fallen = series.values["precipitation_mm"]
    low, high = STEP_MM
    series.tell(
        (fallen < low) | (fallen > high),
        "precipitation_mm",
        rules.PRECIPITATION_OUT_OF_RANGE,
        evidence=lambda rows: (
            f"{fallen[rows].min():g} to {fallen[rows].max():g} mm, allowed {low:g} to {high:g} mm a step"
        ),
    )
    totals = series.values["precipitation_total_mm"]
    series.tell(
        totals < TOTAL_LEAST_MM,
        "precipitation_total_mm",
        rules.TOTAL_OUT_OF_RANGE,
        evidence=lambda rows: f"{totals[rows].min():g} to {totals[rows].max():g} mm",
    )
    emptied, fell = resets(totals, series.bounds)
    before = _last_before(totals)
    series.tell(
        emptied,
        "precipitation_total_mm",
        rules.GAUGE_EMPTIED,
        evidence=lambda rows: f"from {before[rows[0]]:.0f} to {totals[rows[0]]:.0f} mm",
        near_hours=0.0,
    )
    series.tell(
        fell,
        "precipitation_total_mm",
        rules.GAUGE_LEAKS,
        evidence=lambda rows: f"from {before[rows[0]]:.0f} to {totals[rows[0]]:.0f} mm",
    )


def _last_before(totals: np.ndarray) -> np.ndarray:
    """Return for each row the last total before it."""
    there = np.isfinite(totals)
    last = np.maximum.accumulate(np.where(there, np.arange(len(totals)), -1))
    before = np.concatenate([[-1], last[:-1]]) if len(totals) else last
    return np.where(before >= 0, totals[before], np.nan)


def snow_above_precipitation(series: StationSeries) -> None:
    """Report seasons with more SWE than the gauge can explain.

    SWE rose above what the gauge caught by more than gauges miss. Nothing is set aside.
    """
    swe, fallen = Neighbours(series).swe, series.precipitation
    for season in np.unique(series.seasons):
        days = np.flatnonzero(series.seasons == season)
        caught = np.nancumsum(fallen[days], axis=0)
        reported = np.isfinite(fallen[days]).sum(axis=0) >= COMPLETE * len(days)
        start = _first_of(swe[days])
        above = (swe[days] - start > UNDERCATCH * caught + ALLOWANCE_MM) & reported
        for site in np.flatnonzero(above.any(axis=0)):
            worst = int(np.nanargmax(np.where(above[:, site], swe[days, site] - caught[:, site], np.nan)))
            table = np.zeros(series.shape, bool)
            table[days[above[:, site]], site] = True
            rows = np.flatnonzero(series.days_to_readings(table))
            most, had = swe[days[worst], site], caught[worst, site]
            series.tell(
                rows,
                "swe_mm",
                rules.SWE_ABOVE_PRECIPITATION,
                evidence=partial(_caught, most, had),
                near_hours=1e9,
            )


COMPLETE = 0.95
"""A gauge that was silent for more of the season than this leaves says nothing of what has fallen."""


def _first_of(table: np.ndarray) -> np.ndarray:
    """Return each station's first value, (stations,), missing where it has none."""
    first = np.argmax(np.isfinite(table), axis=0)
    return table[first, np.arange(table.shape[1])]


def _caught(swe_mm: float, caught_mm: float, _rows: np.ndarray) -> str:
    return f"{swe_mm:.0f} mm where {caught_mm:.0f} mm had been caught"
