"""A season's ground measurements up to a date: read, overridden, checked, and brought to what the sites said."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from snowtally.courses.checks import check_courses
from snowtally.courses.context import Neighbours
from snowtally.courses.dates import season_samples
from snowtally.courses.samplers import without_sampler_bias
from snowtally.gather.earlier_visits import EARLIER_VISITS, earlier_visits
from snowtally.gather.sources import DaySources, fixed_files, source_of
from snowtally.gather.tally import course_tally, station_tally
from snowtally.inputs.mixed_units import mixed_units
from snowtally.inputs.read_courses import read_courses
from snowtally.inputs.read_normals import read_normals
from snowtally.inputs.read_overrides import read_overrides
from snowtally.inputs.read_sites import by_site, read_sites, sites_on_grid, to_grid
from snowtally.inputs.read_stations import Window, read_stations
from snowtally.inputs.read_weather import as_issued_by, earlier_issues, read_weather
from snowtally.inputs.rows import without_lines
from snowtally.inputs.site_twins import sites_used_twice
from snowtally.inputs.source import Source
from snowtally.inputs.usable import LEAST_LOST
from snowtally.model.basin import Basin
from snowtally.model.grid import BasinGrid
from snowtally.model.ground import GroundRecord
from snowtally.model.problems import Finding
from snowtally.model.rules.files import FEW_USABLE_ROWS, FEW_USABLE_VISITS
from snowtally.model.rules.rule import Severity
from snowtally.settings.basin import Settings
from snowtally.sites.overrides import (
    believable,
    samples_without_overridden,
    switched_off,
    with_values,
    without_overridden,
)
from snowtally.sites.points import STATION_DEPTH_SE_M, course_visits, station_density, station_swe_se_mm
from snowtally.stations.checks import check_stations
from snowtally.stations.daily import daily_values, silent_stations
from snowtally.stations.in_service import in_service
from snowtally.stations.network import Network
from snowtally.stations.table_checks import check_weather, within_limits


@dataclass(frozen=True)
class Measured:
    """What the ground said up to a date.

    Parameters
    ----------
    record : the sites and their values.
    densities : density records of this season: site_id, date, depth_m, density_kg_m3, elevation_m.
    earlier_densities : the same of the courses in earlier seasons.
    findings : the checks' findings.
    tally : what became of the rows (`gather.tally`).
    """

    record: GroundRecord
    densities: pd.DataFrame
    earlier_densities: pd.DataFrame
    findings: list[Finding]
    tally: pd.DataFrame


@dataclass(frozen=True)
class TablesRead:
    """The tables of a date.

    Parameters
    ----------
    tables : by name the rows that the date may use, each with its file and line.
    findings : the findings of reading.
    listed : every usable site of the sites table with x and y (m), those off the grid too.
    """

    tables: dict[str, pd.DataFrame]
    findings: list[Finding]
    listed: pd.DataFrame


def gather_tables(sources: DaySources, basin: Basin) -> TablesRead:
    """Return the rows that the date may use, and the findings of reading."""
    settings, date = sources.settings, sources.date
    start = pd.Timestamp(sources.season_start)
    listed, findings = read_sites(source_of(settings, "sites", fixed_files(settings, "sites")))
    sites, noticed = sites_on_grid(listed, basin.grid, basin.terrain, settings.checks.site_elevation_m)
    findings += noticed
    all_samples, samples_noticed = read_courses(sources.table("courses"))
    window, offset = Window(start.date(), date), settings.basin.utc_offset_hours
    all_records, records_noticed = read_stations(sources.table("stations"), offset, window, sources.rows)
    all_weather, weather_noticed = read_weather(sources.table("weather"))
    weather = as_issued_by(all_weather, date)
    records = all_records[all_records["date"] >= start]
    samples, misdated = season_samples(all_samples, (start.date(), date), settings.checks.nominal_days)
    # Faults of rows of a later day are findings of that day.
    findings += without_lines(samples_noticed, _later(all_samples, "date", date))
    findings += records_noticed
    findings += without_lines(weather_noticed, _later(all_weather, "issued", date))
    findings = [finding for finding in findings if finding.start[:10] <= str(date)] + misdated
    # What was lost of earlier seasons alone has findings row by row.
    findings = [one for one in findings if one.rule != FEW_USABLE_ROWS or not "" < one.end < str(start.date())]

    findings += sites_used_twice(sites, samples, records)
    findings += mixed_units(records, sites.set_index("site_id")["terrain_m"], sources.table("stations").unit)
    overrides, noticed = sources.overrides(start.date(), date)
    findings += noticed
    if sources.files["stations"]:
        off = switched_off(overrides, sources.noon)
        stations = sites[(sites["kind"] == "station") & ~sites["site_id"].isin(off)]
        findings += silent_stations(all_records, stations, pd.Timestamp(date), settings.stations.silent_days)
    tables = {"sites": sites, "courses": samples, "stations": records, "weather": weather}
    normals, noticed = read_normals(sources.table("normals"), settings.basin.id, [*sites["site_id"], *basin.zone_ids])
    findings += noticed
    # A basin without these is the same basin whether or not the program knows of them.
    beside = {"overrides": overrides, "normals": normals}
    tables |= {name: table for name, table in beside.items() if sources.files[name]}
    visits, noticed = earlier_visits(sources, sites, all_samples, southern=basin.southern)
    findings += noticed
    earlier = {EARLIER_ISSUES: earlier_issues(all_weather, date), EARLIER_VISITS: visits}
    tables |= {name: rows for name, rows in earlier.items() if len(rows)}
    x, y = to_grid(listed, basin.grid)
    return TablesRead(tables, findings, listed.assign(x=x, y=y))


EARLIER_ISSUES = "earlier_issues"
"""Name of the rows that tell how far forecasts of the same days lay apart."""


def forecast_rows(tables: Mapping[str, pd.DataFrame], date: dt.date) -> pd.DataFrame:
    """Return the weather table's days after `date`, of every issue."""
    weather = tables["weather"]
    newest = weather[weather["date"] > pd.Timestamp(date)]
    return pd.concat([newest, tables[EARLIER_ISSUES]] if EARLIER_ISSUES in tables else [newest], ignore_index=True)


def _noon(settings: Settings, date: dt.date) -> pd.Timestamp:
    """Return local noon of a date in UTC."""
    return pd.Timestamp(date) + pd.Timedelta(hours=12 - settings.basin.utc_offset_hours)


def gather_ground(settings: Settings, grid: BasinGrid, tables: dict[str, pd.DataFrame], date: dt.date) -> Measured:
    """Return what the ground said up to a date, checked."""
    sites = tables["sites"]
    row, column = grid.rows_columns(sites["x"].to_numpy(), sites["y"].to_numpy())
    sites = sites.assign(row=row, column=column)
    overrides = tables.get("overrides", read_overrides(Source(), settings.basin.utc_offset_hours, (date, date))[0])
    known = by_site(sites)
    start = pd.Timestamp(settings.season_start(date))
    weather = tables["weather"]
    weather = weather[(weather["date"] >= start) & (weather["date"] <= pd.Timestamp(date))]
    # Stations must not be checked against a code for no value.
    weather, impossible = within_limits(weather)
    network = Network(known["elevation_m"], weather, float(known["latitude"].mean()), grid.longitude_deg)
    checked = _checked(
        settings,
        _Unchecked(known, tables["courses"], tables["stations"], overrides),
        network,
        _noon(settings, date),
        southern=grid.southern,
    )
    daily = checked.daily
    weather, noticed = check_weather(weather, daily, network, settings.stations)
    findings = checked.findings + impossible + noticed
    visits = course_visits(checked.samples)
    weighed = [station_density(daily, settings.checks.density_least_depth_m), visits.dropna(subset="density_kg_m3")]
    densities = _density_records(weighed, known)
    before = _density_records([tables.get(EARLIER_VISITS, visits.head(0))], known)
    daily = daily.assign(depth_se_m=STATION_DEPTH_SE_M)
    record = GroundRecord(
        known, daily, station_swe_se_mm(daily["swe_mm"]), visits, weather=weather, southern=grid.southern,
        least_density_depth_m=settings.checks.density_least_depth_m,
    )  # fmt: skip
    return Measured(record, densities, before, findings, checked.tally)


def _density_records(weighed: list[pd.DataFrame], known: pd.DataFrame) -> pd.DataFrame:
    """Return density records with the elevation of their sites."""
    names = ["site_id", "date", "depth_m", "density_kg_m3"]
    records = pd.concat([table[names] for table in weighed], ignore_index=True)
    return records.assign(elevation_m=known["elevation_m"].reindex(records["site_id"]).to_numpy())


@dataclass(frozen=True)
class _Unchecked:
    """A season's rows before the checks: sites by site_id, samples, station records, overrides."""

    sites: pd.DataFrame
    samples: pd.DataFrame
    records: pd.DataFrame
    overrides: pd.DataFrame


@dataclass(frozen=True)
class _Checked:
    """The samples and the stations' days as checked, the findings, and what became of the rows."""

    samples: pd.DataFrame
    daily: pd.DataFrame
    findings: list[Finding]
    tally: pd.DataFrame


def _checked(settings: Settings, rows: _Unchecked, network: Network, noon: pd.Timestamp, *, southern: bool) -> _Checked:
    """Return the samples and the stations' days as checked.

    Parameters
    ----------
    network : what air and precipitation are compared with.
    noon : the instant of the estimate, UTC.
    southern : whether the basin lies south of the equator.
    """
    sites, samples, records, overrides = rows.sites, rows.samples, rows.records, rows.overrides
    findings: list[Finding] = []
    offset = settings.basin.utc_offset_hours
    samples = in_service(samples, sites, "courses", findings)
    records = in_service(records.assign(row=np.arange(len(records))), sites, "stations", findings)
    overrides, noticed = believable(overrides, settings.checks)
    findings += noticed
    of_course = overrides["site_id"].isin(sites.index[sites["kind"] == "course"])
    samples, noticed = samples_without_overridden(samples, overrides[of_course], offset)
    findings += noticed
    records, noticed = without_overridden(records, overrides[~of_course], set(sites.index))
    findings += noticed
    records, noticed = check_stations(records, settings.stations, settings.checks, settings.basin.season_start, network)
    findings += noticed
    of_stations = station_tally(rows.records, records)
    records = records.drop(columns="row")
    begun = pd.Timestamp(settings.season_start((noon + pd.Timedelta(hours=offset)).date())) - pd.Timedelta(hours=offset)
    span = begun, noon + pd.Timedelta(hours=12, seconds=-1)
    records = with_values(records, overrides[~of_course], offset, span)
    daily = daily_values(records)
    samples, noticed = without_sampler_bias(samples, settings.courses.sampler_bias)
    findings += noticed
    around = Neighbours(elevation_m=sites["elevation_m"], daily=daily, southern=southern)
    samples, noticed = check_courses(samples, settings.checks, around)
    tally = pd.concat([course_tally(rows.samples, samples), of_stations], ignore_index=True)
    return _Checked(samples, daily, findings + noticed + files_set_aside(samples, noticed), tally)


MOST_SET_ASIDE = 0.5
"""One crew's slip spoils a visit; a file more than half of whose visits are impossible was exported in another unit (chosen)."""


def files_set_aside(samples: pd.DataFrame, noticed: list[Finding]) -> list[Finding]:
    """Return a finding for each course file mostly set aside as wrong.

    Parameters
    ----------
    samples : the season's samples as checked, with site_id, date, file, swe_mm, used and swe_used.
    noticed : what the checks found in them.
    """
    errors = {(one.file, one.site_id, one.start) for one in noticed if one.severity is Severity.ERROR}
    findings = []
    for file, rows in samples.groupby("file", observed=True):
        weighed = rows["swe_mm"].notna()
        visit = [rows["site_id"], rows["date"]]
        # A visit that was weighed is lost with its weights, whatever its depths.
        usable = rows["used"].where(
            ~weighed.groupby(visit, observed=True).transform("any"), rows["used"] & rows["swe_used"] & weighed
        )
        used = usable.groupby(visit, observed=True).any()
        # What another sheet has replaced is set aside too, without an error.
        wrong = sum((file, site_id, str(date.date())) in errors for site_id, date in used.index[~used])
        if wrong >= LEAST_LOST and wrong > MOST_SET_ASIDE * len(used):
            findings.append(
                Finding(
                    FEW_USABLE_VISITS,
                    file=file,
                    evidence=f"{wrong} of {len(used)} visits of the season are set aside as wrong",
                )
            )
    return findings


def _later(rows: pd.DataFrame, column: str, date: dt.date) -> pd.DataFrame:
    return rows[rows[column] > pd.Timestamp(date)]
