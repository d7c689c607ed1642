"""From the settings' files to the inputs of one basin day: found, read, checked, on the basin grid, nothing dated later."""

from __future__ import annotations

import datetime as dt
import json
import os
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import xarray as xr
from pyproj import CRS

from pipeline.archive.current import Loss
from pipeline.archive.grids import GridRole, Grids, earlier_cover_name
from pipeline.estimate.day_inputs import Choices, DayInputs
from pipeline.flights.cache import FlightCache
from pipeline.flights.together import one_a_day
from pipeline.gather.albedo import gather_albedo
from pipeline.gather.before import PLACES, ReadNow, lost_since_sound
from pipeline.gather.earlier_pairs import EARLIER_PAIRS, EarlierWords, earlier_pairs
from pipeline.gather.earlier_visits import EARLIER_VISITS
from pipeline.gather.flights import (
    flight_cache,
    gather_cover,
    gather_earlier_covers,
    gather_flights,
)
from pipeline.gather.ground import (
    EARLIER_ISSUES,
    Measured,
    forecast_rows,
    gather_ground,
    gather_tables,
)
from pipeline.gather.past_flights import gather_past_flights
from pipeline.gather.sources import file_formats
from pipeline.gather.span import check_covered
from pipeline.inputs.columns import check_declared
from pipeline.inputs.cover_checks import doubted_cover
from pipeline.inputs.find import InputFile, describe, find_tables, is_file, missing_file, unreadable_file
from pipeline.inputs.formats import check_formats
from pipeline.inputs.raster_frame import refuse_large
from pipeline.inputs.rasters import fraction_on_grid
from pipeline.inputs.read_courses import COURSES
from pipeline.inputs.read_covers import COVERS
from pipeline.inputs.read_flights import FLIGHTS
from pipeline.inputs.read_normals import NORMALS
from pipeline.inputs.read_overrides import OVERRIDES
from pipeline.inputs.read_sites import SITES
from pipeline.inputs.read_stations import STATIONS
from pipeline.inputs.read_terrain import BandEdges, basin_grid, grid_crs, read_terrain, read_zones
from pipeline.inputs.read_weather import WEATHER
from pipeline.inputs.relative import relative_to, with_relative_files
from pipeline.model.basin import Basin
from pipeline.model.grid import BasinGrid
from pipeline.model.ground import GroundRecord
from pipeline.model.problems import FINDING_COLUMNS, ArchiveError, Finding, InputError, findings_table
from pipeline.model.rules.files import STILL_ARRIVING
from pipeline.publishing.archived_grids import as_archived
from pipeline.publishing.record import plain
from pipeline.settings.basin import Settings
from pipeline.snow.blend import asks_trees
from pipeline.snow.past_pattern import PAST_PATTERN
from pipeline.storage.cache import Cache
from pipeline.terrain.landform_cache import cached_landform

Stage = Callable[[str], None]
"""Told the name of each stage as it begins, for a progress bar or a log."""


@dataclass(frozen=True)
class Readings:
    """What the inputs hold for a date: nothing dated after it.

    Parameters
    ----------
    inputs : the science's inputs.
    files : every file found, with the name of the rows or grid used from it.
    rows, grids : canonical rows (by name) and grids that the day may use; their hashes are its identity.
    hashes : of rows and grids by name.
    beside : what must be kept with them to make the same day again: where each row stood, what was noticed in reading, what the
        record tells of the flights.
    findings : everything noticed.
    """

    inputs: DayInputs
    files: list[tuple[InputFile, str]]
    rows: dict[str, pd.DataFrame]
    grids: Grids[xr.Dataset]
    hashes: dict[str, str]
    beside: dict[str, pd.DataFrame]
    findings: list[Finding]

    @property
    def losses(self) -> list[Loss]:
        """What degrades the night, empty when nothing does."""
        return [Loss.of(f, _why(f)) for f in self.findings if f.degrades]

    @property
    def degraded(self) -> list[str]:
        """Why the night is degraded, one line each, empty when it is not."""
        return [loss.reason for loss in self.losses]


def _why(finding: Finding) -> str:
    """Return a degrading finding in one line: what, which site or flight, the evidence, the cure."""
    about = f" {finding.site_id}" if finding.site_id else ""
    evidence = f" ({finding.evidence})" if finding.evidence else ""
    return f"{finding.rule.name}{about}{evidence}: {finding.detail}"


def read_inputs(
    settings: Settings,
    date: dt.date,
    stage: Stage,
    *,
    keep: bool = False,
    arriving: frozenset[Path] = frozenset(),
    by_hand: bool = False,
) -> Readings:
    """Find, read and check every input that `date` may use.

    Parameters
    ----------
    keep : whether what took long to read is kept beside the archive for the next night (`.cache`, to be deleted at any time).
    arriving : files still being written: flights and cover grids among them are left out, tables read as they stand.
    by_hand : whether an analyst asked for the date: values that are massively others than before are then taken over.

    Raises
    ------
    SnowtallyError : a required input cannot be used. Optional ones that cannot are findings.
    """
    tables = [SITES, COURSES, STATIONS, FLIGHTS, COVERS, WEATHER, OVERRIDES, NORMALS]
    check_declared(settings.columns, tables)
    check_formats({role: file_formats(settings, role) for role in settings.formats}, tables)
    stage("finding inputs")
    found, findings = find_tables(
        {role: [settings.path(p) for p in getattr(settings.inputs, role)] for role in OPTIONAL_TABLES}
    )
    findings += [_growing(file) for listed in found.values() for file in listed if file.path in arriving]
    fixed = _fixed_files(settings)
    stage("reading the terrain")
    grid, terrain, zones, noticed = _ground(settings)
    findings += noticed
    stage("reading the measurements")
    readings = Cache(settings.cache_folder("readings"), keep)
    tables, noticed = gather_tables(settings, (grid, terrain), found, date, readings)
    findings += noticed
    check_covered(settings, found, date, tables, dt.datetime.now(dt.UTC))
    # From the settings file on: where a checkout lies is not what a day was made from.
    home = settings.file.parent
    tables = {name: with_relative_files(table, home) for name, table in tables.items()}
    measured = gather_ground(settings, grid, tables, date)
    stage("reading the flights")
    kept = flight_cache(settings, writable=keep, arriving=arriving)
    flown = gather_flights(settings, (grid, terrain, measured[0]), found, date, kept)
    findings += flown.findings
    past = gather_past_flights(settings, (grid, terrain), flown.tables, date, kept)
    # This season's flights show where snow lies: earlier ones matter for their voids alone.
    findings += [] if flown.grids else past.findings
    paths = {role: [file.path for file in found[role]] for role in ("stations", "overrides")}
    said = EarlierWords(paths["stations"], paths["overrides"], tables.get(EARLIER_VISITS))
    pairs = earlier_pairs(settings, (grid, tables["sites"]), said, past.flights, readings)
    tables |= {EARLIER_PAIRS: with_relative_files(pairs, home)} if len(pairs) else {}
    grids, of_covers, noticed = _covers(settings, (grid, measured[0]), found, kept, date)
    findings += noticed
    grids.flights, grids.past_pattern = flown.grids, past.pattern
    rasters = flown.files + past.files + of_covers
    findings = [relative_to(finding, home) for finding in findings]
    grids.terrain = terrain.assign_attrs(crs=grid.crs.to_wkt(), zones=zones)
    grids = grids.map(as_archived)
    files = [(file, "terrain" if file.role in TERRAIN_ROLES else file.role) for file in fixed]
    files += [(file, role) for role, listed in found.items() for file in listed]
    rows, places = canonical(tables)
    now = ReadNow.of(date, rows | {"flights": flown.rows}, grids)
    findings += [relative_to(one, home) for one in lost_since_sound(settings, now, findings, by_hand=by_hand)]
    beside = {**places, NOTICED: findings_table(findings), FIGURES: _figures_table(flown.figures)}
    told = flown.figures, tables, findings
    inputs, all_findings = _day_inputs(settings, (date, grid), measured, grids, told)
    if asks_trees(settings.blend.method, len(inputs.flights)):
        inputs = replace(inputs, landform=_landform(settings, inputs.basin.terrain, writable=keep))
    kept.cache.drop_unused()
    return Readings(inputs, files + rasters, now.rows, grids, now.hashes, beside, all_findings)


def _landform(settings: Settings, terrain: xr.Dataset, *, writable: bool) -> dict[str, np.ndarray]:
    """Return the shape of the ground, cached from night to night."""
    cache = Cache(settings.cache_folder("landform"), writable)
    fields = cached_landform(cache, terrain, settings.blend.wind_from_deg)
    cache.drop_unused()
    return fields


def _covers(
    settings: Settings,
    ground: tuple[BasinGrid, GroundRecord],
    found: dict[str, list[InputFile]],
    kept: FlightCache,
    date: dt.date,
) -> tuple[Grids[xr.Dataset], list[tuple[InputFile, str]], list[Finding]]:
    """Return the grids of what was seen of the snow from above, their files with their names, and the findings."""
    grid, record = ground
    today, findings = gather_cover(settings, grid, found, kept, date)
    earlier, noticed = gather_earlier_covers(settings, grid, found, kept, date)
    findings += noticed
    seen = [] if today is None else [(GridRole.COVER.value, *today)]
    seen += [(earlier_cover_name(entry.date), entry, values) for entry, values in earlier]
    doubts = {
        name: [replace(one, file=str(entry.path)) for one in doubted_cover(values, entry.date, record, grid)]
        for name, entry, values in seen
    }
    findings += [one for noticed in doubts.values() for one in noticed]
    seen = [one for one in seen if not doubts[one[0]]]
    crs = grid.crs.to_wkt()
    grids = Grids.from_names({
        name: xr.Dataset({"snow_cover_fraction": grid.array(values, units="1")}, attrs={"crs": crs})
        for name, _, values in seen
    })  # fmt: skip
    used = [(name, entry) for name, entry, _ in seen]
    albedo, of_albedo, noticed = gather_albedo(settings, grid, found, kept, date)
    findings += noticed
    grids.albedo = albedo
    if albedo is not None:
        used += [(GridRole.ALBEDO.value, entry) for entry in of_albedo]
    files = [(describe(f"cover {entry.date} {entry.variable}", entry.path), name) for name, entry in used]
    return grids, files, findings


NOTICED = "findings of reading"
"""Name under which the findings that no check of the kept rows can make again are kept."""

FIGURES = "figures of flights"
"""Name under which what the record tells of each flight is kept: it is made with the flight's pixels, which are not kept."""


def _growing(file: InputFile) -> Finding:
    """Return the finding that a table is read as it stands, though it is still being written."""
    return Finding(STILL_ARRIVING, file.role, str(file.path), detail=STILL_ARRIVING.says(path=file.path))


def inputs_from_kept(
    settings: Settings, date: dt.date, rows: dict[str, pd.DataFrame], grids: Grids[xr.Dataset]
) -> DayInputs:
    """Return the science's inputs of a date from the rows and grids that the archive kept of it.

    Parameters
    ----------
    rows, grids : what `Readings` holds of rows, grids and beside, as they come back from the archive.

    Raises
    ------
    ArchiveError : the archive is of before rows were kept with their places.
    """
    tables, noticed = tables_from_kept(rows)
    figures = [json.loads(text) for text in rows[FIGURES]["figures"]]
    if grids.terrain is None:
        raise KeyError(GridRole.TERRAIN.value)
    grid = _grid_of(grids.terrain, settings.grid.cell_m)
    measured = gather_ground(settings, grid, tables, date)
    return _day_inputs(settings, (date, grid), measured, grids, (figures, tables, noticed))[0]


def _day_inputs(
    settings: Settings,
    place: tuple[dt.date, BasinGrid],
    measured: Measured,
    grids: Grids[xr.Dataset],
    told: tuple[list[dict[str, Any]], dict[str, pd.DataFrame], list[Finding]],
) -> tuple[DayInputs, list[Finding]]:
    """Return the science's inputs, the same way from what was read now and from what the archive kept, and all findings.

    Parameters
    ----------
    place : date and basin grid.
    grids : as `as_archived` gives them, terrain among them.
    told : what the record tells of each flight, the canonical tables, and what was noticed in reading.
    """
    date, grid = place
    ground, (densities, earlier_densities), found = measured
    terrain = grids.terrain
    terrain = terrain.assign({name: terrain[name].astype("i4") for name in ("zone", "band")})
    terrain = terrain.assign_attrs(bands=[tuple(edges) for edges in terrain.attrs["bands"]])
    findings = told[2] + found
    inputs = DayInputs(
        day=settings.day(date),
        title=settings.basin.title,
        noon_utc=dt.datetime.combine(date, dt.time(12)) - dt.timedelta(hours=settings.basin.utc_offset_hours),
        basin=Basin(grid, terrain, [tuple(zone) for zone in terrain.attrs["zones"]]),
        ground=ground,
        densities=densities,
        earlier_densities=earlier_densities if len(earlier_densities) else None,
        flights=one_a_day(list(grids.flights.values())),
        flight_figures=told[0],
        normals=told[1].get("normals"),
        forecast=forecast_rows(told[1], date) if settings.inputs.weather else None,
        albedo=grids.albedo,
        earlier_pairs=told[1].get(EARLIER_PAIRS),
        cover=None if grids.cover is None else grids.cover["snow_cover_fraction"].to_numpy(),
        past_pattern=None if grids.past_pattern is None else grids.past_pattern[PAST_PATTERN].to_numpy(),
        earlier_covers=[
            (day, cover["snow_cover_fraction"].to_numpy()) for day, cover in sorted(grids.earlier_covers.items())
        ],
        checks=findings_table(findings),
    )
    return inputs, findings


def choices(settings: Settings) -> Choices:
    """Return what the settings choose in the science."""
    return Choices(
        snow_class=settings.density.snow_class,
        least_valid_fraction=settings.flights.least_valid_fraction,
        method=settings.blend.method,
        wind_from_deg=settings.blend.wind_from_deg,
    )


def _figures_table(figures: list[dict[str, Any]]) -> pd.DataFrame:
    """Return what the record tells of the flights as a table of one JSON text each."""
    texts = [json.dumps(plain(one), sort_keys=True) for one in figures]
    return pd.DataFrame({"figures": pd.Series(texts, dtype=str)})


def _grid_of(terrain: xr.Dataset, cell_m: float) -> BasinGrid:
    """Return the grid that a terrain lies on; its coordinates are cell centres."""
    left, top = float(terrain["x"][0]) - cell_m / 2, float(terrain["y"][0]) + cell_m / 2
    return BasinGrid(CRS(terrain.attrs["crs"]), cell_m, left, top, terrain.sizes["x"], terrain.sizes["y"])


OPTIONAL_TABLES = ("courses", "stations", "flights", "covers", "weather", "overrides", "normals")
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
    return [describe(role, path) for role, path in paths.items() if is_file(path) and os.access(path, os.R_OK)]


def _ground(settings: Settings) -> tuple[BasinGrid, xr.Dataset, list[tuple[str, str]], list[Finding]]:
    """Return the basin grid, what is fixed on it, its zones, and the findings."""
    crs = grid_crs(settings.grid.crs)
    zones = read_zones(settings.path(settings.basin.zones), crs, settings.basin.zones_layer)
    grid = basin_grid(zones, crs, settings.grid.cell_m, settings.basin.margin_m)
    canopy, findings = None, []
    if settings.terrain.canopy is not None:
        path = settings.path(settings.terrain.canopy)
        if not is_file(path):
            findings.append(missing_file("terrain", path, "terrain.canopy in the settings"))
        else:
            try:
                refuse_large(path, grid, settings.operations.limits.raster_gb)
                canopy = fraction_on_grid(path, grid)
            except InputError as trouble:
                findings.append(unreadable_file("terrain", path, str(trouble).removeprefix(f"{path} ")))
    refuse_large(settings.path(settings.terrain.elevation), grid, settings.operations.limits.raster_gb)
    edges = BandEdges(settings.bands.width_m, settings.bands.edges_m)
    terrain, noticed = read_terrain(settings.path(settings.terrain.elevation), canopy, zones, grid, edges)
    return grid, terrain, list(zip(zones["zone_id"], zones["name"], strict=True)), findings + noticed


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

_READ_BY = {
    "stations": ["site_id", "time"],
    EARLIER_VISITS: ["site_id", "date"],
    EARLIER_PAIRS: ["site_id", "date"],
    "overrides": ["site_id", "first", "file", "line"],
}
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
    for name in (
        "sites",
        "courses",
        "stations",
        "weather",
        *(name for name in ["overrides", "normals", EARLIER_ISSUES, EARLIER_VISITS, EARLIER_PAIRS] if name in kept),
    ):
        placed = kept[name].assign(**{c: kept[f"{name}{PLACES}"][c] for c in ("file", "line", "order")})
        by = _READ_BY.get(name, ["order", "line"])
        tables[name] = placed.sort_values(by, kind="stable", ignore_index=True).drop(columns="order")
    noticed = kept[NOTICED][FINDING_COLUMNS].to_dict("records")
    return tables, [Finding.from_plain(row) for row in noticed]
