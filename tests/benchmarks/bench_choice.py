"""Choosing the background of a night by sites and flights left out: 250 sites, 1.6 million cells, no flight, two and four."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import numpy as np
import pandas as pd
import xarray as xr
from timing import Figure, Runs, alternate, no_more_than, peak_mb

from snowtally.model.ground import GroundRecord
from snowtally.snow.blend import Night, blended
from snowtally.snow.carry import Pattern
from snowtally.snow.flight_swe import Flown
from snowtally.statistics.errors import ErrorPart
from snowtally.terrain.predictors import add_exposure, with_landform

SITES, ROWS, COLUMNS, CELL_M = 250, 1280, 1250, 100.0
START, NIGHT = dt.date(2030, 10, 1), dt.date(2031, 4, 25)
FLIGHTS = (dt.date(2031, 1, 4), dt.date(2031, 2, 1), dt.date(2031, 3, 1), dt.date(2031, 4, 1))
ROUNDS = 3


def runs(_folder: Path) -> Runs:
    """Return the choice by how many flights there were; a record keeps what it was asked, so that each run has one of its own."""
    terrain = _terrain()
    ground = _ground(terrain)

    def choose(flights: tuple[dt.date, ...]) -> object:
        flown = [_flown(terrain, date) for date in flights]
        fresh = GroundRecord(ground.sites, ground.daily, ground.station_se_mm, ground.visits)
        return blended("auto", flown, fresh, Night(START, NIGHT, terrain), 1)

    return {
        "no flight": lambda: choose(()),
        "two flights": lambda: choose(FLIGHTS[1::2]),
        "four flights": lambda: choose(FLIGHTS),
    }


def figures(folder: Path) -> list[Figure]:
    """Return CPU seconds of each, and the memory of the longest."""
    made = runs(folder)
    taken = alternate(made, ROUNDS)
    path = f"choice, {SITES} sites, {ROWS * COLUMNS / 1e6:.1f} million cells"
    return [
        *(no_more_than(f"{path}, {name}: CPU seconds", taken[name].cpu_s, 8.0, "s") for name in made),
        no_more_than("its peak memory, whole process", peak_mb("bench_choice", "four flights", folder), 2500.0, "MB"),
    ]


def _terrain() -> xr.Dataset:
    row, column = np.mgrid[:ROWS, :COLUMNS]
    height = 1500.0 + 1.2 * column + 160.0 * np.sin(row / 12.0) * np.cos(column / 9.0)
    x, y = 5e5 + (np.arange(COLUMNS) + 0.5) * CELL_M, 4.88e6 - (np.arange(ROWS) + 0.5) * CELL_M
    fields = {
        "elevation": height, "canopy": 0.3 * (np.sin(column / 5.0) > 0), "cell_area": np.full(height.shape, CELL_M**2),
        "convergence": np.zeros(height.shape), "east": np.broadcast_to(x, height.shape), "north": y[:, None] + 0 * height,
    }  # fmt: skip
    terrain = xr.Dataset({name: (("y", "x"), values) for name, values in fields.items()}, {"y": y, "x": x})
    return with_landform(add_exposure(terrain), None, 270.0).assign_attrs(latitude=44.0)


def _flown(terrain: xr.Dataset, date: dt.date) -> Flown:
    elevation, faced = terrain["elevation"].to_numpy(), terrain["northness"].to_numpy()
    swe = np.maximum(480.0 + 0.15 * (elevation - 2200.0) - 1.5 * (date - FLIGHTS[0]).days * (1.0 - 2.0 * faced), 0.0)
    parts = [
        ErrorPart("flight bias", np.full(swe.shape, 8.0), np.inf),
        ErrorPart("flight random", np.full(swe.shape, 12.0), 100.0),
    ]
    pattern = Pattern.of(swe.ravel(), elevation.ravel(), np.full(swe.size, CELL_M**2))
    return Flown(date, swe, swe / 350.0, np.full(swe.shape, 0.04), np.ones(swe.shape), parts, pattern)


def _ground(terrain: xr.Dataset) -> GroundRecord:
    """Return stations and courses, half and half, anywhere in the basin, with a winter's weather of their own."""
    rng = np.random.default_rng(1)
    row, column = rng.integers(0, ROWS, SITES), rng.integers(0, COLUMNS, SITES)
    names = np.array([f"S{k:03d}" for k in range(SITES)])
    station = np.arange(SITES) % 2 == 1
    sites = pd.DataFrame(
        {
            "kind": np.where(station, "station", "course"), "row": row, "column": column, "inside": True,
            "x": terrain["x"].to_numpy()[column], "y": terrain["y"].to_numpy()[row], "canopy": 0.1,
        }
        | {new: terrain[old].to_numpy()[row, column] for new, old in (("elevation_m", "elevation"), ("northness",) * 2)},
        index=pd.Index(names, name="site_id"),
    )  # fmt: skip
    days = pd.date_range(START, NIGHT).astype("datetime64[s]")
    gathered = np.linspace(0, 450, len(days))[:, None] * rng.lognormal(0, 0.2, SITES)
    swe = np.maximum(gathered + rng.normal(0, 2, (len(days), SITES)), 0.0)
    count = int(station.sum())
    daily = pd.DataFrame(
        {
            "site_id": np.tile(names[station], len(days)), "date": np.repeat(days, count), "swe_mm": swe[:, station].ravel(),
            "depth_m": np.nan, "depth_se_m": 0.02,
            "air_temperature_c": np.repeat(-4 + 3 * np.sin(np.arange(len(days)) / 20), count),
            "precipitation_mm": np.repeat(rng.gamma(0.3, 8, len(days)), count),
        }
    )  # fmt: skip
    visited = [(k, day) for k in np.flatnonzero(~station) for day in range(30 + k % 9, len(days), 30)]
    visits = pd.DataFrame(
        {
            "site_id": [names[k] for k, _ in visited], "date": [days[day] for _, day in visited], "nominal_date": pd.NaT,
            "swe_mm": [swe[day, k] for k, day in visited], "swe_se_mm": 10.0, "depth_m": 1.0, "depth_se_m": 0.05,
            "density_kg_m3": 300.0, "density_se_kg_m3": 10.0, "points": 8.0, "by_depth": False,
        }
    ).astype({"date": "datetime64[s]", "nominal_date": "datetime64[s]"})  # fmt: skip
    return GroundRecord(sites, daily, np.full(len(daily), 5.0), visits)
