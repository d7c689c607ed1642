"""Invented seasons for the recovery trial: storms, warmth, cloud, wind and cold pools, in six-hour steps."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from world_places import Points, noise

DAYS, STEPS_A_DAY, WINDS = 274, 4, 8
STEP_S = 86400 / STEPS_A_DAY
YEARS = {"usual": (1.0, 0.0), "dry": (0.6, 0.3), "wet": (1.45, -0.2), "warm": (0.95, 2.2)}
"""By kind of year: factor on precipitation, K added."""


@dataclass(frozen=True)
class Climate:
    """What a basin's seasons have in common.

    Parameters
    ----------
    coldest_c : mean temperature at the middle height in the coldest week.
    swing_k : half of the yearly swing.
    winter_mm : precipitation of a usual season at the middle height.
    lapse : K/km.
    rise : logarithm of precipitation gained in a kilometre.
    shadow, shadow_from : logarithm of precipitation lost across half the basin, and the direction (radians) that it is wettest in.
    wind : mean wind of fair weather, m/s.
    winds : (8,) how often storms come with each wind.
    pools_k : strength of cold pools in clear winter nights.
    warm_pools : places' own warmth, K, spread.
    """

    coldest_c: float
    swing_k: float
    winter_mm: float
    lapse: float
    rise: float
    shadow: float
    shadow_from: float
    wind: float
    winds: np.ndarray
    pools_k: float
    warm_places: float


def draw_climate(rng: np.random.Generator) -> Climate:
    """Return a climate between mild and wet and cold and dry."""
    mild = rng.uniform()
    return Climate(
        coldest_c=-9.5 + 6.5 * mild + rng.normal(0, 0.8),
        swing_k=rng.uniform(7.5, 9.5),
        winter_mm=float(np.exp(rng.normal(np.log(600 + 800 * mild), 0.25))),
        lapse=rng.normal(-5.6, 0.5),
        rise=rng.uniform(0.0, 0.6),
        shadow=rng.uniform(0.0, 0.5),
        shadow_from=rng.uniform(0, 2 * np.pi),
        wind=rng.uniform(1.5, 3.5),
        winds=rng.dirichlet(np.full(WINDS, 0.5)),
        pools_k=rng.uniform(0.0, 7.0),
        warm_places=rng.uniform(0.2, 0.8),
    )


@dataclass(frozen=True)
class Storm:
    """One storm: its steps, what it brings over the middle height, its wind, and the seed of its patches."""

    first: int
    wind: int
    rise: float
    shadow: float
    seed: int


@dataclass(frozen=True)
class Season:
    """One season's weather at the middle height, by step unless said otherwise.

    Parameters
    ----------
    year : kind of year.
    days : (days,).
    temperature : C; with `lapse`, K/km, and `pool`, K by which cold pools are colder than free air.
    precipitation : mm in the step.
    cloud, humidity : 0 to 1.
    wind, wind_from : m/s, and the number of the direction.
    storm_of : number of the storm, -1 in fair weather.
    southern : whether the seasons are turned over.
    """

    year: str
    days: pd.DatetimeIndex
    temperature: np.ndarray
    lapse: np.ndarray
    pool: np.ndarray
    precipitation: np.ndarray
    cloud: np.ndarray
    humidity: np.ndarray
    wind: np.ndarray
    wind_from: np.ndarray
    storm_of: np.ndarray
    storms: list[Storm]
    climate: Climate
    middle_m: float
    southern: bool

    def by_day(self, values: np.ndarray) -> np.ndarray:
        """Return values by step as (days, 4)."""
        return values.reshape(len(self.days), STEPS_A_DAY)


def lasting(rng: np.random.Generator, count: int, keep: float) -> np.ndarray:
    """Return noise of mean 0 and standard deviation 1 that keeps a share of itself from step to step."""
    out = rng.standard_normal(count)
    for k in range(1, count):
        out[k] = keep * out[k - 1] + np.sqrt(1 - keep**2) * out[k]
    return out


def draw_season(climate: Climate, start: str, middle_m: float, rng: np.random.Generator) -> Season:
    """Return a season from the day `start` on; a start in April is a southern one's."""
    year = str(rng.choice(list(YEARS), p=[0.4, 0.2, 0.2, 0.2]))
    wetter, warmer = YEARS[year]
    wetter, warmer = wetter * np.exp(rng.normal(0, 0.15)), warmer + rng.normal(0, 0.6)
    steps = DAYS * STEPS_A_DAY
    precipitation, storm_of, storms = np.zeros(steps), np.full(steps, -1), []
    warm_storm, storm_wind = np.zeros(steps), np.zeros(steps)
    wind_from = np.repeat(rng.integers(0, WINDS, DAYS), STEPS_A_DAY)
    step = int(rng.exponential(25))
    while step < steps:
        length = int(min(rng.integers(2, 12), steps - step))
        part = slice(step, step + length)
        total = climate.winter_mm / 45 * wetter * rng.gamma(1.3, 1 / 1.3)
        wind = int(rng.choice(WINDS, p=climate.winds))
        shares = rng.gamma(2.0, 1.0, length)
        precipitation[part] = total * shares / shares.sum()
        storm_of[part], wind_from[part] = len(storms), wind
        warm_storm[part], storm_wind[part] = rng.normal(0.3, 2.2), rng.gamma(4.0, 1.0)
        shadow = climate.shadow + rng.normal(0, 0.15)
        storms.append(Storm(step, wind, climate.rise + rng.normal(0, 0.25), shadow, int(rng.integers(2**31))))
        step += length + 1 + int(rng.exponential(15.0))
    wet = storm_of >= 0
    day = np.repeat(np.arange(DAYS), STEPS_A_DAY)
    round_year = 1 - np.cos(2 * np.pi * (day - 106) / 365.25)
    winter = 1 - round_year / 2
    cloud = np.clip(0.35 + 0.3 * np.repeat(lasting(rng, DAYS, 0.5), STEPS_A_DAY), 0.0, 0.9)
    cloud = np.where(wet, 0.95, cloud)
    daily_swing = np.tile([-3.4, -1.5, 3.7, 1.2], DAYS) * (1.15 - 0.85 * cloud)
    temperature = climate.coldest_c + climate.swing_k * round_year + warmer + 3.3 * lasting(rng, steps, 0.94)
    temperature = temperature + daily_swing + warm_storm
    at_night = np.tile([1.0, 0.8, 0.15, 0.6], DAYS)
    strength = np.repeat(np.clip(1 + 0.6 * lasting(rng, DAYS, 0.6), 0, None), STEPS_A_DAY)
    return Season(
        year=year,
        days=pd.date_range(start, periods=DAYS),
        temperature=temperature,
        lapse=climate.lapse + 0.9 * lasting(rng, steps, 0.9),
        pool=np.where(wet, 0.0, climate.pools_k * winter**2 * (1 - cloud) * at_night * strength),
        precipitation=precipitation,
        cloud=cloud,
        humidity=np.where(wet, 0.93, np.clip(0.62 + 0.13 * lasting(rng, steps, 0.8), 0.25, 0.95)),
        wind=np.where(wet, storm_wind + 1.5, climate.wind) * np.exp(0.35 * lasting(rng, steps, 0.7)),
        wind_from=wind_from,
        storm_of=storm_of,
        storms=storms,
        climate=climate,
        middle_m=middle_m,
        southern=pd.Timestamp(start).month == 4,
    )


PATCH_SD = 0.25
"""Spread of the logarithm of a storm's precipitation over some 6 km."""


def storm_field(storm: Storm, season: Season, points: Points, pixel_m: float) -> np.ndarray:
    """Return a storm's precipitation at points, relative to the middle height's: height, rain shadow and patches."""
    rng = np.random.default_rng(storm.seed)
    height = np.clip((points.elevation - season.middle_m) / 1000.0, -1.3, 1.1)
    across = points.east * np.sin(season.climate.shadow_from) + points.north * np.cos(season.climate.shadow_from)
    rows, columns = points.shape
    if points.pixels:
        coarse = max(int(600 / pixel_m), 1)
        small = noise(rng, (rows // coarse + 2, columns // coarse + 2), 6000.0 / (pixel_m * coarse))
        index = np.arange(rows) // coarse, np.arange(columns) // coarse
        patch = small[np.ix_(*index)].ravel()
        patch = np.concatenate([patch, patch[points.site_pixels]])
    else:
        patch = rng.standard_normal(len(points.elevation))
    return np.exp(storm.rise * height + storm.shadow * across + PATCH_SD * patch).astype(np.float32)


def sun_on(points: Points, day: int, *, southern: bool) -> np.ndarray:
    """Return direct and diffuse sun of a clear day on the slopes, MJ/m2, (4 steps, 2, points).

    `day` is counted from the season's first; ground of the south is turned over. Nothing casts a shadow but a slope on itself.
    """
    declination = np.radians(23.44) * np.sin(2 * np.pi * (day - 172) / 365.25)
    latitude = np.radians(44.0)
    out = np.zeros((STEPS_A_DAY, 2, len(points.elevation)), np.float32)
    east, north, up = points.normal
    north = -north if southern else north
    for hour in np.arange(0.5, 24):
        angle = np.radians(15 * (hour - 12))
        high = np.sin(latitude) * np.sin(declination) + np.cos(latitude) * np.cos(declination) * np.cos(angle)
        if high < 0.03:
            continue
        to_east = -np.cos(declination) * np.sin(angle)
        to_north = np.cos(latitude) * np.sin(declination) - np.sin(latitude) * np.cos(declination) * np.cos(angle)
        beam = 1361.0 * 0.74 ** (1.0 / high**0.7) * 3600e-6
        facing = np.clip(east * to_east + north * to_north + up * high, 0, None)
        out[int(hour // 6), 0] += beam * facing
        out[int(hour // 6), 1] += 0.11 * 1361.0 * high * 3600e-6 * (0.5 + 0.5 * up)
    return out
