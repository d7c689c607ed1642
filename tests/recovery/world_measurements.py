"""What the ground teams and stations of a made basin measure: tables as the pipeline reads them, with errors drawn as stated.

Stations fall silent, stick and drift, gauges catch too little, some sites lie for a whole season: the pipeline's own checks see
these tables, as they would see a user's.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from world_places import Sites
from world_records import SnowRecord
from world_seasons import Season, lasting

SENSOR_SWE_MM, SENSOR_SWE_SHARE, SENSOR_DEPTH_M = 4.0, 0.03, 0.015
"""Slow wandering of a station's SWE (mm, and a gain of its own, as a share) and noise of its depth."""

CATCH, RAIN_CATCH = (0.55, 0.95), 0.96
"""Share of snow and rain that gauges catch; each gauge has its own."""

LIES, LIE = 0.08, (0.5, 1.7)
"""Share of sites that lie all season, and the factors of what they say: a bridged pillow, a drift behind a new fence."""

FAILS = 0.3
"""Share of stations that fail in one of the ways of `FAILURES` in a season."""

FAILURES = ("silent for good", "silent for weeks", "stuck", "gauge clogged", "warm thermometer")

SAMPLER_GAIN_SD, POINT_SD, NOMINAL_DAYS = 0.04, 0.14, (61, 92, 123, 151, 182, 212, 243)
"""Spread of the logarithm of a network's sampler bias; spread among a course's points; days on which visits fall due."""

TABLE_WARMTH_SD, TABLE_DAY_SD, TABLE_CATCH_SD, TABLE_FALL_SD = 0.8, 0.9, 0.2, 0.3
"""Error of the weather table: K common and by day, logarithm of precipitation common and by day."""


@dataclass(frozen=True)
class Tables:
    """A season's tables as the pipeline reads them, and how the stations failed.

    Parameters
    ----------
    stations, courses, weather : rows with file and line.
    failures : by site_id, in words.
    """

    stations: pd.DataFrame
    courses: pd.DataFrame
    weather: pd.DataFrame
    failures: dict[str, str]


def measure(season: Season, sites: Sites, record: SnowRecord, rng: np.random.Generator) -> Tables:
    """Return a season's tables with their errors."""
    stations_rng, courses_rng, weather_rng, lies_rng = rng.spawn(4)
    names = list(sites.table["site_id"])
    lies = np.where(lies_rng.random(len(names)) < LIES, lies_rng.choice(LIE, len(names)), 1.0)
    failures = {name: f"lies: {lie:g}" for name, lie in zip(names, lies, strict=True) if lie != 1.0}
    series = {name: record.of_sites(name) for name in ("swe", "depth", "air", "fall")}
    series["swe"] = series["swe"] * lies
    frames = []
    for number in np.flatnonzero(sites.table["kind"] == "station"):
        own = {name: values[:, number] for name, values in series.items()}
        frame, failure = _station(season, own, stations_rng)
        frames.append(frame.assign(site_id=names[number]))
        if failure:
            failures[names[number]] = failure
    stations = _numbered(pd.concat(frames, ignore_index=True), "stations.csv")
    courses = course_samples(season, sites, (series["swe"], series["depth"]), courses_rng)
    return Tables(stations, courses, weather_table(season, weather_rng), failures)


def true_tables(season: Season, sites: Sites, record: SnowRecord, measured: Tables) -> Tables:
    """Return the tables in which each site tells its cell's own SWE and depth, without error or failure."""
    swe, depth = record.of_sites("cell_swe"), record.of_sites("cell_depth")
    names = list(sites.table["site_id"])
    stations, courses = measured.stations.copy(), []
    day = season.days.get_indexer(stations["date"])
    place = pd.Index(names).get_indexer(stations["site_id"])
    stations["swe_mm"], stations["depth_m"] = swe[day, place], depth[day, place]
    for (site_id, date), _ in measured.courses.groupby(["site_id", "date"], sort=False):
        at = season.days.get_loc(date), names.index(site_id)
        courses += [_sample(site_id, date, k, depth[at], swe[at]) for k in range(4)]
    return Tables(stations, _numbered(_samples(courses), "courses.csv"), measured.weather, {})


def true_weather(season: Season, sites: Sites, record: SnowRecord, measured: Tables) -> Tables:
    """Return the tables in which thermometers, gauges and the weather table tell the truth."""
    air, fall = record.of_sites("air"), record.of_sites("fall")
    day = season.days.get_indexer(measured.stations["date"])
    place = pd.Index(sites.table["site_id"]).get_indexer(measured.stations["site_id"])
    stations = measured.stations.assign(air_temperature_c=air[day, place], precipitation_mm=fall[day, place])
    return Tables(stations, measured.courses, weather_table(season, None), measured.failures)


def _station(season: Season, true: dict[str, np.ndarray], rng: np.random.Generator) -> tuple[pd.DataFrame, str]:
    """Return a station's daily readings, and how it failed, empty where it did not."""
    days = len(season.days)
    swe = true["swe"] * np.exp(rng.normal(0, SENSOR_SWE_SHARE)) + SENSOR_SWE_MM * lasting(rng, days, 0.95)
    swe = np.where(true["swe"] > 0, np.maximum(swe, 0), np.abs(rng.normal(0, 1, days)))
    depth = np.maximum(true["depth"] + rng.normal(0, 0.01) + rng.normal(0, SENSOR_DEPTH_M, days), 0)
    air = true["air"] + rng.normal(0, 0.4) + rng.normal(0, 0.3, days)
    fall = true["fall"] * np.where(true["air"] < 0.5, rng.uniform(*CATCH), RAIN_CATCH)
    failure = str(rng.choice(FAILURES)) if rng.random() < FAILS else ""
    begins = int(rng.integers(60, 210))
    ends = begins + int(rng.integers(20, 70))
    part = slice(begins, None if failure == "silent for good" else ends)
    if failure == "stuck":
        swe[part] = swe[begins]
    elif failure == "gauge clogged":
        fall[part] *= rng.uniform(0.0, 0.4)
    elif failure == "warm thermometer":
        air[part] += rng.uniform(2, 5)
    # Some stations have no sounder, some no gauge.
    if rng.random() < 0.15:
        depth = np.full(days, np.nan)
    if rng.random() < 0.25:
        fall = np.full(days, np.nan)
    frame = pd.DataFrame(
        {
            "swe_mm": swe.round(0), "depth_m": depth.round(2), "air_temperature_c": air.round(1),
            "precipitation_mm": fall.round(1), "precipitation_total_mm": np.nan,
            "time": (season.days + pd.Timedelta(hours=12)).astype("datetime64[s]"),
            "date": season.days.astype("datetime64[s]"),
        }
    )  # fmt: skip
    if failure.startswith("silent"):
        frame = frame.drop(index=frame.index[part])
    return frame, failure and f"{failure} from day {begins}"


def course_samples(
    season: Season, sites: Sites, snow: tuple[np.ndarray, np.ndarray], rng: np.random.Generator
) -> pd.DataFrame:
    """Return the samples of a season's visits to the courses; `snow` is SWE and depth by day and site."""
    rows = []
    sampler = np.exp(rng.normal(0.0, SAMPLER_GAIN_SD))
    for number in np.flatnonzero(sites.table["kind"] == "course"):
        points = int(rng.integers(5, 11))
        pattern = np.exp(rng.normal(0, POINT_SD, points))
        pattern /= pattern.mean()
        for nominal in NOMINAL_DAYS:
            if rng.random() < 0.06:
                continue
            day = nominal + int(rng.integers(-4, 5))
            swe, depth = (values[day, number] for values in snow)
            here = np.where(depth * pattern < 0.02, 0.0, depth * pattern * np.exp(rng.normal(0, 0.04, points)))
            density = sampler * (swe / depth if depth > 0 else 0.0) * np.exp(rng.normal(0, 0.04, points))
            site_id, date = sites.table["site_id"].iloc[number], season.days[day]
            rows += [
                _sample(site_id, date, k, round(here[k], 2), 5.0 * round(here[k] * density[k] / 5))
                for k in range(points)
            ]
    return _numbered(_samples(rows), "courses.csv")


def weather_table(season: Season, rng: np.random.Generator | None) -> pd.DataFrame:
    """Return the weather table of the middle height; without `rng` it is true."""
    days = len(season.days)
    air, fall = season.by_day(season.temperature).mean(axis=1), season.by_day(season.precipitation).sum(axis=1)
    sun = 8 + 14 * (1 - np.cos(2 * np.pi * (np.arange(days) - 82) / 365.25)) / 2
    sun *= 1 - 0.65 * season.by_day(season.cloud).mean(axis=1)
    if rng is not None:
        air = air + rng.normal(0, TABLE_WARMTH_SD) + rng.normal(0, TABLE_DAY_SD, days)
        fall = fall * np.exp(rng.normal(0, TABLE_CATCH_SD) + rng.normal(0, TABLE_FALL_SD, days))
    table = pd.DataFrame(
        {
            "date": season.days.astype("datetime64[s]"), "elevation_m": season.middle_m, "solar_mj_m2": sun.round(1),
            "air_temperature_c": air.round(1), "air_temperature_min_c": np.nan, "air_temperature_max_c": np.nan,
            "precipitation_mm": fall.round(1), "issued": (season.days + pd.Timedelta(days=1)).astype("datetime64[s]"),
        }
    )  # fmt: skip
    return _numbered(table, "weather.csv")


def _sample(site_id: str, date: pd.Timestamp, point: int, depth_m: float, swe_mm: float) -> dict:
    return {"site_id": site_id, "date": date, "point": str(point + 1), "depth_m": depth_m, "swe_mm": swe_mm}


def _samples(rows: list[dict]) -> pd.DataFrame:
    table = pd.DataFrame(rows, columns=["site_id", "date", "point", "depth_m", "swe_mm"]).assign(
        core_m=np.nan, mass_full_g=np.nan, mass_empty_g=np.nan, cutter_cm2=np.nan, cores=np.nan, sampler="", remark="",
        nominal_date=pd.NaT,
    )  # fmt: skip
    return table.astype({"date": "datetime64[s]", "nominal_date": "datetime64[s]"})


def _numbered(table: pd.DataFrame, file: str) -> pd.DataFrame:
    return table.assign(file=file, line=np.arange(2, len(table) + 2))
