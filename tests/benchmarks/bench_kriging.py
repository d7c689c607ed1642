"""Kriging of 250 sites on 1.6 million cells with an elevation drift and each site's own error, against PyKrige."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from timing import Figure, Runs, alternate, faster_at_least, no_more_than, peak_mb

from snowtally.statistics.kriging import Kriging
from snowtally.statistics.pykrige_engine import PykrigeKriging
from snowtally.statistics.variogram import Variogram

SIDE = 1265
"""Rows and columns: 1.6 million cells of 100 m."""

SITES = 250
VARIOGRAM = Variogram("exponential", 120.0, 5000.0, 8000.0)
NOISE = 300.0
"""Error variance of every site where PyKrige takes part (it knows no other), mm2."""

ROWS = 20
"""Grid rows that PyKrige takes at a time: 25 000 cells, 50 MB an array; fewer are slower, more no faster."""


def runs(_folder: Path) -> Runs:
    """Return our run with each site's own error, and PyKrige's with one error for all, by chunks of rows."""
    sites, values, elevation, cells, height = _world()
    x, y, drift = cells[:SIDE, 0], cells[::SIDE, 1], height.reshape(SIDE, SIDE, 1)
    error = np.random.default_rng(2).uniform(50.0, 900.0, SITES)

    def theirs() -> tuple[np.ndarray, np.ndarray]:
        model = PykrigeKriging(VARIOGRAM).fit(sites, values, np.full(SITES, NOISE), elevation)
        step = ROWS * SIDE
        parts = [model.predict(cells[at : at + step], height[at : at + step]) for at in range(0, len(cells), step)]
        return tuple(np.concatenate(part) for part in zip(*parts, strict=True))

    return {
        "ours": lambda: Kriging(VARIOGRAM).fit(sites, values, error, elevation).predict_grid(x, y, drift),
        "pykrige": theirs,
        "ours, one error": lambda: (
            Kriging(VARIOGRAM).fit(sites, values, np.full(SITES, NOISE), elevation).predict_grid(x, y, drift)
        ),
    }


def figures(folder: Path) -> list[Figure]:
    """Return speed, memory, and the largest difference where both can do the same."""
    made = runs(folder)
    equal = [
        np.abs(ours.ravel() - theirs).max() / scale
        for ours, theirs, scale in zip(made["ours, one error"](), made["pykrige"](), (300.0, 5000.0), strict=True)
    ]
    taken = alternate({name: made[name] for name in ("ours", "pykrige")})
    path = f"kriging, {SITES} sites, {SIDE * SIDE / 1e6:.1f} million cells, mean and variance, drift, own errors"
    return [
        faster_at_least(path, taken["ours"], ("PyKrige universal in row chunks", taken["pykrige"]), 4.0),
        no_more_than("its peak memory, whole process", peak_mb("bench_kriging", "ours", folder), 400.0, "MB"),
        no_more_than("largest difference from PyKrige, one error for all, share of the scale", max(equal), 1e-8, ""),
    ]


def _world() -> tuple[np.ndarray, ...]:
    """Return sites (n, 2), values (n,), the sites' elevation (n, 1), cells (m, 2) and their elevation (m, 1)."""
    rng = np.random.default_rng(1)
    x, y = 5e5 + (np.arange(SIDE) + 0.5) * 100.0, 4.88e6 - (np.arange(SIDE) + 0.5) * 100.0
    cells = np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)

    def elevation(places: np.ndarray) -> np.ndarray:
        east, north = (places - cells[0]).T / 1e4
        return (2000.0 + 500.0 * np.sin(east) * np.cos(0.7 * north) + 40.0 * north)[:, None]

    sites = cells[0] + rng.random((SITES, 2)) * [126_000.0, -126_000.0]
    values = 300.0 + 0.2 * (elevation(sites)[:, 0] - 2000.0) + rng.normal(0.0, 70.0, SITES)
    return sites, values, elevation(sites), cells, elevation(cells)
