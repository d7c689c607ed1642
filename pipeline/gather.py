"""From the settings' files to the inputs of one basin day: found, read, checked, on the basin grid, nothing dated later."""

from __future__ import annotations

import datetime as dt
import json
import os
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd
import xarray as xr
from pyproj import CRS

from pipeline.estimate import DayInputs
from pipeline.flights.together import one_a_day
from pipeline.gather_flights import FLIGHT, file_formats, gather_cover, gather_flights, kept_flights
from pipeline.grid import BasinGrid
from pipeline.ground import GroundRecord
from pipeline.inputs.columns import check_declared
from pipeline.inputs.find import InputFile, describe, find_tables, missing_file, unreadable_file
from pipeline.inputs.formats import check_formats
from pipeline.inputs.rasters import fraction_on_grid
from pipeline.inputs.read_courses import COURSES, read_courses
from pipeline.inputs.read_covers import COVERS
from pipeline.inputs.read_flights import FLIGHTS
from pipeline.inputs.read_overrides import OVERRIDES, concerning, read_overrides
from pipeline.inputs.read_sites import SITES, place_sites, read_sites
from pipeline.inputs.read_stations import STATIONS, read_stations
from pipeline.inputs.read_terrain import BandEdges, basin_grid, grid_crs, read_terrain, read_zones
from pipeline.inputs.read_weather import WEATHER, as_issued_by, read_weather
from pipeline.inputs.rows import without_lines
from pipeline.measurements.course_checks import CourseLimits, check_courses
from pipeline.measurements.course_context import Surroundings
from pipeline.measurements.course_dates import season_samples
from pipeline.measurements.daily import daily_values, silent_stations
from pipeline.measurements.excursions import Rates
from pipeline.measurements.overrides import (
    samples_without_overridden,
    switched_off,
    with_values,
    without_overridden,
)
from pipeline.measurements.points import STATION_DEPTH_SE_M, course_visits, station_density, station_swe_se_mm
from pipeline.measurements.samplers import without_sampler_bias
from pipeline.measurements.station_checks import StationLimits, check_stations
from pipeline.outputs.kept_grids import as_kept
from pipeline.outputs.record import plain
from pipeline.problems import FINDING_COLUMNS, ArchiveError, Finding, InputError, findings_table
from pipeline.settings import Checks, Settings, Stations

Stage = Callable[[str], None]
"""Told the name of each stage as it begins, for a progress bar or a log."""

DEGRADING = ("missing file", "unreadable file", "no usable row", "refused flight", "silent station")
"""Findings that make a night degraded: something declared was not there, and the estimate went on without it."""


@dataclass(frozen=True)
class Readings:
    """What the inputs hold for a date: nothing dated after it.

    Parameters
    ----------
    inputs : the science's inputs.
    files : every file found, with the name of the rows or grid used from it.
    rows, grids : canonical rows and grids that the day may use, by name; their hashes are its identity.
    beside : what must be kept with them to make the same day again: where each row stood, what was noticed in reading, what the
        record tells of the flights.
    findings : everything noticed.
    """

    inputs: DayInputs
    files: list[tuple[InputFile, str]]
    rows: dict[str, pd.DataFrame]
    grids: dict[str, xr.Dataset]
    beside: dict[str, pd.DataFrame]
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


def read_inputs(settings: Settings, date: dt.date, stage: Stage, *, keep: bool = False) -> Readings:
    """Find, read and check every input that `date` may use.

    Parameters
    ----------
    keep : whether what took long to read is kept beside the archive for the next night (`.cache`, to be deleted at any time).

    Raises
    ------
    SnowtallyError : a required input cannot be used. Optional ones that cannot are findings.
    """
    tables = [SITES, COURSES, STATIONS, FLIGHTS, COVERS, WEATHER, OVERRIDES]
    check_declared(settings.columns, tables)
    check_formats({role: file_formats(settings, role) for role in settings.formats}, tables)
    stage("finding inputs")
    found, findings = find_tables(
        {role: [settings.path(p) for p in getattr(settings.inputs, role)] for role in OPTIONAL_TABLES}
    )
    fixed = _fixed_files(settings)
    stage("reading the terrain")
    grid, terrain, zones, noticed = _ground(settings)
    findings += noticed
    stage("reading the measurements")
    tables, noticed = _tables(settings, (grid, terrain), found, date)
    findings += noticed
    measured = _measurements(settings, grid, tables, date)
    stage("reading the flights")
    flown = gather_flights(settings, (grid, terrain, measured[0]), found, date, kept_flights(settings, writable=keep))
    findings += flown.findings
    grids, rasters = flown.grids, flown.files
    cover, noticed = gather_cover(settings, grid, found, date)
    findings += noticed
    if cover is not None:
        entry, values = cover
        grids["cover"] = xr.Dataset(
            {"snow_cover_fraction": grid.array(values, units="1")}, attrs={"crs": grid.crs.to_wkt()}
        )
        rasters.append((describe(f"cover {entry.date} {entry.variable}", entry.path), "cover"))
    grids["terrain"] = terrain.assign_attrs(crs=grid.crs.to_wkt(), zones=zones)
    grids = {name: as_kept(dataset) for name, dataset in grids.items()}
    files = [(file, "terrain" if file.role in TERRAIN_ROLES else file.role) for file in fixed]
    files += [(file, role) for role, listed in found.items() for file in listed]
    rows, places = canonical(tables)
    beside = {**places, NOTICED: findings_table(findings), FIGURES: _figures_table(flown.figures)}
    inputs, all_findings = _day_inputs(settings, (date, grid), measured, grids, (flown.figures, findings))
    return Readings(inputs, files + rasters, rows | {"flights": flown.rows}, grids, beside, all_findings)


NOTICED = "findings of reading"
"""Name under which the findings that no check of the kept rows can make again are kept."""

FIGURES = "figures of flights"
"""Name under which what the record tells of each flight is kept: it is made with the flight's pixels, which are not kept."""


def inputs_from_kept(
    settings: Settings, date: dt.date, rows: dict[str, pd.DataFrame], grids: dict[str, xr.Dataset]
) -> DayInputs:
    """Return the science's inputs of a date from the rows and grids that the archive kept of it.

    Parameters
    ----------
    rows, grids : what `Readings` holds of rows, grids and beside, by name, as they come back from the archive.

    Raises
    ------
    ArchiveError : the archive is of before rows were kept with their places.
    """
    tables, noticed = tables_from_kept(rows)
    figures = [json.loads(text) for text in rows[FIGURES]["figures"]]
    grid = _grid_of(grids["terrain"], settings.grid.cell_m)
    measured = _measurements(settings, grid, tables, date)
    return _day_inputs(settings, (date, grid), measured, grids, (figures, noticed))[0]


Measured = tuple[GroundRecord, pd.DataFrame, list[Finding]]
"""What the ground said, the density records, and the checks' findings."""


def _day_inputs(
    settings: Settings,
    place: tuple[dt.date, BasinGrid],
    measured: Measured,
    grids: dict[str, xr.Dataset],
    told: tuple[list[dict[str, Any]], list[Finding]],
) -> tuple[DayInputs, list[Finding]]:
    """Return the science's inputs, the same way from what was read now and from what the archive kept, and all findings.

    Parameters
    ----------
    place : date and basin grid.
    grids : terrain, cover and flights as `as_kept` gives them, by name.
    told : what the record tells of each flight, and what was noticed in reading.
    """
    date, grid = place
    ground, densities, found = measured
    terrain = grids["terrain"]
    terrain = terrain.assign({name: terrain[name].astype("i4") for name in ("zone", "band")})
    terrain = terrain.assign_attrs(bands=[tuple(edges) for edges in terrain.attrs["bands"]])
    flights = [dataset for name, dataset in grids.items() if name.startswith(FLIGHT)]
    findings = told[1] + found
    inputs = DayInputs(
        basin_id=settings.basin.id,
        title=settings.basin.title,
        date=date,
        noon_utc=dt.datetime.combine(date, dt.time(12)) - dt.timedelta(hours=settings.basin.utc_offset_hours),
        zones=[tuple(zone) for zone in terrain.attrs["zones"]],
        grid=grid,
        terrain=terrain,
        ground=ground,
        densities=densities,
        flights=one_a_day(flights),
        flight_figures=told[0],
        cover=grids["cover"]["snow_cover_fraction"].to_numpy() if "cover" in grids else None,
        checks=findings_table(findings),
    )
    return inputs, findings


def _figures_table(figures: list[dict[str, Any]]) -> pd.DataFrame:
    """Return what the record tells of the flights as a table of one JSON text each."""
    texts = [json.dumps(plain(one), sort_keys=True) for one in figures]
    return pd.DataFrame({"figures": pd.Series(texts, dtype=str)})


def _grid_of(terrain: xr.Dataset, cell_m: float) -> BasinGrid:
    """Return the grid that a terrain lies on; its coordinates are cell centres."""
    left, top = float(terrain["x"][0]) - cell_m / 2, float(terrain["y"][0]) + cell_m / 2
    return BasinGrid(CRS(terrain.attrs["crs"]), cell_m, left, top, terrain.sizes["x"], terrain.sizes["y"])


OPTIONAL_TABLES = ("courses", "stations", "flights", "covers", "weather", "overrides")
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


def _tables(
    settings: Settings, place: tuple[BasinGrid, xr.Dataset], found: dict[str, list[InputFile]], date: dt.date
) -> tuple[dict[str, pd.DataFrame], list[Finding]]:
    """Return the rows that the date may use, each with its file and line, and what was noticed in reading them."""
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
        kept=_kept_readings(settings),
        since=start.date(),
        until=date,
    )
    all_weather, weather_noticed = read_weather(paths("weather"), *how("weather"), file_formats(settings, "weather"))
    weather = as_issued_by(all_weather, date)
    records = heard[heard["date"] >= start]
    samples, misdated = season_samples(all_samples, (start.date(), date), settings.checks.nominal_days)
    # What is wrong with rows of a later day is told on that day.
    findings += without_lines(samples_noticed, _later(all_samples, "date", date))
    findings += records_noticed
    findings += without_lines(weather_noticed, _later(all_weather, "issued", date))
    findings = [finding for finding in findings if finding.start[:10] <= str(date)] + misdated
    overrides, noticed = read_overrides(
        paths("overrides"), *how("overrides"), settings.basin.utc_offset_hours, file_formats(settings, "overrides")
    )
    findings += noticed
    overrides = concerning(overrides, start.date(), date, settings.basin.utc_offset_hours)
    if found["stations"]:
        off = switched_off(overrides, _noon(settings, date))
        stations = sites[(sites["kind"] == "station") & ~sites["site_id"].isin(off)]
        findings += silent_stations(heard, stations, pd.Timestamp(date), settings.stations.silent_days)
    tables = {"sites": sites, "courses": samples, "stations": records, "weather": weather}
    # A basin without overrides is the same basin whether or not the program knows of them.
    return tables | ({"overrides": overrides} if found["overrides"] else {}), findings


def _noon(settings: Settings, date: dt.date) -> pd.Timestamp:
    """Return local noon of a date in UTC."""
    return pd.Timestamp(date) + pd.Timedelta(hours=12 - settings.basin.utc_offset_hours)


def _measurements(settings: Settings, grid: BasinGrid, tables: dict[str, pd.DataFrame], date: dt.date) -> Measured:
    """Return what the ground said, the density records, and the checks' findings."""
    sites = tables["sites"]
    row, column = grid.rows_columns(sites["x"].to_numpy(), sites["y"].to_numpy())
    sites = sites.assign(row=row, column=column)
    overrides = tables.get("overrides", read_overrides([], {}, [], settings.basin.utc_offset_hours)[0])
    said = tables["courses"], tables["stations"], overrides
    known = sites.set_index("site_id").rename(columns={"elevation_m": "stated_m", "terrain_m": "elevation_m"})
    samples, daily, findings = _checked(settings, (known, grid.southern), said, _noon(settings, date))
    visits = course_visits(samples)
    names = ["site_id", "date", "depth_m", "density_kg_m3"]
    weighed = [station_density(daily, settings.checks.density_least_depth_m), visits.dropna(subset="density_kg_m3")]
    densities = pd.concat([table[names] for table in weighed], ignore_index=True)
    densities = densities.assign(elevation_m=known["elevation_m"].reindex(densities["site_id"]).to_numpy())
    daily = daily.assign(depth_se_m=STATION_DEPTH_SE_M)
    weather = tables["weather"]
    start = pd.Timestamp(settings.season_start(date))
    record = GroundRecord(
        known, daily, station_swe_se_mm(daily["swe_mm"]), visits,
        weather=weather[(weather["date"] >= start) & (weather["date"] <= pd.Timestamp(date))], southern=grid.southern,
    )  # fmt: skip
    return record, densities, findings


def _kept_readings(settings: Settings) -> Path:
    """Return the folder beside the archive where rows of large files are kept between nights; it may be deleted any time."""
    archive = settings.path(settings.archive)
    return archive.with_name(f"{archive.name}.readings")


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
    of_course = overrides["site_id"].isin(sites.index[sites["kind"] == "course"])
    samples, noticed = samples_without_overridden(samples, overrides[of_course], offset)
    findings += noticed
    records, noticed = without_overridden(records, overrides[~of_course], set(sites.index))
    findings += noticed
    limits = station_limits(settings.checks, settings.stations)
    records, noticed = check_stations(records, limits, settings.basin.season_start)
    findings += noticed
    records = with_values(records, overrides[~of_course], offset, noon + pd.Timedelta(hours=12, seconds=-1))
    daily = daily_values(records)
    samples, noticed = without_sampler_bias(samples, settings.courses.sampler_bias)
    findings += noticed
    around = Surroundings(elevation_m=sites["elevation_m"], daily=daily, southern=southern)
    samples, noticed = check_courses(samples, _course_limits(settings), around)
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


def _course_limits(settings: Settings) -> CourseLimits:
    checks = settings.checks
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


def canonical(tables: dict[str, pd.DataFrame]) -> tuple[dict[str, pd.DataFrame], dict[str, pd.DataFrame]]:
    """Return rows as their identity sees them, what they say and not where it stood, and apart from them where it stood.

    Returns
    -------
    rows : by table, in the order of what they say.
    places : by table's name with `PLACES`, for the same rows in the same order `file`, `line`, `order` (of the files) and
        the date, by which they are kept month by month.
    """
    rows, places = {}, {}
    for name, table in tables.items():
        said = [column for column in table.columns if column not in NOT_SAID]
        # Categories would sort by their order, not by what they say.
        table = table.astype({name: str for name, kind in table.dtypes.items() if kind == "category"})  # noqa: PLW2901
        ordered = table.assign(order=pd.factorize(table["file"])[0])
        ordered = ordered.sort_values([*said, "order", "line"], kind="stable", ignore_index=True)
        rows[name] = ordered[said]
        places[f"{name}{PLACES}"] = ordered[[*(c for c in said if c == "date"), "file", "line", "order"]]
    return rows, places


NOT_SAID = ("file", "line", "row", "column")
"""Columns of where a row stood and of which cell it fell into: not what it says."""

PLACES = " places"

_READ_BY = {"stations": ["site_id", "time"], "overrides": ["site_id", "first", "file", "line"]}
"""Order in which the readers give a table's rows; the others come as they stand in their files."""


def tables_from_kept(kept: dict[str, pd.DataFrame]) -> tuple[dict[str, pd.DataFrame], list[Finding]]:
    """Return tables as they were read, and what was noticed in reading, from what `canonical` made of them.

    Raises
    ------
    ArchiveError : the archive is of before rows were kept with their places.
    """
    tables = {}
    if NOTICED not in kept:
        raise ArchiveError(
            "This revision was published before rows were kept with their places: it cannot be made again."
        )
    for name in ("sites", "courses", "stations", "weather", *(name for name in ["overrides"] if name in kept)):
        placed = kept[name].assign(**{c: kept[f"{name}{PLACES}"][c] for c in ("file", "line", "order")})
        by = _READ_BY.get(name, ["order", "line"])
        tables[name] = placed.sort_values(by, kind="stable", ignore_index=True).drop(columns="order")
    noticed = kept[NOTICED][FINDING_COLUMNS].to_dict("records")
    return tables, [Finding(**row) for row in noticed]
