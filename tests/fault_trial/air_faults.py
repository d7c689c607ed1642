"""Faults of thermometers, precipitation gauges and the weather table, each as such instruments and feeds break.

The sizes come from what broken instruments were seen to do: a shorted sensor reads tens of degrees too cold and comes and goes, a
capped gauge catches nothing until the snow on it slides in, a crew pours antifreeze into a gauge, a feed changes its unit.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from station_faults import one_reading, onwards, stretch
from trial_kinds import Kind
from trial_season import Season

AIR, FALLEN, TOTAL = "air_temperature_c", "precipitation_mm", "precipitation_total_mm"


def _shorted(rng: np.random.Generator, season: Season, site: str) -> np.ndarray | None:
    """Let a thermometer read 30 to 50 K too cold for weeks, with sound days in between."""
    records = season.stations[site]
    rows = stretch(rng, records, rng.uniform(12, 60), np.ones(len(records), bool))
    if rows is None:
        return None
    day = records["true_time"].to_numpy("datetime64[D]")
    sound = np.isin(day, rng.choice(np.unique(day[rows]), rng.integers(0, 5)))
    bad = rows & ~sound
    records.loc[bad, AIR] = np.round(records.loc[bad, AIR] - rng.uniform(30, 50) + rng.normal(0, 5, bad.sum()), 1)
    return rows


def _off(sizes: tuple[float, float], days: tuple[float, float]):
    def make(rng: np.random.Generator, season: Season, site: str) -> np.ndarray | None:
        records = season.stations[site]
        rows = stretch(rng, records, rng.uniform(*days), np.ones(len(records), bool))
        if rows is not None:
            records.loc[rows, AIR] = (records.loc[rows, AIR] + rng.choice([-1, 1]) * rng.uniform(*sizes)).round(1)
        return rows

    return make


def _wild_reading(rng: np.random.Generator, season: Season, site: str) -> np.ndarray | None:
    """Let one reading be 50 K off, within what air can be."""
    records = season.stations[site]
    air = records[AIR].to_numpy()
    size = rng.choice([-1, 1]) * rng.uniform(50, 55)
    rows = one_reading(rng, (air + size > -55) & (air + size < 48))
    if rows is not None:
        records.loc[rows, AIR] = (records.loc[rows, AIR] + size).round(1)
    return rows


def _buried(rng: np.random.Generator, season: Season, site: str) -> np.ndarray | None:
    """Bury a thermometer under a drift: it reads the snow's temperature, some degrees below freezing, for weeks of hard frost."""
    records = season.stations[site]
    cold = pd.Series(records["true_temperature_c"]).rolling(7, center=True, min_periods=1).mean().to_numpy() < -4
    rows = stretch(rng, records, rng.uniform(5, 12), cold & (records["true_depth_m"] > 0.3).to_numpy())
    if rows is not None:
        lag = records["true_temperature_c"].ewm(span=200).mean()
        records.loc[rows, AIR] = (0.3 * lag[rows] + rng.normal(0, 0.1, rows.sum())).round(1)
    return rows


def _fallen_near(season: Season, records: pd.DataFrame) -> np.ndarray:
    """Return what has fallen at the typical site until each row, mm."""
    table = season.weather
    days = records["true_time"].to_numpy("datetime64[D]")
    return np.interp(
        days.astype(float), table["date"].to_numpy("datetime64[D]").astype(float), table["true_mm"].cumsum()
    )


def _caught(records: pd.DataFrame, rows: np.ndarray, share: float, slides_in: bool) -> None:
    """Let a gauge catch a share for some rows; what it missed may slide in after them."""
    if records[TOTAL].notna().any():
        total = records[TOTAL].to_numpy()
        first, last = np.flatnonzero(rows)[[0, -1]]
        missed = np.where(rows, (total - total[first]) * (1 - share), 0.0)
        after = np.arange(len(rows)) > last
        if not slides_in:
            missed[after] = missed[last]
        records[TOTAL] = np.round(total - missed, 2)
    else:
        missed = records.loc[rows, FALLEN].sum() * (1 - share)
        records.loc[rows, FALLEN] = np.round(records.loc[rows, FALLEN] * share, 2)
        last = np.flatnonzero(rows)[-1]
        if slides_in and last + 1 < len(rows):
            records.loc[last + 1, FALLEN] += round(missed, 1)


def _capped(share: float, least_mm: float, days: tuple[float, float]):
    def make(rng: np.random.Generator, season: Season, site: str) -> np.ndarray | None:
        records = season.stations[site]
        for _ in range(20):
            rows = stretch(rng, records, rng.uniform(*days), np.ones(len(records), bool))
            if rows is None:
                return None
            fallen = _fallen_near(season, records)[rows]
            if fallen[-1] - fallen[0] >= least_mm:
                _caught(records, rows, share, bool(rng.random() < 0.5))
                return rows
        return None

    return make


def _poured(rng: np.random.Generator, season: Season, site: str) -> np.ndarray | None:
    """Pour 100 to 140 mm of antifreeze into an accumulating gauge on a day of little weather."""
    records = season.stations[site]
    if records[TOTAL].isna().all():
        return None
    day = records["true_time"].dt.floor("D")
    quiet = records.groupby(day)["true_fallen_mm"].transform("sum").rolling(24, center=True, min_periods=1).max() < 5
    rows = one_reading(rng, quiet.to_numpy())
    if rows is not None:
        away = onwards(rows)
        records.loc[away, TOTAL] = np.round(records.loc[away, TOTAL] + rng.uniform(100, 140), 2)
    return rows


def _other_unit(rng: np.random.Generator, season: Season, site: str) -> np.ndarray:  # noqa: ARG001  nothing to draw
    """Send a season's precipitation in inches."""
    records = season.stations[site]
    for name in (FALLEN, TOTAL):
        records[name] = (records[name] / 25.4).round(2)
    return np.ones(len(records), bool)


def _table(name: str, change, days: tuple[float, float] | None = None):
    def make(rng: np.random.Generator, season: Season, site: str) -> np.ndarray:  # noqa: ARG001  the basin has one table
        rows = np.ones(len(season.weather), bool)
        if days is not None:
            length = int(rng.uniform(*days))
            start = int(rng.integers(0, len(rows) - length))
            rows = (np.arange(len(rows)) >= start) & (np.arange(len(rows)) < start + length)
        season.weather.loc[rows, name] = change(rng, season.weather.loc[rows, name]).round(1)
        return rows

    return make


_WARM = ("air temperature against neighbours", "spike", "unit mix-up", "out of range", "flat line")
_WET = ("precipitation against neighbours", "unit mix-up", "out of range", "SWE above precipitation")

AIR_KINDS = (
    Kind("thermometer shorted", "30 K, 12 days", "stations", True, _WARM, _shorted, AIR),
    Kind("thermometer far off", "22 K, 10 days", "stations", True, _WARM, _off((22, 30), (10, 40)), AIR),
    Kind("lone wild air temperature", "50 K", "stations", True, _WARM, _wild_reading),
    Kind("thermometer off", "10 K, 20 days", "stations", False, _WARM, _off((10, 16), (20, 40)), AIR),
    Kind("thermometer buried", "5 days under -4 C", "stations", False, _WARM, _buried, AIR),
    Kind("gauge capped", "21 days, 60 mm missed", "stations", True, _WET, _capped(0.0, 60, (21, 40)), FALLEN),
    Kind("gauge half capped", "28 days, 60 mm, a seventh caught", "stations", False, _WET, _capped(0.15, 60, (28, 45)), FALLEN),
    Kind("antifreeze in the gauge", "100 mm", "stations", True, _WET, _poured, FALLEN),
    Kind("gauge in inches", "a season", "stations", True, _WET, _other_unit, FALLEN, lasting=True),
    Kind("weather table ten times too wet", "a season", "weather", True, _WET, _table(FALLEN, lambda _rng, v: v * 10)),
    Kind("weather table in inches of rain", "a season", "weather", True, _WET, _table(FALLEN, lambda _rng, v: v / 25.4)),
    Kind("weather table in Fahrenheit", "a season", "weather", True, _WARM, _table(AIR, lambda _rng, v: v * 1.8 + 32)),
    Kind("weather table of another place", "22 K, 10 days", "weather", True, _WARM,
         _table(AIR, lambda rng, v: v + rng.choice([-1, 1]) * rng.uniform(22, 30), (10, 30))),
)  # fmt: skip
