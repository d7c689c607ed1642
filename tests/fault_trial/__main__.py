"""The long trial: `python tests/fault_trial [PLANTED_EACH] [SEASONS]` prints its tables.

They are the kinds of fault with what was found of each, the clean seasons with what was set aside, and what was missed.
"""

# ruff: noqa: T201  a command prints its tables

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

import pandas as pd
from made_basin import write_ground
from trial import clean_shares, run_trial, table

each = int(sys.argv[1]) if len(sys.argv) > 1 else 20
seasons = int(sys.argv[2]) if len(sys.argv) > 2 else 24
pd.set_option("display.width", 200, "display.max_rows", 500, "display.max_colwidth", 100)
with tempfile.TemporaryDirectory() as folder:
    home = Path(folder)
    write_ground(home)
    for trial in run_trial(home, list(range(100, 100 + seasons)), each):
        print(f"\r{len(trial.outcomes)} planted, {len(trial.clean)} clean seasons", end="", file=sys.stderr)
print(file=sys.stderr)
done = table(trial)
print(done.to_string())
for gross, name in ((True, "gross"), (False, "hard")):
    kinds = done[done["gross"] == gross]
    shares = {word: 100 * kinds[word].sum() / kinds["planted"].sum() for word in ("found", "named")}
    print(
        f"\n{name}: {kinds['planted'].sum()} planted, {shares['found']:.1f} % found, {shares['named']:.1f} % named right"
    )
print("\nof clean seasons set aside:", ", ".join(f"{k} {100 * v:.2f} %" for k, v in clean_shares(trial).items()))
cried = pd.concat([run.cried for run in trial.clean])
if len(cried):
    print(f"\nfindings in {len(trial.clean)} clean seasons")
    print(pd.crosstab([cried["table"], cried["rule"], cried["action"]], cried["climate"]).to_string())
print("\nnot named right")
for outcome in trial.outcomes:
    if not outcome.named:
        plant = outcome.plant
        print(
            f"{plant.kind.name}: season {outcome.seed}, {'+'.join(plant.sites)}, {plant.start.date()} to {plant.end.date()}:",
            outcome.told or "nothing",
        )
