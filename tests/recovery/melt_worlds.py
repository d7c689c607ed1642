"""Made basins whose melt is driven by energy, to hold the melt outlook against the truth.

The snow is that of `worlds` or of `skin_snow`: layers, cold content, liquid water and an albedo of its own in six-hour steps, on
pixels of 50 m under its own sun. From the end of some days it is marched on for a week under the season's weather without storms; what
goes is the truth.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd
import worlds
from world_snow import BASE_DEPTH, BASE_SWE, LIQUID, TOP_DEPTH, TOP_SWE
from worlds import (
    KINDS,
    STEPS_A_DAY,
    _cells,
    _Ground,
    _march,
    _measure,
    _Sites,
    _sun,
    _Weather,
    beam_and_diffuse,
)

from snowtally.melt.outlook import OutlookInputs
from snowtally.model.basin import Basin
from snowtally.model.day import Day
from snowtally.statistics.totals import ZoneBands, covariance_rows

WEEK = 7
SWE_SE = 0.06
"""Error of the map's SWE common to the basin, of which the outlook is told."""


@dataclass(frozen=True)
class MeltCase:
    """One start of an outlook: what it is given, and what truly melts in the week after, mm by cell."""

    day: Day
    inputs: OutlookInputs
    melt_mm: np.ndarray
    swe_mm: np.ndarray


def make_cases(kind_name: str, seed: int, starts: tuple[int, ...], snowpack: Callable[..., None]) -> list[MeltCase]:
    """Return outlooks from the end of some days of a made season whose snow `snowpack` marches; the same for the same seed."""
    kind = KINDS[kind_name]
    rngs = [np.random.default_rng(s) for s in np.random.SeedSequence([seed, list(KINDS).index(kind_name)]).spawn(5)]
    ground, weather = _Ground.draw(kind, rngs[0]), _Weather.draw(kind, rngs[1])
    sites = _Sites.choose(kind, ground, rngs[2])
    states: dict[int, np.ndarray] = {}

    def keep(day: int, state: np.ndarray) -> None:
        if day in starts:
            states[day] = state.copy()

    swe, depth = _march(kind, ground, weather, sites, list(kind.flights), keep, snowpack)
    world = _measure(kind_name, seed, (ground, weather, sites), (swe, depth), rngs[3])
    world.weather = world.weather.assign(solar_mj_m2=_solar(kind, weather))
    return [_case(world, (kind, ground, weather, snowpack), day, states[day], rngs[4]) for day in starts]


def _case(world: worlds.World, made: tuple, day: int, state: np.ndarray, rng: np.random.Generator) -> MeltCase:
    weather = made[2]
    now = state[TOP_SWE] + state[BASE_SWE] + state[LIQUID]
    high = state[TOP_DEPTH] + state[BASE_DEPTH]
    after = _week_on(made, day, state.copy())
    then = after[TOP_SWE] + after[BASE_SWE] + after[LIQUID]
    date = weather.days[day].date()
    swe = _cells(now.astype(float))
    cover = _cells((now > 1.0).astype(float))
    area = world.terrain["cell_area"].to_numpy()
    inside = area > 0
    density = np.where(swe > 0, swe / np.maximum(_cells(high.astype(float)), 1e-6), np.nan)
    told = swe * np.exp(rng.normal(0.0, SWE_SE))
    grid, window = world.grid.window(inside)
    fields = {
        "swe": told, "swe_se": SWE_SE * told, "snow_cover": cover, "density": np.clip(density, 60, 600), "cell_area": np.where(inside, area, np.nan),
        "zone": world.terrain["zone"].to_numpy(), "elevation_band": world.terrain["band"].to_numpy(),
        "elevation": world.terrain["elevation"].to_numpy(),
    }  # fmt: skip
    fields = world.terrain[[]].assign({name: (("y", "x"), values) for name, values in fields.items()})
    units = ZoneBands("world", ["west", "east"], world.terrain.attrs["bands"])
    number = units.numbers(fields["zone"].to_numpy(), fields["elevation_band"].to_numpy())
    volume = np.bincount(number[inside], (told * area)[inside], units.count) / 1000.0
    given = world.inputs(date)
    past = world.weather[world.weather["date"] <= pd.Timestamp(date)]
    ground_record = given.ground
    sites = ground_record.sites.assign(
        canopy=world.terrain["canopy"].to_numpy()[world.sites["row"], world.sites["column"]]
    )
    ground_record = worlds.GroundRecord(
        sites, ground_record.daily, ground_record.station_se_mm, ground_record.visits, past.reset_index(drop=True),
        ground_record.southern,
    )  # fmt: skip
    made_day = Day(
        basin_id="world", title=kind_name_of(world), date=date, noon_utc=dt.datetime.combine(date, dt.time(12)), grid=grid,
        zones=given.basin.zones, bands=world.terrain.attrs["bands"], fields=fields.isel(y=window[0], x=window[1]),
        totals=pd.DataFrame(), totals_covariance=covariance_rows(fields, units, SWE_SE**2 * np.outer(volume, volume)),
        sites=pd.DataFrame(), checks=pd.DataFrame(), skill=pd.DataFrame(),
    )  # fmt: skip
    ahead = world.weather[
        (world.weather["date"] > pd.Timestamp(date))
        & (world.weather["date"] <= pd.Timestamp(date) + pd.Timedelta(days=WEEK))
    ]
    by_day = weather.temperature.reshape(-1, STEPS_A_DAY).mean(axis=1)[day + 1 : day + 1 + WEEK]
    # Perfect weather: the true temperature and sun, no storm; the table lies above the stations by its usual offset.
    ahead = ahead.assign(air_temperature_c=by_day + 0.2, precipitation_mm=0.0, issued=pd.Timestamp(date))
    inputs = OutlookInputs(
        Basin(world.grid, world.terrain), ground_record, ahead.reset_index(drop=True), None, world.season_start
    )
    melt = np.where(inside, _cells((now - then).astype(float)), 0.0)[window]
    return MeltCase(made_day, inputs, melt, swe[window])


def kind_name_of(world: worlds.World) -> str:
    """Return a name for people."""
    return f"{world.kind} {world.seed}"


def _solar(kind: worlds.Kind, weather: _Weather) -> np.ndarray:
    """Return each day's sun on level ground, MJ/m2, as the snow has it."""
    out = np.zeros(len(weather.days))
    level = np.zeros((3, 1, 1), np.float32)
    level[2] = 1.0
    for day in range(len(weather.days)):
        if day % 10 == 0:
            lit = _sun(kind, level, day + 5)
        for part, one in enumerate(lit):
            if one is not None:
                direct, diffuse = beam_and_diffuse(weather.cloud[day * STEPS_A_DAY + part])
                out[day] += one[0, 0, 0] * direct + one[1, 0, 0] * diffuse
    return out


def _week_on(made: tuple, day: int, state: np.ndarray) -> np.ndarray:
    """Return the state a week after the end of a day, no storm in between."""
    kind, ground, weather, snowpack = made
    shape = state.shape[1:]
    flat = state.reshape(8, -1)
    fixed = np.stack([ground.elevation, ground.canopy, ground.stiffness, np.zeros(shape)]).reshape(4, -1).astype("f4")
    calm = np.ones((2, flat.shape[1]), np.float32)
    lit = _sun(kind, ground.normal, day + 4)
    for step in range((day + 1) * STEPS_A_DAY, (day + 1 + WEEK) * STEPS_A_DAY):
        cloud = weather.cloud[step]
        air = np.array(
            [weather.temperature[step], weather.lapse[step], 0.0, 2.0 - 1.2 * cloud, cloud, weather.wind[step],
             *beam_and_diffuse(cloud)], np.float32,
        )  # fmt: skip
        one = lit[step % STEPS_A_DAY]
        snowpack(flat, fixed, calm, np.zeros_like(calm) if one is None else one.reshape(2, -1), air)
    return state


def degree_day_melt(case: MeltCase, factor_mm: float) -> np.ndarray:
    """Return what a plain degree-day model with a factor (mm/(K day)) melts in the week, mm by cell, no more than there is."""
    forecast, elevation = case.inputs.forecast, case.day.fields["elevation"].to_numpy()
    warmth = [
        np.maximum(row.air_temperature_c - 6.5 * (elevation - row.elevation_m) / 1000.0, 0.0)
        for row in forecast.itertuples()
    ]
    return np.minimum(factor_mm * np.sum(warmth, axis=0), np.nan_to_num(case.day.fields["swe"].to_numpy()))
