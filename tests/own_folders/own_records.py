"""How a made basin's canonical data go through what people do to them: means, other units and their rounding, hours."""

from __future__ import annotations

import numpy as np
import pandas as pd
from small_world import Records


def means(courses: pd.DataFrame) -> pd.DataFrame:
    """Return one row a visit: the means of its points, and their number as `cores`."""
    by = courses.groupby(["site_id", "date", "nominal_date"], as_index=False, sort=False)
    mean = by.agg(depth_cm=("depth_cm", "mean"), swe_mm=("swe_mm", "mean"), cores=("point", "count"))
    return mean.assign(point="mean")


FACTORS = {"mm": 1.0, "cm": 10.0, "m": 1000.0, "in": 25.4, "ft": 304.8}


def in_unit(values: pd.Series, given: str, unit: str, decimals: int) -> pd.Series:
    """Return lengths of one unit in another as somebody writes them down, rounded."""
    return (values * FACTORS[given] / FACTORS[unit]).round(decimals)


def as_written(table: pd.DataFrame, **units: tuple[str, int]) -> pd.DataFrame:
    """Return a table whose lengths went through a unit and its rounding: `depth_cm=("in", 0)`, and so degF for temperature."""
    out = table.copy()
    for column, (unit, decimals) in units.items():
        if unit == "F":
            out[column] = (((out[column] * 1.8 + 32).round(decimals)) - 32) / 1.8
            continue
        own = column.rsplit("_", 1)[1]
        out[column] = in_unit(out[column], own, unit, decimals) * FACTORS[unit] / FACTORS[own]
    return out


def hourly(records: Records, step_hours: int = 1) -> Records:
    """Return the same data with the stations' readings of the newest season by the hour, local time."""
    start = records.place.first_day(records.place.last_season)
    rng, rows = np.random.default_rng(records.place.seed + 1), []
    daily = records.stations[records.stations["time"] >= start]
    for site_id, own in daily.groupby("site_id", sort=False):
        values = own.drop(columns="site_id").set_index("time")
        values.index = values.index + pd.Timedelta(hours=12)
        at = pd.date_range(own["time"].min(), own["time"].max() + pd.Timedelta(hours=23), freq=f"{step_hours}h")
        out = values.reindex(values.index.union(at)).interpolate("time", limit_direction="both").reindex(at)
        lies = out["swe_mm"] > 2
        hours = at.hour + at.minute / 60
        out["air_temperature_c"] += -4.5 * np.cos(2 * np.pi * (hours - 2.5) / 24)
        out["swe_mm"] = np.where(lies, out["swe_mm"] + rng.normal(0, 0.5, len(at)), 0.0)
        out["depth_cm"] = np.where(lies, np.clip(out["depth_cm"] + rng.normal(0, 0.4, len(at)), 0, None), 0.0)
        rows.append(out.round(1).rename_axis("time").reset_index().assign(site_id=site_id))
    return records.but(stations=pd.concat(rows, ignore_index=True), daily=False)
