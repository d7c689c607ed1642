"""A small made basin's data in canonical columns and units: ground, sites, three seasons of records, a flight.

The snow comes from drawn storms, a lapse rate and degree-day melt, a point or pixel at a time; nothing of it is the pipeline's.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import cached_property

import geopandas as gpd
import numpy as np
import pandas as pd
from affine import Affine
from pyproj import Transformer
from scipy import ndimage
from shapely import MultiPolygon, Polygon

PIXEL_M = 100
SIDE_M, MARGIN_M = 9500, 5200
"""The basin's box, some 65 km2 of which lie in its outline, and how far the ground is known beyond."""

STORM_MM, STORM_ODDS, MOST_STORM_MM = 13.0, 0.3, 60.0
MELT_MM_K, LAPSE_K_M, SNOW_BELOW_C = 3.0, 0.0062, 1.0
NEW_SNOW_KG_M3, OLD_SNOW_KG_M3, SETTLES_A_DAY = 100.0, 480.0, 0.014
SEASONS = 3
SURVEYED, LAST_DAYS = (3, 4, 5, 6, 7), 191
"""Months after the season's start on whose first courses are visited, but for some days; days of the newest season that are known."""


@dataclass(frozen=True)
class Place:
    """Where and when a made basin lies, always in open ocean.

    Parameters
    ----------
    crs : its UTM zone.
    longitude, latitude : its middle.
    utc_offset : h, of its records.
    last_season : year in which its newest season ends.
    middle_m, relief_m : height of its middle, and between its lowest and highest ground.
    coldest_c : mean temperature of the coldest day at the middle height.
    flown : whether the newest season has a flight.
    seed : of all that is drawn.
    """

    crs: str
    longitude: float
    latitude: float
    utc_offset: int
    seed: int
    last_season: int = 2031
    middle_m: float = 1900.0
    relief_m: float = 1300.0
    coldest_c: float = -7.5
    flown: bool = False

    @property
    def southern(self) -> bool:
        """Whether its season begins in April."""
        return self.latitude < 0

    def first_day(self, season: int) -> pd.Timestamp:
        """Return the first day of the season that ends in a year."""
        return pd.Timestamp(season if self.southern else season - 1, 4 if self.southern else 10, 1)


@dataclass(frozen=True)
class Field:
    """Values on square pixels, the first row in the north.

    Parameters
    ----------
    left, top : corner, m in the basin's UTM zone.
    pixel_m : width of a pixel.
    values : (rows, columns).
    """

    left: float
    top: float
    pixel_m: float
    values: np.ndarray

    @property
    def transform(self) -> Affine:
        """The pixels' place."""
        return Affine(self.pixel_m, 0, self.left, 0, -self.pixel_m, self.top)

    def at(self, x: np.ndarray, y: np.ndarray) -> np.ndarray:
        """Return the values at places, m."""
        row = (self.top - np.asarray(y)) / self.pixel_m - 0.5
        column = (np.asarray(x) - self.left) / self.pixel_m - 0.5
        return ndimage.map_coordinates(self.values, [row, column], order=1, mode="nearest")


@dataclass(frozen=True)
class Records:
    """A made basin's data, canonical.

    Parameters
    ----------
    elevation, canopy : m, and 0 to 1.
    zones : `zone_id`, `name`, outlines in degrees.
    sites : `site_id, name, kind, longitude, latitude, elevation_m`.
    courses : `site_id, date, point, depth_cm, swe_mm`, and what a maker adds.
    stations : `site_id, time` (local, without offset), `swe_mm, depth_cm, air_temperature_c, precipitation_total_mm`.
    daily : whether the stations' times are bare dates.
    flight : depth in m, or None; flown on `flight_date`.
    """

    place: Place
    elevation: Field
    canopy: Field
    zones: gpd.GeoDataFrame
    sites: pd.DataFrame
    courses: pd.DataFrame
    stations: pd.DataFrame
    daily: bool = True
    flight: Field | None = None
    flight_date: pd.Timestamp | None = None
    more: dict[str, pd.DataFrame] = field(default_factory=dict)
    with_canopy: bool = False

    def but(self, **changed: object) -> Records:
        """Return the same data with some of it changed."""
        return replace(self, **changed)

    def kind(self, kind: str) -> pd.DataFrame:
        """Return the sites of a kind."""
        return self.sites[self.sites["kind"] == kind]

    def renamed(self, ids: dict[str, str]) -> Records:
        """Return the same data with other site_ids."""
        tables = {name: getattr(self, name) for name in ("sites", "courses", "stations")}
        return self.but(**{name: table.assign(site_id=table["site_id"].map(ids)) for name, table in tables.items()})


def noise(rng: np.random.Generator, shape: tuple[int, int], reach: float) -> np.ndarray:
    """Return smooth noise of mean 0 and standard deviation 1."""
    values = ndimage.gaussian_filter(rng.standard_normal(shape), reach, mode="wrap")
    return (values - values.mean()) / values.std()


@dataclass(frozen=True)
class Weather:
    """One season's days at the middle height: precipitation in mm, air temperature in C."""

    days: pd.DatetimeIndex
    precipitation: np.ndarray
    temperature: np.ndarray


class Basin:
    """Draws a place's ground, weather and records."""

    def __init__(self, place: Place) -> None:
        self.place, self.rng = place, np.random.default_rng(place.seed)
        east, north = Transformer.from_crs(4326, place.crs, always_xy=True).transform(place.longitude, place.latitude)
        self.middle = round(east, -2), round(north, -2)

    @cached_property
    def elevation(self) -> Field:
        """The ground, m."""
        pixels = (SIDE_M + 2 * MARGIN_M) // PIXEL_M
        shape = (pixels, pixels)
        relief = noise(self.rng, shape, 28) + 0.55 * noise(self.rng, shape, 10) + 0.12 * noise(self.rng, shape, 3)
        share = (relief - relief.min()) / (relief.max() - relief.min()) - 0.5
        half = pixels * PIXEL_M / 2
        values = self.place.middle_m + self.place.relief_m * share
        return Field(self.middle[0] - half, self.middle[1] + half, PIXEL_M, values)

    def zones(self) -> gpd.GeoDataFrame:
        """Return two zones, of which the second has two parts that share a corner's ground."""
        turns = np.linspace(0, 2 * np.pi, 40, endpoint=False)
        reach = SIDE_M / 2 * (1 + 0.06 * np.sin(3 * turns + 1) + 0.03 * np.sin(7 * turns))
        x, y = self.middle
        outline = Polygon(zip(x + reach * np.cos(turns), y + reach * np.sin(turns), strict=True))
        line = [(x - 600, y - SIDE_M), (x + 200, y - 1000), (x - 400, y + 1200), (x + 500, y + SIDE_M)]
        west_side = Polygon([*line, (x - SIDE_M, y + SIDE_M), (x - SIDE_M, y - SIDE_M)])
        south_east = Polygon(
            [(x - SIDE_M, y - 900), (x + SIDE_M, y - 900), (x + SIDE_M, y - SIDE_M), (x - SIDE_M, y - SIDE_M)]
        )
        west = outline & west_side
        rest = outline - west_side
        east = MultiPolygon([rest & south_east, rest - south_east])
        frame = gpd.GeoDataFrame(
            {"zone_id": ["1", "2"], "name": ["Upper arm", "Lower arm"]}, geometry=[west, east], crs=self.place.crs
        )
        return frame.to_crs(4326)

    def weather(self, season: int) -> Weather:
        """Draw a season's weather."""
        days = pd.date_range(self.place.first_day(season), periods=232)
        cold = np.cos(2 * np.pi * (np.arange(len(days)) - 112) / 365.25)
        noise_k = np.empty(len(days))
        noise_k[0] = 0.0
        for day in range(1, len(days)):
            noise_k[day] = 0.75 * noise_k[day - 1] + 2.2 * self.rng.standard_normal()
        temperature = self.place.coldest_c + 9.0 * (1 - cold) + noise_k
        falls = self.rng.random(len(days)) < STORM_ODDS
        amount = np.clip(self.rng.gamma(1.3, STORM_MM / 1.3, len(days)), 0, MOST_STORM_MM)
        return Weather(days, np.where(falls, amount, 0.0), temperature - np.where(falls, 1.5, 0.0))

    def march(self, weather: Weather, height: np.ndarray, gain: np.ndarray) -> dict[str, np.ndarray]:
        """Return SWE in mm, depth in m, air in C and fallen precipitation in mm by day at points, (days, points)."""
        kept: dict[str, list[np.ndarray]] = {"swe": [], "depth": [], "air": [], "total": []}
        swe, depth, total = (np.zeros(height.shape) for _ in range(3))
        above = (height - self.place.middle_m) / 1000.0
        for rain, middle in zip(weather.precipitation, weather.temperature, strict=True):
            air = middle - 1000 * LAPSE_K_M * above
            fall = rain * np.exp(0.35 * above) * gain
            snow = np.where(air < SNOW_BELOW_C, fall, 0.0)
            density = np.where(depth > 0, swe / np.maximum(depth, 1e-6), NEW_SNOW_KG_M3)
            density = density + (OLD_SNOW_KG_M3 - density) * SETTLES_A_DAY * np.where(air > 0, 2.0, 1.0)
            melt = np.minimum(swe, np.clip(air, 0, None) * MELT_MM_K)
            swe = swe - melt
            depth = swe / density + snow / NEW_SNOW_KG_M3
            swe, total = swe + snow, total + fall
            for name, value in (("swe", swe), ("depth", depth), ("air", air), ("total", total)):
                kept[name].append(value)
        return {name: np.stack(values) for name, values in kept.items()}


NAMES = (
    "Hob Saddle", "Twill Bog", "Ennet Spur", "Cray Hollow", "Pell Meadow", "Upper Fenn", "Marl Bench", "Sorrow Gap", "Tansy Flat",
    "Wend Shelf", "Osk Ridge", "Lint Pass",
)  # fmt: skip


def make_records(place: Place, *, stations: int = 4, courses: int = 5) -> Records:
    """Return a place's data, the same for the same place."""
    basin = Basin(place)
    ground, rng, count = basin.elevation, basin.rng, stations + courses
    zones = basin.zones()
    outline = zones.to_crs(place.crs).union_all().buffer(-400)
    spots: list[tuple[float, float]] = []
    quantiles = iter(rng.permutation(np.linspace(0.12, 0.9, count)))
    inner = ground.values[52:-52, 52:-52]
    while len(spots) < count:
        height = np.quantile(inner, next(quantiles))
        for _ in range(4000):
            x, y = np.array(basin.middle) + rng.uniform(-SIDE_M / 2, SIDE_M / 2, 2)
            near = min((np.hypot(x - a, y - b) for a, b in spots), default=9e9) > 900
            if (
                near
                and gpd.GeoSeries.from_xy([x], [y])[0].within(outline)
                and abs(ground.at([x], [y])[0] - height) < 40
            ):
                break
        spots.append((float(x), float(y)))
    x, y = np.array(spots).T
    longitude, latitude = Transformer.from_crs(place.crs, 4326, always_xy=True).transform(x, y)
    sites = pd.DataFrame({
        "site_id": [f"S{n:02d}" for n in range(1, stations + 1)] + [f"C{n:02d}" for n in range(1, courses + 1)],
        "name": NAMES[:count], "kind": ["station"] * stations + ["course"] * courses,
        "longitude": longitude.round(5), "latitude": latitude.round(5), "elevation_m": ground.at(x, y).round(0),
    })  # fmt: skip
    gain = np.exp(rng.normal(0.02, 0.08, count))
    readings, samples, flown = [], [], None
    for season in range(place.last_season - SEASONS + 1, place.last_season + 1):
        weather = basin.weather(season)
        at = basin.march(weather, sites["elevation_m"].to_numpy(float), gain)
        last = season == place.last_season
        until = LAST_DAYS if last else len(weather.days)
        readings.append(_station_rows(rng, weather.days[:until], sites[:stations], at))
        samples.append(_course_rows(rng, weather.days[:until], sites[stations:], at))
        if last and place.flown:
            flown = _flight(basin, weather)
    canopy = np.clip(0.45 + 0.25 * noise(rng, ground.values.shape, 6) - (ground.values - place.middle_m) / 900, 0, 0.85)
    return Records(
        place, ground, replace(ground, values=canopy), zones, sites, pd.concat(samples, ignore_index=True),
        pd.concat(readings, ignore_index=True), flight=flown,
        flight_date=place.first_day(place.last_season) + pd.Timedelta(days=FLOWN_ON) if flown else None,
    )  # fmt: skip


FLOWN_ON = 176


def _station_rows(
    rng: np.random.Generator, days: pd.DatetimeIndex, sites: pd.DataFrame, at: dict[str, np.ndarray]
) -> pd.DataFrame:
    """Return the stations' rows of some days, with the noise of their sensors."""
    rows = []
    for number, site in enumerate(sites.itertuples()):
        swe, depth, air, total = (at[name][: len(days), number] for name in ("swe", "depth", "air", "total"))
        lies = swe > 0
        swe = np.where(lies, np.clip(swe + rng.normal(0, 1.2, len(days)), 0, None), 0.0)
        depth = np.where(lies, np.clip(100 * depth + rng.normal(0, 1.0, len(days)), 0, None), 0.0)
        rows.append(pd.DataFrame({
            "site_id": site.site_id, "time": days, "swe_mm": swe.round(1), "depth_cm": depth.round(1),
            "air_temperature_c": (air + rng.normal(0, 0.3, len(days))).round(1), "precipitation_total_mm": total.round(1),
        }))  # fmt: skip
    return pd.concat(rows, ignore_index=True)


def _course_rows(
    rng: np.random.Generator, days: pd.DatetimeIndex, sites: pd.DataFrame, at: dict[str, np.ndarray]
) -> pd.DataFrame:
    """Return the courses' samples: six points a visit, within three days of the first of a month."""
    rows = []
    for number, site in enumerate(sites.itertuples(), len(at["swe"][0]) - len(sites)):
        for months in SURVEYED:
            nominal = days[0] + pd.DateOffset(months=months)
            day = (nominal - days[0]).days + int(rng.integers(-4, 4))
            if day >= len(days) or at["depth"][day, number] < 0.15:
                continue
            depth, swe = at["depth"][day, number], at["swe"][day, number]
            here = depth * np.clip(rng.normal(1.0, 0.08, 6), 0.7, 1.3)
            density = swe / depth * np.clip(rng.normal(1.0, 0.03, 6), 0.9, 1.1)
            rows.append(pd.DataFrame({
                "site_id": site.site_id, "date": days[day], "nominal_date": nominal,
                "point": range(1, 7), "depth_cm": (100 * here).round(1), "swe_mm": (here * density).round(1),
            }))  # fmt: skip
    return pd.concat(rows, ignore_index=True)


def _flight(basin: Basin, weather: Weather) -> Field:
    """Return depth as a laser saw it, m, over the basin and a kilometre around."""
    cut = (MARGIN_M - 1000) // PIXEL_M
    ground = basin.elevation
    inner = ground.values[cut:-cut, cut:-cut]
    short = Weather(
        weather.days[: FLOWN_ON + 1], weather.precipitation[: FLOWN_ON + 1], weather.temperature[: FLOWN_ON + 1]
    )
    gain = np.exp(0.25 * noise(basin.rng, inner.shape, 4))
    depth = basin.march(short, inner, gain)["depth"][-1] + basin.rng.normal(0, 0.06, inner.shape)
    fine = np.kron(depth, np.ones((2, 2)))
    return Field(ground.left + cut * PIXEL_M, ground.top - cut * PIXEL_M, PIXEL_M / 2, fine)
