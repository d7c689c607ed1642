"""A season's ground measurements up to a date: read, overridden, checked, and brought to what the sites said."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import pandas as pd
import xarray as xr

from pipeline.gather_flights import file_formats
from pipeline.grid import BasinGrid
from pipeline.ground import GroundRecord
from pipeline.inputs.find import InputFile
from pipeline.inputs.read_courses import read_courses
from pipeline.inputs.read_normals import read_normals
from pipeline.inputs.read_overrides import read_overrides
from pipeline.inputs.read_sites import place_sites, read_sites
from pipeline.inputs.read_stations import read_stations
from pipeline.inputs.read_weather import as_issued_by, earlier_issues, read_weather
from pipeline.inputs.rows import without_lines
from pipeline.kept_files import KeptFiles
from pipeline.measurements.course_checks import CourseLimits, check_courses
from pipeline.measurements.course_context import Surroundings
from pipeline.measurements.course_dates import season_samples
from pipeline.measurements.daily import daily_values, silent_stations
from pipeline.measurements.excursions import Rates
from pipeline.measurements.overrides import (
    believable,
    samples_without_overridden,
    switched_off,
    with_values,
    without_overridden,
)
from pipeline.measurements.points import STATION_DEPTH_SE_M, course_visits, station_density, station_swe_se_mm
from pipeline.measurements.samplers import without_sampler_bias
from pipeline.measurements.station_checks import StationLimits, check_stations
from pipeline.problems import Finding
from pipeline.settings import Checks, Settings, Stations

Measured = tuple[GroundRecord, tuple[pd.DataFrame, pd.DataFrame], list[Finding]]
"""What the ground said, the density records of this season and of the courses in earlier ones, and the checks' findings."""

EARLIER_COURSES = "courses of earlier seasons"
"""Name of the courses' rows of seasons before: they tell of density alone."""

EARLIER_YEARS = 10
"""Rows of so many years before the season are used: density's ways are settled after a few, and crews and tubes change (chosen)."""


def gather_tables(
    settings: Settings,
    place: tuple[BasinGrid, xr.Dataset],
    found: dict[str, list[InputFile]],
    date: dt.date,
    kept: KeptFiles,
) -> tuple[dict[str, pd.DataFrame], list[Finding]]:
    """Return the rows that the date may use, each with its file and line, and what was noticed in reading them.

    Parameters
    ----------
    place : the basin grid, and what is fixed on it.
    found : the tables' files by role.
    kept : where rows of large station files are kept.
    """
    start = pd.Timestamp(settings.season_start(date))

    def paths(role: str) -> list[Path]:
        return [file.path for file in found[role]]

    def how(role: str) -> tuple:
        return settings.columns.get(role, {}), settings.missing

    sites, findings = read_sites(settings.path(settings.inputs.sites), *how("sites"), file_formats(settings, "sites"))
    sites, noticed = place_sites(sites, *place, settings.checks.site_elevation_m)
    findings += noticed
    all_samples, samples_noticed = read_courses(paths("courses"), *how("courses"), file_formats(settings, "courses"))
    heard, records_noticed = read_stations(
        paths("stations"),
        *how("stations"),
        settings.basin.utc_offset_hours,
        formats=file_formats(settings, "stations"),
        kept=kept,
        since=start.date(),
        until=date,
    )
    all_weather, weather_noticed = read_weather(paths("weather"), *how("weather"), file_formats(settings, "weather"))
    weather = as_issued_by(all_weather, date)
    records = heard[heard["date"] >= start]
    earlier_samples = _seasons_before(all_samples, start)
    samples, misdated = season_samples(all_samples, (start.date(), date), settings.checks.nominal_days)
    # What is wrong with rows of a later day is told on that day.
    findings += without_lines(samples_noticed, _later(all_samples, "date", date))
    findings += records_noticed
    findings += without_lines(weather_noticed, _later(all_weather, "issued", date))
    findings = [finding for finding in findings if finding.start[:10] <= str(date)] + misdated
    overrides, noticed = read_overrides(
        paths("overrides"),
        *how("overrides"),
        settings.basin.utc_offset_hours,
        (start.date(), date),
        file_formats(settings, "overrides"),
    )
    findings += noticed
    if found["stations"]:
        off = switched_off(overrides, _noon(settings, date))
        stations = sites[(sites["kind"] == "station") & ~sites["site_id"].isin(off)]
        findings += silent_stations(heard, stations, pd.Timestamp(date), settings.stations.silent_days)
    tables = {"sites": sites, "courses": samples, "stations": records, "weather": weather}
    normals, noticed = read_normals(
        paths("normals"),
        *how("normals"),
        (settings.basin.id, list(sites["site_id"])),
        file_formats(settings, "normals"),
    )
    findings += noticed
    # A basin without these is the same basin whether or not the program knows of them.
    beside = {"overrides": overrides, "normals": normals}
    tables |= {name: table for name, table in beside.items() if found[name]}
    earlier = {EARLIER_ISSUES: earlier_issues(all_weather, date), EARLIER_COURSES: earlier_samples}
    return tables | {name: rows for name, rows in earlier.items() if len(rows)}, findings


def _seasons_before(samples: pd.DataFrame, start: pd.Timestamp) -> pd.DataFrame:
    """Return the samples of the years before the season's start that tell of density."""
    first = start - pd.DateOffset(years=EARLIER_YEARS)
    return samples[(samples["date"] >= first) & (samples["date"] < start)].reset_index(drop=True)


EARLIER_ISSUES = "earlier_issues"
"""Name of the rows that tell how far forecasts of the same days lay apart."""


def forecast_rows(tables: dict[str, pd.DataFrame], date: dt.date) -> pd.DataFrame:
    """Return the weather table's days after `date`, every issue that the outlook looks at."""
    weather = tables["weather"]
    newest = weather[weather["date"] > pd.Timestamp(date)]
    return pd.concat([newest, tables[EARLIER_ISSUES]] if EARLIER_ISSUES in tables else [newest], ignore_index=True)


def _noon(settings: Settings, date: dt.date) -> pd.Timestamp:
    """Return local noon of a date in UTC."""
    return pd.Timestamp(date) + pd.Timedelta(hours=12 - settings.basin.utc_offset_hours)


def gather_ground(settings: Settings, grid: BasinGrid, tables: dict[str, pd.DataFrame], date: dt.date) -> Measured:
    """Return what the ground said, the density records of this season and of the courses in earlier ones, and the findings."""
    sites = tables["sites"]
    row, column = grid.rows_columns(sites["x"].to_numpy(), sites["y"].to_numpy())
    sites = sites.assign(row=row, column=column)
    overrides = tables.get("overrides", read_overrides([], {}, [], settings.basin.utc_offset_hours, (date, date))[0])
    said = tables["courses"], tables["stations"], overrides
    known = sites.set_index("site_id").rename(columns={"elevation_m": "stated_m", "terrain_m": "elevation_m"})
    samples, daily, findings = _checked(settings, (known, grid.southern), said, _noon(settings, date))
    visits = course_visits(samples)
    names = ["site_id", "date", "depth_m", "density_kg_m3"]
    weighed = [station_density(daily, settings.checks.density_least_depth_m), visits.dropna(subset="density_kg_m3")]
    earlier = _weighed_before(settings, (known, grid.southern), tables)
    densities, before = (
        records.assign(elevation_m=known["elevation_m"].reindex(records["site_id"]).to_numpy())
        for records in (pd.concat([table[names] for table in weighed], ignore_index=True), earlier[names])
    )
    daily = daily.assign(depth_se_m=STATION_DEPTH_SE_M)
    weather = tables["weather"]
    start = pd.Timestamp(settings.season_start(date))
    record = GroundRecord(
        known, daily, station_swe_se_mm(daily["swe_mm"]), visits,
        weather=weather[(weather["date"] >= start) & (weather["date"] <= pd.Timestamp(date))], southern=grid.southern,
        least_density_depth_m=settings.checks.density_least_depth_m,
    )  # fmt: skip
    return record, (densities, before), findings


def _weighed_before(
    settings: Settings, place: tuple[pd.DataFrame, bool], tables: dict[str, pd.DataFrame]
) -> pd.DataFrame:
    """Return the courses' visits of earlier seasons whose density passes the checks; what does not was told in its own season."""
    samples = tables.get(EARLIER_COURSES, tables["courses"].head(0))
    samples = _in_service(samples, place[0], "courses", [])
    samples, _ = without_sampler_bias(samples, settings.courses.sampler_bias)
    around = Surroundings(elevation_m=place[0]["elevation_m"], southern=place[1])
    samples, _ = check_courses(samples, course_limits(settings.checks), around)
    return course_visits(samples).dropna(subset="density_kg_m3").reset_index(drop=True)


def _checked(
    settings: Settings,
    place: tuple[pd.DataFrame, bool],
    said: tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame],
    noon: pd.Timestamp,
) -> tuple[pd.DataFrame, pd.DataFrame, list[Finding]]:
    """Return the samples and the stations' days as overrides and checks leave them, and the findings.

    Parameters
    ----------
    place : the sites by site_id, and whether the basin lies south of the equator.
    said : samples, station records, overrides.
    noon : the instant of the estimate, UTC.
    """
    (sites, southern), (samples, records, overrides) = place, said
    findings: list[Finding] = []
    offset = settings.basin.utc_offset_hours
    samples = _in_service(samples, sites, "courses", findings)
    records = _in_service(records, sites, "stations", findings)
    overrides, noticed = believable(overrides, settings.checks.swe_high_mm, settings.checks.depth_high_m)
    findings += noticed
    of_course = overrides["site_id"].isin(sites.index[sites["kind"] == "course"])
    samples, noticed = samples_without_overridden(samples, overrides[of_course], offset)
    findings += noticed
    records, noticed = without_overridden(records, overrides[~of_course], set(sites.index))
    findings += noticed
    limits = station_limits(settings.checks, settings.stations)
    records, noticed = check_stations(records, limits, settings.basin.season_start)
    findings += noticed
    begun = pd.Timestamp(settings.season_start((noon + pd.Timedelta(hours=offset)).date())) - pd.Timedelta(hours=offset)
    span = begun, noon + pd.Timedelta(hours=12, seconds=-1)
    records = with_values(records, overrides[~of_course], offset, span)
    daily = daily_values(records)
    samples, noticed = without_sampler_bias(samples, settings.courses.sampler_bias)
    findings += noticed
    around = Surroundings(elevation_m=sites["elevation_m"], daily=daily, southern=southern)
    samples, noticed = check_courses(samples, course_limits(settings.checks), around)
    return samples, daily, findings + noticed


def _later(rows: pd.DataFrame, column: str, date: dt.date) -> pd.DataFrame:
    return rows[rows[column] > pd.Timestamp(date)]


def _in_service(rows: pd.DataFrame, sites: pd.DataFrame, role: str, findings: list[Finding]) -> pd.DataFrame:
    """Return the rows of sites that are on the map and in service that day; one finding for each site left out."""
    placed = sites[["since", "until"]].reindex(rows["site_id"])
    unknown = ~rows["site_id"].isin(sites.index).to_numpy()
    date = rows["date"].to_numpy()
    outside = ~unknown & ((date < placed["since"].to_numpy()) | (date > placed["until"].to_numpy()))
    told = (
        (
            unknown,
            "unknown site",
            "is not in the sites table, or stands outside the basin's margin: add it or mend its place",
        ),
        (
            outside,
            "out of service",
            "has rows outside its from and until in the sites table: mend the dates of one or the other",
        ),
    )
    for wrong, rule, words in told:
        for site_id, strays in rows[wrong].groupby("site_id", sort=True):
            findings.append(
                Finding(
                    table=role,
                    file=strays["file"].iloc[0],
                    line=int(strays["line"].iloc[0]),
                    site_id=str(site_id),
                    start=str(strays["date"].min().date()),
                    end=str(strays["date"].max().date()),
                    rule=rule,
                    severity="error",
                    evidence=f"{len(strays)} rows",
                    action="set aside",
                    detail=f"site '{site_id}' {words}",
                )
            )
    return rows[~(unknown | outside)].reset_index(drop=True)


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
        density_low=checks.density_low_kg_m3,
        density_high=checks.density_high_kg_m3,
        density_least_depth_m=checks.density_least_depth_m,
    )
