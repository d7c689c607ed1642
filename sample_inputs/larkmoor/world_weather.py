"""The invented weather of one season at Larkmoor: six-hour steps, storms with a wind, and what a weather office would say of it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

FIRST_DAY, LAST_DAY = "2030-10-01", "2031-06-30"
STEPS_A_DAY = 4
STEP_HOURS = 24 // STEPS_A_DAY
REFERENCE_M = 2000.0
"""The elevation that the season's weather is written for, m."""
LATITUDE = 44.1

WINDS = ("N", "NE", "E", "SE", "S", "SW", "W", "NW")
"""Where the wind comes from; the number of a wind is its place here, 45 degrees apart."""
STORM_WIND_ODDS = (0.07, 0.03, 0.04, 0.03, 0.08, 0.22, 0.34, 0.19)
LATE_STORM_WIND_ODDS = (0.08, 0.12, 0.12, 0.15, 0.24, 0.14, 0.10, 0.05)
"""From mid-February the storm track lies differently: snow comes round from the south and the east."""
LATE_FROM_DAY = 138
EARLY_SNOW, LATE_SNOW = 0.7, 1.7
"""Storms bring less than usual before that day and more after: a late winter, whose pattern the first flight cannot know."""
STORM_WARMTH = (-3.0, -2.5, -1.5, 0.5, 2.2, 1.6, 0.2, -1.6)
"""How much warmer (K) than the day's normal a storm is by its wind."""


@dataclass(frozen=True)
class Storm:
    """One storm: first step and number of steps, wind, orographic gain (log of precipitation per km), strength of drifting.

    `seed` draws the storm's own pattern over the ground.
    """

    first: int
    steps: int
    wind: int
    gain: float
    drifting: float
    seed: int


@dataclass(frozen=True)
class Season:
    """The weather of the season by step (index 0 starts 00:00 local on the first day).

    Attributes
    ----------
    temperature : mean of the step at 2000 m, deg C.
    lapse : K per km, of the step's day.
    precipitation : mm in the step at 2000 m.
    wet_deficit : K between air and wet-bulb temperature.
    cloud : 0..1.
    wind : m/s.
    wind_from : number of the wind.
    storm_of : number of the storm, -1 for none.
    storms : the storms.
    drift_steps : steps at whose end wind moves lying snow, with the share of loose snow moved where most exposed.
    """

    temperature: np.ndarray
    lapse: np.ndarray
    precipitation: np.ndarray
    wet_deficit: np.ndarray
    cloud: np.ndarray
    wind: np.ndarray
    wind_from: np.ndarray
    storm_of: np.ndarray
    storms: list[Storm]
    drift_steps: dict[int, float]

    @property
    def days(self) -> pd.DatetimeIndex:
        """The days of the season."""
        return pd.date_range(FIRST_DAY, LAST_DAY, freq="D")


def red_noise(rng: np.random.Generator, count: int, memory: float) -> np.ndarray:
    """Return autocorrelated noise, mean 0 and standard deviation 1, with `memory` as its correlation at one step."""
    out = np.empty(count)
    out[0] = rng.standard_normal()
    for step in range(1, count):
        out[step] = memory * out[step - 1] + np.sqrt(1 - memory**2) * rng.standard_normal()
    return out


def normal_temperature(days: pd.DatetimeIndex) -> np.ndarray:
    """Return the normal daily mean temperature at 2000 m, deg C: coldest in late January."""
    return 0.8 - 8.6 * np.cos(2 * np.pi * (days.day_of_year.to_numpy() - 26) / 365.0)


def draw_storms(rng: np.random.Generator, days: pd.DatetimeIndex) -> tuple[list[Storm], np.ndarray]:
    """Return the storms and each step's precipitation at 2000 m, mm."""
    count = len(days) * STEPS_A_DAY
    precipitation = np.zeros(count)
    storms = []
    step = int(rng.exponential(20))
    while step < count:
        month = days[step // STEPS_A_DAY].month
        late = step // STEPS_A_DAY >= LATE_FROM_DAY
        length = int(rng.integers(2, 11))
        total = np.exp(rng.normal(np.log(15.0 if month not in (5, 6, 10) else 10.0), 0.75)) * (
            LATE_SNOW if late else EARLY_SNOW
        )
        wind = int(rng.choice(len(WINDS), p=LATE_STORM_WIND_ODDS if late else STORM_WIND_ODDS))
        storms.append(
            Storm(
                step,
                min(length, count - step),
                wind,
                float(rng.normal(0.52, 0.22)),
                float(rng.uniform(0.55, 1.35)),
                int(rng.integers(2**31)),
            )
        )
        share = rng.gamma(2.0, 1.0, length)
        for part, amount in enumerate(total * share / share.sum()):
            if step + part < count:
                precipitation[step + part] = amount
        step += length + int(rng.exponential(14.0 if month in (11, 12, 1, 2, 3, 4) else 22.0)) + 1
    return storms, precipitation


def make_season(seed: np.random.SeedSequence) -> Season:
    """Return the season's weather."""
    rng, rng_storm = (np.random.default_rng(child) for child in seed.spawn(2))
    days = pd.date_range(FIRST_DAY, LAST_DAY, freq="D")
    storms, precipitation = draw_storms(rng_storm, days)
    count = len(precipitation)
    storm_of = np.full(count, -1)
    for number, storm in enumerate(storms):
        storm_of[storm.first : storm.first + storm.steps] = number
    wet = storm_of >= 0
    warmth = np.where(wet, np.array(STORM_WARMTH)[[storms[s].wind if s >= 0 else 0 for s in storm_of]], 0.0)
    warmth = pd.Series(warmth).rolling(3, min_periods=1, center=True).mean().to_numpy()
    wet_day = wet.reshape(-1, STEPS_A_DAY).any(axis=1)
    cloud = np.where(
        wet, 0.92, np.clip(0.35 + 0.28 * np.repeat(red_noise(rng, len(days), 0.5), STEPS_A_DAY), 0.02, 0.85)
    )
    swing = np.array([-3.2, -1.4, 3.4, 1.2]) * 1.25  # 0-6, 6-12, 12-18, 18-24 local
    anomaly = 3.5 * red_noise(rng, count, 0.93)
    temperature = np.repeat(normal_temperature(days), STEPS_A_DAY) + anomaly + warmth
    temperature += np.tile(swing, len(days)) * (1.15 - 0.8 * cloud)
    winter = 0.5 + 0.5 * np.cos(2 * np.pi * (days.day_of_year.to_numpy() - 10) / 365.0)
    fair_lapse = -6.7 + 2.4 * winter + (0.7 + 1.3 * winter) * red_noise(rng, len(days), 0.4)
    lapse = np.where(wet_day, -6.2 + 0.5 * rng.standard_normal(len(days)), np.clip(fair_lapse, -8.5, -0.5))
    wind = np.where(wet, 4.0, 2.2) * np.exp(0.35 * red_noise(rng, count, 0.7))
    fair_wind = rng.choice(len(WINDS), size=len(days), p=(0.12, 0.04, 0.04, 0.03, 0.06, 0.18, 0.31, 0.22))
    wind_from = np.where(wet, [storms[s].wind if s >= 0 else 0 for s in storm_of], np.repeat(fair_wind, STEPS_A_DAY))
    # Wind moves lying snow after most storms and on some fair days of the cold months.
    drift_steps = {}
    for storm in storms:
        end = storm.first + storm.steps - 1
        if rng.random() < 0.75:
            drift_steps[end] = float(rng.uniform(0.2, 0.75)) * storm.drifting
    for day in np.flatnonzero(rng.random(len(days)) < 0.07):
        drift_steps.setdefault(int(day) * STEPS_A_DAY + 2, float(rng.uniform(0.2, 0.6)))
    for step in drift_steps:
        wind[step] = max(wind[step], 8.0)
    return Season(
        temperature,
        np.repeat(lapse, STEPS_A_DAY),
        precipitation,
        np.where(wet, 0.3, 2.0 - 1.2 * cloud + 0.08 * np.clip(temperature, 0, 15)),
        cloud,
        wind,
        wind_from.astype(int),
        storm_of,
        storms,
        drift_steps,
    )


def sun_vectors(
    day_of_year: int, first_hour: float, last_hour: float, parts: int = 6
) -> list[tuple[float, float, float]]:
    """Return the sun's direction (east, north, up) in the middle of equal parts of a span of local hours, if up."""
    declination = np.radians(23.44) * np.sin(2 * np.pi * (day_of_year - 81) / 365.25)
    latitude = np.radians(LATITUDE)
    found = []
    for part in range(parts):
        hour = first_hour + (part + 0.5) * (last_hour - first_hour) / parts
        angle = np.radians(15.0 * (hour - 12.2))  # the basin lies 3 degrees west of its zone's meridian
        up = np.sin(latitude) * np.sin(declination) + np.cos(latitude) * np.cos(declination) * np.cos(angle)
        east = -np.cos(declination) * np.sin(angle)
        north = np.cos(latitude) * np.sin(declination) - np.sin(latitude) * np.cos(declination) * np.cos(angle)
        if up > 0.02:
            found.append((float(east), float(north), float(up)))
    return found


def clear_sky(up: float) -> tuple[float, float]:
    """Return the direct sun across the beam and the diffuse light of a clear sky, W/m2, by the sine of the sun's height."""
    beam = 1361.0 * 0.78 ** (1.0 / max(up, 0.05) ** 0.7)
    return beam, 0.09 * 1361.0 * up + 15.0


def beam_and_diffuse(cloud: float) -> tuple[float, float]:
    """Return the factors by which cloud (0..1) dims the direct sun and changes the diffuse light."""
    return 1.0 - 0.95 * cloud, 1.0 + 0.9 * cloud - 0.7 * cloud**2


def daily_solar(season: Season) -> np.ndarray:
    """Return each day's solar energy on level ground, MJ/m2."""
    total = np.zeros(len(season.days))
    for number, day in enumerate(season.days):
        for part in range(STEPS_A_DAY):
            direct, diffuse = beam_and_diffuse(season.cloud[number * STEPS_A_DAY + part])
            for *_, up in sun_vectors(day.day_of_year, part * STEP_HOURS, (part + 1) * STEP_HOURS):
                beam, sky = clear_sky(up)
                total[number] += (beam * up * direct + sky * diffuse) * 3600e-6
    return total


def weather_table(season: Season, seed: np.random.SeedSequence, extra_issues: list[str]) -> pd.DataFrame:
    """Return the weather table: an analysis of each past day issued the day after, and ten-day forecasts.

    Parameters
    ----------
    season : the true weather.
    seed : of the errors.
    extra_issues : days on which a forecast is issued besides every fifth day (ISO dates).
    """
    rng = np.random.default_rng(seed)
    days = season.days
    by_day = season.temperature.reshape(-1, STEPS_A_DAY)
    true = pd.DataFrame(
        {
            "solar": daily_solar(season),
            "mean": by_day.mean(axis=1),
            "low": by_day.min(axis=1) - 1.5,
            "high": by_day.max(axis=1) + 1.5,
            "rain": season.precipitation.reshape(-1, STEPS_A_DAY).sum(axis=1),
        },
        index=days,
    )
    rows = []
    for day, row in true.iterrows():
        rows.append(
            _weather_row(
                day,
                row,
                day + pd.Timedelta(days=1),
                rng.normal(0.2, 0.7),
                rng.lognormal(0, 0.05),
                rng.lognormal(0, 0.15),
            )
        )
    issues = sorted(set(days[4::5]) | set(pd.to_datetime(extra_issues)))
    normal = pd.Series(normal_temperature(days), index=days)
    rain_normal = true["rain"].mean()
    for issued in issues:
        drift = red_noise(rng, 10, 0.7)
        for lead in range(1, 11):
            day = issued + pd.Timedelta(days=lead)
            if day not in true.index:
                continue
            trust = np.exp(-((lead / 8.0) ** 2))
            row = true.loc[day].copy()
            row[["mean", "low", "high"]] = (
                row[["mean", "low", "high"]] * trust
                + normal[day] * (1 - trust)
                + (np.array([0.0, -3.0, 3.0]) * (1 - trust))
            )
            row["rain"] = row["rain"] * trust + (1 - trust) * rain_normal * rng.gamma(0.5, 2.0)
            row["solar"] = (
                row["solar"] * trust + (1 - trust) * true["solar"].rolling(15, center=True, min_periods=1).mean()[day]
            )
            error = drift[lead - 1] * (0.6 + 0.28 * lead)
            rows.append(
                _weather_row(
                    day, row, issued, error, rng.lognormal(0, 0.04 + 0.02 * lead), rng.lognormal(0, 0.2 + 0.05 * lead)
                )
            )
    return pd.DataFrame(rows).sort_values(["issued", "date"], kind="stable")


def _weather_row(
    day: pd.Timestamp, row: pd.Series, issued: pd.Timestamp, warmer: float, brighter: float, wetter: float
) -> dict[str, object]:
    """Return one row of the weather table from the true (or damped) day and its errors."""
    rain = round(row["rain"] * wetter, 1)
    return {
        "date": f"{day:%Y-%m-%d}",
        "elevation_m": int(REFERENCE_M),
        "solar_mj_m2": round(row["solar"] * brighter, 1),
        "air_temperature_c": round(row["mean"] + warmer, 1),
        "air_temperature_min_c": round(row["low"] + warmer, 1),
        "air_temperature_max_c": round(row["high"] + warmer, 1),
        "precipitation_mm": rain if rain >= 0.2 else 0.0,
        "issued": f"{issued:%Y-%m-%d}",
    }
