"""A season's flights up to a date, from their table to depths on the basin grid, held against the ground and the snow cover."""

from __future__ import annotations

import datetime as dt
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import xarray as xr

from pipeline.archive.grids import flight_name
from pipeline.flights.areas import find_area
from pipeline.flights.by_site import check_unit, depths_by_site, offset_of, without_offset
from pipeline.flights.cache import FlightCache, flight_key
from pipeline.flights.cluster import measure_on_cluster
from pipeline.flights.limits import FlightLimits
from pipeline.flights.measure import FlightFiles, GroundLayers, Outcome, measure_flight
from pipeline.flights.rasters import files_beside
from pipeline.flights.together import SHARED_ERRORS, bare_where_seen_bare
from pipeline.gather.sources import source_of
from pipeline.inputs.find import InputFile, is_file, missing_file, unreadable_file
from pipeline.inputs.raster_frame import refuse_large
from pipeline.inputs.rasters import fraction_on_grid
from pipeline.inputs.read_covers import CoverEntry, read_covers
from pipeline.inputs.read_flights import FlightEntry, FlightTables, read_flights
from pipeline.model.grid import BasinGrid
from pipeline.model.ground import GroundRecord
from pipeline.model.problems import Finding, InputError, RefusedFlightError, StillArrivingError
from pipeline.model.rules import flights as rules
from pipeline.model.rules.files import UNREADABLE_FILE
from pipeline.model.rules.rule import Rule
from pipeline.settings.basin import Settings
from pipeline.snow.snow_line import BARE_COVER
from pipeline.storage.cache import Cache
from pipeline.storage.failure_log import failure_line


@dataclass
class FlightsRead:
    """What a season's flights say up to a date.

    Parameters
    ----------
    tables : the flights tables, which earlier seasons' flights stand in too.
    grids : each flight's grid by flight_id.
    rows : what is common to each flight: its id, date and errors; with the grids they are the flights' identity.
    files : files read, with the name of the grid made from them.
    figures : by flight, what the record tells: registration, noise, offset from the sites.
    findings : everything noticed.
    """

    tables: FlightTables
    grids: dict[str, xr.Dataset] = field(default_factory=dict)
    rows: pd.DataFrame = field(default_factory=pd.DataFrame)
    files: list[tuple[InputFile, str]] = field(default_factory=list)
    figures: list[dict[str, Any]] = field(default_factory=list)
    findings: list[Finding] = field(default_factory=list)


def flight_cache(settings: Settings, *, writable: bool, arriving: frozenset[Path] = frozenset()) -> FlightCache:
    """Return the cache of measured flights: beside the archive, where no reader looks."""
    return FlightCache(Cache(settings.cache_folder("flights"), writable), arriving)


def gather_flights(
    settings: Settings,
    ground: tuple[BasinGrid, xr.Dataset, GroundRecord],
    found: dict[str, list[InputFile]],
    date: dt.date,
    kept: FlightCache,
) -> FlightsRead:
    """Return this season's flights up to the date.

    Parameters
    ----------
    ground : the basin grid, what is fixed on it, and what the sites said up to the date.
    found : the tables' files by role.
    kept : where measured flights are kept.
    """
    grid, terrain, sites = ground
    tables = read_flights(source_of(settings, "flights", [file.path for file in found["flights"]]))
    entries, findings = tables.between(settings.season_start(date), date)
    read, flights = FlightsRead(tables, findings=findings), []
    known, noticed = ground_layers(settings, grid, terrain)
    read.findings += noticed
    ahead = measured_ahead(entries, settings, (grid, known), kept)
    for entry in entries:
        name = flight_name(entry.flight_id)
        try:
            flight, noticed, files = measured_flight(entry, settings, (grid, known), kept, ahead)
            read.findings += noticed
            flight, by_site = _against_ground(flight, sites, settings, read.findings, entry)
        except Exception as trouble:  # noqa: BLE001  one flight's trouble, foreseen or not, never costs the night
            arriving = isinstance(trouble, StillArrivingError)
            rule = rules.FLIGHT_STILL_ARRIVING if arriving else rules.REFUSED_FLIGHT
            read.findings.append(finding_of(entry, rule, detail=failure_line(trouble)))
            continue
        cover, noticed = gather_cover(settings, grid, found, kept, entry.date)
        # What is wrong with the cover grid of the date itself is told where that is read.
        read.findings += noticed if entry.date != date else []
        figures = flight.attrs["figures"] | {"by_site": by_site, "seen_of_basin": _seen_of_basin(flight, terrain)}
        if cover is not None:
            flight, disagreed = bare_where_seen_bare(flight, cover[1], BARE_COVER)
            figures |= {"snow_cover": disagreed}
            read.files.append((_described(kept, f"{name} snow_cover_fraction", cover[0].path), name))
            if disagreed["cells"]:
                read.findings.append(_disagreement(entry, disagreed))
        del flight.attrs["figures"]
        flights.append(flight)
        read.figures.append(figures)
        read.grids[entry.flight_id] = flight.assign_attrs(crs=grid.crs.to_wkt())
        read.files += [(file, name) for file in files]
    read.rows = _rows(flights)
    return read


def ground_layers(settings: Settings, grid: BasinGrid, terrain: xr.Dataset) -> tuple[GroundLayers, list[Finding]]:
    """Return what is known of the ground; a mask that is not there or cannot be read is a finding, and masks nothing."""
    findings = []
    water = None if settings.flights.water is None else settings.path(settings.flights.water)
    if water is not None and not is_file(water):
        findings.append(missing_file("flights", water, "flights.water in the settings"))
        water = None
    elif water is not None:
        try:
            refuse_large(water, grid, settings.operations.limits.raster_gb)
            find_area("water", (water,), grid)
        except InputError as trouble:
            findings.append(unreadable_file("flights", water, str(trouble).removeprefix(f"{water} ")))
            water = None
    canopy = None if settings.terrain.canopy is None else settings.path(settings.terrain.canopy)
    masking = None
    if canopy is not None and settings.flights.most_canopy < 1:
        # That it is not there or cannot be read is told where the terrain is read.
        with suppress(InputError):
            refuse_large(canopy, grid, settings.operations.limits.raster_gb)
            find_area("canopy", (canopy,), grid)
            masking = canopy
    return GroundLayers(
        elevation_m=terrain["elevation"].to_numpy(),
        canopy=terrain["canopy"].to_numpy(),
        canopy_file=masking,
        water_file=water,
    ), findings


@dataclass(frozen=True)
class _Task:
    """A flight to be measured: what belongs to it, its files as the record names them, and the key it is kept under."""

    files: FlightFiles
    described: list[InputFile]
    key: str


def _task(entry: FlightEntry, settings: Settings, place: tuple[BasinGrid, GroundLayers], kept: FlightCache) -> _Task:
    """Return what has to be measured for a row of the table. Raises InputError and OSError where a file cannot be read."""
    grid, known = place
    for path in (path for paths in entry.files.values() for path in paths):
        refuse_large(path, grid, settings.operations.limits.raster_gb)
    files = FlightFiles(
        flight_id=entry.flight_id,
        date=entry.date,
        depth_se_m=entry.depth_se_m,
        metres_per_unit=entry.metres_per_unit,
        codes=_codes(settings.missing),
        **entry.files,
    )
    described = [
        _described(kept, f"flight {entry.flight_id} {role}", path)
        for role, paths in entry.files.items()
        for path in _with_parts(paths)
    ]
    if known.water_file is not None:
        water = _with_parts((known.water_file,))
        described += [_described(kept, f"flight {entry.flight_id} water", path) for path in water]
    canopy = () if known.canopy_file is None else (known.canopy_file,)
    hashes: dict[str, list[tuple[str, ...]]] = {
        "flight": [(file.role, str(file.path), file.sha256) for file in described],
        "canopy": [(str(path), kept.sha256(path)) for path in _with_parts(canopy)],
    }
    return _Task(files, described, flight_key(files, hashes, grid, known, settings.flights))


def measured_ahead(
    entries: list[FlightEntry], settings: Settings, place: tuple[BasinGrid, GroundLayers], kept: FlightCache
) -> dict[str, Outcome]:
    """Return by key what the cluster, where there is one, made of the flights that are not kept yet, where they are several."""
    if settings.dask.address is None:
        return {}
    new: dict[str, FlightFiles] = {}
    for entry in entries:
        # What cannot be read or was refused is told when its turn comes.
        with suppress(InputError, OSError):
            task = _task(entry, settings, place, kept)
            if not kept.cache.holds(task.key):
                new[task.key] = task.files
    if len(new) < MANY:
        return {}
    outcomes = measure_on_cluster(settings.dask.address, list(new.values()), place[0], settings.flights, place[1])
    return {key: outcome for key, outcome in zip(new, outcomes, strict=True) if outcome is not None}


MANY = 2
"""One flight alone is measured here: it keeps every core of one machine busy, and its files are near."""


def measured_flight(
    entry: FlightEntry,
    settings: Settings,
    place: tuple[BasinGrid, GroundLayers],
    kept: FlightCache,
    ahead: dict[str, Outcome],
) -> tuple[xr.Dataset, list[Finding], list[InputFile]]:
    """Return a flight, cached, measured ahead or measured now, what was noticed, and its files."""
    task = _task(entry, settings, place, kept)
    outcome = kept.get_or_measure(
        task.key, lambda: ahead.get(task.key) or _measured(task.files, place, settings.flights)
    )
    if isinstance(outcome, RefusedFlightError):
        raise outcome
    return *outcome, task.described


def _measured(files: FlightFiles, place: tuple[BasinGrid, GroundLayers], limits: FlightLimits) -> Outcome:
    """Return a flight measured here, or why it is refused."""
    try:
        return measure_flight(files, place[0], limits, place[1])
    except RefusedFlightError as refused:
        return refused


def _codes(missing: list[str]) -> tuple[float, ...]:
    """Return those of the settings' codes for "no value" that are numbers: a raster may hold them too."""
    codes = []
    for code in missing:
        try:
            codes.append(float(code))
        except ValueError:
            continue
    return tuple(code for code in codes if np.isfinite(code))


def _with_parts(paths: tuple[Path, ...]) -> list[Path]:
    """Return files, each followed by those that it is made of or that say more of it."""
    return [file for path in paths for file in (path, *files_beside(path))]


def _described(kept: FlightCache, role: str, path: Path) -> InputFile:
    return InputFile(role, path, path.stat().st_size, kept.sha256(path))


def _against_ground(
    flight: xr.Dataset, sites: GroundRecord, settings: Settings, findings: list[Finding], entry: FlightEntry
) -> tuple[xr.Dataset, dict[str, Any]]:
    """Return the flight, its offset from the sites taken off where the settings want that, and the comparison.

    Raises
    ------
    RefusedFlightError : its depths are in another unit than was said.
    """
    limits = settings.flights
    table = depths_by_site(flight, sites, limits.least_valid_fraction)
    check_unit(table, entry.flight_id)
    offset = offset_of(table)
    told = {**offset, "applied": False, "sites_compared": table.to_dict("records")}
    if offset["offset_m"] is None:
        return flight, told
    words = f"{offset['offset_m']:+.2f} m against {offset['sites']} sites, NMAD {offset['nmad_m']:.2f} m"
    if limits.apply_ground_offset:
        findings.append(finding_of(entry, rules.OFFSET_TAKEN_OFF, words))
        return without_offset(flight, offset["offset_m"], offset["offset_se_m"]), told | {"applied": True}
    if abs(offset["offset_m"]) > limits.most_ground_offset_m:
        detail = rules.OFFSET_FROM_GROUND.says(most_m=limits.most_ground_offset_m)
        findings.append(finding_of(entry, rules.OFFSET_FROM_GROUND, words, detail))
    return flight, told


def _seen_of_basin(flight: xr.Dataset, terrain: xr.Dataset) -> float:
    """Return the share of the basin's ground, 0 to 1, that a flight saw; what it saw around it does not count."""
    area = terrain["cell_area"].to_numpy()
    return float((flight["valid_fraction"].to_numpy() * area).sum() / area.sum())


def _disagreement(entry: FlightEntry, figures: dict[str, float]) -> Finding:
    evidence = f"{figures['cells']} cells, {figures['share']:.0%} of those seen bare, {figures['depth_m']:.2f} m deep"
    return finding_of(entry, rules.COVER_AGAINST_DEPTH, evidence)


def _rows(flights: list[xr.Dataset]) -> pd.DataFrame:
    """Return what is common to each flight as canonical rows, sorted: flight_id, date, and its errors (m)."""
    names = ["flight_id", "date", *SHARED_ERRORS]
    rows = pd.DataFrame([[flight.attrs[name] for name in names] for flight in flights], columns=names)
    rows = rows.astype({"flight_id": str, "date": "datetime64[s]", **dict.fromkeys(SHARED_ERRORS, float)})
    return rows.sort_values(["date", "flight_id"], kind="stable", ignore_index=True)


def finding_of(entry: FlightEntry, rule: Rule, evidence: str = "", detail: str = "") -> Finding:
    """Return the finding about a flight."""
    return Finding(
        rule,
        "flights",
        file=str(entry.table),
        line=entry.line,
        site_id=entry.flight_id,
        start=str(entry.date),
        end=str(entry.date),
        evidence=evidence,
        detail=detail,
    )


def cover_entries(
    settings: Settings, found: dict[str, list[InputFile]], span: tuple[dt.date, dt.date]
) -> tuple[list[CoverEntry], list[Finding]]:
    """Return the rows of the cover tables dated from the first to the last day of `span`, oldest first, and the findings."""
    return read_covers(source_of(settings, "covers", [file.path for file in found["covers"]]), span)


def gather_cover(
    settings: Settings, grid: BasinGrid, found: dict[str, list[InputFile]], kept: FlightCache, date: dt.date
) -> tuple[tuple[CoverEntry, np.ndarray] | None, list[Finding]]:
    """Return the snow-cover grid of a day on the basin grid, None where there is none, and the findings."""
    entries, findings = cover_entries(settings, found, (date, date))
    for entry in entries:
        if entry.variable == "snow_cover_fraction":
            try:
                kept.refuse_arriving(entry.path)
                refuse_large(entry.path, grid, settings.operations.limits.raster_gb)
                return (entry, fraction_on_grid(entry.path, grid)), findings
            except InputError as trouble:
                findings.append(unusable_cover(entry, trouble))
    return None, findings


def unusable_cover(entry: CoverEntry, trouble: InputError) -> Finding:
    """Return the finding that a row's raster cannot be read, or is still being written; a night with one is degraded."""
    return Finding(
        rules.FLIGHT_STILL_ARRIVING if isinstance(trouble, StillArrivingError) else UNREADABLE_FILE,
        "covers",
        file=str(entry.table),
        line=entry.line,
        start=str(entry.date),
        end=str(entry.date),
        detail=str(trouble),
    )


EARLIER_COVERS, EARLIER_COVER_DAYS = 3, 30
"""So many snow-cover grids of days before are read, none older than so many days: one is often cloudy, and what older ones saw bare
has mostly been snowed in or stays bare in newer ones (chosen)."""


def gather_earlier_covers(
    settings: Settings, grid: BasinGrid, found: dict[str, list[InputFile]], kept: FlightCache, date: dt.date
) -> tuple[list[tuple[CoverEntry, np.ndarray]], list[Finding]]:
    """Return the season's newest snow-cover grids of days before `date` on the basin grid, newest first, and the findings.

    What is wrong with one is told on its own day, here it is passed over; one that is still being written is told.
    """
    first = max(date - dt.timedelta(days=EARLIER_COVER_DAYS), settings.season_start(date))
    entries, _ = cover_entries(settings, found, (first, date - dt.timedelta(days=1)))
    read, findings = [], []
    for entry in reversed(entries):
        if entry.variable == "snow_cover_fraction" and len(read) < EARLIER_COVERS:
            try:
                kept.refuse_arriving(entry.path)
                refuse_large(entry.path, grid, settings.operations.limits.raster_gb)
                read.append((entry, fraction_on_grid(entry.path, grid)))
            except StillArrivingError as trouble:
                findings.append(unusable_cover(entry, trouble))
            except InputError:
                continue
    return read, findings
