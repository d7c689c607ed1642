"""Flights of earlier seasons: the snow pattern that they share, and sites' depths beside their cells' on the days of flights."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
import xarray as xr

from snowtally.archive.grids import GridRole
from snowtally.gather.flights import FlightMeter, finding_of
from snowtally.gather.sources import DaySources
from snowtally.inputs.find import InputFile
from snowtally.inputs.read_flights import FlightEntry, FlightTables
from snowtally.inputs.read_sites import by_site
from snowtally.inputs.read_stations import Window, read_stations
from snowtally.model.basin import Basin
from snowtally.model.grid import BasinGrid
from snowtally.model.problems import Finding, StillArrivingError
from snowtally.model.rules import flights as rules
from snowtally.model.rules.rule import Action
from snowtally.model.season import seasons_before
from snowtally.settings.basin import Settings
from snowtally.sites.overrides import without_overridden
from snowtally.snow.density import EVEN_DEPTH_M
from snowtally.snow.past_pattern import PAST_PATTERN, mean_depth_m, past_pattern
from snowtally.stations.in_service import in_service
from snowtally.storage.failure_log import failure_line

EARLIER_PAIRS = "earlier_pairs"
"""Name of the pairs among a day's tables."""

VISIT_DAYS = 7
"""A course's visit tells of a flight so many days before or after it: crews go about the first of the month, aircraft when the sky
is clear. What falls or melts meanwhile the one sees and the other not, so that the pair's error grows by the day; a station's day is the
flight's own."""


PAST_FLIGHTS, PAST_SEASONS = 6, 8
"""So many flights of earlier seasons are used, the newest first, of no more seasons ago than this: a pattern is settled after a
handful, and forest and gauges change (chosen)."""

YEARS_AHEAD = 10
"""Rows dated up to so many years on are looked at for flights sent again under another date."""


@dataclass(frozen=True)
class EarlierFlight:
    """A flight of an earlier season.

    `date` is its day, and `depth_m` is the depth in m on (y, x). The depth is missing where the flight did not see the
    ground.
    """

    date: dt.date
    depth_m: np.ndarray


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


def gather_earlier_flights(sources: DaySources, basin: Basin, tables: FlightTables) -> EarlierFlights:
    """Return the flights of earlier seasons with the pattern that they share.

    A flight over next to no snow is passed over.
    """
    settings, grid, terrain = sources.settings, basin.grid, basin.terrain
    entries, findings = _earlier(settings, tables, sources.season_start)
    if not entries:
        return EarlierFlights([], None, [], findings)
    flight_meter = FlightMeter.of(sources, basin)[0].with_cluster(entries[:PAST_FLIGHTS])
    flights: list[EarlierFlight] = []
    files: list[InputFile] = []
    for entry in entries:
        if len(flights) == PAST_FLIGHTS:
            break
        try:
            flight, _, described = flight_meter.measured(entry)
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
    """Return flights of earlier seasons, and findings on their rows.

    The newest flight is first. Earlier seasons are those before the season that began on `begun`.

    Identifiers may be used again in each season. A row is left out where the same files stand under the same identifier
    at a date of this season or later: its date was mistyped and has been corrected. A row without a date is a finding
    of this season's flights.
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


def earlier_pairs(
    sources: DaySources,
    grid: BasinGrid,
    sites: pd.DataFrame,
    visits: pd.DataFrame | None,
    flights: Sequence[EarlierFlight],
) -> pd.DataFrame:
    """Return sites' depths beside their cells' on earlier flights' days.

    Parameters
    ----------
    sites : the sites' table.
    visits : the courses' checked visits of earlier seasons; None where there are none.

    Returns
    -------
    DataFrame : site_id, date (the flight's), depth_m, cell_depth_m, days_apart (of a course's visit, after the flight), and the file
        and line that the site's depth stands in.

    Notes
    -----
    Stations of those days are held to overrides and to the greatest depth alone: a ratio that is out of line is doubted where the
    pairs are used.
    """
    if not flights:
        return pd.DataFrame()
    observed = [_station_depths(sources, sites, [flight.date for flight in flights]).assign(reach=0)]
    if visits is not None:
        observed.append(visits[["site_id", "date", "depth_m", "file", "line"]].assign(reach=VISIT_DAYS))
    depths = pd.concat(observed, ignore_index=True)
    pairs = [_with_flight(depths, flight, sites, grid) for flight in flights if len(depths)]
    if not any(len(one) for one in pairs):
        return pd.DataFrame()
    together = pd.concat([one for one in pairs if len(one)], ignore_index=True)
    return together.astype({"site_id": str, "file": str}).sort_values(["site_id", "date"], ignore_index=True)


def _with_flight(depths: pd.DataFrame, flight: EarlierFlight, sites: pd.DataFrame, grid: BasinGrid) -> pd.DataFrame:
    """Return each site's depth nearest to the flight's day, with its cell's."""
    day = pd.Timestamp(flight.date)
    near = depths.assign(days_apart=(depths["date"] - day).dt.days)
    near = near.assign(distance=near["days_apart"].abs())
    near = near[(near["distance"] <= near["reach"]) & near["depth_m"].notna()]
    near = near.sort_values(["site_id", "distance", "date"]).drop_duplicates("site_id")
    row, column = grid.rows_columns(sites["x"].to_numpy(), sites["y"].to_numpy())
    cell = pd.Series(flight.depth_m[row, column], sites["site_id"])
    pairs = near.assign(date=day, cell_depth_m=cell.reindex(near["site_id"]).to_numpy())
    names = ["site_id", "date", "depth_m", "cell_depth_m", "days_apart", "file", "line"]
    return pairs.dropna(subset="cell_depth_m")[names]


def _station_depths(sources: DaySources, sites: pd.DataFrame, days: Sequence[dt.date]) -> pd.DataFrame:
    """Return the stations' median depth on each of the days.

    File and line are those of the day's first reading.
    """
    settings, window = sources.settings, Window(min(days), max(days), frozenset(days))
    rows, _ = read_stations(sources.table("stations"), settings.basin.utc_offset_hours, window, sources.rows)
    names = ["site_id", "date", "depth_m", "file", "line"]
    rows = in_service(rows, by_site(sites), "stations", [])
    overrides, _ = sources.overrides(min(days), max(days))
    rows, _ = without_overridden(rows.astype({"site_id": str}), overrides, set(sites["site_id"]))
    rows = rows[
        rows["date"].isin(pd.to_datetime(list(days))) & rows["depth_m"].between(0.0, settings.checks.depth_high_m)
    ]
    if rows.empty:
        return rows[names]
    of_day = rows.groupby(["site_id", "date"], as_index=False)
    return of_day.agg(depth_m=("depth_m", "median"), file=("file", "first"), line=("line", "first"))[names]
