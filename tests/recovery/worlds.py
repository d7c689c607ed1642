"""Invented basins whose snow is known everywhere, of several kinds, to hold estimates against the truth.

The snow is marched in six-hour steps by the demo basin's own snowpack (two layers, cold content, sun on slopes, canopy) on
50 m pixels under storms that each have a wind, a patchiness and a drifting of their own; nothing of it is the pipeline's.
`make_world` is all that others need.
"""

from __future__ import annotations

import datetime as dt
import sys
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
import pandas as pd
import xarray as xr
from pyproj import CRS
from scipy import ndimage

from snowtally.estimate.estimate import Choices, DayInputs
from snowtally.model.basin import Basin
from snowtally.model.grid import BasinGrid
from snowtally.model.ground import GroundRecord
from snowtally.model.season import BasinDay
from snowtally.sites.points import STATION_DEPTH_SE_M, course_visits, station_density, station_swe_se_mm
from snowtally.snow.past_pattern import past_pattern

sys.path.insert(0, str(Path(__file__).parents[2] / "sample_inputs" / "larkmoor"))

from world_snow import ALBEDO, BASE_DEPTH, BASE_SWE, LIQUID, TOP_DEPTH, TOP_SWE, march, room_left
from world_terrain import fractal_field, random_field
from world_weather import Storm, beam_and_diffuse, clear_sky, red_noise

PIXEL_M, CELL_M = 50, 100
ROWS = COLUMNS = 240
"""Pixels: 12 x 12 km, of which the basin takes some two thirds."""
STEPS_A_DAY = 4
REFERENCE_M = 2000.0
WINDS = 8
SITE_SPREAD, SITE_GAIN = 0.10, 1.03
"""Sites hold more than their cells by chance and by choice of the place."""


@dataclass(frozen=True)
class Kind:
    """What distinguishes one kind of basin.

    Parameters
    ----------
    stations, courses : how many.
    flights : days of the season's flights, counted from its first day.
    past_flights : days of an earlier season, under winds and storms of its own, on which the basin was flown.
    past_seasons : earlier seasons, each under storms of its own, of which the courses' visits are known.
    southern : whether the seasons are turned over.
    warmth : K added to the whole season.
    wetness : factor on what storms bring.
    middle_m, relief_m : mean elevation, and the spread between low and high ground.
    """

    stations: int
    courses: int
    flights: tuple[int, ...]
    past_flights: tuple[int, ...] = ()
    past_seasons: int = 0
    southern: bool = False
    warmth: float = 0.0
    wetness: float = 1.0
    middle_m: float = 2150.0
    relief_m: float = 1500.0


KINDS = {
    "well measured": Kind(9, 8, (128, 178, 220)),
    "few sites": Kind(3, 2, (135, 190), past_seasons=8),
    "no flight": Kind(9, 8, ()),
    "many flights": Kind(7, 6, (95, 122, 150, 178, 205, 228)),
    "southern": Kind(7, 5, (125, 182), southern=True, wetness=1.3),
    "ephemeral snow line": Kind(7, 6, (100, 150), warmth=2.0, wetness=1.2, middle_m=2000.0, relief_m=1500.0),
    "flown last season": Kind(9, 8, (), past_flights=(150, 192), past_seasons=6),
}
EVALUATED = (75, 97, 112, 128, 138, 150, 163, 178, 192, 205, 220, 233)
"""Days of the season on which estimates are held against the truth, besides which every flight's day is one."""


@dataclass
class World:
    """A made basin: its true snow and what was measured of it.

    Attributes
    ----------
    kind, seed : what it was made from.
    truth : true SWE (mm) on the grid by date.
    true_depth : true depth (m) on the grid by date.
    inputs : for a date, the day's inputs.
    """

    kind: str
    seed: int
    season_start: dt.date
    grid: BasinGrid
    terrain: xr.Dataset
    sites: pd.DataFrame
    samples: pd.DataFrame
    daily: pd.DataFrame
    weather: pd.DataFrame
    flights: list[xr.Dataset]
    truth: dict[dt.date, np.ndarray]
    true_depth: dict[dt.date, np.ndarray]
    past_flights: list[xr.Dataset] = field(default_factory=list)
    past_samples: pd.DataFrame | None = None
    site_ratio: dict[dt.date, np.ndarray] = field(default_factory=dict)

    @property
    def dates(self) -> list[dt.date]:
        """The dates on which the truth is kept."""
        return sorted(self.truth)

    @property
    def choices(self) -> Choices:
        """What a settings file would choose for it."""
        return Choices("alpine", 0.5)

    def inputs(self, date: dt.date) -> DayInputs:
        """Return what the pipeline may use for `date`: nothing dated after it."""
        day = pd.Timestamp(date)
        daily = self.daily[self.daily["date"] <= day].reset_index(drop=True).assign(depth_se_m=STATION_DEPTH_SE_M)
        visits = course_visits(self.samples[self.samples["date"] <= day])
        weighed = [station_density(daily, 0.2), visits.dropna(subset="density_kg_m3")]
        densities = self._density_records(weighed)
        earlier = None
        if self.past_samples is not None:
            earlier = self._density_records([course_visits(self.past_samples).dropna(subset="density_kg_m3")])
        return DayInputs(
            day=BasinDay("world", date, self.season_start), title=self.kind,
            noon_utc=dt.datetime.combine(date, dt.time(12)),
            basin=Basin(self.grid, self.terrain, [("west", "West"), ("east", "East")]),
            ground=GroundRecord(
                self.sites, daily, station_swe_se_mm(daily["swe_mm"]), visits,
                weather=self.weather[self.weather["issued"] <= day].reset_index(drop=True), southern=self.grid.southern,
            ),
            densities=densities, earlier_densities=earlier,
            flights=[flight for flight in self.flights if flight.attrs["date"] <= date.isoformat()], cover=None,
            checks=pd.DataFrame(), past_pattern=past_pattern([one["depth"].to_numpy() for one in self.past_flights], self.terrain),
        )  # fmt: skip

    def _density_records(self, tables: list[pd.DataFrame]) -> pd.DataFrame:
        names = ["site_id", "date", "depth_m", "density_kg_m3"]
        records = pd.concat([table[names] for table in tables], ignore_index=True)
        return records.assign(elevation_m=self.sites["elevation_m"].reindex(records["site_id"]).to_numpy(float))


def make_world(kind_name: str, seed: int) -> World:
    """Return a made basin of a kind; the same for the same seed."""
    kind = KINDS[kind_name]
    ground_rng, weather_rng, site_rng, measured_rng = (
        np.random.default_rng(child) for child in np.random.SeedSequence([seed, list(KINDS).index(kind_name)]).spawn(4)
    )
    ground = _Ground.draw(kind, ground_rng)
    weather = _Weather.draw(kind, weather_rng)
    sites = _Sites.choose(kind, ground, site_rng)
    kept_days = sorted({*EVALUATED, *kind.flights})
    swe, depth = _march(kind, ground, weather, sites, kept_days)
    world = _measure(kind_name, seed, (ground, weather, sites), (swe, depth), measured_rng)
    if kind.past_flights:
        world.past_flights = _flown_the_season_before(kind, ground, sites, world, weather_rng)
    if kind.past_seasons:
        past_rng = np.random.default_rng([seed, list(KINDS).index(kind_name), 1])
        world.past_samples = _surveyed_before(kind, ground, sites, world, past_rng)
    return world


def _surveyed_before(
    kind: Kind, ground: _Ground, sites: _Sites, world: World, rng: np.random.Generator
) -> pd.DataFrame:
    """Return the courses' samples of earlier seasons; where wind moved snow about then is left out, since sites are calm."""
    seasons = []
    for years in range(1, kind.past_seasons + 1):
        weather, then = _Weather.draw(kind, rng), replace(sites)
        _march(kind, ground, weather, then, [], sites_alone=True)
        samples = _courses(weather, then, world.sites, rng)
        seasons.append(samples.assign(date=samples["date"] - pd.DateOffset(years=years)))
    return pd.concat(seasons, ignore_index=True)


def _flown_the_season_before(
    kind: Kind, ground: _Ground, sites: _Sites, world: World, rng: np.random.Generator
) -> list[xr.Dataset]:
    weather = _Weather.draw(kind, rng)
    _, depth = _march(kind, ground, weather, sites, list(kind.past_flights))
    dates = {day: (weather.days[day] - pd.DateOffset(years=1)).date().isoformat() for day in kind.past_flights}
    return [_flight(world.grid, dates[day], depth[day], ground.canopy, rng) for day in kind.past_flights]


@dataclass(frozen=True)
class _Ground:
    elevation: np.ndarray
    canopy: np.ndarray
    normal: np.ndarray
    shelter: np.ndarray
    windward: np.ndarray
    catch: np.ndarray
    stiffness: np.ndarray
    inside: np.ndarray

    @classmethod
    def draw(cls, kind: Kind, rng: np.random.Generator) -> _Ground:
        shape = (ROWS, COLUMNS)
        row, column = np.mgrid[:ROWS, :COLUMNS] / ROWS - 0.5
        turn = rng.uniform(0, 2 * np.pi)
        bowl = np.hypot(row, column) * 1.2 - 0.45 * (np.cos(turn) * row + np.sin(turn) * column)
        broad = 0.45 * bowl / bowl.std() + fractal_field(rng, shape, PIXEL_M, 7000.0, 2.4)
        ridges = 1.0 - np.abs(fractal_field(rng, shape, PIXEL_M, 2500.0, 2.2))
        relief = broad + 0.45 * ridges + 0.06 * fractal_field(rng, shape, PIXEL_M, 500.0, 2.4)
        low, high = np.quantile(relief, [0.01, 0.99])
        elevation = kind.middle_m + kind.relief_m * ((relief - low) / (high - low) - 0.5)
        south, east = np.gradient(elevation, PIXEL_M)
        up = 1.0 / np.sqrt(1.0 + south**2 + east**2)
        steep = np.degrees(np.arccos(up))
        line = kind.middle_m + 0.12 * kind.relief_m + 90.0 * random_field(rng, shape, PIXEL_M, 900.0)
        wooded = np.clip((line - elevation) / 220.0, 0, 1) * np.clip(
            0.5 + 0.28 * random_field(rng, shape, PIXEL_M, 300.0), 0, 0.9
        )
        shelter, windward = [], []
        smooth = ndimage.gaussian_filter(elevation, 1200 / PIXEL_M)
        smooth_south, smooth_east = np.gradient(smooth, PIXEL_M)
        for wind in range(WINDS):
            bearing = 2 * np.pi * wind / WINDS
            near, far = (_upwind_rise(elevation, bearing, reach) for reach in (300.0, 900.0))
            shelter.append(np.tanh(0.7 * (near - 3.0) / 13.0 + 0.45 * (far - 7.0) / 13.0) * (1 - 0.8 * wooded))
            rise = -(smooth_east * np.sin(bearing) - smooth_south * np.cos(bearing))
            windward.append(np.tanh(rise / 0.15))
        brush = 0.18 * random_field(rng, shape, PIXEL_M, 60.0) + 0.12 * random_field(rng, shape, PIXEL_M, 250.0)
        slough = np.exp(-np.clip(steep - 38.0, 0, None) / 6.0)
        stiff = 0.14 * random_field(rng, shape, PIXEL_M, 350.0) + 0.1 * random_field(rng, shape, PIXEL_M, 2500.0)
        # A basin without straight edges: the ground around the middle, the lower ground first.
        edge = np.hypot(row, column) + 0.06 * random_field(rng, shape, PIXEL_M, 1500.0)
        inside = edge < 0.44
        return cls(
            elevation, wooded, np.stack([-east * up, south * up, up]), np.stack(shelter), np.stack(windward),
            np.exp(brush) * slough, np.exp(stiff), inside,
        )  # fmt: skip


def _upwind_rise(elevation: np.ndarray, bearing: float, reach_m: float) -> np.ndarray:
    """Return the steepest rise of the ground upwind within reach, degrees."""
    best = np.full(elevation.shape, -90.0)
    distance = 1.5 * PIXEL_M
    while distance <= reach_m:
        move = (-np.cos(bearing) * distance / PIXEL_M, np.sin(bearing) * distance / PIXEL_M)
        there = ndimage.shift(elevation, (-move[0], -move[1]), order=1, mode="nearest")
        best = np.maximum(best, np.degrees(np.arctan((there - elevation) / distance)))
        distance *= 1.35
    return best


@dataclass(frozen=True)
class _Weather:
    days: pd.DatetimeIndex
    temperature: np.ndarray
    lapse: np.ndarray
    precipitation: np.ndarray
    cloud: np.ndarray
    wind: np.ndarray
    storm_of: np.ndarray
    storms: list[Storm]
    drifts: dict[int, tuple[int, float]]

    @classmethod
    def draw(cls, kind: Kind, rng: np.random.Generator) -> _Weather:
        start = "2031-04-01" if kind.southern else "2030-10-01"
        days = pd.date_range(start, periods=255)
        steps = len(days) * STEPS_A_DAY
        late_from = int(rng.integers(110, 165))
        early, late = np.exp(rng.normal(0, 0.25)), np.exp(rng.normal(0.2, 0.25))
        first_winds, late_winds = (rng.dirichlet(np.full(WINDS, 0.6)) for _ in range(2))
        precipitation, storms, storm_of = np.zeros(steps), [], np.full(steps, -1)
        step = int(rng.exponential(20))
        while step < steps:
            day = step // STEPS_A_DAY
            length = min(int(rng.integers(2, 11)), steps - step)
            total = np.exp(rng.normal(np.log(13.0), 0.75)) * (late if day >= late_from else early) * kind.wetness
            wind = int(rng.choice(WINDS, p=late_winds if day >= late_from else first_winds))
            storms.append(
                Storm(
                    step, length, wind, float(rng.normal(0.8, 0.25)), float(rng.uniform(0.4, 1.2)),
                    int(rng.integers(2**31)),
                )
            )  # fmt: skip
            share = rng.gamma(2.0, 1.0, length)
            precipitation[step : step + length] = total * share / share.sum()
            storm_of[step : step + length] = len(storms) - 1
            step += length + int(rng.exponential(16.0)) + 1
        wet = storm_of >= 0
        count = np.arange(len(days))
        normal = kind.warmth + 0.8 - 8.6 * np.cos(2 * np.pi * (count - 117) / 365.0)
        cloud = np.where(
            wet, 0.92, np.clip(0.35 + 0.28 * np.repeat(red_noise(rng, len(days), 0.5), STEPS_A_DAY), 0.02, 0.85)
        )
        swing = np.tile(np.array([-3.2, -1.4, 3.4, 1.2]) * 1.25, len(days)) * (1.15 - 0.8 * cloud)
        warmer = np.repeat(rng.normal(0, 1.2, len(storms) + 1)[storm_of], 1)
        temperature = (
            np.repeat(normal, STEPS_A_DAY) + 3.5 * red_noise(rng, steps, 0.93) + swing + np.where(wet, warmer, 0)
        )
        winter = 0.5 + 0.5 * np.cos(2 * np.pi * (count - 101) / 365.0)
        fair = -6.7 + 2.4 * winter + (0.7 + 1.3 * winter) * red_noise(rng, len(days), 0.4)
        wet_day = wet.reshape(-1, STEPS_A_DAY).any(axis=1)
        lapse = np.where(wet_day, -6.2 + 0.5 * rng.standard_normal(len(days)), np.clip(fair, -8.5, -0.5))
        wind = np.where(wet, 4.0, 2.2) * np.exp(0.35 * red_noise(rng, steps, 0.7))
        drifts = {
            storm.first + storm.steps - 1: (storm.wind, float(rng.uniform(0.2, 0.75)) * storm.drifting)
            for storm in storms
            if rng.random() < 0.7
        }
        for day in np.flatnonzero(rng.random(len(days)) < 0.06):
            drifts.setdefault(
                int(day) * STEPS_A_DAY + 2, (int(rng.choice(WINDS, p=first_winds)), float(rng.uniform(0.2, 0.6)))
            )
        return cls(
            days, temperature, np.repeat(lapse, STEPS_A_DAY), precipitation, cloud, wind, storm_of, storms, drifts
        )

    def table(self, rng: np.random.Generator) -> pd.DataFrame:
        """Return the weather table's past days, each said the day after."""
        by_day = self.temperature.reshape(-1, STEPS_A_DAY).mean(axis=1)
        fallen = self.precipitation.reshape(-1, STEPS_A_DAY).sum(axis=1)
        return pd.DataFrame(
            {
                "date": self.days, "issued": self.days + pd.Timedelta(days=1), "elevation_m": REFERENCE_M,
                "air_temperature_c": by_day + rng.normal(0.2, 0.7, len(by_day)),
                "precipitation_mm": fallen * rng.lognormal(0, 0.15, len(by_day)),
            }
        )  # fmt: skip


@dataclass
class _Sites:
    row: np.ndarray
    column: np.ndarray
    kinds: list[str]
    elevation: np.ndarray
    canopy: np.ndarray
    offset: np.ndarray
    states: np.ndarray = field(default_factory=lambda: np.zeros(0))
    fallen: np.ndarray = field(default_factory=lambda: np.zeros(0))

    @classmethod
    def choose(cls, kind: Kind, ground: _Ground, rng: np.random.Generator) -> _Sites:
        steep = np.degrees(np.arccos(ndimage.uniform_filter(ground.normal[2], 3)))
        # Those who choose sites want snow that lies as it fell: no wind scours or fills the place, and no gully ends there.
        rough = np.abs(ndimage.uniform_filter(ground.shelter, (0, 3, 3))).max(axis=0)
        calm = (rough < np.quantile(rough[ground.inside], 0.25)) & (
            np.abs(np.log(ndimage.uniform_filter(ground.catch, 3))) < 0.12
        )
        usable = (steep < 18) & (ndimage.uniform_filter(ground.canopy, 3) < 0.6) & calm & ground.inside
        usable[:6], usable[-6:], usable[:, :6], usable[:, -6:] = False, False, False, False
        number = kind.stations + kind.courses
        inside = ground.elevation[ground.inside]
        # Access keeps sites off the highest ground, and the lowest has little snow to measure.
        wanted = np.quantile(inside, np.linspace(0.15, 0.88, number))
        kinds = _dealt(kind.stations, kind.courses)
        rows, columns = [], []
        for height in wanted:
            near = np.argsort(np.where(usable, np.abs(ground.elevation - height), np.inf), axis=None)[:40]
            r, c = np.unravel_index(near, usable.shape)
            far = [
                min((np.hypot(r[i] - a, c[i] - b) for a, b in zip(rows, columns, strict=True)), default=0.0)
                for i in range(len(r))
            ]
            best = int(np.argmax(np.array(far) + rng.uniform(0, 20, len(far))))
            rows.append(int(r[best]))
            columns.append(int(c[best]))
        row, column = np.array(rows), np.array(columns)
        offset = SITE_GAIN * np.exp(rng.normal(-0.5 * SITE_SPREAD**2, SITE_SPREAD, number))
        return cls(row, column, kinds, ground.elevation[row, column], 0.55 * ground.canopy[row, column], offset)

    def cell_mean(self, values: np.ndarray) -> np.ndarray:
        """Return the mean of a pixel field over each site's cell."""
        cells = _cells(values)
        return cells[self.row // 2, self.column // 2]


def _dealt(stations: int, courses: int) -> list[str]:
    """Return the kinds of sites from low to high, stations and courses mixed evenly."""
    order = np.argsort(
        np.concatenate([(np.arange(stations) + 0.4) / stations, (np.arange(courses) + 0.6) / max(courses, 1)]),
        kind="stable",
    )
    return ["station" if k < stations else "course" for k in order]


def _cells(values: np.ndarray) -> np.ndarray:
    """Return 100 m cell means of a 50 m field."""
    return values.reshape(ROWS // 2, 2, COLUMNS // 2, 2).mean(axis=(1, 3))


def _sun(kind: Kind, normal: np.ndarray, day_of_season: int) -> list[np.ndarray | None]:
    """Return clear-sky direct and diffuse energy on the slopes for each step of a day, MJ/m2; None for a dark step.

    Southern basins are worked out in the north with their slopes turned over.
    """
    declination = np.radians(23.44) * np.sin(2 * np.pi * (day_of_season - 172) / 365.25)
    latitude = np.radians(43.0)
    out = []
    for part in range(STEPS_A_DAY):
        direct, sky = np.zeros(normal.shape[1:], np.float32), 0.0
        for hour in np.arange(6) + 0.5 + 6 * part:
            angle = np.radians(15.0 * (hour - 12.0))
            up = np.sin(latitude) * np.sin(declination) + np.cos(latitude) * np.cos(declination) * np.cos(angle)
            if up < 0.02:
                continue
            east = -np.cos(declination) * np.sin(angle)
            north = np.cos(latitude) * np.sin(declination) - np.sin(latitude) * np.cos(declination) * np.cos(angle)
            beam, diffuse = clear_sky(up)
            poleward = -north if kind.southern else north
            direct += beam * 3600e-6 * np.clip(normal[0] * east + normal[1] * poleward + normal[2] * up, 0, None)
            sky += diffuse * 3600e-6
        out.append(np.stack([direct, sky * (0.5 + 0.5 * normal[2])]).astype(np.float32) if sky > 0 else None)
    return out


DRIFT_REACH = 13
"""Pixels (650 m) within which wind carries snow from exposed to sheltered ground."""


def _storm_fields(ground: _Ground, storm: Storm, depth: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return a storm's precipitation relative to the reference, and how its snow settles relative to what falls."""
    rng = np.random.default_rng(storm.seed)
    coarse = 5
    small = (ROWS // coarse + 2, COLUMNS // coarse + 2)
    patch = 0.30 * random_field(rng, small, PIXEL_M * coarse, 4000.0) + 0.2 * random_field(
        rng, small, PIXEL_M * coarse, 1500.0
    )
    patch = ndimage.zoom(patch, coarse, order=1)[:ROWS, :COLUMNS]
    fall = np.exp(storm.gain * (ground.elevation - REFERENCE_M) / 1000.0 + 0.16 * ground.windward[storm.wind] + patch)
    settle = np.exp(1.15 * storm.drifting * ground.shelter[storm.wind]) * ground.catch * room_left(depth)
    return fall, settle / ndimage.uniform_filter(settle, DRIFT_REACH, mode="nearest")


def _blow(ground: _Ground, state: np.ndarray, wind: int, share: float, temperature: np.ndarray) -> np.ndarray:
    """Move loose snow from exposed to sheltered ground in place; return the relative change of the top layer."""
    shelter = ground.shelter[wind]
    loose = np.clip(state[TOP_SWE] - 4.0 - 60.0 * ground.canopy, 0, None)
    loose *= np.clip((0.5 - temperature) / 3.0, 0, 1) * (state[LIQUID] < 0.5)
    taken = loose * share * np.clip(0.25 - shelter, 0, 1)
    depth = state[TOP_DEPTH] + state[BASE_DEPTH]
    room = np.clip(shelter - 0.15, 0, None) ** 1.5 * ground.catch * room_left(depth) + 0.01
    mean_room = np.maximum(ndimage.uniform_filter(room, DRIFT_REACH, mode="nearest"), 1e-3)
    given = 0.87 * ndimage.uniform_filter(taken, DRIFT_REACH, mode="nearest") * room / mean_room
    before = state[TOP_SWE].copy()
    dense = np.where(state[TOP_DEPTH] > 0, before / np.maximum(state[TOP_DEPTH], 1e-6), 250.0)
    state[TOP_DEPTH] = np.where(before > 0, (before - taken) / np.maximum(dense, 40.0), 0.0) + given / 270.0
    state[TOP_SWE] = before - taken + given
    return np.where(before > 0, state[TOP_SWE] / np.maximum(before, 1e-6), 1.0)


def _march(  # noqa: PLR0913  what the world is made of
    kind: Kind,
    ground: _Ground,
    weather: _Weather,
    sites: _Sites,
    kept_days: list[int],
    at_day_end: Callable[[int, np.ndarray], None] | None = None,
    snowpack: Callable[..., None] = march,
    sites_alone: bool = False,
) -> tuple[dict[int, np.ndarray], dict[int, np.ndarray]]:
    """March the season; return SWE (mm) and depth (m) of the pixels on the kept days and fill the sites' histories.

    `at_day_end` is told each day's number and final state (8, y, x), not to be changed; `snowpack` marches one step. With
    `sites_alone` no snow lies on the pixels, and no wind moves any.
    """
    shape = (ROWS, COLUMNS)
    state = np.zeros((8, *shape), np.float32)
    state[ALBEDO] = 0.46
    flat = state.reshape(8, -1)
    fixed = np.stack([ground.elevation, ground.canopy, ground.stiffness, np.zeros(shape)]).reshape(4, -1).astype("f4")
    count = len(sites.row)
    here = np.zeros((8, count), np.float32)
    here[ALBEDO] = 0.46
    site_fixed = np.stack([sites.elevation, sites.canopy, sites.cell_mean(ground.stiffness), np.zeros(count)]).astype(
        "f4"
    )
    calm, site_calm = np.ones((2, flat.shape[1]), np.float32), np.ones((2, count), np.float32)
    fields, site_fields, at_storm = calm, site_calm, -1
    suns: list[np.ndarray] = []
    swe, depth, states, fallen = {}, {}, [], []
    for step, storm in enumerate(weather.storm_of):
        day, part = divmod(step, STEPS_A_DAY)
        if day % 10 == 0 and part == 0:
            lit = _sun(kind, ground.normal, day + 5)
            suns = [np.zeros_like(calm) if one is None else one.reshape(2, -1) for one in lit]
            site_suns = [
                np.zeros_like(site_calm) if one is None else np.stack([sites.cell_mean(p) for p in one]).astype("f4")
                for one in lit
            ]
        if storm >= 0 and storm != at_storm:
            fall, settle = _storm_fields(ground, weather.storms[storm], state[TOP_DEPTH] + state[BASE_DEPTH])
            fields = np.stack([fall, settle]).reshape(2, -1).astype("f4")
            site_fields = np.stack([sites.cell_mean(fall), sites.cell_mean(settle) * sites.offset]).astype("f4")
            at_storm = storm
        cloud = weather.cloud[step]
        air = np.array(
            [
                weather.temperature[step], weather.lapse[step], weather.precipitation[step],
                0.3 if storm >= 0 else 2.0 - 1.2 * cloud, cloud, weather.wind[step], *beam_and_diffuse(cloud),
            ],
            np.float32,
        )  # fmt: skip
        raining = storm >= 0
        if not sites_alone:
            snowpack(flat, fixed, fields if raining else calm, suns[part], air)
        snowpack(here, site_fixed, site_fields if raining else site_calm, site_suns[part], air)
        if step in weather.drifts and not sites_alone:
            wind, share = weather.drifts[step]
            warmth = air[0] + air[1] * (ground.elevation - REFERENCE_M) / 1000.0
            before = sites.cell_mean(state[TOP_SWE])
            _blow(ground, state, wind, share, warmth)
            change = np.where(before > 0.5, sites.cell_mean(state[TOP_SWE]) / np.maximum(before, 0.5), 1.0)
            here[[TOP_SWE, TOP_DEPTH]] *= np.clip(change, 0.2, 3.0) ** 0.7
        states.append(here.copy())
        fallen.append(weather.precipitation[step] * (site_fields[0] if raining else np.zeros(count)))
        if part == 1 and day in kept_days:
            swe[day] = (state[TOP_SWE] + state[BASE_SWE] + state[LIQUID]).astype(float)
            depth[day] = (state[TOP_DEPTH] + state[BASE_DEPTH]).astype(float)
        if part == STEPS_A_DAY - 1 and at_day_end is not None:
            at_day_end(day, state)
    sites.states, sites.fallen = np.stack(states), np.stack(fallen)
    return swe, depth


def _measure(
    kind_name: str,
    seed: int,
    made: tuple[_Ground, _Weather, _Sites],
    snow: tuple[dict[int, np.ndarray], dict[int, np.ndarray]],
    rng: np.random.Generator,
) -> World:
    """Return the world as measured: terrain on the grid, stations, courses, flights, weather, and its truth."""
    kind = KINDS[kind_name]
    ground, weather, sites = made
    swe, depth = snow
    crs = CRS("EPSG:32725" if kind.southern else "EPSG:32625")
    top = 5_250_000.0 if kind.southern else 4_880_000.0
    grid = BasinGrid(crs, CELL_M, 500_000.0, top, COLUMNS // 2, ROWS // 2)
    terrain = _terrain(grid, ground)
    row, column = sites.row // 2, sites.column // 2
    table = pd.DataFrame(
        {
            "kind": sites.kinds, "x": grid.x[column], "y": grid.y[row],
            "elevation_m": terrain["elevation"].to_numpy()[row, column], "inside": True, "row": row, "column": column,
        },
        index=pd.Index([f"W{k:02d}" for k in range(len(row))], name="site_id"),
    )  # fmt: skip
    dates = {day: weather.days[day].date() for day in swe}
    world = World(
        kind_name, seed, weather.days[0].date(), grid, terrain, table,
        _courses(weather, sites, table, rng), _stations(weather, sites, table, rng), weather.table(rng),
        [_flight(grid, dates[day].isoformat(), depth[day], ground.canopy, rng) for day in kind.flights],
        {dates[day]: _cells(values) for day, values in swe.items()},
        {dates[day]: _cells(values) for day, values in depth.items()},
    )  # fmt: skip
    for day, date in dates.items():
        state = sites.states[day * STEPS_A_DAY + 1]
        own = state[TOP_SWE] + state[BASE_SWE] + state[LIQUID]
        world.site_ratio[date] = own / np.maximum(world.truth[date][row, column], 1.0)
    return world


def _terrain(grid: BasinGrid, ground: _Ground) -> xr.Dataset:
    elevation, share = _cells(ground.elevation), _cells(ground.inside.astype(float))
    inside = share > 0
    low, high = (np.floor(level / 200.0) for level in (elevation[inside].min(), elevation[inside].max()))
    bands = [(float(200 * k), float(200 * (k + 1))) for k in np.arange(low, high + 1)]
    column = np.arange(grid.width)[None, :] * np.ones((grid.height, 1))
    return xr.Dataset(
        {
            "elevation": grid.array(elevation, units="m"),
            "canopy": grid.array(_cells(ground.canopy), units="1"),
            "cell_area": grid.array(share * CELL_M**2, units="m2"),
            "zone": grid.array(np.where(inside, 1 + (column > grid.width / 2), 0).astype("i4"), units="1"),
            "band": grid.array(np.where(inside, elevation // 200.0 - low + 1, 0).astype("i4"), units="1"),
            "convergence": grid.array(np.zeros(grid.shape), units="degree"),
        },
        attrs={"bands": bands},
    )


def _stations(weather: _Weather, sites: _Sites, table: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
    """Return the stations' daily values with the noise of pillows, sounders, thermometers and gauges."""
    days = len(weather.days)
    states = sites.states.reshape(days, STEPS_A_DAY, *sites.states.shape[1:]).mean(axis=1)
    air = weather.temperature.reshape(days, -1).mean(axis=1)
    lapse = weather.lapse.reshape(days, -1).mean(axis=1)
    frames = []
    for number, (site_id, kind) in enumerate(zip(table.index, table["kind"], strict=True)):
        swe = states[:, TOP_SWE, number] + states[:, BASE_SWE, number] + states[:, LIQUID, number]
        depth = states[:, TOP_DEPTH, number] + states[:, BASE_DEPTH, number]
        slow = 3.0 * red_noise(rng, days, 0.93)
        here = air + lapse * (sites.elevation[number] - REFERENCE_M) / 1000.0
        fallen = sites.fallen[:, number].reshape(days, -1).sum(axis=1)
        caught = fallen * np.where(here < 0, rng.uniform(0.8, 0.95), 0.97)
        if kind == "station":
            frames.append(
                pd.DataFrame(
                    {
                        "site_id": site_id, "date": weather.days.astype("datetime64[s]"),
                        "swe_mm": np.maximum(swe + rng.normal(0, 1.5, days) + slow, 0.0).round(0),
                        "depth_m": np.maximum(depth + rng.normal(0.005, 0.01, days), 0.0).round(2),
                        "air_temperature_c": here + rng.normal(0, 0.3, days) + rng.normal(0, 0.3),
                        "precipitation_mm": caught.round(1),
                    }
                )
            )  # fmt: skip
    return pd.concat(frames, ignore_index=True)


def _courses(weather: _Weather, sites: _Sites, table: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
    """Return the course samples of monthly visits, within four days of the first of the month."""
    rows = []
    for number, (site_id, kind) in enumerate(zip(table.index, table["kind"], strict=True)):
        if kind != "course":
            continue
        points = int(rng.integers(6, 11))
        pattern = np.exp(rng.normal(0, 0.12, points))
        pattern /= pattern.mean()
        gain = float(rng.choice([1.0, 1.04]))
        for nominal in (62, 93, 124, 152, 183, 213, 244):
            day = nominal + int(rng.integers(-4, 5))
            state = sites.states[day * STEPS_A_DAY + 1][:, number]
            swe, depth = (
                float(state[TOP_SWE] + state[BASE_SWE] + state[LIQUID]),
                float(state[TOP_DEPTH] + state[BASE_DEPTH]),
            )
            here = np.where(depth * pattern < 0.02, 0.0, depth * pattern * np.exp(rng.normal(0, 0.05, points)))
            density = (swe / depth if depth > 0 else 0.0) * np.exp(rng.normal(0, 0.025, points) + 0.1 * np.log(pattern))
            weighed = here * density * gain * np.exp(rng.normal(0, 0.02, points))
            rows += [
                {
                    "site_id": site_id, "date": weather.days[day], "point": str(k), "depth_m": round(here[k], 2),
                    "swe_mm": float(5 * round(weighed[k] / 5)), "cores": np.nan, "used": True, "swe_used": True,
                    "sampler": "", "nominal_date": pd.NaT,
                }
                for k in range(points)
            ]  # fmt: skip
    return pd.DataFrame(rows).astype({"date": "datetime64[s]"})


def _flight(grid: BasinGrid, date: str, depth: np.ndarray, canopy: np.ndarray, rng: np.random.Generator) -> xr.Dataset:
    """Return a flight on the grid: the true depth with a common bias, noise larger under trees, and voids."""
    noise = 0.08 * (1 + 0.7 * canopy) * rng.standard_normal(depth.shape) / 2.5
    # A pixel of 50 m averages some six of a survey's pixels.
    wavy = 0.03 * random_field(rng, depth.shape, PIXEL_M, 2000.0)
    seen = depth + rng.normal(0, 0.03) + noise + wavy
    gap = random_field(rng, depth.shape, PIXEL_M, 350.0)
    void = gap > np.quantile(gap, 0.975)
    valid = _cells((~void).astype(float))
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = _cells(np.where(void, 0.0, seen)) / np.where(valid > 0, valid, np.nan)
    spread = np.sqrt(np.maximum(_cells(depth**2) - _cells(depth) ** 2, 0) + 0.08**2 + (0.25 * _cells(depth)) ** 2)
    fields = {
        "depth": mean, "valid_fraction": valid, "depth_spread": spread,
        "depth_random_se": np.where(np.isfinite(mean), 0.03, np.nan),
    }  # fmt: skip
    flight = xr.Dataset({name: grid.array(values) for name, values in fields.items()})
    return flight.assign_attrs(
        flight_id=f"F{date}", date=date, depth_bias_se_m=0.05, noise_m=0.08, noise_correlation_m=30.0
    )


def hardness(world: World) -> dict[str, float]:
    """Return the figures by which a world is as hard as nature or too easy, near its peak."""
    inside = world.terrain["cell_area"].to_numpy() > 5000
    means = {date: float(swe[inside].mean()) for date, swe in world.truth.items()}
    peak = max(means, key=means.get)
    swe, height = world.truth[peak][inside], world.terrain["elevation"].to_numpy()[inside]
    flown = [world.truth[dt.date.fromisoformat(flight.attrs["date"])][inside] for flight in world.flights]
    pairs = [float(np.corrcoef(a, b)[0, 1]) for k, a in enumerate(flown) for b in flown[k + 1 :]]
    # Where hardly any snow lies a ratio tells of the day on which a cell melts out.
    sites = world.sites
    ratio = world.site_ratio[peak][world.truth[peak][sites["row"], sites["column"]] > 0.3 * means[peak]]
    return {
        "peak_mm": means[peak], "variation": float(swe.std() / swe.mean()),
        "r2_elevation": float(np.corrcoef(swe, height)[0, 1] ** 2), "site_ratio": float(ratio.mean()),
        "site_spread": float(ratio.std(ddof=1)), "flights_least": min(pairs, default=np.nan),
        "flights_most": max(pairs, default=np.nan),
    }  # fmt: skip
