"""The long trial: `python tests/fault_trial [PLANTED_EACH] [SEASONS]` prints its tables.

They are the kinds of fault with what was found of each by the season's end and on the night, the clean seasons with what
was set aside of them, and what was missed.
"""

# ruff: noqa: T201  a command prints its tables

from __future__ import annotations

import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pandas as pd
from trial_basin import write_ground
from trial_scores import NEWEST_DAYS, Trial, clean_shares, newest_days_set_aside, run_nights, run_trial, table

LEAST_OF_A_KIND = 0.9


def last_of(trials: Iterator[Trial]) -> Trial:
    """Run a trial to its end and tell on the way how far it is."""
    for trial in trials:
        print(f"\r{len(trial.outcomes)} planted, {len(trial.clean)} clean seasons", end="", file=sys.stderr)
    print(file=sys.stderr)
    return trial


def tell(trial: Trial) -> None:
    """Print what became of the planted faults."""
    done = table(trial)
    print(done.to_string())
    for gross, name in ((True, "gross"), (False, "hard")):
        kinds = done[done["gross"] == gross]
        found, named = (100 * kinds[word].sum() / kinds["planted"].sum() for word in ("found", "named"))
        print(f"{name}: {kinds['planted'].sum()} planted, {found:.1f} % found, {named:.1f} % named right")
    print("\nnot named right")
    for outcome in trial.outcomes:
        if not outcome.named:
            plant = outcome.plant
            where = f"season {outcome.seed}, {'+'.join(plant.sites)}, {plant.start.date()} to {plant.end.date()}"
            print(f"{plant.kind.name}: {where}: {outcome.told or 'nothing'}")


def main(each: int, seasons: int) -> None:
    """Run and print the trial with `each` faults of a kind in so many seasons."""
    seeds = list(range(100, 100 + seasons))
    with tempfile.TemporaryDirectory() as folder:
        home = Path(folder)
        write_ground(home)
        trial = last_of(run_trial(home, seeds, each))
        nights = last_of(run_nights(home, seeds[: max(3, seasons // 3)], max(1, each // 4)))
        newest = [newest_days_set_aside(home, clean, 3) for clean in trial.clean]
    print("By the season's end\n")
    tell(trial)
    print("\nOn the night (the night after a fault ended; ten nights after a lasting one began)\n")
    tell(nights)
    shares = {name: f"{100 * share:.2f} %" for name, share in clean_shares(trial).items()}
    print(f"\nOf {len(trial.clean)} clean seasons set aside: {shares}")
    aside, given = (sum(counts) for counts in zip(*newest, strict=True))
    print(f"Of their newest {NEWEST_DAYS} days on drawn nights: {100 * aside / given:.2f} % of SWE station-days\n")
    cried = pd.concat([run.cried for run in trial.clean])
    done = table(trial).query("gross")
    below = done[done["named"] < LEAST_OF_A_KIND * done["planted"]]
    if len(below):
        print(
            f"\nGross kinds of which less than {100 * LEAST_OF_A_KIND:.0f} % were found and named right: {', '.join(below.index)}\n"
        )
    if len(cried):
        print(pd.crosstab([cried["table"], cried["rule"], cried["action"]], cried["climate"]).to_string())


if __name__ == "__main__":
    main(*(int(word) for word in (sys.argv[1:] or ("20", "24"))))
