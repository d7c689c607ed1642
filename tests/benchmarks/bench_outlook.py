"""The melt outlook of ten days on 1.6 million cells: horizons, sun on slopes, ripening, tuning, the march and its 40 members.

The reference is a plain degree-day march of the same cells and days in numpy, which knows of no sun, slope or error.
"""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import numpy as np
import pandas as pd
from pyproj import CRS
from timing import Figure, Runs, alternate, no_more_than, peak_mb

from snowtally.melt.outlook import OutlookInputs, with_outlook
from snowtally.model.basin import Basin
from snowtally.model.day import Day
from snowtally.model.grid import BasinGrid
from snowtally.model.ground import GroundRecord
from snowtally.statistics.totals import ZoneBands, covariance_rows

SIDE, CELL_M, DAYS, STATIONS = 1265, 100.0, 10, 40
ZONES, BAND_M = 10, 200.0
DATE = dt.date(2031, 5, 5)


def runs(folder: Path) -> Runs:  # noqa: ARG001  every benchmark has this form
    """Return what is timed, by name."""
    day, inputs = _basin()
    return {"outlook": lambda: with_outlook(day, inputs), "degree days": lambda: _degree_days(day, inputs)}


def figures(folder: Path) -> list[Figure]:
    """Return seconds beside the reference, the goal of the night's budget, and memory."""
    taken = alternate(runs(folder))
    path = f"outlook of {DAYS} days, {SIDE * SIDE / 1e6:.1f} million cells, {STATIONS} stations"
    ratio = taken["outlook"].cpu_s / taken["degree days"].cpu_s
    return [
        Figure(path, str(taken["outlook"]), f"degree-day march in numpy {taken['degree days']}", f"{ratio:.1f}"),
        no_more_than("its CPU seconds, of the night's 20", taken["outlook"].cpu_s, 6.0, "s"),
        no_more_than("its peak memory, whole process", peak_mb("bench_outlook", "outlook", folder), 2500.0, "MB"),
    ]


def _degree_days(day: Day, inputs: OutlookInputs) -> np.ndarray:
    elevation, left = day.fields["elevation"].to_numpy(), day.fields["swe"].to_numpy().copy()
    out = np.empty((DAYS, *left.shape), np.float32)
    for number, row in enumerate(inputs.forecast.itertuples()):
        warmth = row.air_temperature_c - 6.5 * (elevation - row.elevation_m) / 1000.0
        out[number] = np.minimum(3.0 * np.maximum(warmth, 0.0), left)
        left -= out[number]
    return out


def _basin() -> tuple[Day, OutlookInputs]:
    rng = np.random.default_rng(1)
    wave = np.hypot(np.fft.fftfreq(SIDE)[:, None], np.fft.rfftfreq(SIDE))
    # Amplitudes fall with the square of the wave number, as those of mountains do (common practice, no source).
    falling = np.maximum(wave, 4 / SIDE) ** -2.0
    height = np.fft.irfft2(np.fft.rfft2(rng.normal(size=(SIDE, SIDE))) * falling, s=(SIDE, SIDE))
    height = 2200.0 + 450.0 * height / height.std()
    grid = BasinGrid(CRS("EPSG:32625"), CELL_M, 450_000.0, 4_940_000.0, SIDE, SIDE)
    low = np.floor(height.min() / BAND_M)
    band = (height // BAND_M - low + 1).astype("i4")
    bands = [(BAND_M * (low + k), BAND_M * (low + k + 1)) for k in range(int(band.max()))]
    column = np.arange(SIDE)[None, :] * np.ones((SIDE, 1))
    swe = np.clip(0.5 * (height - 1700.0), 0.0, None)
    values = {
        "swe": swe, "swe_se": 0.2 * swe, "snow_cover": np.where(swe > 0, 0.9, 0.0), "density": np.where(swe > 0, 400.0, np.nan),
        "cell_area": np.full(grid.shape, CELL_M**2), "elevation": height, "elevation_band": band,
        "zone": 1 + (column * ZONES // SIDE).astype("i4"), "canopy": np.full(grid.shape, 0.2),
        "convergence": np.zeros(grid.shape),
    }  # fmt: skip
    terrain = grid.array(height).to_dataset(name="elevation")
    terrain = terrain.assign({name: (("y", "x"), field) for name, field in values.items()})
    zones = [(f"z{number}", "") for number in range(ZONES)]
    units = ZoneBands("bench", [zone for zone, _ in zones], bands)
    number = units.numbers(values["zone"], band)
    volume = np.bincount(number.ravel(), (swe * CELL_M**2 / 1000).ravel(), units.count)
    day = Day(
        basin_id="bench", title="", date=DATE, noon_utc=dt.datetime.combine(DATE, dt.time(14)), grid=grid, zones=zones,
        bands=bands, fields=terrain, totals=pd.DataFrame(), sites=pd.DataFrame(), checks=pd.DataFrame(), skill=pd.DataFrame(),
        totals_covariance=covariance_rows(terrain, units, 0.01 * np.outer(volume, volume)),
    )  # fmt: skip
    return day, OutlookInputs(
        Basin(grid, terrain), _ground(height, rng), _table(DAYS, issued=DATE), None, dt.date(2030, 10, 1)
    )


def _table(days: int, issued: dt.date) -> pd.DataFrame:
    dates = pd.date_range(issued, periods=days + 1)[1:]
    return pd.DataFrame(
        {
            "date": dates, "issued": pd.Timestamp(issued), "elevation_m": 2200.0, "air_temperature_c": 4.0 + np.arange(days) % 3,
            "solar_mj_m2": 22.0 + np.arange(days) % 5, "precipitation_mm": 0.0,
        }
    )  # fmt: skip


def _ground(height: np.ndarray, rng: np.random.Generator) -> GroundRecord:
    """Return stations with a season of SWE, temperature and precipitation."""
    row, column = rng.integers(0, SIDE, (2, STATIONS))
    ids = pd.Index([f"S{k:02d}" for k in range(STATIONS)], name="site_id")
    sites = pd.DataFrame(
        {"kind": "station", "row": row, "column": column, "elevation_m": height[row, column], "canopy": 0.2}, index=ids
    )
    dates = pd.date_range("2030-10-01", DATE)
    count = np.arange(len(dates))
    swe = np.where(count < 180, 3.0 * count, 540.0 - 8.0 * (count - 180)) + rng.normal(0, 2, (STATIONS, len(dates)))
    air = (
        -6.0
        + 10.0 * np.sin((count - 110) / 365 * 2 * np.pi)
        - 6.0 * (sites["elevation_m"].to_numpy()[:, None] - 2200) / 1000
    )
    daily = pd.DataFrame(
        {
            "site_id": np.repeat(ids, len(dates)), "date": np.tile(dates, STATIONS), "swe_mm": swe.ravel(),
            "air_temperature_c": air.ravel(), "precipitation_mm": np.tile(np.where(count % 4 == 0, 12.0, 0.0), STATIONS),
        }
    )  # fmt: skip
    past = _table(len(dates) - 1, issued=dt.date(2030, 10, 1))
    return GroundRecord(sites, daily, np.full(len(daily), 5.0), daily.iloc[:0], weather=past)
