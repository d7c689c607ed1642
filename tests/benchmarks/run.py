"""The longer command: worlds with a known truth, crash trials, and speed side by side with references.

    python tests/benchmarks/run.py > docs/figures.md       everything, as a page
    python tests/benchmarks/run.py kriging help            these parts only

Exit status 1 where a test fails or a goal is missed. What is going on is told on stderr.
"""

from __future__ import annotations

import datetime as dt
import importlib
import os
import platform
import subprocess
import sys
import tempfile
from pathlib import Path

from timing import Figure

ROOT = Path(__file__).parents[2]

TRIALS = {
    "recovery": ["tests/recovery/trial.py"],
    "plan": ["tests/recovery/plan_trial.py"],
    "faults": ["tests/fault_trial"],
    "kills": ["tests/publishing/trials/crash_trial.py"],
    "race": ["tests/publishing/trials/race_trial.py"],
    "rebuild": ["tests/publishing/trials/rebuild_trial.py"],
    "month": ["tests/flows/trials/month_trial.py"],
    "melt": ["tests/recovery/melt_trial.py"],
    "slips": ["tests/mutation_trial"],
    "losses": ["tests/input_losses", "--brief"],
    "mutated": ["tests/mutated_inputs", "--count", "2000"],
    "folders": ["tests/own_folders"],
    "headers": ["tests/own_folders", "draws", "--count", "50"],
}
"""Long trials with their own tables, of which plain `pytest` runs short versions: made basins whose snow is known (the estimate
against simple methods, proposed sites against random ones), planted faults, inputs lost or damaged, inputs mutated, folders of files as teams keep them, headers changed at random, updates killed at random, writers racing, a month of nights under two schedules that are killed,
one-line slips in the core against the tests that guard it."""

BENCHMARKS = [
    "kriging",
    "trees",
    "night",
    "growth",
    "demo",
    "choice",
    "totals",
    "writing",
    "reading",
    "aggregate",
    "registration",
    "help",
    "archive",
    "outlook",
    "report",
]

HEAD = "| path | ours | reference | ratio | goal | met |\n| --- | --- | --- | --- | --- | --- |"


def main(names: list[str]) -> int:
    """Run the named parts, or all, print their tables, and return the exit status."""
    known = [*TRIALS, *BENCHMARKS]
    unknown = [name for name in names if name not in known]
    if unknown:
        sys.stderr.write(f"No part {unknown[0]!r}. Parts are {', '.join(known)}.\n")
        return 2
    print(_heading())
    good = True
    with tempfile.TemporaryDirectory() as folder:
        for name in names or known:
            sys.stderr.write(f"{name} ...\n")
            good &= _trial(name) if name in TRIALS else _benchmark(name, Path(folder))
    return 0 if good else 1


def _heading() -> str:
    load = os.getloadavg()[0]
    return (
        "# Figures\n\n"
        f"Made by `python tests/benchmarks/run.py` on {dt.datetime.now(dt.UTC).date()}: {os.cpu_count()} cores "
        f"({platform.machine()}), Python {platform.python_version()}, load {load:.1f} at the start. "
        "Seconds are the least wall time of five alternating rounds, in brackets the median CPU time of all threads; "
        "goals are judged by CPU time, which a machine's other users touch least."
    )


def _trial(name: str) -> bool:
    done = subprocess.run([sys.executable, *TRIALS[name]], cwd=ROOT, capture_output=True, text=True, check=False)
    said = done.stdout.strip() or done.stderr.strip()
    print(f"\n## {name.capitalize()}\n\n`python {' '.join(TRIALS[name])}`:\n\n```\n{said}\n```", flush=True)
    return done.returncode == 0


def _benchmark(name: str, folder: Path) -> bool:
    module = importlib.import_module(f"bench_{name}")
    rows: list[Figure] = module.figures(folder)
    print(f"\n## {name.capitalize()}\n\n{module.__doc__.strip()}\n\n{HEAD}")
    for row in rows:
        met = "" if row.met is None else ("yes" if row.met else "**no**")
        print(f"| {row.path} | {row.ours} | {row.reference} | {row.ratio} | {row.goal} | {met} |", flush=True)
    return all(row.met is not False for row in rows)


if __name__ == "__main__":
    sys.path.insert(0, str(ROOT))
    sys.exit(main(sys.argv[1:]))
