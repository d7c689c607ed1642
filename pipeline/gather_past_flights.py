"""Flights of earlier seasons, for nights before this season's first: the pattern of snow that they share."""

from __future__ import annotations

import datetime as dt
from contextlib import suppress

import xarray as xr

from pipeline.flights.kept import KeptFlights
from pipeline.gather_flights import file_formats, measured_flight, surroundings
from pipeline.grid import BasinGrid
from pipeline.inputs.find import InputFile
from pipeline.inputs.read_flights import read_flights
from pipeline.methods.past_pattern import PAST_PATTERN, past_pattern
from pipeline.problems import InputError, RefusedFlightError
from pipeline.settings import Settings

PAST = "past seasons"
"""Name of the pattern among the grids."""

PAST_FLIGHTS, PAST_SEASONS = 6, 8
"""So many flights of earlier seasons are used, the newest first, of no more seasons ago than this: a pattern is settled after a
handful, and forest and gauges change (chosen)."""


def gather_past_pattern(
    settings: Settings,
    ground: tuple[BasinGrid, xr.Dataset],
    found: dict[str, list[InputFile]],
    date: dt.date,
    kept: KeptFlights,
) -> tuple[dict[str, xr.Dataset], list[tuple[InputFile, str]]]:
    """Return the grid of earlier seasons' pattern by its name, and the files that it is made from; both empty without any.

    What is wrong with a flight was told in its own season; here it is passed over.
    """
    grid, terrain = ground
    begun = settings.season_start(date)
    span = begun - dt.timedelta(days=365 * PAST_SEASONS), begun - dt.timedelta(days=1)
    entries, _ = read_flights(
        [file.path for file in found["flights"]],
        settings.columns.get("flights", {}),
        settings.missing,
        span,
        file_formats(settings, "flights"),
    )
    known, _ = surroundings(settings, grid, terrain)
    depths, files = [], []
    for entry in reversed(entries):
        if len(depths) == PAST_FLIGHTS:
            break
        with suppress(InputError, RefusedFlightError, OSError):
            flight, _, described = measured_flight(entry, settings, (grid, known), kept, {})
            seen = flight["valid_fraction"] >= settings.flights.least_valid_fraction
            depths.append(flight["depth"].where(seen).to_numpy())
            files += [(file, PAST) for file in described]
    pattern = past_pattern(depths, terrain)
    if pattern is None:
        return {}, []
    return {PAST: xr.Dataset({PAST_PATTERN: grid.array(pattern, units="1")}, attrs={"crs": grid.crs.to_wkt()})}, files
