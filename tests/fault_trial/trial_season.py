"""A clean season of a made-up basin: the sites, what their sensors sent and what the crews wrote down."""

from __future__ import annotations

import copy
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.signal import lfilter
from trial_weather import CLIMATES, Climate, Snow, Weather, make_snow, make_weather, remembering

LEFT, TOP, WIDTH, HEIGHT, CELL = 500_000.0, 4_880_000.0, 60, 50, 100.0
"""The basin's outline on the map (m, EPSG:32625) and its size in cells."""

UTC_OFFSET_HOURS = -2
STATIONS, COURSES = 10, 7


def elevation_of(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Return the basin's ground (m): a slope that rises to the east and a little to the south."""
    return 1500.0 + (x - LEFT) * 0.15 + (TOP - y) * 0.03


@dataclass
class Season:
    """What lies on the desk at the end of a season; the makers of faults change it in place.

    Parameters
    ----------
    seed, climate, year : where it came from; the season begins in October of the year.
    sites : site_id, kind, x, y (m), elevation_m.
    stations : for each station its records with `time` (local, datetime64), the readings under their canonical headers,
        and `planted`, the number of the fault that touched the row (0 for none). Columns that begin with `true_` are the
        truth beside them (time, SWE mm, depth m, temperature, the most that fell at any site in the step, whether it was a
        still week) and are not written.
    courses : the same for course sheets, one row a point; `day` is the true date.
    late_courses : sheets that came in a later file.
    site_changes : what the sites table says otherwise than is true, by site and header.
    weather : the weather table's days, with `true_mm`, what fell at the typical site, and `planted`.
    """

    seed: int
    climate: Climate
    year: int
    sites: pd.DataFrame
    stations: dict[str, pd.DataFrame]
    courses: dict[str, pd.DataFrame]
    late_courses: list[pd.DataFrame]
    site_changes: dict[str, dict[str, object]]
    weather: pd.DataFrame

    def copy(self) -> Season:
        """Return a season that can be changed without changing this one."""
        return copy.deepcopy(self)


def make_season(seed: int, step_hours: int | None = None) -> Season:
    """Return the clean season of a seed: the climates take turns, all else is drawn.

    Parameters
    ----------
    step_hours : hours between a station's readings, where they are not to be drawn for each.
    """
    rng = np.random.default_rng([2031, seed])
    climate = CLIMATES[seed % len(CLIMATES)]
    year = 2025 + int(rng.integers(0, 9))
    count = STATIONS + COURSES
    x, y = LEFT + rng.uniform(800, 5200, count), TOP - rng.uniform(400, 4600, count)
    # Low and high sites among stations and courses alike.
    x = np.concatenate([_spread(rng, x[:STATIONS]), _spread(rng, x[STATIONS:])])
    names = [f"S{i + 1:02d}" for i in range(STATIONS)] + [f"C{i + 1:02d}" for i in range(COURSES)]
    kinds = ["station"] * STATIONS + ["course"] * COURSES
    sites = pd.DataFrame({"site_id": names, "kind": kinds, "x": x, "y": y, "elevation_m": elevation_of(x, y).round()})
    stated = rng.normal(0, 15, count).round()
    # The ground's own height and the weather's: the weather is drawn over a wider range, as around a real basin.
    height = 1700.0 + (sites["elevation_m"].to_numpy() - 1600.0) * 0.8
    weather = make_weather(rng, climate, height, year)
    snow = make_snow(rng, climate, weather)
    stations = {names[i]: _station(rng, names[i], Sensed(weather, snow, i, step_hours)) for i in range(STATIONS)}
    table = _weather_table(seed, weather, float(sites["elevation_m"].mean()))
    sites["elevation_m"] += stated
    courses = {names[i]: _course(rng, names[i], (climate, weather, snow), i) for i in range(STATIONS, count)}
    return Season(seed, climate, year, sites, stations, courses, [], {}, table)


def _weather_table(seed: int, weather: Weather, elevation_m: float) -> pd.DataFrame:
    """Return a weather model's days: the basin's mean with the model's own errors; it knows nothing of cold air in valleys."""
    rng = np.random.default_rng([2032, seed])
    day = weather.hours.astype("datetime64[D]")
    days, first = np.unique(day, return_index=True)
    n = len(days)
    warmth = np.add.reduceat(weather.temperature_c.mean(axis=1), first) / np.diff(np.append(first, len(day)))
    warmth += rng.normal(0, 1) + 1.5 * remembering(rng, n, 1, 3)[:, 0] + 4.0 * weather.still[first]
    fallen = np.add.reduceat(np.median(weather.precipitation_mm, axis=1), first)
    said = fallen * rng.lognormal(0, 0.2) * rng.lognormal(0, 0.4, n) + np.where(
        rng.random(n) < 0.2, rng.exponential(1, n), 0
    )
    return pd.DataFrame(
        {
            "date": days.astype("datetime64[s]"),
            "elevation_m": round(elevation_m),
            "solar_mj_m2": 12.0,
            "air_temperature_c": np.round(warmth, 1),
            "precipitation_mm": np.round(said, 1),
            "true_mm": fallen,
            "planted": 0,
        }
    )


def _spread(rng: np.random.Generator, x: np.ndarray) -> np.ndarray:
    even = LEFT + 800 + 4400 * (np.arange(len(x)) + 0.5) / len(x)
    return rng.permutation(even + rng.uniform(-200, 200, len(x)))


def _rounded(values: np.ndarray, step: float) -> np.ndarray:
    return np.round(np.round(values / step) * step, 2)


@dataclass(frozen=True)
class Sensed:
    """What a station's sensors stand in: weather and snow by site, its column there, and hours between readings (None: drawn)."""

    weather: Weather
    snow: Snow
    column: int
    step_hours: int | None


def _station(rng: np.random.Generator, name: str, sensed: Sensed) -> pd.DataFrame:
    """Return a station's clean records: its sensors' noise, their reading to so many digits, and small gaps."""
    weather, snow, column = sensed.weather, sensed.snow, sensed.column
    step = int(rng.choice([1, 6, 6, 6]))
    step = sensed.step_hours or step
    at = slice(0, None, step)
    n = len(weather.hours[at])
    temperature, fallen = weather.temperature_c[:, column], weather.precipitation_mm[:, column]
    swe, depth = snow.swe_mm[at, column], snow.depth_m[at, column]
    warmth = temperature[at]
    day_mean = pd.Series(temperature).rolling(24, center=True, min_periods=1).mean().to_numpy()[at]
    # One pillow in five is quiet and coarse, so that it stands still for days when the weather does.
    quiet = rng.random() < 0.2
    noise_mm = rng.uniform(0.2, 0.5) if quiet else rng.uniform(1.0, 3.0)
    felt = swe
    if rng.random() < 0.25:
        # Under a stiff pack a pillow feels a load late.
        lag = np.exp(-step / rng.uniform(8, 24))
        felt = lfilter([1 - lag], [1, -lag], swe)
    pillow = felt + noise_mm * (0.6 * rng.standard_normal(n) + 0.8 * remembering(rng, n, 1, 12 / step)[:, 0])
    daily = rng.uniform(0.5, 2.0) * (1 + rng.choice([0, 0, 2]) * np.clip(day_mean / 5, 0, 1))
    pillow += noise_mm / 3 * daily * (warmth - day_mean) / 10.0 * rng.choice([-1, 1])
    pillow += rng.uniform(-4, 4) + (0.5 if quiet else 2.0) * remembering(rng, n, 1, 1000 / step)[:, 0]
    if rng.random() < 0.5:
        pillow = np.clip(pillow, 0, None)
    steps = np.add.reduceat(fallen, np.arange(0, len(fallen), step))
    # A reading tells of the hours that went before it.
    steps = np.concatenate([[0.0], steps[:-1]])
    sonic = depth + 0.008 * (1 + np.abs(warmth) / 15) * rng.standard_normal(n)
    sonic += np.clip(steps / step, 0, 4) * 0.006 * rng.standard_normal(n)
    sonic += (3.0 - depth).clip(0.5) * 0.0004 * (warmth - day_mean)
    sonic[(steps > 0.5 * step) & (rng.random(n) < 0.1)] = np.nan
    grass = rng.uniform(0, 0.08) * np.exp(-np.maximum.accumulate(np.minimum(depth, 0.5)) / 0.08)
    sonic += grass
    daylight = np.clip(np.cos(2 * np.pi * (np.arange(n) * step % 24 - 13) / 24), 0, None)
    air = warmth + 0.2 * rng.standard_normal(n) + rng.uniform(0, 2.5) * daylight
    solid = np.clip((2.0 - warmth) / 2.5, 0, 1)
    caught = steps * (1 - solid * rng.uniform(0.05, 0.45)) * rng.lognormal(0, 0.05, n)
    if rng.random() < 0.33:
        for start in rng.integers(40 * 24 // step, 180 * 24 // step, 4):
            # Snow sits on the gauge's rim and falls in a day or two later.
            until = start + int(rng.integers(24, 48)) // step
            caught[until] += caught[start:until].sum()
            caught[start:until] = 0.0
    records = pd.DataFrame(
        {
            "site_id": name,
            "time": weather.hours[at].astype("datetime64[s]"),
            "swe_mm": _rounded(pillow, 2.54 if quiet else rng.choice([1.0, 1.0, 2.54, 0.1])),
            "depth_cm": _rounded(100 * sonic, rng.choice([1.0, 1.0, 0.1])),
            "air_temperature_c": _rounded(air, 0.1),
            "precipitation_mm": np.nan,
            "precipitation_total_mm": np.nan,
            "true_time": weather.hours[at].astype("datetime64[s]"),
            "true_swe_mm": swe,
            "true_depth_m": depth,
            "true_temperature_c": warmth,
            "true_fallen_mm": np.add.reduceat(weather.precipitation_mm.max(axis=1), np.arange(0, len(fallen), step)),
            "true_still": weather.still[at],
            "planted": 0,
        }
    )
    if rng.random() < 0.4:
        records["precipitation_mm"] = _rounded(caught, 0.2)
    else:
        wobble = 0.4 * remembering(rng, n, 1, 24 / step)[:, 0]
        records["precipitation_total_mm"] = _rounded(np.cumsum(caught) + wobble + 5.0, rng.choice([0.1, 1.0, 2.54]))
    return _with_gaps(rng, records, step)


READINGS = ["swe_mm", "depth_cm", "air_temperature_c", "precipitation_mm", "precipitation_total_mm"]


def _with_gaps(rng: np.random.Generator, records: pd.DataFrame, step: int) -> pd.DataFrame:
    """Return the records with the small gaps that every station has: lone readings, some hours, a day or two."""
    n = len(records)
    for name in READINGS[:3]:
        records.loc[rng.random(n) < 0.003, name] = np.nan
    lost = np.zeros(n, bool)
    for _ in range(int(rng.integers(2, 6))):
        start = int(rng.integers(0, n - 48 // step))
        lost[start : start + max(1, int(rng.integers(3, 40)) // step)] = True
    return records[~lost].reset_index(drop=True)


SAMPLERS = (("A", 11.17), ("B", 30.0), ("C", 12.97))
"""Names of tubes and their cutters' areas, cm2."""


def _course(rng: np.random.Generator, name: str, world: tuple[Climate, Weather, Snow], column: int) -> pd.DataFrame:
    """Return a course's clean sheets: monthly visits, six to ten points, each crew with its tube and way of writing.

    Depths scatter by 30 %, half of it the points' own and lasting; densities by 8 to 12 %.
    """
    climate, weather, snow = world
    points = int(rng.integers(6, 11))
    lasting = rng.lognormal(0, 0.2, points)
    density_cv = rng.uniform(0.08, 0.12)
    sampler, cutter = SAMPLERS[1] if climate.name == "thin ephemeral" else SAMPLERS[int(rng.integers(0, 3))]
    # By weight on a scale read to 5 g, or from a scale that shows half inches of water, or worked out at home.
    writes = rng.choice(["masses", "water"]) if cutter > 20 else rng.choice(["masses", "half inch", "water"])
    empty_g, with_core, with_nominal = float(rng.integers(160, 260) * 5), rng.random() < 0.7, rng.random() < 0.7
    shortest, depths_alone = rng.choice([0.75, 0.88]), rng.random() < 0.2
    clearing = rng.lognormal(0.04, 0.05)
    sheets = []
    for month in range(12, 18):
        year_of = weather.hours[0].astype("datetime64[Y]").astype(int) + 1970 + (month - 1) // 12
        nominal = np.datetime64(f"{year_of}-{(month - 1) % 12 + 1:02d}-01")
        late = int(rng.integers(5, 10)) if rng.random() < 0.08 else int(rng.integers(-4, 4))
        day = nominal + np.timedelta64(late, "D")
        hour = int((day.astype("datetime64[h]") - weather.hours[0]) / np.timedelta64(1, "h")) + 11
        swe, depth = clearing * snow.swe_mm[hour, column], clearing * snow.depth_m[hour, column]
        if depth < 0.03:
            continue
        density = swe / depth
        here = depth * lasting * rng.lognormal(0, 0.2, points)
        if depth < 0.25:
            here = np.where(rng.random(points) < 0.1, 0.0, here)
        depth_cm = np.round(100 * here)
        water = depth_cm / 100 * density * (1 + density_cv * rng.standard_normal(points)).clip(0.6, 1.4)
        core_cm = np.round(depth_cm * rng.uniform(shortest, 1.0, points))
        sheet = pd.DataFrame(
            {
                "site_id": name,
                "date": str(day),
                "day": day.astype("datetime64[s]"),
                "point": [str(p + 1) for p in range(points)],
                "depth_cm": depth_cm,
                "core_cm": core_cm if with_core else np.nan,
                "swe_mm": np.nan,
                "mass_full_g": np.nan,
                "mass_empty_g": np.nan,
                "cutter_cm2": np.nan,
                "sampler": sampler,
                "nominal_date": str(nominal) if with_nominal else "",
                "remark": "",
                "planted": 0,
            }
        )
        if writes == "masses":
            sheet["mass_empty_g"], sheet["cutter_cm2"] = empty_g, cutter
            sheet["mass_full_g"] = empty_g + np.round(water * cutter / 10 / 5) * 5
        elif writes == "half inch":
            sheet["swe_mm"] = np.round(np.round(water / 12.7) * 12.7, 1)
        else:
            sheet["swe_mm"] = np.round(np.round(water * cutter / 10 / 5) * 5 * 10 / cutter)
        if depths_alone:
            # Every other point is probed and not weighed.
            sheet.loc[1::2, ["core_cm", "swe_mm", "mass_full_g"]] = np.nan
        sheets.append(sheet[rng.random(points) < 0.97].reset_index(drop=True))
    if not sheets:
        return pd.DataFrame()
    rows = pd.concat(sheets, ignore_index=True)
    rows["true_empty_g"], rows["true_cutter_cm2"] = empty_g, cutter
    return rows
