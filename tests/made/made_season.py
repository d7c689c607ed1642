"""A season of courses and stations made from a simple snow, for the course checks to be tried on."""

import numpy as np
import pandas as pd

from pipeline.courses.context import Neighbours

DAYS = pd.date_range("2030-10-01", "2031-06-30")

CLIMATES = {"cold": (180.0, 300.0, 400.0), "maritime": (280.0, 450.0, 1200.0)}
"""Density in autumn and in spring (kg/m3) and the season's snowfall (mm)."""


def sheet(depth_m, swe_mm, **others):
    """One visit's rows with every column that the reader gives."""
    n = len(depth_m)
    rows = {
        "site_id": "C", "date": pd.Timestamp("2031-03-01"), "point": [str(i + 1) for i in range(n)], "depth_m": depth_m,
        "core_m": 0.95 * np.asarray(depth_m), "swe_mm": swe_mm, "mass_full_g": np.nan, "mass_empty_g": np.nan,
        "cutter_cm2": np.nan, "cores": np.nan, "sampler": "", "nominal_date": pd.NaT, "remark": "", "file": "c.csv",
        "line": np.arange(n) + 2,
    }  # fmt: skip
    made = pd.DataFrame(rows | others)
    return made.astype({"nominal_date": "datetime64[s]", "date": "datetime64[s]"})


def season(seed, climate):
    """Seven courses with monthly visits of 6 to 10 points and eight stations."""
    rng = np.random.default_rng(seed)
    first, last, total = CLIMATES[climate]
    day = np.arange(len(DAYS))
    fall = np.where(rng.random(len(day)) < 0.25, rng.gamma(1.0, 1.0, len(day)), 0.0) * np.where(day < 190, 1.0, 0.3)
    fall[:20] = 0.0
    fall *= total / fall.sum()
    melt = np.clip(0.25 * (day - 170), 0, 40) * total / 600
    height, sheets, daily = {}, [], []

    def place():
        gain, loss, dense = np.exp(rng.normal(0, [0.3, 0.25, 0.08]))
        swe, held = np.zeros(len(day)), 0.0
        for number in day:
            held = max(0.0, held + gain * fall[number] - loss * melt[number])
            swe[number] = held
        return swe, dense * (first + (last - first) * np.clip((day - 40) / 200, 0, 1))

    for number in range(7):
        name = f"C{number}"
        swe, density = place()
        height[name] = rng.uniform(1500, 2500)
        n, spread, inches = int(rng.integers(6, 11)), rng.uniform(0.08, 0.12), rng.random() < 0.5
        pattern = np.exp(rng.normal(0, 0.25, n))
        for month in range(3, 9):
            at = int(30.4 * month) + int(rng.integers(-4, 5))
            if swe[at] < 5:
                continue
            depth = np.round(swe[at] / density[at] * pattern * np.exp(rng.normal(0, 0.15, n)), 2)
            water = depth * density[at] * np.exp(rng.normal(0, spread, n))
            step = 12.7 if inches else 1.0
            core = np.round(depth * rng.uniform(0.9, 1.0, n), 2)
            sheets.append(sheet(depth, step * np.round(water / step), site_id=name, date=DAYS[at], core_m=core))
    for number in range(8):
        name = f"S{number}"
        swe, density = place()
        height[name] = rng.uniform(1500, 2500)
        noisy = swe + rng.normal(0, 2, len(day)), swe / density + rng.normal(0, 0.01, len(day))
        daily.append(pd.DataFrame({"site_id": name, "date": DAYS, "swe_mm": noisy[0], "depth_m": noisy[1]}))
    samples = pd.concat(sheets, ignore_index=True)
    samples["line"] = np.arange(len(samples)) + 2
    return samples, Neighbours(pd.Series(height), pd.concat(daily, ignore_index=True))
