"""Checks on station readings, in order: what is used, corrected, set aside, and why. docs/checks.md lists the rules."""

from __future__ import annotations

import numpy as np
import pandas as pd

from pipeline.model.problems import Finding
from pipeline.sites.limits import SnowLimits
from pipeline.stations import (
    air_checks,
    catch_checks,
    clock_checks,
    depth_checks,
    gauge_checks,
    neighbour_checks,
    own_series_checks,
    shifts,
    still_snow,
    weather_checks,
)
from pipeline.stations.excursions import Rates
from pipeline.stations.limits import StationLimits
from pipeline.stations.network import Network
from pipeline.stations.series import StationSeries
from pipeline.stations.surroundings import Surroundings


def check_stations(
    records: pd.DataFrame,
    limits: StationLimits,
    snow: SnowLimits,
    season_start: str = "10-01",
    network: Network | None = None,
) -> tuple[pd.DataFrame, list[Finding]]:
    """Return the records with readings set aside made missing and corrected ones changed, and the findings.

    Parameters
    ----------
    records : site_id, time (UTC), date, swe_mm, depth_m, air_temperature_c, precipitation_mm, precipitation_total_mm, file,
        line; in any order.
    limits, snow : what readings and snow can do.
    season_start : month and day on which a snow season begins.
    network : where the stations stand, and the weather table; without it air and precipitation are held against nobody.

    Returns
    -------
    records : sorted by site and time.
    findings : by site, start and rule.
    """
    series = StationSeries(records, season_start)
    if len(series) == 0:
        return records, []
    ranges = {
        "swe_mm": (own_series_checks.ZERO_WANDERS["swe_mm"], snow.swe_high_mm),
        "depth_m": (own_series_checks.ZERO_WANDERS["depth_m"], snow.depth_high_m),
        "air_temperature_c": own_series_checks.AIR_TEMPERATURES,
    }
    gauge_checks.gauges(series)
    for name, allowed in ranges.items():
        own_series_checks.out_of_range(series, name, allowed)
    clock_checks.fahrenheit(series, network)
    own_series_checks.repeated_days(series)
    own_series_checks.stuck_temperature(series)
    air_checks.spikes(series)
    if network is not None:
        air_checks.air(series, network, limits.air)
        catch_checks.catch(series, network, limits.catch_factor)
    around = Surroundings(series)
    bare = around.bare_ground(limits.zero_drift_mm)
    for name in ("swe_mm", "depth_m"):
        still_snow.stuck(series, name, limits.flat_line_days, around, bare)
    weather_checks.zero_drift(series, limits.zero_drift_mm, before_snow=True)
    for name, rates in (("swe_mm", limits.swe_rates), ("depth_m", limits.depth_rates)):
        if np.isfinite(series.values[name]).any():
            _leaps(series, name, rates)
    depth_checks.depth_steps(series)
    depth_checks.density_leaps(series, snow.density_least_depth_m)
    weather_checks.unsupported(series, limits.step_mm)
    weather_checks.zero_drift(series, limits.zero_drift_mm)
    depth_checks.contradictions(series, (snow.density_low_kg_m3, snow.density_high_kg_m3, snow.density_least_depth_m))
    neighbour_checks.against_neighbours(series)
    clock_checks.clocks(series)
    gauge_checks.snow_above_precipitation(series)
    findings = sorted(series.findings, key=lambda f: (f.site_id, f.start, f.rule.name, f.end, f.evidence))
    return series.checked(), findings


def _leaps(series: StationSeries, name: str, rates: Rates) -> None:
    """Check what leaps: noise gone wild, spikes, and levels that jump."""
    usual = own_series_checks.noises(series, name)
    own_series_checks.erratic(series, name, usual)
    jumps = own_series_checks.spikes(series, name, rates, usual)
    if name == "swe_mm":
        neighbour_checks.swapped(series)
        jumps = jumps[np.isfinite(series.values[name][jumps])]
    shifts.jumps(series, name, jumps, usual)
