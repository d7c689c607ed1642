"""Runs side by side: each in turn, round after round, so that whatever else the machine does falls on all alike.

CPU seconds are those of all threads and of child processes; their median withstands a neighbour's burst. Wall seconds are
the least of the rounds: what a person waits for. Goals are judged by CPU seconds, since wall seconds on a machine that others
use are not ours alone; that asks no less where our run has threads and the reference none. Thread variables are left as the
user has them.
"""

from __future__ import annotations

import importlib
import os
import re
import resource
import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from statistics import median

ROUNDS = 5

Runs = dict[str, Callable[[], object]]
"""What is run side by side, by name."""


@dataclass(frozen=True)
class Timing:
    """Median CPU seconds and least wall seconds of a run."""

    cpu_s: float
    wall_s: float

    def __str__(self) -> str:
        """Return both for the table."""
        return f"{self.wall_s:.2f} s ({self.cpu_s:.2f} s CPU)"


@dataclass(frozen=True)
class Figure:
    """One row of the table: what was measured, the reference, how they compare, and the goal.

    Parameters
    ----------
    path : what was run, with its size.
    ours, reference, ratio : as people read them; empty where there is none.
    goal : the bar; empty where there is none.
    met : whether it was reached; None without a goal.
    """

    path: str
    ours: str
    reference: str = ""
    ratio: str = ""
    goal: str = ""
    met: bool | None = None


def alternate(runs: Runs, rounds: int = ROUNDS) -> dict[str, Timing]:
    """Time all runs in turn, `rounds` times; the first round also pays for what is compiled or read once."""
    taken: dict[str, list[tuple[float, float]]] = {name: [] for name in runs}
    for _ in range(rounds):
        for name, run in runs.items():
            cpu, wall = _cpu_seconds(), time.perf_counter()
            run()
            taken[name].append((_cpu_seconds() - cpu, time.perf_counter() - wall))
    return {
        name: Timing(median(cpu for cpu, _ in pairs), min(wall for _, wall in pairs)) for name, pairs in taken.items()
    }


def _cpu_seconds() -> float:
    used = (resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))
    return sum(of.ru_utime + of.ru_stime for of in used)


def slower_at_most(path: str, ours: Timing, reference: tuple[str, Timing], goal: float) -> Figure:
    """Return the row of a run that may take `goal` times as long as its named reference, judged by CPU seconds."""
    name, theirs = reference
    wall, cpu = ours.wall_s / theirs.wall_s, ours.cpu_s / theirs.cpu_s
    ratio = f"{wall:.2f} times as long ({cpu:.2f} by CPU)"
    return Figure(path, str(ours), f"{name}: {theirs}", ratio, f"<= {goal:g} times", cpu <= goal)


def faster_at_least(path: str, ours: Timing, reference: tuple[str, Timing], goal: float | None) -> Figure:
    """Return the row of a run that must be `goal` times faster than its named reference, judged by CPU seconds."""
    name, theirs = reference
    wall, cpu = theirs.wall_s / ours.wall_s, theirs.cpu_s / ours.cpu_s
    ratio = f"{wall:.1f} times faster ({cpu:.1f} by CPU)"
    bar = ("", None) if goal is None else (f">= {goal:g} times", cpu >= goal)
    return Figure(path, str(ours), f"{name}: {theirs}", ratio, *bar)


def no_more_than(path: str, value: float, goal: float, unit: str) -> Figure:
    """Return the row of a value with an upper bar."""
    return Figure(path, f"{value:.3g} {unit}", goal=f"<= {goal:g} {unit}", met=bool(value <= goal))


def peak_mb(module: str, run: str, folder: Path) -> float:
    """Return the peak resident memory in MB of a new process that makes the inputs and does one run, imports and all."""
    command = [sys.executable, __file__, module, run, str(folder)]
    root = str(Path(__file__).parents[2])
    paths = os.pathsep.join(filter(None, [root, os.environ.get("PYTHONPATH", "")]))
    done = subprocess.run(command, check=True, capture_output=True, text=True, env={**os.environ, "PYTHONPATH": paths})
    return float(done.stdout.split()[-1]) / 1e6


def _peak_bytes() -> int:
    status = Path("/proc/self/status")
    if status.exists():
        # The kernel hands the peak of the process that started this one down in ru_maxrss; VmHWM is this one's own.
        return int(re.search(r"VmHWM:\s+(\d+) kB", status.read_text("ascii"))[1]) * 1024
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * (1 if sys.platform == "darwin" else 1024)


if __name__ == "__main__":
    importlib.import_module(sys.argv[1]).runs(Path(sys.argv[3]))[sys.argv[2]]()
    print(_peak_bytes())
