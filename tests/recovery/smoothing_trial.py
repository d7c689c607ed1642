"""What later flights tell of earlier nights: made basins flown two or three times, each night as it was made and smoothed.

python tests/recovery/smoothing_trial.py --heap training --worlds 8
python tests/recovery/smoothing_trial.py --heap judging --worlds 16 --save smoothed.csv

The worlds are those of the recovery trial on small ground, with flights 25 to 90 days apart and a night between each two and before
the first. Constants are chosen on the training heap alone.
"""

from __future__ import annotations

import argparse
import itertools
import sys
import warnings
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import numpy as np
import pandas as pd

sys.path[:0] = [str(Path(__file__).parents[2]), str(Path(__file__).parent)]

from recovery_worlds import HEAPS, PHYSICS, Plan, make_world  # noqa: E402
from scores import day_scores, map_scores, whole_grid  # noqa: E402
from trial import LEAST_MM  # noqa: E402
from trial_tables import OURS, comparison  # noqa: E402

from snowtally.estimate.estimate import map_of_day  # noqa: E402
from snowtally.estimate.reanalysis import WholeSeason, smoothed_map  # noqa: E402
from snowtally.estimate.swe_map import day_of  # noqa: E402
from snowtally.model.problems import NoEstimateError  # noqa: E402

AREA_KM2 = 15.0
LAST_FLIGHT = 225
BEFORE, BETWEEN = "no flight", ("1 to 7", "8 to 21", "22 to 45", "later")
"""Kinds of night by days since the last flight before them, as the recovery trial has them."""


def plan(seed: int) -> Plan:
    """Return two or three flights of a season, a night 8 to 39 days before the first and one within the span between each two."""
    rng = np.random.default_rng([seed, 5])
    first = int(rng.integers(95, 135))
    flights = [
        first,
        *(int(first + later) for later in np.cumsum(rng.integers(25, 91, 2)) if first + later <= LAST_FLIGHT),
    ]
    nights = [(first - int(rng.integers(8, 40)), BEFORE)]
    for start, end in itertools.pairwise(flights):
        age = round(float(rng.uniform(0.15, 0.85)) * (end - start))
        kind = BETWEEN[int(np.searchsorted((8, 22, 46), age, side="right"))]
        nights.append((start + age, kind))
    return Plan(list(PHYSICS)[seed % 2], tuple(flights), (), tuple(nights))


def nights(seed: int, area_km2: float = AREA_KM2) -> pd.DataFrame:
    """Return two rows for each night of a world, as it was made and smoothed: `way`, and the scores of the recovery trial."""
    world = make_world(seed, area_km2, plan(seed))
    rows = []
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        season = WholeSeason.of(world.inputs(world.date(max(world.plan.flights))), world.choices)
        for day, kind in world.plan.nights:
            date = world.date(day)
            if world.truth[date][world.ground.inside].mean() < LEAST_MM:
                continue
            try:
                nightly = map_of_day(world.inputs(date), world.choices)
            except NoEstimateError:
                continue
            common = {"seed": seed, "physics": world.plan.physics, "date": str(date), "night": kind, "method": OURS}
            for way, found in (("nightly", nightly), ("smoothed", smoothed_map(nightly, season))):
                told = day_of(found)
                scores = map_scores(world, date, whole_grid(world, told, "swe")) | day_scores(world, date, told)
                rows.append(common | {"way": way} | scores)
    return pd.DataFrame(rows)


def summary(rows: pd.DataFrame) -> str:
    """Return the nights between flights, then those before the first: as made and smoothed, side by side."""
    parts = {"between flights": rows["night"] != BEFORE, "before the first flight": rows["night"] == BEFORE}
    return "\n".join(
        f"\n== Nights {name}\n" + comparison(*(rows[part & (rows["way"] == way)] for way in ("nightly", "smoothed")))
        for name, part in parts.items()
    )


def main() -> None:
    """Run the trial as the command line asks."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--heap", choices=HEAPS, default="training")
    parser.add_argument("--worlds", type=int, default=16, help="how many of the heap's worlds")
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--save", type=Path, help="CSV of the rows")
    asked = parser.parse_args()
    seeds = HEAPS[asked.heap][: asked.worlds]
    with ProcessPoolExecutor(asked.jobs) as pool:
        rows = pd.concat(list(pool.map(nights, seeds)), ignore_index=True)
    if asked.save:
        rows.to_csv(asked.save, index=False)
    sys.stdout.write(f"{asked.heap} heap, seeds {seeds[0]} to {seeds[-1]}\n{summary(rows)}\n")


if __name__ == "__main__":
    main()
