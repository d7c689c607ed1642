"""The recovery trial: made basins of two physics, the pipeline and eight simple methods against the known truth.

python tests/recovery/trial.py --heap training --worlds 24 --save before.csv
python tests/recovery/trial.py --compare before.csv after.csv

Constants are chosen on the training heap alone; the judging heap says what they are worth. `--truth depth|density|sites|weather`
puts the truth in one ingredient's place, so that each figure has its cause. Whole blocks of 8 worlds hold each kind of night as
often as the trial means it.
"""

from __future__ import annotations

import argparse
import sys
import time
import warnings
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from unittest import mock

import numpy as np
import pandas as pd

sys.path[:0] = [str(Path(__file__).parents[2]), str(Path(__file__).parent)]

from baselines import BASELINES  # noqa: E402
from recovery_worlds import HEAPS, INGREDIENTS, KINDS, World, make_world, plan_of  # noqa: E402
from scores import day_scores, map_scores, site_scores, whole_grid  # noqa: E402
from trial_tables import OURS, comparison, summary  # noqa: E402

from snowtally.estimate.estimate import estimate_day  # noqa: E402
from snowtally.model.problems import NoEstimateError  # noqa: E402
from snowtally.snow.density import BulkDensity  # noqa: E402

LEAST_MM = 10.0
"""Nights with less in the basin are left out: a share of nothing says nothing."""


@dataclass(frozen=True)
class Job:
    """One world to be tried: its seed, the kinds of night, the ingredient that the truth takes the place of, empty for none."""

    seed: int
    kinds: tuple[str, ...] = KINDS
    truth: str = ""
    with_baselines: bool = True


def nights(job: Job) -> pd.DataFrame:
    """Return one row for each method and night of a world; empty where none of its nights is asked for."""
    asked = [(day, kind) for day, kind in plan_of(job.seed).nights if kind in job.kinds]
    if not asked:
        return pd.DataFrame()
    began = time.process_time()
    world = make_world(job.seed)
    made_s = time.process_time() - began
    rows = []
    for day, kind in asked:
        date = world.date(day)
        if world.truth[date][world.ground.inside].mean() < LEAST_MM:
            continue
        common = {
            "seed": job.seed, "physics": world.plan.physics, "year": world.season.year, "date": str(date), "night": kind,
            "sites": len(world.sites.row), "area_km2": world.ground.area_km2, "made_s": made_s,
        }  # fmt: skip
        common |= site_scores(world, date).to_dict()
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            rows += [common | scores for scores in _methods(world, day, job)]
    return pd.DataFrame(rows)


def _methods(world: World, day: int, job: Job) -> Iterator[dict]:
    """Yield the scores of each method on a night."""
    date = world.date(day)
    inputs = world.inputs(date, job.truth)
    began = time.process_time()
    try:
        with true_density(world) if job.truth == "density" else mock.patch.dict({}):
            found = estimate_day(inputs, world.choices)
    except NoEstimateError:
        return
    seconds = time.process_time() - began
    swe = whole_grid(world, found, "swe")
    yield {"method": OURS, "night_s": seconds, **map_scores(world, date, swe), **day_scores(world, date, found)}
    for name, method in BASELINES.items() if job.with_baselines else ():
        swe = method(inputs)
        if swe is not None:
            yield {"method": name, **map_scores(world, date, swe)}


@contextmanager
def true_density(world: World) -> Iterator[None]:
    """Let the density model tell the true density of cells on the days on which it is known; sites it tells as it does."""
    ground = world.ground
    known = BulkDensity.predict, BulkDensity.predict_from_swe

    def of(model: BulkDensity, given: np.ndarray, places: object, predict: object) -> object:
        told = predict(model, given, places)
        if np.shape(told.mean) != ground.grid.shape or model.date_ not in world.truth:
            return told
        swe, depth = world.truth[model.date_], world.true_depth[model.date_]
        return replace(told, mean=np.where(depth > 0, swe / np.where(depth > 0, depth, 1.0), told.mean))

    with (
        mock.patch.object(BulkDensity, "predict", lambda model, depth, places: of(model, depth, places, known[0])),
        mock.patch.object(BulkDensity, "predict_from_swe", lambda model, swe, places: of(model, swe, places, known[1])),
    ):
        yield


def main() -> None:
    """Run the trial as the command line asks."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--heap", choices=HEAPS, default="training")
    parser.add_argument("--worlds", type=int, default=24, help="how many of the heap's worlds")
    parser.add_argument("--skip", type=int, default=0, help="worlds of the heap that are passed over first")
    parser.add_argument("--kinds", nargs="+", choices=KINDS, default=KINDS, help="kinds of night")
    parser.add_argument(
        "--truth", choices=INGREDIENTS, default="", help="the ingredient that the truth takes the place of"
    )
    parser.add_argument("--without-baselines", action="store_true")
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--save", type=Path, help="CSV of the rows")
    parser.add_argument(
        "--compare", type=Path, nargs=2, metavar=("BEFORE", "AFTER"), help="two saved CSVs; nothing is run"
    )
    asked = parser.parse_args()
    if asked.compare:
        sys.stdout.write(comparison(*(pd.read_csv(path) for path in asked.compare)) + "\n")
        return
    seeds = HEAPS[asked.heap][asked.skip : asked.skip + asked.worlds]
    jobs = [Job(seed, tuple(asked.kinds), asked.truth, not asked.without_baselines) for seed in seeds]
    with ProcessPoolExecutor(asked.jobs) as pool:
        rows = pd.concat(list(pool.map(nights, jobs)), ignore_index=True)
    if asked.save:
        rows.to_csv(asked.save, index=False)
    heap = f"{asked.heap} heap, seeds {seeds[0]} to {seeds[-1]}" + (f", true {asked.truth}" if asked.truth else "")
    cost = rows.dropna(subset="night_s").groupby("seed").agg(made=("made_s", "first"), nights=("night_s", "sum"))
    seconds = f"CPU of a basin: {cost['made'].mean():.0f} s made, {cost['nights'].mean():.0f} s estimated"
    sys.stdout.write(f"{heap}\n{seconds}\n{summary(rows)}\n")


if __name__ == "__main__":
    main()
