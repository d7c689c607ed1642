"""The thresholds of the checks on measurements, from the settings."""

from __future__ import annotations

from pipeline.courses.checks import CourseLimits
from pipeline.settings.basin import Checks, Stations
from pipeline.stations.air_checks import AirLimits
from pipeline.stations.checks import StationLimits
from pipeline.stations.excursions import Rates


def course_limits(checks: Checks) -> CourseLimits:
    """Return the thresholds of the course checks from the settings."""
    return CourseLimits(
        swe_high_mm=checks.swe_high_mm,
        depth_high_m=checks.depth_high_m,
        density_low=checks.density_low_kg_m3,
        density_high=checks.density_high_kg_m3,
        core_over_depth=checks.core_over_depth,
        core_under_depth=checks.core_under_depth,
        outlier_mad=checks.point_outlier_mad,
        mix_up_odds=checks.mix_up_odds,
        course_outlier_sd=checks.course_outlier_sd,
        neighbour_elevation_m=checks.neighbour_elevation_m,
        neighbour_days=checks.neighbour_days,
        nominal_days=checks.nominal_days,
        few_points=checks.few_points,
        thin_m=checks.thin_snow_m,
        bulk_swe_mm=checks.bulk_swe_mm,
    )


def station_limits(checks: Checks, stations: Stations) -> StationLimits:
    """Return the thresholds of the station checks from the settings."""
    return StationLimits(
        swe_high_mm=checks.swe_high_mm,
        depth_high_m=checks.depth_high_m,
        swe_rates=Rates(
            stations.snowfall_mm_hour, stations.snowfall_mm_day, stations.melt_mm_hour, stations.melt_mm_day
        ),
        depth_rates=Rates(
            stations.depth_rise_m_hour,
            stations.depth_rise_m_day,
            stations.depth_fall_m_hour,
            stations.depth_fall_m_day,
        ),
        flat_line_days=stations.flat_line_days,
        step_mm=stations.step_mm,
        zero_drift_mm=stations.zero_drift_mm,
        air=AirLimits(stations.air_off_k, stations.inversion_k),
        catch_factor=stations.catch_factor,
        density_low=checks.density_low_kg_m3,
        density_high=checks.density_high_kg_m3,
        density_least_depth_m=checks.density_least_depth_m,
    )
