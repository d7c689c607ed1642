"""Weather and snow of a made-up season, hour by hour, for sites that stand in one basin.

The physics here are the trial's own and share no formula with the checks they try: storms of drawn length and weight,
two layers of snow that settle, melt by degree hours with a daily course, rain that is held or runs out. All numbers are
chosen so that seasons look alive in three climates; none is measured.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import uniform_filter1d
from scipy.signal import lfilter

HOURS_A_DAY = 24
REFERENCE_M = 2000.0


@dataclass(frozen=True)
class Climate:
    """What the weather of a basin is drawn from; temperatures at 2000 m.

    Parameters
    ----------
    mean_c, swing_c : mean and half range of the year's course.
    synoptic_c, diurnal_c : spread of spells of weather, half range of a clear day.
    storms_a_month, storm_mm : how often it snows or rains, and the median storm.
    biggest_mm : what the season's biggest storm brings in a day.
    still_weeks : cold weeks without weather.
    warm_rains : midwinter storms that come as rain.
    melt_mm : melt in mm a degree and day.
    dense : what old dry snow settles to, kg/m3.
    """

    name: str
    mean_c: float
    swing_c: float
    synoptic_c: float
    diurnal_c: float
    storms_a_month: float
    storm_mm: float
    biggest_mm: float
    still_weeks: int
    warm_rains: int
    melt_mm: float
    dense: float


CLIMATES = (
    Climate("cold continental", -1.0, 12.0, 4.0, 6.0, 6.0, 9.0, 50.0, 3, 0, 4.0, 310.0),
    Climate("maritime", 2.2, 6.5, 2.5, 3.5, 9.0, 17.0, 80.0, 1, 2, 5.5, 380.0),
    Climate("thin ephemeral", 2.4, 7.5, 4.0, 6.0, 5.0, 9.0, 40.0, 2, 2, 4.5, 290.0),
)


@dataclass(frozen=True)
class Weather:
    """Hourly weather of a season at every site.

    Parameters
    ----------
    hours : local time, datetime64[h], shape (n,).
    temperature_c, precipitation_mm, drifted_mm : shape (n, sites); precipitation is what truly fell in the hour, drifted
        what the wind brought or took.
    still : hours of the cold still weeks, shape (n,).
    """

    hours: np.ndarray
    temperature_c: np.ndarray
    precipitation_mm: np.ndarray
    drifted_mm: np.ndarray
    still: np.ndarray


@dataclass(frozen=True)
class Snow:
    """Hourly snow at every site: `swe_mm` and `depth_m`, shape (n, sites)."""

    swe_mm: np.ndarray
    depth_m: np.ndarray


def remembering(rng: np.random.Generator, n: int, columns: int, e_fold: float) -> np.ndarray:
    """Return noise of unit variance that forgets with an e-folding time in steps, shape (n, columns)."""
    keep = np.exp(-1.0 / e_fold)
    shocks = rng.standard_normal((n, columns)) * np.sqrt(1.0 - keep**2)
    shocks[0] /= np.sqrt(1.0 - keep**2)
    return lfilter([1.0], [1.0, -keep], shocks, axis=0)


def make_weather(rng: np.random.Generator, climate: Climate, elevation_m: np.ndarray, year: int) -> Weather:
    """Return a season's weather from October of `year` to the end of June."""
    hours = np.arange(np.datetime64(f"{year}-10-01T00"), np.datetime64(f"{year + 1}-07-01T00"))
    n, sites = len(hours), len(elevation_m)
    still = _still_weeks(rng, climate, n)
    warm = rng.choice(np.arange(70, 150), climate.warm_rains, replace=False) * HOURS_A_DAY
    warm = warm[~still[warm]]
    falls, wet = _storms(rng, climate, elevation_m, (n, still, warm))
    day_of_season = np.arange(n) / HOURS_A_DAY
    yearly = climate.mean_c - climate.swing_c * np.cos(2 * np.pi * (day_of_season - 107.0) / 365.0)
    spells = climate.synoptic_c * remembering(rng, n, 1, 60.0)[:, 0]
    daily = climate.diurnal_c * np.where(wet, 0.3, 1.0) * np.cos(2 * np.pi * (np.arange(n) % 24 - 14.5) / 24)
    base = yearly + spells + daily
    base[still] -= 0.7 * climate.swing_c
    for start in warm:
        base[start - 12 : start + 48] += 7.0
    for start in rng.integers(60, 150, 2) * HOURS_A_DAY:
        # A warm wind sets in within three hours and blows for a day or two.
        if not still[start : start + 48].any():
            base[start : start + 40] += 10.0 * np.clip(np.arange(40) / 3, 0, 1)
    # A hot week in late spring takes 60 mm a day off a deep pack.
    hot = rng.integers(210, 245) * HOURS_A_DAY
    base[hot : hot + 7 * HOURS_A_DAY] += 5.0
    lapse = -0.0062 * (elevation_m - REFERENCE_M)
    # Cold air lies in the valleys in still weeks.
    temperature = base[:, None] + np.where(still[:, None], -0.5 * lapse, lapse)
    temperature += 0.5 * remembering(rng, n, sites, 8.0) + rng.normal(0, 0.7, sites)
    return Weather(hours, temperature, falls, _drifts(rng, (n, sites)), still)


def _drifts(rng: np.random.Generator, shape: tuple[int, int]) -> np.ndarray:
    """Return what a few windy nights bring to some sites and take from others, up to 15 mm of water."""
    drifts = np.zeros(shape)
    exposed = rng.random(shape[1]) < 1 / 3
    for start in rng.integers(60, 200, 4) * HOURS_A_DAY:
        drifts[start : start + 10] += exposed * rng.uniform(-15, 15, shape[1]) / 10
    return drifts


def _still_weeks(rng: np.random.Generator, climate: Climate, n: int) -> np.ndarray:
    still = np.zeros(n, bool)
    for day in rng.choice(np.arange(60, 165, 15), climate.still_weeks, replace=False) + rng.integers(
        0, 5, climate.still_weeks
    ):
        still[day * HOURS_A_DAY : (day + int(rng.integers(6, 10))) * HOURS_A_DAY] = True
    return still


def _storms(
    rng: np.random.Generator, climate: Climate, elevation_m: np.ndarray, season: tuple[int, np.ndarray, np.ndarray]
) -> tuple[np.ndarray, np.ndarray]:
    """Return what falls each hour at each site (mm), and which hours are stormy."""
    n, still, warm = season
    falls, wet = np.zeros((n, len(elevation_m))), np.zeros(n, bool)
    place = rng.uniform(-1, 1, len(elevation_m))
    starts = rng.integers(0, n - 72, rng.poisson(climate.storms_a_month * 9))
    totals = climate.storm_mm * rng.lognormal(0.0, 0.6, len(starts))
    lengths = rng.integers(8, 48, len(starts))
    days = np.arange(80, 180)[~still[np.arange(80, 180) * HOURS_A_DAY]]
    big = rng.choice(days, 1) * HOURS_A_DAY
    starts = np.concatenate([starts, big, warm])
    totals = np.concatenate([totals, [climate.biggest_mm] * len(big), rng.uniform(20, 45, len(warm))])
    lengths = np.concatenate([lengths, np.full(len(big), 24), np.full(len(warm), 30)])
    rising = np.clip(1.0 + 0.4 * (elevation_m - REFERENCE_M) / 1000.0, 0.4, None)
    for start, total, length in zip(starts, totals, lengths, strict=True):
        if still[start : start + length].any():
            continue
        shape = np.sin(np.pi * (np.arange(length) + 0.5) / length) * rng.gamma(1.5, 1.0, length)
        # One storm in six touches a side of the basin more than the other.
        side = 1.0 + (0.7 * place * rng.choice([-1, 1]) if rng.random() < 1 / 6 else 0.0)
        if rng.random() < 1 / 10:
            # A cell that passes over a corner of the basin alone.
            side = side * (rng.random(len(elevation_m)) < 1 / 5)
        at_sites = total * rising * side * rng.lognormal(0.0, 0.15, len(elevation_m))
        falls[start : start + length] += (shape / shape.sum())[:, None] * at_sites
        wet[start : start + length] = True
    # Storms that meet add up to no more than the season's biggest in a day.
    in_a_day = uniform_filter1d(falls, HOURS_A_DAY, axis=0, mode="constant") * HOURS_A_DAY
    falls *= np.minimum(1.0, 1.05 * climate.biggest_mm * rising / np.maximum(in_a_day, 1e-6))
    return np.where(falls < 0.02, 0.0, falls), wet


def make_snow(rng: np.random.Generator, climate: Climate, weather: Weather) -> Snow:
    """Return the snow that the weather leaves at every site.

    A fresh layer settles within days and goes over into an old one, which settles over weeks and faster when wet. A
    pack holds one twentieth of its ice as water; the rest of melt and rain runs out.
    """
    n, sites = weather.temperature_c.shape
    fresh, old, water = np.zeros(sites), np.zeros(sites), np.zeros(sites)
    fresh_density, old_density = np.full(sites, 110.0), np.full(sites, 230.0)
    exposure = rng.lognormal(0.0, 0.12, sites)
    swe, depth = np.empty((n, sites)), np.empty((n, sites))
    hour = np.arange(n) % 24
    sun = np.clip(np.sin(np.pi * (hour - 5) / 15.0), 0, None) * (hour > 5)
    sun = 0.35 + 0.65 * sun / sun[:24].mean()
    # The sun climbs towards June.
    strength = climate.melt_mm / 24 * (0.55 + 0.55 * np.arange(n) / n) * sun
    solid = np.clip((2.0 - weather.temperature_c) / 2.5, 0, 1)
    snowfall = weather.precipitation_mm * solid
    rainfall = weather.precipitation_mm - snowfall
    new_density = 60.0 + 7.0 * np.clip(weather.temperature_c + 14.0, 0, 16)
    for t in range(n):
        warm = weather.temperature_c[t]
        fallen = snowfall[t]
        light = (fresh + fallen) / (fresh / fresh_density + fallen / new_density[t] + 1e-9)
        fresh_density = np.where(fallen > 0, np.clip(light, 50.0, 400.0), fresh_density)
        blown = weather.drifted_mm[t] * (fresh + old > 20)
        fresh = np.clip(fresh + fallen + blown, 0, None)
        fresh_density += (230.0 - fresh_density) * np.where(warm > -1, 0.035, 0.016) * (fresh_density < 230)
        aged = fresh / 90.0
        together = old + aged
        old_density = np.where(
            together > 0.01, together / (old / old_density + aged / fresh_density + 1e-9), old_density
        ).clip(100.0, 560.0)
        fresh, old = fresh - aged, together
        wet = water > 0.02 * (fresh + old)
        aim = np.where(wet, 470.0, climate.dense + 0.06 * old)
        old_density += np.clip(aim - old_density, 0, None) * np.where(wet, 1 / 400.0, 1 / 900.0)
        melt = np.minimum(strength[t] * exposure * np.clip(warm + 0.3, 0, 10.0), fresh + old)
        from_fresh = np.minimum(fresh, 0.6 * melt)
        from_fresh = np.maximum(from_fresh, melt - old)
        fresh, old = np.clip(fresh - from_fresh, 0, None), np.clip(old - (melt - from_fresh), 0, None)
        water = np.where(fresh + old > 0.05, water + melt + rainfall[t], 0.0)
        frozen = np.minimum(water, 0.25 * np.clip(-warm, 0, 4.0))
        old, water = old + np.where(fresh + old > 0.05, frozen, 0.0), water - frozen
        water = np.minimum(water, 0.05 * (fresh + old))
        swe[t] = fresh + old + water
        depth[t] = fresh / fresh_density + old / old_density
    return Snow(swe, depth)
