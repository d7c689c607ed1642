"""Regression trees trained on 50 000 rows of 12 predictors and asked for 1.6 million cells, against a random forest of 200."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from sklearn.ensemble import RandomForestRegressor
from timing import Figure, Runs, alternate, faster_at_least, no_more_than, peak_mb

from snowtally.snow.trees import Lessons, ShareTrees

ROWS, PREDICTORS, CELLS = 50_000, 12, 1_600_000

FOREST_ROUNDS = 3
"""The forest takes the better part of a minute: three rounds tell enough."""


def runs(_folder: Path) -> Runs:
    """Return our fit and prediction, and the forest's with leaves as large, on all cores."""
    lessons, cells = _world()

    def forest() -> np.ndarray:
        model = RandomForestRegressor(200, min_samples_leaf=20, n_jobs=-1, random_state=1)
        return model.fit(lessons.columns, lessons.missed, sample_weight=lessons.weight).predict(cells)

    return {"ours": lambda: ShareTrees(1).fit(lessons).predict(cells), "forest": forest}


def figures(folder: Path) -> list[Figure]:
    """Return speed, memory, and how far both are from the noise-free truth."""
    made = runs(folder)
    taken = alternate(made, FOREST_ROUNDS)
    truth = _truth(_world()[1])
    off = {name: float(np.sqrt(np.mean((run() - truth) ** 2))) for name, run in made.items()}
    path = f"trees, {ROWS:,} rows, {PREDICTORS} predictors, {CELLS / 1e6:.1f} million cells, fit and prediction"
    return [
        no_more_than(f"{path}: CPU seconds", taken["ours"].cpu_s, 6.0, "s"),
        faster_at_least(path, taken["ours"], ("random forest of 200", taken["forest"]), 3.0),
        no_more_than("its peak memory, whole process", peak_mb("bench_trees", "ours", folder), 900.0, "MB"),
        no_more_than("its error against the known truth, times the forest's", off["ours"] / off["forest"], 1.0, ""),
    ]


def _world() -> tuple[Lessons, np.ndarray]:
    rng = np.random.default_rng(1)
    columns = rng.normal(size=(ROWS, PREDICTORS)).astype(np.float32)
    missed = _truth(columns) + rng.normal(0.0, 0.2, ROWS)
    cells = rng.normal(size=(CELLS, PREDICTORS)).astype(np.float32)
    return Lessons(columns, missed, rng.uniform(0.5, 1.5, ROWS)), cells


def _truth(columns: np.ndarray) -> np.ndarray:
    return 0.2 * np.tanh(columns[:, 0]) + 0.1 * np.sin(2.0 * columns[:, 1]) + 0.1 * (columns[:, 2] > 0.5)
