"""The science of a basin day in order: from trusted inputs to fields, errors and totals. No files, no settings, no clock."""

from __future__ import annotations

import datetime as dt
import hashlib
from collections.abc import Iterator
from dataclasses import replace

import numpy as np
import pandas as pd
import xarray as xr

from snowtally.estimate.day_inputs import Choices, DayInputs
from snowtally.estimate.swe_map import MapOfDay, SweMap, day_of
from snowtally.melt.normals import in_per_cent
from snowtally.melt.outlook import OutlookInputs, with_outlook
from snowtally.model.day import Day
from snowtally.model.problems import NoEstimateError
from snowtally.snow.background import CarriedFlight
from snowtally.snow.blend import Blend, Night, asks_trees, blended
from snowtally.snow.density import BulkDensity
from snowtally.snow.density_records import SeasonPrior
from snowtally.snow.depth_only import with_depth_only_sites
from snowtally.snow.evening import is_recent, level_of
from snowtally.snow.flight_swe import Flown, flight_swe
from snowtally.snow.forcing import season_forcing
from snowtally.snow.melting import CELL_VARIATION
from snowtally.snow.past_pattern import PAST_PATTERN
from snowtally.snow.settling import settled_density
from snowtally.snow.site_gains import with_seasons
from snowtally.snow.site_values import site_values, weather_nodes
from snowtally.snow.snow_line import (
    BARE_COVER,
    SeenBare,
    chance_bare,
    most_since_bare,
    seen_bare_today,
)
from snowtally.snow.sturm import autumn_origin
from snowtally.snow.terrain_balance import Background, fitted_on_terrain
from snowtally.snow.trees import at_cells
from snowtally.snow.voids import AskedCells, Filling, fill_voids
from snowtally.statistics.errors import SLOPE_REACH_M, ErrorPart
from snowtally.statistics.tiles import one_blas_thread
from snowtally.terrain.predictors import add_exposure, with_landform


def estimate_day(inputs: DayInputs, choices: Choices) -> Day:
    """Return the estimate of a basin day.

    Raises
    ------
    NoEstimateError : there is neither a usable site nor a flight.
    """
    # A product that the library splits among threads has other last digits on a machine with other cores.
    with one_blas_thread():
        return _estimated(inputs, choices)


def _estimated(inputs: DayInputs, choices: Choices) -> Day:
    day_map = map_of_day(inputs, choices)
    day, mapped = day_of(day_map), day_map.inputs
    # The parts of the map's error take more room than anything else, and the outlook needs none of them.
    del day_map
    if inputs.forecast is None:
        day = replace(day, models=day.models | {"outlook": {"made": False, "why": NO_WEATHER}})
    else:
        day = with_outlook(day, _for_outlook(mapped))
    if inputs.normals is None:
        return day
    return replace(day, normals=in_per_cent(inputs.normals, inputs.day, day.totals, day.sites))


NO_WEATHER = "the settings name no weather table (inputs.weather)"
"""Why a basin without a weather table has no outlook."""


def _for_outlook(inputs: DayInputs) -> OutlookInputs:
    return OutlookInputs(inputs.basin, inputs.ground, inputs.forecast, inputs.albedo, inputs.day.season_start)


def why_no_estimate(inputs: DayInputs, choices: Choices) -> str:
    """Return why these inputs allow no estimate, empty where they do.

    Nothing is estimated.
    """
    if _with_flights_that_see(inputs, choices).flights:
        return ""
    ground = _with_depth_only_sites(replace(inputs, flights=[]), choices).ground
    return _nothing_to_go_by(inputs, inputs.day.date) if site_values(ground, inputs.day.date).empty else ""


def _nothing_to_go_by(inputs: DayInputs, date: dt.date) -> str:
    return (
        f"no estimate for {inputs.day.basin_id} on {date}: no flight, and no course or station with a usable SWE near the date. "
        "Give courses, stations or a flight of these days, or mend what the findings say of those there are"
    )


def map_of_day(inputs: DayInputs, choices: Choices) -> MapOfDay:
    """Return the map of a day with its errors and models.

    It is not made ready to be published yet.

    Raises
    ------
    NoEstimateError : there is neither a usable site nor a flight.
    """
    inputs = derived(inputs, choices)
    flights: list[Flown] = []
    for flight in _in_turn(inputs, choices):
        # Where earlier ones are held against each other, no sum over cells is asked: their parts would take gigabytes.
        flights = [*flights[:-1], *(one.with_one_part() for one in flights[-1:]), flight]
    flown = flights[-1] if flights else None
    background = _blend(flights, inputs, choices)
    cells = _cells(flown, inputs)
    today = _with_covers(_map_of(flown, background, cells, inputs), flown, inputs)
    density = _density(inputs, choices).fit(inputs.densities, inputs.day.date)
    return MapOfDay(inputs, cells, today, background, density)


def derived(inputs: DayInputs, choices: Choices) -> DayInputs:
    """Return the inputs with what is derived of them.

    These are flights that saw enough, exposure, patterns, gains, settled density, and SWE of sites that measured depth
    alone.
    """
    inputs = _with_flights_that_see(inputs, choices)
    inputs = _with_site_gains(_with_past_pattern(_with_exposure(inputs)))
    return _with_depth_only_sites(_with_settling(_with_landform(inputs, choices)), choices)


def season_flights(inputs: DayInputs, choices: Choices) -> list[Flown]:
    """Return the basin on each flight's day, oldest first.

    The inputs are those that `derived` gives.
    """
    return list(_in_turn(inputs, choices))


def _in_turn(inputs: DayInputs, choices: Choices) -> Iterator[Flown]:
    before: Flown | None = None
    for flight in inputs.flights:
        before = _flown(flight, before, inputs, choices)
        yield before


def _density(inputs: DayInputs, choices: Choices) -> BulkDensity:
    origin = autumn_origin(inputs.day.season_start, southern=inputs.basin.grid.southern)
    lead_days = (origin - inputs.day.season_start).days
    return BulkDensity(SeasonPrior(choices.snow_class, origin, lead_days, inputs.settling), inputs.earlier_densities)


def _with_flights_that_see(inputs: DayInputs, choices: Choices) -> DayInputs:
    """Return the inputs without flights that saw no cell well enough."""
    on_ground = np.isfinite(inputs.basin.terrain["elevation"].to_numpy())

    def sees(flight: xr.Dataset) -> bool:
        seen = flight["valid_fraction"].to_numpy() >= choices.least_valid_fraction
        return bool((seen & np.isfinite(flight["depth"].to_numpy()) & on_ground).any())

    return replace(inputs, flights=[flight for flight in inputs.flights if sees(flight)])


def _with_settling(inputs: DayInputs) -> DayInputs:
    """Return the inputs with the season's modelled density.

    Without weather there is none.
    """
    ground = inputs.ground
    forcing = season_forcing(
        ground, pd.Timestamp(inputs.day.season_start), pd.Timestamp(inputs.day.date), weather_nodes(ground)
    )
    return replace(inputs, settling=None if forcing is None or not forcing.enough_days else settled_density(forcing))


def _with_exposure(inputs: DayInputs) -> DayInputs:
    """Return the inputs with exposure on terrain and sites.

    The terrain gets coordinates too, the sites what their cells are like.
    """
    terrain = add_exposure(inputs.basin.terrain)
    # Views: a row of coordinates for all rows, a column for all columns.
    north, east = np.meshgrid(inputs.basin.grid.y, inputs.basin.grid.x, indexing="ij", copy=False)
    terrain = terrain.assign(east=(("y", "x"), east), north=(("y", "x"), north))
    sites = inputs.ground.sites
    row, column = sites["row"].to_numpy(), sites["column"].to_numpy()
    cell = {name: terrain[name].to_numpy()[row, column] for name in ("northness", "canopy")}
    sites = sites.assign(**cell)
    earlier = inputs.earlier_densities
    basin = replace(inputs.basin, terrain=terrain)
    return replace(
        inputs,
        basin=basin,
        ground=replace(inputs.ground, sites=sites),
        densities=_placed(inputs.densities, sites),
        earlier_densities=None if earlier is None else _placed(earlier, sites),
    )


def _placed(records: pd.DataFrame, sites: pd.DataFrame) -> pd.DataFrame:
    """Return density records with their sites' `x` and `y`.

    They are missing for sites that the table of sites does not have.
    """
    at = sites[["x", "y"]].reindex(records["site_id"]).set_axis(records.index)
    return records.assign(x=at["x"], y=at["y"])


def _with_past_pattern(inputs: DayInputs) -> DayInputs:
    """Return the inputs with earlier seasons' pattern, where there is one.

    It lies on the terrain and on the sites.
    """
    pattern = inputs.past_pattern
    if pattern is None:
        return inputs
    sites = inputs.ground.sites
    at_sites = {PAST_PATTERN: pattern[sites["row"].to_numpy(), sites["column"].to_numpy()]}
    ground = replace(inputs.ground, sites=sites.assign(**at_sites))
    terrain = inputs.basin.terrain.assign({PAST_PATTERN: (("y", "x"), pattern)})
    return replace(inputs, basin=replace(inputs.basin, terrain=terrain), ground=ground)


def _with_site_gains(inputs: DayInputs) -> DayInputs:
    """Return the inputs with earlier seasons' pairs of sites and cells."""
    if inputs.earlier_pairs is None:
        return inputs
    pairs = with_seasons(inputs.earlier_pairs, inputs.day.season_start)
    return replace(inputs, ground=replace(inputs.ground, earlier_pairs=pairs))


def _with_landform(inputs: DayInputs, choices: Choices) -> DayInputs:
    """Return the inputs with the terrain's shape, where trees need it."""
    if not asks_trees(choices.method, len(inputs.flights)):
        return inputs
    terrain = with_landform(inputs.basin.terrain, inputs.landform, choices.wind_from_deg)
    terrain = terrain.assign_attrs(latitude=inputs.basin.grid.latitude_deg)
    return replace(inputs, basin=replace(inputs.basin, terrain=terrain))


def _with_depth_only_sites(inputs: DayInputs, choices: Choices) -> DayInputs:
    """Return the inputs with SWE of sites that measured depth alone.

    It is given on the days that are estimated.
    """
    days = [inputs.day.date, *(dt.date.fromisoformat(flight.attrs["date"]) for flight in inputs.flights)]
    ground = with_depth_only_sites(
        inputs.ground, lambda date: _density(inputs, choices).fit(inputs.densities, date), days
    )
    return replace(inputs, ground=ground)


def _flown(flight: xr.Dataset, before: Flown | None, inputs: DayInputs, choices: Choices) -> Flown:
    """Return the basin on a flight's day, without voids.

    Its level is combined with the flight before; voids are filled from that day's background.
    """
    date = dt.date.fromisoformat(flight.attrs["date"])
    density = _density(inputs, choices).fit(inputs.densities, date)
    terrain = inputs.basin.terrain
    flown = flight_swe(flight, density, terrain, choices.least_valid_fraction)
    whole = flown.seen[np.isfinite(terrain["elevation"].to_numpy())].all()
    recent = before if before is not None and is_recent(before.date, date) else None
    if whole and recent is None:
        return flown
    area = terrain["cell_area"].to_numpy()
    asked = AskedCells.of(flown, area)
    try:
        carried = _background(before, inputs, date).predict(at_cells(terrain, asked.all, before))
    except NoEstimateError:
        # No site either: the flight's own mean by elevation is all that is known of its voids.
        mean = flown.pattern.at(terrain["elevation"].to_numpy()[~flown.seen])
        return fill_voids(flown, Filling(mean, (mean > 0).astype(float), [], flown.pattern), terrain)
    if recent is not None:
        measured, areas = (field.ravel()[asked.seen] for field in (flown.swe_mm, area))
        level = level_of(recent.date, measured, asked.of_seen(carried.swe_mm), areas)
        flown = flown if level is None else flown.combined(level)
    return flown if whole else fill_voids(flown, Filling.of(carried, asked, terrain), terrain)


def _background(flown: Flown | None, inputs: DayInputs, date: dt.date) -> Background:
    """Return the background fitted for a date.

    It carries the flight on where there is one; else it is the sites on the terrain.
    """
    if flown is not None:
        return CarriedFlight(flown, inputs.day.season_start).fit(inputs.ground, date)
    if site_values(inputs.ground, date).empty:
        raise NoEstimateError(f"{_nothing_to_go_by(inputs, date)}. Look at the findings with `snowtally check`")
    return fitted_on_terrain(inputs.day.season_start, inputs.ground, date)


def _blend(flights: list[Flown], inputs: DayInputs, choices: Choices) -> Background | Blend:
    """Return the day's background.

    On a flight's own day it is that of the flight alone: hardly a cell is left to it.
    """
    if flights and flights[-1].date == inputs.day.date:
        return _background(flights[-1], inputs, inputs.day.date)
    if not flights and site_values(inputs.ground, inputs.day.date).empty:
        return _background(None, inputs, inputs.day.date)
    night = Night(inputs.day.season_start, inputs.day.date, inputs.basin.terrain)
    return blended(choices.method, flights, inputs.ground, night, _seed(inputs))


def _seed(inputs: DayInputs) -> int:
    """Return a number made of what the day is estimated from."""
    digest = hashlib.sha256(f"{inputs.day.basin_id} {inputs.day.date}".encode())
    for flight in inputs.flights:
        digest.update(np.ascontiguousarray(flight["depth"].to_numpy()).tobytes())
    return int.from_bytes(digest.digest()[:4], "big")


def _cells(flown: Flown | None, inputs: DayInputs) -> xr.Dataset:
    return inputs.basin.terrain if flown is None else inputs.basin.terrain.assign(flown=(("y", "x"), flown.swe_mm))


def _map_of(flown: Flown | None, background: Background | Blend, cells: xr.Dataset, inputs: DayInputs) -> SweMap:
    """Return the day's map before snow-cover grids are applied.

    On a flight's own day it is the flight; else the background with the sites' residual.
    """
    if flown is not None and flown.date == inputs.day.date:
        return SweMap(flown.swe_mm, flown.standard_error(), flown.covered, list(flown.parts), flown)
    predicted = background.predict(cells)
    parts = predicted.all_parts(inputs.basin.grid.x, inputs.basin.grid.y)
    return SweMap(predicted.swe_mm, predicted.standard_error(), predicted.covered, parts, None)


def _with_covers(today: SweMap, flown: Flown | None, inputs: DayInputs) -> SweMap:
    """Return the map corrected by snow-cover grids.

    Those since the last flight count, and the day's own.
    """
    canopy, elevation = (inputs.basin.terrain[name].to_numpy() for name in ("canopy", "elevation"))
    covers = {day: cover for day, cover in inputs.earlier_covers if flown is None or day > flown.date}
    before = most_since_bare(inputs.ground, inputs.day.season_start, covers, inputs.day.date, elevation)
    today = _held_to(before, today, canopy)
    if inputs.cover is None:
        return today
    today = _held_to(seen_bare_today(inputs.cover), today, canopy)
    seen = (inputs.cover >= BARE_COVER) & (today.swe_mm > 0)
    return replace(today, covered=np.where(seen, inputs.cover, today.covered))


def _held_to(seen: SeenBare, today: SweMap, canopy: np.ndarray) -> SweMap:
    """Return the map with SWE limited where cells were seen bare.

    By the chance that they were bare they hold no more than has fallen since.

    A mixture of two cases: bare, with what fell since, or as the map has it. Its mean is the weighted mean of both, its variance
    that of each weighted, with that of their difference. What a laser measured on the day itself stays as it is.
    """
    # Where the map has nothing either, the grid takes off its error.
    held = today.swe_mm >= seen.most_mm
    if today.flown is not None:
        held &= ~today.flown.seen
    if not held.any():
        return today
    chance = np.zeros(today.swe_mm.shape)
    chance[held] = chance_bare(
        seen.fraction[held], canopy[held], (today.swe_mm[held], today.se_mm[held]), today.covered[held]
    )
    most = np.where(held, seen.most_mm, 0.0)
    goes = np.where(held, 1.0 - np.divide(most, today.swe_mm, out=np.zeros_like(most), where=today.swe_mm > 0), 0.0)
    remaining = 1.0 - chance * goes
    fresh = ErrorPart("snow since seen bare", np.sqrt(chance) * CELL_VARIATION * most, np.inf)
    either = np.sqrt(chance * (1.0 - chance)) * goes * np.hypot(today.swe_mm, today.se_mm)
    doubt = ErrorPart("snow cover seen", either, SLOPE_REACH_M)
    return replace(
        today,
        swe_mm=remaining * today.swe_mm,
        se_mm=np.sqrt((remaining * today.se_mm) ** 2 + fresh.error_mm**2 + doubt.error_mm**2),
        covered=np.where(held, chance * seen.covered + (1.0 - chance) * today.covered, today.covered),
        parts=[*(part.scaled(remaining) for part in today.parts), fresh, doubt],
    )
