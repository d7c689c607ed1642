"""Made basins whose snow is known everywhere, to hold estimates against the truth: two physics, two heaps of seeds.

`make_world` is all that others need. A world is drawn from its seed alone: ground, climate, season, physics, sites, and every
error of what was measured. The seeds of the judging heap choose no constant, of the worlds or of the pipeline.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
import xarray as xr
from degree_day_worlds import DegreeDay
from energy_worlds import Energy
from world_measurements import Tables, course_samples, measure, true_tables, true_weather
from world_places import (
    Ground,
    Points,
    Sites,
    cells,
    draw_area,
    draw_ground,
    draw_sites,
    points_of,
    sites_alone,
    terrain_of,
)
from world_records import SnowRecord
from world_seasons import Climate, Season, draw_climate, draw_season
from world_surveys import COVER_CANOPY_BIAS, fly, fly_without_error, see_cover

from snowtally.estimate.day_inputs import Choices, DayInputs
from snowtally.gather.covers import EARLIER_COVER_DAYS, EARLIER_COVERS
from snowtally.gather.earlier_flights import VISIT_DAYS
from snowtally.gather.earlier_visits import EARLIER_VISITS
from snowtally.gather.ground import gather_ground
from snowtally.inputs.cover_checks import doubted_cover
from snowtally.model.basin import Basin
from snowtally.model.season import BasinDay
from snowtally.settings.basin import Settings
from snowtally.sites.points import course_visits
from snowtally.snow.past_pattern import past_pattern

TRAINING_SEEDS = range(1, 1001)
"""Worlds on which constants may be chosen."""

JUDGING_SEEDS = range(100_001, 101_001)
"""Worlds that judge. No constant is chosen by what they show."""

HEAPS = {"training": TRAINING_SEEDS, "judging": JUDGING_SEEDS}

PHYSICS = {"degree-day": DegreeDay, "energy": Energy}

INGREDIENTS = ("depth", "density", "sites", "weather")
"""What the truth may take the place of, one at a time."""


@dataclass(frozen=True)
class Plan:
    """When a world is flown, and the nights on which it is held against the truth, by day of the season.

    Parameters
    ----------
    flights, past_flights : days of this season and of the one before.
    nights : day and kind of night.
    """

    physics: str
    flights: tuple[int, ...]
    past_flights: tuple[int, ...]
    nights: tuple[tuple[int, str], ...]


KINDS = ("flight day", "1 to 7", "8 to 21", "22 to 45", "later", "last season", "no flight")
"""Kinds of night by days since the season's last flight; `last season`: only the season before was flown."""


def plan_of(seed: int) -> Plan:
    """Return a world's plan: of four worlds in a row by each physics two are flown, one was last season, one never was."""
    rng = np.random.default_rng([seed, 1])
    physics = list(PHYSICS)[seed % 2]
    turn = seed // 2 % 4
    past = (
        tuple(sorted((int(rng.integers(135, 165)), int(rng.integers(175, 205)))))
        if turn == 2 or rng.random() < 0.3
        else ()
    )
    if turn >= 2:
        past = past if turn == 2 else ()
        kind = "last season" if past else "no flight"
        nights = tuple((int(rng.integers(*span)), kind) for span in ((80, 125), (135, 170), (180, 212)))
        return Plan(physics, (), past, nights)
    first = int(rng.integers(100, 150))
    flights = [first]
    if rng.random() < 0.5:
        flights.insert(0, first - int(rng.integers(25, 50)))
    nights = [(flights[0] - int(rng.integers(8, 40)), "last season" if past else "no flight"), (first, "flight day")]
    spans = ((1, 8, "1 to 7"), (8, 22, "8 to 21"), (22, 46, "22 to 45"), (46, 80, "later"))
    nights += [(first + int(rng.integers(low, high)), kind) for low, high, kind in spans]
    second = first + int(rng.integers(80, 95))
    if second < 225 and rng.random() < 0.6:
        flights.append(second)
        nights.append((second, "flight day"))
    return Plan(physics, tuple(flights), past, tuple(nights))


@dataclass
class World:
    """A made basin: its true snow, and what was measured of it.

    Attributes
    ----------
    plan : when it is flown and judged.
    truth, true_depth : SWE (mm) and depth (m) on the grid by date.
    tables : what the sites and the weather table say; `true` the tables with an ingredient's truth by name.
    earlier : density of courses in earlier seasons, None where there is none.
    flights, true_flights : of this season.
    covers : day and fraction seen.
    drawn : by flight_id the errors that were drawn.
    """

    seed: int
    plan: Plan
    ground: Ground
    sites: Sites
    season: Season
    record: SnowRecord
    terrain: xr.Dataset
    zones: list[tuple[str, str]]
    truth: dict[dt.date, np.ndarray]
    true_depth: dict[dt.date, np.ndarray]
    tables: Tables
    flights: list[xr.Dataset] = field(default_factory=list)
    true_flights: list[xr.Dataset] = field(default_factory=list)
    past_flights: list[xr.Dataset] = field(default_factory=list)
    covers: list[tuple[dt.date, np.ndarray]] = field(default_factory=list)
    earlier: pd.DataFrame | None = None
    earlier_pairs: pd.DataFrame | None = None
    has_weather: bool = True
    drawn: dict[str, dict[str, float]] = field(default_factory=dict)

    @property
    def season_start(self) -> dt.date:
        """First day of the season."""
        return self.season.days[0].date()

    @property
    def choices(self) -> Choices:
        """What a settings file would choose for it."""
        return Choices("alpine", 0.5)

    def date(self, day: int) -> dt.date:
        """Return the date of a day of the season."""
        return self.season.days[day].date()

    def inputs(self, date: dt.date, truth: str = "") -> DayInputs:
        """Return what the pipeline may use for `date`: nothing dated after it; `truth` takes one ingredient's place."""
        tables = self._tables(truth)
        until = pd.Timestamp(date)
        rows = {
            "sites": self.sites.table,
            "courses": tables.courses[tables.courses["date"] <= until].reset_index(drop=True),
            "stations": tables.stations[tables.stations["date"] <= until].reset_index(drop=True),
            "weather": tables.weather[(tables.weather["issued"] <= until) & self.has_weather].reset_index(drop=True),
        }
        if self.earlier is not None:
            rows[EARLIER_VISITS] = self.earlier
        measured = gather_ground(self._settings(), self.ground.grid, rows, date)
        record, densities, earlier = measured.record, measured.densities, measured.earlier_densities
        covers = [
            (day, seen)
            for day, seen in self.covers
            if day <= date and not doubted_cover(seen, day, record, self.ground.grid)
        ]
        before = [one for one in reversed(covers) if 0 < (date - one[0]).days <= EARLIER_COVER_DAYS][:EARLIER_COVERS]
        flights = self.true_flights if truth == "depth" else self.flights
        return DayInputs(
            day=BasinDay("world", date, self.season_start), title=f"World {self.seed}",
            noon_utc=dt.datetime.combine(date, dt.time(12)), basin=Basin(self.ground.grid, self.terrain, self.zones),
            ground=record, densities=densities,
            earlier_densities=earlier if len(earlier) else None,
            flights=[flight for flight in flights if flight.attrs["date"] <= date.isoformat()],
            cover=next((seen for day, seen in covers if day == date), None), checks=pd.DataFrame(),
            earlier_covers=before,
            earlier_pairs=self.earlier_pairs,
            past_pattern=past_pattern([one["depth"].to_numpy() for one in self.past_flights], self.terrain),
        )  # fmt: skip

    def _tables(self, truth: str) -> Tables:
        replaced = {"sites": true_tables, "weather": true_weather}
        if truth not in replaced:
            return self.tables
        return replaced[truth](self.season, self.sites, self.record, self.tables)

    def _settings(self) -> Settings:
        start = f"{self.season_start:%m-%d}"
        return Settings.model_validate(
            {
                "basin": {
                    "id": "world", "title": "World", "zones": "zones.geojson", "utc_offset_hours": 0,
                    "season_start": start,
                },
                "grid": {"crs": self.ground.grid.crs.to_string(), "cell_m": self.ground.grid.cell_m},
                "terrain": {"elevation": "elevation.tif"}, "inputs": {"sites": "sites.csv"}, "archive": "archive",
            }
        )  # fmt: skip


EARLIER_SEASONS, EARLIER_SHARE = 4, 0.3
"""Seasons before of which a world's courses are known, and the share of worlds in which they are."""


def make_world(seed: int, area_km2: float | None = None, plan: Plan | None = None) -> World:
    """Return the made basin of a seed; the same for the same seed. A given area (km2) or plan takes the seed's own place."""
    plan = plan or plan_of(seed)
    streams = np.random.default_rng([seed, 2]).spawn(8)
    southern = bool(streams[0].random() < 0.15)
    ground = draw_ground(streams[0], draw_area(streams[0]) if area_km2 is None else area_km2, southern=southern)
    sites = draw_sites(ground, streams[1])
    points = points_of(ground, sites, streams[2])
    climate = draw_climate(streams[3])
    physics = PHYSICS[plan.physics].draw(streams[3])
    year = 2031 if southern else 2030
    start = f"{year}-04-01" if southern else f"{year}-10-01"
    season = draw_season(climate, start, ground.middle_m, streams[4])
    seen = _cover_days(streams[6])
    wanted = {*plan.flights, *(day for day, _ in plan.nights), *seen}
    record = physics.march(points, season, ground.pixel_m, wanted)
    terrain, zones = terrain_of(ground)
    dates = {day: season.days[day].date() for day in {*plan.flights, *(day for day, _ in plan.nights)}}
    world = World(
        seed, plan, ground, sites, season, record, terrain, zones,
        {date: cells(record.swe[day]).astype(float) for day, date in dates.items()},
        {date: cells(record.depth[day]).astype(float) for day, date in dates.items()},
        measure(season, sites, record, streams[5]),
    )  # fmt: skip
    bias = float(streams[6].normal(*COVER_CANOPY_BIAS))
    world.covers = [(world.date(day), see_cover(ground, record.swe[day], bias, streams[6])) for day in seen]
    for day in plan.flights:
        flight, drawn = fly(ground, record.depth[day], world.date(day).isoformat(), streams[7])
        world.flights.append(flight)
        world.true_flights.append(fly_without_error(ground, record.depth[day], world.date(day).isoformat()))
        world.drawn[flight.attrs["flight_id"]] = drawn
    other = np.random.default_rng([seed, 3])
    world.has_weather = bool(other.random() < 0.75)
    _add_earlier(world, physics, (points, climate), other)
    return world


def _cover_days(rng: np.random.Generator) -> Sequence[int]:
    """Return the days on which snow cover is seen: every 5 to 16 days in six worlds of ten, never in the others."""
    if rng.random() > 0.6:
        return ()
    every = int(rng.integers(5, 17))
    return tuple(range(int(rng.integers(20, 20 + every)), 245, every))


AWAY_DAYS = 10
"""A course is visited so many days before or after a flight, at most."""


def _earlier_pairs(world: World, record: SnowRecord, rng: np.random.Generator) -> pd.DataFrame:
    """Return what the sites and the flights of the season before said of depth on the flights' days: a course on its visit."""
    depth, table, rows = record.of_sites("depth"), world.sites.table, []
    station = (table["kind"] == "station").to_numpy()
    # Some stations have no sounder, or were silent then.
    heard = rng.random(len(table)) < 0.75
    for day, flight in zip(world.plan.past_flights, world.past_flights, strict=True):
        away = np.where(station, 0, rng.integers(-AWAY_DAYS, AWAY_DAYS + 1, len(table)))
        said = depth[day + away, np.arange(len(table))] * np.exp(rng.normal(0, 0.04, len(table))) + rng.normal(
            0, 0.02, len(table)
        )
        cell = flight["depth"].to_numpy()[table["row"], table["column"]]
        pair = {
            "site_id": table["site_id"],
            "date": pd.Timestamp(flight.attrs["date"]),
            "depth_m": said,
            "cell_depth_m": cell,
            "days_apart": away,
        }
        rows.append(pd.DataFrame(pair)[heard & np.isfinite(cell) & (np.abs(away) <= VISIT_DAYS)])
    return pd.concat(rows, ignore_index=True)


def _add_earlier(
    world: World, physics: DegreeDay | Energy, made: tuple[Points, Climate], rng: np.random.Generator
) -> None:
    """Add flights of the season before and courses of earlier seasons, each season under a weather of its own."""
    points, climate = made
    middle = world.ground.middle_m

    def start(years: int) -> str:
        return str((world.season.days[0] - pd.DateOffset(years=years)).date())

    if world.plan.past_flights:
        season = draw_season(climate, start(1), middle, rng)
        record = physics.march(points, season, world.ground.pixel_m, world.plan.past_flights)
        dates = {day: season.days[day].date().isoformat() for day in world.plan.past_flights}
        world.past_flights = [fly(world.ground, record.depth[day], date, rng)[0] for day, date in dates.items()]
        world.earlier_pairs = _earlier_pairs(world, record, np.random.default_rng([world.seed, 4]))
    if rng.random() < EARLIER_SHARE:
        visits = []
        for years in range(1, EARLIER_SEASONS + 1):
            season = draw_season(climate, start(years), middle, rng)
            record = physics.march(sites_alone(points), season, world.ground.pixel_m, ())
            snow = record.of_sites("swe"), record.of_sites("depth")
            samples = course_samples(season, world.sites, snow, rng).assign(used=True, swe_used=True)
            visits.append(course_visits(samples).dropna(subset="density_kg_m3"))
        world.earlier = pd.concat(visits, ignore_index=True)
