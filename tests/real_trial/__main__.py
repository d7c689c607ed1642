"""The estimate against real records on disk: `python tests/real_trial FOLDER`, before a change and after it.

    python tests/real_trial FOLDER --save before.csv
    python tests/real_trial FOLDER --against before.csv

A sixth of the sites is left out in turn on eight nights of the judging seasons, and the map made without them is held against
what they measured, beside a line on elevation, inverse distance and the mean of the other sites. `--density` holds the density
model against courses held out by course and season in place of it. `--training` takes the heap that constants may be tuned on,
`--every-season` all of a heap. PYTHONPATH may name another checkout, whose code is then judged. Intervals are of 1000 bootstrap
draws of seasons and sites. FOLDER's files are described in `real_records.py`.
"""

# ruff: noqa: T201  a command prints its tables

from __future__ import annotations

import argparse
import sys
import tempfile
import warnings
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from pathlib import Path

import pandas as pd

# At the end, so that PYTHONPATH may name another checkout to be judged.
sys.path.append(str(Path(__file__).parents[2]))

import real_density
import real_sites
from real_figures import DENSITY, SITES, Subject, difference, summary
from real_records import Records, prepare

import snowtally


def main() -> None:
    """Run a judge as the command line asks."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", type=Path, help="the records")
    parser.add_argument("--dates", help="nights, divided by commas, in place of a heap's own")
    parser.add_argument("--training", action="store_true", help="the heap that constants may be tuned on")
    parser.add_argument("--every-season", action="store_true", help="all nights or seasons of the heap")
    parser.add_argument("--density", action="store_true", help="judge density in place of the map")
    parser.add_argument("--jobs", type=int, default=1, help="nights at once")
    parser.add_argument("--save", type=Path, help="write the rows here, as they come")
    parser.add_argument("--against", type=Path, help="rows saved by an earlier run")
    asked = parser.parse_args()
    if not (asked.folder / "raw").is_dir():
        parser.error(f"{asked.folder / 'raw'} is no folder: real_records.py says what a folder of records holds")
    warnings.simplefilter("ignore")
    with tempfile.TemporaryDirectory(prefix="real-trial-") as made:
        records = prepare(asked.folder, Path(made))
        rows = _run(_density_tasks(records, asked) if asked.density else _site_tasks(records, asked), asked)
    _tell(rows, asked)


Task = Callable[[], pd.DataFrame]


def _site_tasks(records: Records, asked: argparse.Namespace) -> list[Task]:
    heap = real_sites.EVERY if asked.every_season else real_sites.JUDGING
    nights = asked.dates.split(",") if asked.dates else real_sites.TRAINING if asked.training else heap
    return [partial(real_sites.left_out, records, night) for night in nights]


def _density_tasks(records: Records, asked: argparse.Namespace) -> list[Task]:
    visits = real_density.read_visits(asked.folder)
    seasons = real_density.seasons_of(visits, training=asked.training, every=asked.every_season)
    regions = [region.reset_index(drop=True) for _, region in visits.groupby("region")]
    return [partial(real_density.held_out, records, region, season) for region in regions for season in seasons]


def _run(tasks: list[Task], asked: argparse.Namespace) -> pd.DataFrame:
    """Return the rows of all tasks, saved after each."""
    done: list[pd.DataFrame] = []
    for rows in _results(tasks, asked.jobs):
        done += [rows] if len(rows) else []
        if asked.save and done:
            pd.concat(done).round(4).to_csv(asked.save, index=False)
        print(f"\r{len(done)} of {len(tasks)}", end="", file=sys.stderr, flush=True)
    print(file=sys.stderr)
    return pd.concat(done, ignore_index=True)


def _results(tasks: list[Task], jobs: int) -> Iterator[pd.DataFrame]:
    if jobs == 1:
        yield from (task() for task in tasks)
        return
    with ProcessPoolExecutor(jobs) as pool:
        yield from (running.result() for running in [pool.submit(task) for task in tasks])


def _tell(rows: pd.DataFrame, asked: argparse.Namespace) -> None:
    judge, subject, by = _judge(density=asked.density)
    judged = judge.for_judging(rows)
    print(f"code of {Path(snowtally.__file__).parent}\n")
    print(summary(judged, subject, by).round(2).to_string())
    if asked.against:
        before = judge.for_judging(pd.read_csv(asked.against, dtype={"site": str}))
        print(f"\nagainst {asked.against}\n")
        print(difference(judged, before, subject).round(2).to_string())


def _judge(*, density: bool) -> tuple[object, Subject, str]:
    return (real_density, DENSITY, "region") if density else (real_sites, SITES, "date")


if __name__ == "__main__":
    main()
