"""Flights of earlier seasons: the pattern of snow that they share, for what this season's flights have not seen yet."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, replace

import xarray as xr

from pipeline.archive.grids import GridRole
from pipeline.flights.cache import FlightCache
from pipeline.gather.earlier_pairs import EARLIER_PAIRS, EarlierFlight
from pipeline.gather.flights import (
    finding_of,
    ground_layers,
    measured_ahead,
    measured_flight,
)
from pipeline.inputs.find import InputFile
from pipeline.inputs.read_flights import FlightEntry, FlightTables
from pipeline.model.grid import BasinGrid
from pipeline.model.problems import Finding, StillArrivingError
from pipeline.model.rules import flights as rules
from pipeline.model.rules.rule import Action
from pipeline.model.season import seasons_before
from pipeline.settings.basin import Settings
from pipeline.snow.density import EVEN_DEPTH_M
from pipeline.snow.past_pattern import PAST_PATTERN, mean_depth_m, past_pattern
from pipeline.storage.failure_log import failure_line

PAST_FLIGHTS, PAST_SEASONS = 6, 8
"""So many flights of earlier seasons are used, the newest first, of no more seasons ago than this: a pattern is settled after a
handful, and forest and gauges change (chosen)."""

YEARS_AHEAD = 10
"""Rows dated up to so many years on are looked at for flights sent again under another date."""


@dataclass(frozen=True)
class EarlierFlights:
    """What earlier seasons' flights tell.

    Parameters
    ----------
    flights : those that saw snow enough.
    pattern : the grid of their pattern; None where there is none.
    files : what they were read from, with the grid's name.
    findings : what was noticed.
    """

    flights: list[EarlierFlight]
    pattern: xr.Dataset | None
    files: list[tuple[InputFile, str]]
    findings: list[Finding]


def gather_past_flights(
    settings: Settings,
    ground: tuple[BasinGrid, xr.Dataset],
    tables: FlightTables,
    date: dt.date,
    kept: FlightCache,
) -> EarlierFlights:
    """Return the flights of earlier seasons with the pattern that they share; one over next to no snow is passed over."""
    grid, terrain = ground
    begun = settings.season_start(date)
    entries, findings = _earlier(settings, tables, begun)
    if not entries:
        return EarlierFlights([], None, [], findings)
    known, _ = ground_layers(settings, grid, terrain)
    ahead = measured_ahead(entries[:PAST_FLIGHTS], settings, (grid, known), kept)
    flights, files = [], []
    for entry in entries:
        if len(flights) == PAST_FLIGHTS:
            break
        try:
            flight, _, described = measured_flight(entry, settings, (grid, known), kept, ahead)
        except Exception as trouble:  # noqa: BLE001  as of this season's flights
            arriving = isinstance(trouble, StillArrivingError)
            rule = rules.EARLIER_FLIGHT_STILL_ARRIVING if arriving else rules.EARLIER_FLIGHT_NOT_USED
            findings.append(finding_of(entry, rule, detail=failure_line(trouble)))
            continue
        depth = flight["depth"].where(flight["valid_fraction"] >= settings.flights.least_valid_fraction).to_numpy()
        if mean_depth_m(depth, terrain) >= EVEN_DEPTH_M:
            flights.append(EarlierFlight(entry.date, depth))
            files += described
    pattern = past_pattern([flight.depth_m for flight in flights], terrain)
    if pattern is None:
        return EarlierFlights(flights, None, [(file, EARLIER_PAIRS) for file in files], findings)
    fields = xr.Dataset({PAST_PATTERN: grid.array(pattern, units="1")}, attrs={"crs": grid.crs.to_wkt()})
    name = GridRole.PAST_PATTERN.value
    return EarlierFlights(flights, fields, [(file, name) for file in files], findings)


def _earlier(settings: Settings, tables: FlightTables, begun: dt.date) -> tuple[list[FlightEntry], list[Finding]]:
    """Return the flights of seasons before the one begun, newest first, and what is wrong with their rows.

    Identifiers may be used again in each season. A row whose very files stand under the same identifier at a date of this season
    or later is a mistyped date that was mended. What has no date is told with this season's flights.
    """
    again = {_same(entry) for entry in tables.between(begun, begun + dt.timedelta(days=366 * YEARS_AHEAD))[0]}
    entries, findings = [], []
    for first, last in seasons_before(begun, settings.season_start, PAST_SEASONS):
        of_season, noticed = tables.between(first, last)
        entries += [entry for entry in reversed(of_season) if _same(entry) not in again]
        set_aside = [one for one in noticed if one.action is Action.SET_ASIDE and one.start]
        findings += [replace(one, rule=rules.EARLIER_FLIGHT_NOT_USED) for one in set_aside]
    return entries, findings


def _same(entry: FlightEntry) -> tuple[str, tuple]:
    return entry.flight_id, tuple(sorted(entry.files.items()))
