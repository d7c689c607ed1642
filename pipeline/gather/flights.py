"""A season's flights up to a date, from their table to depths on the basin grid, held against the ground and the snow cover."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import xarray as xr

from snowtally.archive.grids import flight_name
from snowtally.flights.areas import find_area
from snowtally.flights.by_site import check_unit, depths_by_site, offset_of, without_offset
from snowtally.flights.cache import flight_key
from snowtally.flights.cluster import measure_on_cluster
from snowtally.flights.measure import FlightFiles, GroundLayers, Outcome, measure_flight
from snowtally.flights.rasters import with_parts
from snowtally.flights.together import SHARED_ERRORS, bare_where_seen_bare
from snowtally.gather.covers import gather_cover
from snowtally.gather.sources import DaySources, fixed_files
from snowtally.inputs.find import InputFile, is_file, missing_file, unreadable_file
from snowtally.inputs.raster_frame import refuse_large
from snowtally.inputs.read_flights import FlightEntry, FlightTables, read_flights
from snowtally.model.basin import Basin
from snowtally.model.grid import BasinGrid
from snowtally.model.ground import GroundRecord
from snowtally.model.problems import Finding, InputError, RefusedFlightError, StillArrivingError
from snowtally.model.rules import flights as rules
from snowtally.model.rules.rule import Rule
from snowtally.settings.basin import Settings
from snowtally.snow.snow_line import BARE_COVER
from snowtally.storage.failure_log import failure_line


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


def gather_flights(sources: DaySources, basin: Basin, record: GroundRecord) -> FlightsRead:
    """Return this season's flights up to the date.

    Parameters
    ----------
    record : what the sites measured up to the date.
    """
    tables = read_flights(sources.table("flights"))
    entries, findings = tables.between(sources.season_start, sources.date)
    read = FlightsRead(tables, findings=findings)
    flights: list[xr.Dataset] = []
    flight_meter, noticed = FlightMeter.of(sources, basin)
    read.findings += noticed
    flight_meter = flight_meter.with_cluster(entries)
    for entry in entries:
        name = flight_name(entry.flight_id)
        try:
            flight, noticed, files = flight_meter.measured(entry)
            read.findings += noticed
            flight, by_site = _against_ground(flight, record, sources.settings, read.findings, entry)
        except Exception as trouble:  # noqa: BLE001  one flight's trouble, foreseen or not, never costs the night
            arriving = isinstance(trouble, StillArrivingError)
            rule = rules.FLIGHT_STILL_ARRIVING if arriving else rules.REFUSED_FLIGHT
            read.findings.append(finding_of(entry, rule, detail=failure_line(trouble)))
            continue
        cover, noticed = gather_cover(sources, basin.grid, entry.date)
        # Faults of the date's own cover grid are findings where that is read.
        read.findings += noticed if entry.date != sources.date else []
        figures = flight.attrs["figures"] | {"by_site": by_site, "seen_of_basin": _seen_of_basin(flight, basin.terrain)}
        if cover is not None:
            flight, disagreed = bare_where_seen_bare(flight, cover.fraction, BARE_COVER)
            figures |= {"snow_cover": disagreed}
            read.files.append((flight_meter.described(f"{name} snow_cover_fraction", cover.entry.path), name))
            if disagreed["cells"]:
                read.findings.append(_disagreement(entry, disagreed))
        del flight.attrs["figures"]
        flights.append(flight)
        read.figures.append(figures)
        read.grids[entry.flight_id] = flight.assign_attrs(crs=basin.grid.crs.to_wkt())
        read.files += [(file, name) for file in files]
    read.rows = _rows(flights)
    return read


@dataclass(frozen=True)
class _Task:
    """A flight to be measured.

    Parameters
    ----------
    files : what belongs to it.
    described : its files as the record names them.
    key : of its outcome in the cache.
    """

    files: FlightFiles
    described: list[InputFile]
    key: str


@dataclass(frozen=True)
class FlightMeter:
    """Measures flights on the basin grid, or takes them from the cache.

    Parameters
    ----------
    sources : settings and caches.
    grid : the basin grid.
    ground : what is known of the ground.
    ahead : by cache key, what a cluster has measured already.
    """

    sources: DaySources
    grid: BasinGrid
    ground: GroundLayers
    ahead: Mapping[str, Outcome] = field(default_factory=dict)

    @classmethod
    def of(cls, sources: DaySources, basin: Basin) -> tuple[FlightMeter, list[Finding]]:
        """Return the meter of a basin, and findings on its masks.

        A mask that is not there or cannot be read is a finding, and masks nothing.
        """
        settings, grid = sources.settings, basin.grid
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
        canopy = tuple(fixed_files(settings, "canopy"))
        masking: tuple[Path, ...] = ()
        if canopy and settings.flights.most_canopy < 1:
            # A canopy that is not there or cannot be read is a finding where the terrain is read.
            with suppress(InputError):
                for path in canopy:
                    refuse_large(path, grid, settings.operations.limits.raster_gb)
                find_area("canopy", canopy, grid)
                masking = canopy
        ground = GroundLayers(
            elevation_m=basin.terrain["elevation"].to_numpy(),
            canopy=basin.terrain["canopy"].to_numpy(),
            canopy_files=masking,
            water_file=water,
        )
        return cls(sources, grid, ground), findings

    def with_cluster(self, entries: Sequence[FlightEntry]) -> FlightMeter:
        """Return the meter with what the cluster makes of flights not cached yet.

        It is the same meter where the settings name no cluster, or fewer than `MANY` flights are new.
        """
        settings = self.sources.settings
        if settings.dask.address is None:
            return self
        new: dict[str, FlightFiles] = {}
        for entry in entries:
            # What cannot be read or was refused is a finding when its turn comes.
            with suppress(InputError, OSError):
                task = self._task(entry)
                if not self.sources.flights.cache.holds(task.key):
                    new[task.key] = task.files
        if len(new) < MANY:
            return self
        outcomes = measure_on_cluster(
            settings.dask.address, list(new.values()), self.grid, settings.flights, self.ground
        )
        ahead = {key: outcome for key, outcome in zip(new, outcomes, strict=True) if outcome is not None}
        return replace(self, ahead=ahead)

    def measured(self, entry: FlightEntry) -> tuple[xr.Dataset, list[Finding], list[InputFile]]:
        """Return a flight on the basin grid, what was noticed, and its files.

        Raises
        ------
        RefusedFlightError : it is not fit for use.
        InputError, OSError : a file cannot be read.
        """
        task = self._task(entry)
        outcome = self.sources.flights.get_or_measure(
            task.key, lambda: self.ahead.get(task.key) or self._measured_here(task.files)
        )
        if isinstance(outcome, RefusedFlightError):
            raise outcome
        return *outcome, task.described

    def _measured_here(self, files: FlightFiles) -> Outcome:
        """Return a flight measured on this machine, or why it is refused."""
        try:
            return measure_flight(files, self.grid, self.sources.settings.flights, self.ground)
        except RefusedFlightError as refused:
            return refused

    def described(self, role: str, path: Path) -> InputFile:
        """Return a file as the record names it."""
        return InputFile(role, path, path.stat().st_size, self.sources.flights.sha256(path))

    def _task(self, entry: FlightEntry) -> _Task:
        """Return what has to be measured for a row of the table.

        Raises
        ------
        InputError, OSError : a file cannot be read.
        """
        settings, cache = self.sources.settings, self.sources.flights
        for path in (path for paths in entry.files.values() for path in paths):
            refuse_large(path, self.grid, settings.operations.limits.raster_gb)
        files = FlightFiles(
            flight_id=entry.flight_id,
            date=entry.date,
            depth_se_m=entry.depth_se_m,
            metres_per_unit=entry.metres_per_unit,
            codes=_codes(settings.missing),
            **entry.files,
        )
        described = [
            self.described(f"flight {entry.flight_id} {role}", path)
            for role, paths in entry.files.items()
            for path in with_parts(paths)
        ]
        if self.ground.water_file is not None:
            water = with_parts((self.ground.water_file,))
            described += [self.described(f"flight {entry.flight_id} water", path) for path in water]
        canopy = self.ground.canopy_files
        hashes: dict[str, list[tuple[str, ...]]] = {
            "flight": [(file.role, str(file.path), file.sha256) for file in described],
            "canopy": [(str(path), cache.sha256(path)) for path in with_parts(canopy)],
        }
        return _Task(files, described, flight_key(files, hashes, self.grid, self.ground, settings.flights))


MANY = 2
"""Fewest new flights that go to the cluster: one alone keeps every core of this machine busy, near its files (chosen)."""


def _codes(missing: list[str]) -> tuple[float, ...]:
    """Return the settings' codes for "no value" that are numbers.

    A raster may hold them too.
    """
    codes = []
    for code in missing:
        try:
            codes.append(float(code))
        except ValueError:
            continue
    return tuple(code for code in codes if np.isfinite(code))


def _against_ground(
    flight: xr.Dataset, sites: GroundRecord, settings: Settings, findings: list[Finding], entry: FlightEntry
) -> tuple[xr.Dataset, dict[str, Any]]:
    """Return the flight, and its comparison with the sites.

    The flight's offset from the sites is taken off where the settings want that.

    Raises
    ------
    RefusedFlightError : its depths are in another unit than was said.
    """
    limits = settings.flights
    table = depths_by_site(flight, sites, limits.least_valid_fraction)
    check_unit(table, entry.flight_id)
    offset = offset_of(table)
    comparison = {**offset, "applied": False, "sites_compared": table.to_dict("records")}
    offset_m, offset_se_m = offset["offset_m"], offset["offset_se_m"]
    if offset_m is None or offset_se_m is None:
        return flight, comparison
    words = f"{offset_m:+.2f} m against {offset['sites']} sites, NMAD {offset['nmad_m']:.2f} m"
    if limits.apply_ground_offset:
        findings.append(finding_of(entry, rules.OFFSET_TAKEN_OFF, words))
        return without_offset(flight, offset_m, offset_se_m), comparison | {"applied": True}
    if abs(offset_m) > limits.most_ground_offset_m:
        detail = rules.OFFSET_FROM_GROUND.says(most_m=limits.most_ground_offset_m)
        findings.append(finding_of(entry, rules.OFFSET_FROM_GROUND, words, detail))
    return flight, comparison


def _seen_of_basin(flight: xr.Dataset, terrain: xr.Dataset) -> float:
    """Return the share of the basin that a flight saw.

    It is the share of the ground's area, 0 to 1. What the flight saw around the basin does not count.
    """
    area = terrain["cell_area"].to_numpy()
    return float((flight["valid_fraction"].to_numpy() * area).sum() / area.sum())


def _disagreement(entry: FlightEntry, figures: dict[str, float]) -> Finding:
    evidence = f"{figures['cells']} cells, {figures['share']:.0%} of those seen bare, {figures['depth_m']:.2f} m deep"
    return finding_of(entry, rules.COVER_AGAINST_DEPTH, evidence)


def _rows(flights: list[xr.Dataset]) -> pd.DataFrame:
    """Return the common errors of each flight as canonical rows.

    The columns are flight_id, date and the errors, in m. Rows are sorted by date and flight_id.
    """
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
