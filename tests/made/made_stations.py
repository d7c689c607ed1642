"""Clean seasons of made-up stations: weather, snow and sensors of three climates, for the station checks to leave alone."""

import numpy as np
import pandas as pd

CLIMATES = {
    # coldest mean (C), spread of fronts (C), storms a day, mm a storm (mean), rain limit
    "continental": (-12.0, 5.0, 0.12, 12.0),
    "maritime": (-3.0, 4.0, 0.30, 30.0),
    "ephemeral": (0.0, 5.0, 0.18, 14.0),
}


FIRST = "2030-10-01"


def made_season(climate="maritime", seed=0, stations=10, step_hours=1, days=273):
    """Return readings of a clean season as read_stations gives them, by seasonal weather and a one-layer snowpack."""
    rng = np.random.default_rng(seed)
    coldest, fronts, storm_rate, storm_mm = CLIMATES[climate]
    hours = 24 * days
    hour = np.arange(hours)
    height = np.linspace(0.0, 900.0, stations)
    season = coldest + 15.0 * (1 - np.cos(2 * np.pi * (hour / 24.0 - 105.0) / 365.0)) / 1.4
    front = _red_noise(rng, hours, 60.0) * fronts
    local = np.stack([_red_noise(rng, hours, 24.0) * 0.8 for _ in range(stations)], axis=1)
    rain = _storms(rng, hours, storm_rate, storm_mm)
    cloud = np.clip(rain / 0.3, 0, 1)
    daily = 4.0 * (1 - 0.7 * cloud) * np.cos(2 * np.pi * (hour - 17.0) / 24.0)
    air = (season + front + daily)[:, None] - 0.0055 * height + local
    share = np.exp(rng.normal(0, 0.2, stations)) * (0.7 + 0.6 * height / 900.0)
    patchy = np.exp(0.35 * np.stack([_red_noise(rng, hours, 40.0) for _ in range(stations)], axis=1))
    fallen = rain[:, None] * share * patchy
    swe, depth = _snow(air, fallen, rng)
    return _readings(rng, (air, fallen, swe, depth), step_hours)


def _red_noise(rng, n, memory):
    keep = np.exp(-1.0 / memory)
    white = rng.normal(0, np.sqrt(1 - keep**2), n)
    out = np.empty(n)
    value = rng.normal()
    for i in range(n):
        value = keep * value + white[i]
        out[i] = value
    return out


def _storms(rng, hours, rate, mean_mm):
    rain = np.zeros(hours)
    for start in rng.uniform(0, hours, rng.poisson(rate * hours / 24.0)).astype(int):
        length = int(rng.integers(5, 36))
        shape = np.sin(np.linspace(0.1, np.pi - 0.1, length))
        stop = min(start + length, hours)
        rain[start:stop] += (min(rng.gamma(1.5, mean_mm / 1.5), 2.2 * length) * shape / shape.sum())[: stop - start]
    return rain


def _snow(air, fallen, rng):
    n = air.shape[1]
    swe, depth, ice = np.zeros(n), np.zeros(n), np.zeros(n)
    out = np.empty((2, *air.shape))
    melt_rate = rng.uniform(0.14, 0.24, n)
    for t in range(len(air)):
        warm = np.clip((air[t] - 0.0) / 2.0, 0, 1)
        snow, rain = fallen[t] * (1 - warm), fallen[t] * warm
        swe, depth = swe + snow, depth + snow / (70.0 + 60.0 * np.clip((air[t] + 8) / 8, 0, 1.5))
        melt = np.minimum(melt_rate * np.maximum(air[t], 0.0) + 0.02 * rain * np.maximum(air[t], 0), swe)
        ice = np.minimum(np.where(swe > 0, ice + rain + melt, 0.0), 0.05 * swe)
        density = np.where(depth > 0, swe / np.maximum(depth, 1e-6), 100.0)
        depth = np.where(swe > melt, depth * (1 - np.minimum(melt / np.maximum(swe, 1e-6), 1.0)), 0.0)
        swe = swe - melt
        limit = 330.0 + 160.0 * np.clip((air[t] + 3) / 5, 0, 1)
        density = np.maximum(density, 50.0)
        settle = np.where(density < limit, 0.010 * (1 - density / limit), 0.0)
        depth = np.maximum(depth * (1 - settle), swe / 580.0)
        out[0, t], out[1, t] = swe + ice, depth
    return out


def _readings(rng, world, step_hours):
    air, _, swe, depth = (table[::step_hours] for table in world)
    n, stations = air.shape
    times = pd.date_range(FIRST, periods=n, freq=f"{step_hours}h").astype("datetime64[s]")
    parts = []
    caught = np.cumsum(world[1], axis=0)[::step_hours] * rng.uniform(0.65, 0.95, stations)
    for i in range(stations):
        noise = rng.uniform(0.7, 2.5)
        cycle = rng.uniform(0.0, 0.4) * (air[:, i] - pd.Series(air[:, i]).rolling(24, 1).mean())
        weighed = swe[:, i] + rng.normal(0, noise, n) + cycle + rng.normal(0, 3)
        seen = depth[:, i] + rng.normal(0, 1, n) * (0.008 + 0.0015 * np.clip(air[:, i] + 10, 0, 15)) + 0.01
        gone = _gaps(rng, n)
        parts.append(
            pd.DataFrame(
                {
                    "site_id": f"S{i:02d}", "time": times, "date": times.floor("D").astype("datetime64[s]"),
                    "swe_mm": np.where(gone, np.nan, np.round(weighed)), "depth_m": np.where(gone, np.nan, np.round(seen, 2)),
                    "air_temperature_c": np.round(air[:, i] + rng.normal(0, 0.2, n), 1), "precipitation_mm": np.nan,
                    "precipitation_total_mm": np.round(caught[:, i] + rng.normal(0, 0.4, n), 1) if i % 3 else np.nan,
                    "file": "s.csv", "line": 2 + i * n + np.arange(n),
                }
            )
        )  # fmt: skip
    return pd.concat(parts, ignore_index=True)


def _gaps(rng, n):
    gone = np.zeros(n, bool)
    for start in rng.integers(0, n, 4):
        gone[start : start + int(rng.integers(1, 20))] = True
    return gone
