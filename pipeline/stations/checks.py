"""Checks on station readings, in order: what is used, corrected, set aside, and why. docs/checks.md lists the rules."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd

from snowtally.model.problems import Finding
from snowtally.sites.limits import SnowLimits
from snowtally.stations import (
    air_checks,
    catch_checks,
    clock_checks,
    depth_checks,
    gauge_checks,
    neighbour_checks,
    own_series_checks,
    shifts,
    stuck_sensors,
    sun_clock,
    weather_checks,
)
from snowtally.stations.limits import Rates, StationLimits
from snowtally.stations.neighbours import Neighbours
from snowtally.stations.network import Network
from snowtally.stations.series import StationSeries


def check_stations(
    records: pd.DataFrame,
    limits: StationLimits,
    snow: SnowLimits,
    season_start: str = "10-01",
    network: Network | None = None,
) -> tuple[pd.DataFrame, list[Finding]]:
    """Return the checked station records and the findings.

    Readings that were set aside are missing. Corrected readings have their new values.

    Parameters
    ----------
    records : site_id, time (UTC), date, swe_mm, depth_m, air_temperature_c, precipitation_mm, precipitation_total_mm,
        file, line; in any order.
    limits, snow : what readings and snow can do.
    season_start : month and day on which a snow season begins.
    network : where the stations stand, and the weather table; without it `air_checks.air` and `catch_checks.catch` do
        not run.

    Returns
    -------
    records : sorted by site and time.
    findings : by site, start and rule.
    """
    series = StationSeries(records, season_start)
    if len(series) == 0:
        return records, []
    against = Against(limits, snow, network)
    for check in CHECKS:
        check(series, against)
    findings = sorted(series.findings, key=lambda f: (f.site_id, f.start, f.rule.name, f.end, f.evidence))
    return series.checked(), findings


@dataclass(frozen=True)
class Against:
    """What readings are checked against.

    Parameters
    ----------
    limits, snow : what readings and snow can do.
    network : where the stations stand, and the weather table; None where that is not known.
    """

    limits: StationLimits
    snow: SnowLimits
    network: Network | None = None


StationCheck = Callable[[StationSeries, Against], None]
"""A check of readings: it gives those that break a rule to `StationSeries.tell`."""


def _ranges(series: StationSeries, against: Against) -> None:
    wanders = own_series_checks.ZERO_WANDERS
    own_series_checks.out_of_range(series, "swe_mm", (wanders["swe_mm"], against.snow.swe_high_mm))
    own_series_checks.out_of_range(series, "depth_m", (wanders["depth_m"], against.snow.depth_high_m))
    own_series_checks.out_of_range(series, "air_temperature_c", own_series_checks.AIR_TEMPERATURES)


def _weather_against_neighbours(series: StationSeries, against: Against) -> None:
    if against.network is not None:
        air_checks.air(series, against.network, against.limits.air)
        catch_checks.catch(series, against.network, against.limits.catch_factor)


def _still_snow(series: StationSeries, against: Against) -> None:
    around = Neighbours(series)
    bare = around.bare_ground(against.limits.zero_drift_mm)
    for name in ("swe_mm", "depth_m"):
        stuck_sensors.stuck(series, name, against.limits.flat_line_days, around, bare)


def _leaps(series: StationSeries, against: Against) -> None:
    for name, rates in (("swe_mm", against.limits.swe_rates), ("depth_m", against.limits.depth_rates)):
        if np.isfinite(series.values[name]).any():
            _leaps_of(series, name, rates)


def _leaps_of(series: StationSeries, name: str, rates: Rates) -> None:
    """Check what leaps: noise gone wild, spikes, and levels that jump."""
    usual = own_series_checks.noises(series, name)
    own_series_checks.erratic(series, name, usual)
    jumps = own_series_checks.spikes(series, name, rates, usual)
    if name == "swe_mm":
        neighbour_checks.swapped(series)
        jumps = jumps[np.isfinite(series.values[name][jumps])]
    shifts.jumps(series, name, jumps, usual)


def _contradictions(series: StationSeries, against: Against) -> None:
    snow = against.snow
    depth_checks.contradictions(series, (snow.density_low_kg_m3, snow.density_high_kg_m3, snow.density_least_depth_m))


def _clocks_against_sun(series: StationSeries, against: Against) -> None:
    if against.network is not None:
        sun_clock.clocks_against_sun(series, against.network)


CHECKS: tuple[StationCheck, ...] = (
    lambda series, _: gauge_checks.gauges(series),
    _ranges,
    lambda series, against: clock_checks.fahrenheit(series, against.network),
    lambda series, _: own_series_checks.repeated_days(series),
    lambda series, _: own_series_checks.stuck_temperature(series),
    lambda series, _: air_checks.spikes(series),
    _weather_against_neighbours,
    _still_snow,
    lambda series, against: weather_checks.zero_drift(series, against.limits.zero_drift_mm, before_snow=True),
    _leaps,
    lambda series, _: depth_checks.depth_steps(series),
    lambda series, against: depth_checks.density_leaps(series, against.snow.density_least_depth_m),
    lambda series, against: weather_checks.unsupported(series, against.limits.step_mm),
    lambda series, against: weather_checks.zero_drift(series, against.limits.zero_drift_mm),
    _contradictions,
    lambda series, _: neighbour_checks.against_neighbours(series),
    lambda series, _: clock_checks.clocks(series),
    _clocks_against_sun,
    lambda series, _: gauge_checks.snow_above_precipitation(series),
)
"""The checks in order: a gross fault must not make others of itself."""
