"""From the settings' files to the inputs of one basin day: found, read, checked, on the basin grid, nothing dated later."""

from __future__ import annotations

import datetime as dt
import os
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
import xarray as xr

from pipeline.estimate import DayInputs
from pipeline.flights.measure import FlightFiles, FlightLimits, measure_flight
from pipeline.grid import BasinGrid
from pipeline.ground import GroundRecord
from pipeline.inputs.columns import check_declared, up_to, without_lines
from pipeline.inputs.find import InputFile, describe, find_tables, missing_file, unreadable_file
from pipeline.inputs.rasters import fraction_on_grid
from pipeline.inputs.read_courses import COURSES, read_courses
from pipeline.inputs.read_covers import COVERS, CoverEntry, read_covers
from pipeline.inputs.read_flights import FLIGHTS, FlightEntry, read_flights
from pipeline.inputs.read_sites import SITES, place_sites, read_sites
from pipeline.inputs.read_stations import STATIONS, read_stations
from pipeline.inputs.read_terrain import BandEdges, basin_grid, grid_crs, read_terrain, read_zones
from pipeline.inputs.read_weather import WEATHER, as_issued_by, read_weather
from pipeline.measurements.course_checks import CourseLimits, check_courses
from pipeline.measurements.daily import daily_values, silent_stations
from pipeline.measurements.points import course_visits, station_density, station_swe_se_mm
from pipeline.measurements.station_checks import StationLimits, check_stations
from pipeline.problems import Finding, InputError, findings_table
from pipeline.settings import Settings

Stage = Callable[[str], None]
"""Told the name of each stage as it begins, for a progress bar or a log."""

DEGRADING = ("missing file", "unreadable file", "refused flight", "silent station")
"""Findings that make a night degraded: something declared was not there, and the estimate went on without it."""


@dataclass(frozen=True)
class Readings:
    """What the inputs hold for a date: nothing dated after it.

    Parameters
    ----------
    inputs : the science's inputs; None of their flights and cover when only checking.
    files : every file found, with the name of the rows or grid used from it.
    rows, grids : canonical rows and grids that the day may use, by name; their hashes are its identity.
    findings : everything noticed.
    """

    inputs: DayInputs
    files: list[tuple[InputFile, str]]
    rows: dict[str, pd.DataFrame]
    grids: dict[str, xr.Dataset]
    findings: list[Finding]

    @property
    def degraded(self) -> list[str]:
        """Why the night is degraded, one line each, empty when it is not."""
        return [_why(f) for f in self.findings if f.rule in DEGRADING]


def _why(finding: Finding) -> str:
    """Return a degrading finding in one line: what, which site or flight, the evidence, the cure."""
    about = f" {finding.site_id}" if finding.site_id else ""
    evidence = f" ({finding.evidence})" if finding.evidence else ""
    return f"{finding.rule}{about}{evidence}: {finding.detail}"


def read_inputs(settings: Settings, date: dt.date, stage: Stage) -> Readings:
    """Find, read and check every input that `date` may use.

    Raises
    ------
    SnowtallyError : a required input cannot be used. Optional ones that cannot are findings.
    """
    check_declared(settings.columns, [SITES, COURSES, STATIONS, FLIGHTS, COVERS, WEATHER])
    stage("finding inputs")
    found, findings = find_tables(
        {role: [settings.path(p) for p in getattr(settings.inputs, role)] for role in OPTIONAL_TABLES}
    )
    fixed = _fixed_files(settings)
    stage("reading the terrain")
    grid, terrain, zones, noticed = _ground(settings)
    findings += noticed
    stage("reading the measurements")
    ground, densities, rows, noticed = _measurements(settings, (grid, terrain), found, date)
    findings += noticed
    stage("reading the flights")
    flights, grids, rasters, noticed = _flights(settings, grid, found, date)
    findings += noticed
    cover, noticed = _cover(settings, grid, found, date)
    findings += noticed
    if cover is not None:
        entry, values = cover
        grids["cover"] = xr.Dataset(
            {"snow_cover_fraction": grid.array(values, units="1")}, attrs={"crs": grid.crs.to_wkt()}
        )
        rasters.append((describe(f"cover {entry.date} {entry.variable}", entry.path), "cover"))
    grids["terrain"] = terrain[["elevation", "canopy", "cell_area", "zone", "band"]].assign_attrs(crs=grid.crs.to_wkt())
    files = [(file, "terrain" if file.role in TERRAIN_ROLES else file.role) for file in fixed]
    files += [(file, role) for role, listed in found.items() for file in listed]
    inputs = DayInputs(
        basin_id=settings.basin.id,
        title=settings.basin.title,
        date=date,
        noon_utc=dt.datetime.combine(date, dt.time(12)) - dt.timedelta(hours=settings.basin.utc_offset_hours),
        zones=zones,
        grid=grid,
        terrain=terrain,
        ground=ground,
        densities=densities,
        flights=flights,
        cover=None if cover is None else cover[1],
        checks=findings_table(findings),
    )
    return Readings(inputs, files + rasters, rows, grids, findings)


OPTIONAL_TABLES = ("courses", "stations", "flights", "covers", "weather")
TERRAIN_ROLES = ("zones", "elevation", "canopy")


def _fixed_files(settings: Settings) -> list[InputFile]:
    named = {
        "zones": settings.basin.zones,
        "elevation": settings.terrain.elevation,
        "canopy": settings.terrain.canopy,
        "sites": settings.inputs.sites,
    }
    paths = {role: settings.path(path) for role, path in named.items() if path is not None}
    # A canopy that is not there or cannot be read is told where it is read.
    return [describe(role, path) for role, path in paths.items() if path.is_file() and os.access(path, os.R_OK)]


def _ground(settings: Settings) -> tuple[BasinGrid, xr.Dataset, list[tuple[str, str]], list[Finding]]:
    """Return the basin grid, what is fixed on it, its zones, and the findings."""
    crs = grid_crs(settings.grid.crs)
    zones = read_zones(settings.path(settings.basin.zones), crs)
    grid = basin_grid(zones, crs, settings.grid.cell_m, settings.basin.margin_m)
    canopy, findings = None, []
    if settings.terrain.canopy is not None:
        path = settings.path(settings.terrain.canopy)
        if not path.is_file():
            findings.append(missing_file("terrain", path, "terrain.canopy in the settings"))
        else:
            try:
                canopy = fraction_on_grid(path, grid)
            except InputError as trouble:
                findings.append(unreadable_file("terrain", path, str(trouble).removeprefix(f"{path} ")))
    edges = BandEdges(settings.bands.width_m, settings.bands.edges_m)
    terrain = read_terrain(settings.path(settings.terrain.elevation), canopy, zones, grid, edges)
    return grid, terrain, list(zip(zones["zone_id"], zones["name"], strict=True)), findings


def _measurements(
    settings: Settings, place: tuple[BasinGrid, xr.Dataset], found: dict[str, list[InputFile]], date: dt.date
) -> tuple[GroundRecord, pd.DataFrame, dict[str, pd.DataFrame], list[Finding]]:
    """Return what the ground said up to the date, the density records, the canonical rows used, and the findings."""
    start = pd.Timestamp(settings.season_start(date))

    def paths(role: str) -> list[Path]:
        return [file.path for file in found[role]]

    def how(role: str) -> tuple:
        return settings.columns.get(role, {}), settings.missing

    sites, findings = read_sites(settings.path(settings.inputs.sites), *how("sites"))
    sites, noticed = place_sites(sites, *place, settings.checks.site_elevation_m)
    findings += noticed
    all_samples, samples_noticed = read_courses(paths("courses"), *how("courses"))
    all_records, records_noticed = read_stations(paths("stations"), *how("stations"), settings.basin.utc_offset_hours)
    all_weather, weather_noticed = read_weather(paths("weather"), *how("weather"))
    weather = as_issued_by(all_weather, date)
    samples, records = (rows[rows["date"] >= start] for rows in (up_to(all_samples, date), up_to(all_records, date)))
    # What is wrong with rows of a later day is told on that day.
    findings += without_lines(samples_noticed, _later(all_samples, "date", date))
    findings += without_lines(records_noticed, _later(all_records, "date", date))
    findings += without_lines(weather_noticed, _later(all_weather, "issued", date))
    findings = [finding for finding in findings if finding.start[:10] <= str(date)]
    rows = {
        "sites": canonical(sites.drop(columns=["row", "column"])),
        "courses": canonical(samples),
        "stations": canonical(records),
        "weather": canonical(weather),
    }
    if found["stations"]:
        heard = up_to(all_records, date)
        stations = sites[sites["kind"] == "station"]
        findings += silent_stations(heard, stations, pd.Timestamp(date), settings.stations.silent_days)
    samples, noticed = check_courses(_in_service(samples, sites, "courses", findings), _course_limits(settings))
    findings += noticed
    records, noticed = check_stations(_in_service(records, sites, "stations", findings), _station_limits(settings))
    findings += noticed
    visits, daily = course_visits(samples), daily_values(records)
    known = sites.set_index("site_id").rename(columns={"elevation_m": "stated_m", "terrain_m": "elevation_m"})
    names = ["site_id", "date", "depth_m", "density_kg_m3"]
    weighed = [station_density(daily, settings.checks.density_least_depth_m), visits.dropna(subset="density_kg_m3")]
    densities = pd.concat([table[names] for table in weighed], ignore_index=True)
    densities = densities.assign(elevation_m=known["elevation_m"].reindex(densities["site_id"]).to_numpy())
    record = GroundRecord(
        known, daily, station_swe_se_mm(daily["swe_mm"]), visits,
        weather=weather[(weather["date"] >= start) & (weather["date"] <= pd.Timestamp(date))], southern=place[0].southern,
    )  # fmt: skip
    return record, densities, rows, findings


def _later(rows: pd.DataFrame, column: str, date: dt.date) -> pd.DataFrame:
    return rows[rows[column] > pd.Timestamp(date)]


def _in_service(rows: pd.DataFrame, sites: pd.DataFrame, role: str, findings: list[Finding]) -> pd.DataFrame:
    """Return the rows of sites that are on the map and in service that day; one finding for each site left out."""
    placed = sites.set_index("site_id")[["since", "until"]].reindex(rows["site_id"])
    unknown = ~rows["site_id"].isin(sites["site_id"]).to_numpy()
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


def _course_limits(settings: Settings) -> CourseLimits:
    checks = settings.checks
    return CourseLimits(
        swe_high_mm=checks.swe_high_mm,
        depth_high_m=checks.depth_high_m,
        density_low=checks.density_low_kg_m3,
        density_high=checks.density_high_kg_m3,
        core_over_depth=checks.core_over_depth,
        outlier_mad=checks.point_outlier_mad,
    )


def _station_limits(settings: Settings) -> StationLimits:
    checks = settings.checks
    return StationLimits(
        swe_high_mm=checks.swe_high_mm,
        depth_high_m=checks.depth_high_m,
        spike_mm=checks.spike_mm,
        spike_m=checks.spike_m,
        flat_line_days=checks.flat_line_days,
        density_low=checks.density_low_kg_m3,
        density_high=checks.density_high_kg_m3,
        density_least_depth_m=checks.density_least_depth_m,
    )


def _flights(
    settings: Settings, grid: BasinGrid, found: dict[str, list[InputFile]], date: dt.date
) -> tuple[list[xr.Dataset], dict[str, xr.Dataset], list[tuple[InputFile, str]], list[Finding]]:
    """Return this season's flights up to the date on the basin grid, their grids by name, their files, and the findings."""
    how = settings.columns.get("flights", {}), settings.missing
    season = settings.season_start(date), date
    entries, findings = read_flights([file.path for file in found["flights"]], *how, season)
    limits = FlightLimits(**settings.flights.model_dump())
    flights, grids, files = [], {}, []
    for entry in entries:
        name = f"flight {entry.flight_id}"
        try:
            flight, noticed = measure_flight(_flight_files(entry), grid, limits)
        except InputError as trouble:
            findings.append(
                Finding(
                    table="flights",
                    file=str(entry.table),
                    line=entry.line,
                    site_id=entry.flight_id,
                    start=str(entry.date),
                    end=str(entry.date),
                    rule="refused flight",
                    severity="error",
                    action="set aside",
                    detail=str(trouble),
                )
            )
            continue
        findings += noticed
        flights.append(flight)
        grids[name] = flight.assign_attrs(crs=grid.crs.to_wkt())
        files += [(describe(f"{name} {kind}", path), name) for kind, path in entry.files.items()]
    return flights, grids, files, findings


def _flight_files(entry: FlightEntry) -> FlightFiles:
    return FlightFiles(flight_id=entry.flight_id, date=entry.date, depth_se_m=entry.depth_se_m, **entry.files)


def _cover(
    settings: Settings, grid: BasinGrid, found: dict[str, list[InputFile]], date: dt.date
) -> tuple[tuple[CoverEntry, np.ndarray] | None, list[Finding]]:
    """Return the snow-cover grid of the day itself on the basin grid, None where there is none, and the findings."""
    how = settings.columns.get("covers", {}), settings.missing
    entries, findings = read_covers([file.path for file in found["covers"]], *how, (date, date))
    for entry in entries:
        if entry.variable == "snow_cover_fraction":
            try:
                return (entry, fraction_on_grid(entry.path, grid)), findings
            except InputError as trouble:
                findings.append(
                    Finding(
                        table="covers",
                        file=str(entry.table),
                        line=entry.line,
                        start=str(date),
                        end=str(date),
                        rule="unreadable file",
                        severity="error",
                        action="set aside",
                        detail=str(trouble),
                    )
                )
    return None, findings


def canonical(rows: pd.DataFrame) -> pd.DataFrame:
    """Return rows as their identity sees them: what they say, not in which file, line or order it stood."""
    said = rows.drop(columns=["file", "line"])
    return said.sort_values(list(said.columns), kind="stable", ignore_index=True)
