"""A made basin whose sunny slopes lose more than its level sites say: what trees can learn from one flight to the next."""

import datetime as dt
import itertools

import numpy as np
import pandas as pd
import xarray as xr

from snowtally.model.ground import GroundRecord
from snowtally.snow.carry import Pattern
from snowtally.snow.flight_swe import Flown
from snowtally.statistics.errors import ErrorPart
from snowtally.terrain.predictors import add_exposure, with_landform

ROWS, COLUMNS, CELL_M = 60, 70, 100.0
START = dt.date(2030, 10, 1)
FLIGHTS = (dt.date(2031, 1, 4), dt.date(2031, 2, 1), dt.date(2031, 3, 1), dt.date(2031, 4, 1))
NIGHT = dt.date(2031, 4, 25)
LOSS_MM_PER_DAY = 2.5
X, Y = 5e5 + (np.arange(COLUMNS) + 0.5) * CELL_M, 4.88e6 - (np.arange(ROWS) + 0.5) * CELL_M


def ground_shape():
    """Return the terrain with exposure, coordinates and the ground's shape."""
    row, column = np.mgrid[:ROWS, :COLUMNS]
    height = 2000.0 + 5.0 * column + 160.0 * np.sin(row / 4.0) * np.cos(column / 9.0)
    fields = {
        "elevation": height, "canopy": 0.3 * (np.sin(column / 5.0) > 0), "cell_area": np.full(height.shape, 1e4),
        "convergence": np.zeros(height.shape), "east": np.broadcast_to(X, height.shape), "north": Y[:, None] + 0 * height,
    }  # fmt: skip
    terrain = xr.Dataset({name: (("y", "x"), values) for name, values in fields.items()}, {"y": Y, "x": X})
    return with_landform(add_exposure(terrain), None, 270.0).assign_attrs(latitude=44.0)


def truth_on(terrain, date, *, lasting=True, seed=0):
    """Return true SWE: level ground loses evenly, slopes by their exposure, in a lasting way or anew each spell."""
    start = 480.0 + 0.15 * (terrain["elevation"].to_numpy() - 2200.0)
    edges = [FLIGHTS[0], *(day for day in FLIGHTS[1:] if day < date), date]
    signs = np.random.default_rng(seed).permutation([1.0, -1.0, 1.0])
    swe, faced = start, terrain["northness"].to_numpy()
    for spell, (first, last) in enumerate(itertools.pairwise(edges)):
        turn = 1.0 if lasting else signs[spell % 3]
        swe = swe - LOSS_MM_PER_DAY * (last - first).days * (1.0 - 2.0 * turn * faced)
    return np.maximum(swe, 0.0)


def flown_on(terrain, date, **how):
    swe = truth_on(terrain, date, **how)
    elevation = terrain["elevation"].to_numpy()
    parts = [
        ErrorPart("flight bias", np.full(swe.shape, 8.0), np.inf),
        ErrorPart("flight random", np.full(swe.shape, 12.0), 100.0),
    ]
    pattern = Pattern.of(swe.ravel(), elevation.ravel(), np.full(swe.size, 1e4))
    return Flown(date, swe, swe / 350.0, np.full(swe.shape, 0.04), np.ones(swe.shape), parts, pattern)


def stations(terrain, count=8, noise_mm=2.0):
    """Return the record of stations on the most level cells, spread over the basin, up to the night."""
    flat = np.abs(terrain["northness"].to_numpy())
    row, column = [], []
    for strip in np.array_split(np.arange(COLUMNS), count):
        at = np.unravel_index(np.argmin(flat[:, strip]), (ROWS, len(strip)))
        row.append(int(at[0]))
        column.append(int(strip[at[1]]))
    sites = pd.DataFrame(
        {
            "kind": "station", "x": X[column], "y": Y[row], "row": row, "column": column, "inside": True,
            "elevation_m": terrain["elevation"].to_numpy()[row, column],
            "northness": 0.0, "canopy": terrain["canopy"].to_numpy()[row, column],
        },
        index=pd.Index([f"S{k}" for k in range(count)], name="site_id"),
    )  # fmt: skip
    rng = np.random.default_rng(5)
    days = pd.date_range(FLIGHTS[0], NIGHT)
    level = terrain.assign(northness=0.0 * terrain["northness"])
    daily = [
        {"site_id": site, "date": day, "swe_mm": swe + rng.normal(0, noise_mm), "depth_m": np.nan, "depth_se_m": 0.02}
        for day in days
        for site, swe in zip(sites.index, truth_on(level, day.date())[row, column], strict=True)
    ]
    visits = pd.DataFrame(
        columns=["site_id", "date", "nominal_date", "swe_mm", "swe_se_mm", "depth_m", "depth_se_m", "density_kg_m3",
                 "density_se_kg_m3", "points", "by_depth"]
    ).astype({"date": "datetime64[s]", "swe_mm": float, "swe_se_mm": float})  # fmt: skip
    return GroundRecord(sites, pd.DataFrame(daily).astype({"date": "datetime64[s]"}), np.full(len(daily), 5.0), visits)
