"""The mutation trial: `python tests/mutation_trial [--count N] [--seed S] [--jobs J] [MODULE ...]`.

Draws one-line changes of the core, runs the tests that guard the changed module on each, and lists what no test saw. Ends with
status 1 where less than nine tenths of the changes are seen, not counting those that `subjects.py` calls harmless with a reason.
"""

# ruff: noqa: T201  a command prints its tables

from __future__ import annotations

import argparse
import os
import queue
import random
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

sys.path[:0] = [str(Path(__file__).parent), str(Path(__file__).parents[2] / "docs")]

from mutations import Mutation, mutations  # noqa: E402  a script finds what lies beside it
from subjects import HARMLESS, subjects  # noqa: E402

ROOT = Path(__file__).parents[2]

LEAST_SEEN = 0.9
LONGEST_S = 900
"""A change that makes a loop endless is seen by this."""


def drawn(modules: Sequence[str], count: int, seed: int) -> list[Mutation]:
    """Return `count` changes, as evenly spread over the modules as they allow."""
    chance = random.Random(seed)  # noqa: S311  a draw, no secret
    piles = []
    for module in modules:
        pile = mutations(module, (ROOT / module).read_text("utf-8"))
        chance.shuffle(pile)
        piles.append(pile)
    taken: list[Mutation] = []
    while len(taken) < count and any(piles):
        taken += [pile.pop() for pile in piles if pile]
    return taken[:count]


def copied(folder: Path) -> Path:
    """Return a copy of the project's files as they stand."""
    names = subprocess.run(["git", "ls-files", "-z"], cwd=ROOT, capture_output=True, text=True, check=True).stdout  # noqa: S607
    for name in filter(None, names.split("\0")):
        # A link that gives a folder its import name is a link there too: the copy's own code is to run.
        if (ROOT / name).is_file() or (ROOT / name).is_symlink():
            (folder / name).parent.mkdir(parents=True, exist_ok=True)
            shutil.copy2(ROOT / name, folder / name, follow_symlinks=False)
    return folder


def examples(module: str) -> str:
    """Return the path under which the examples in a module's docstrings are run."""
    return module.replace("pipeline/", ".names/snowtally/", 1)


def is_seen(home: Path, module: str, text: str, tests: Sequence[str]) -> bool:
    """Return whether a test that guards the module fails on this text of it."""
    before = (home / module).read_text("utf-8")
    (home / module).write_text(text, "utf-8")
    try:
        return fails(home, [examples(module), *tests], LONGEST_S)
    finally:
        (home / module).write_text(before, "utf-8")


def fails(home: Path, tests: Sequence[str], longest_s: float | None = None) -> bool:
    """Return whether one of the tests fails, or does not end in its time; None gives all time."""
    # No compiled file: one of the same second and size would stand for the next text.
    environment = os.environ | {"PYTHONPATH": str(home / ".names"), "PYTHONDONTWRITEBYTECODE": "1"}
    words = [sys.executable, "-m", "pytest", "-q", "-x", "-p", "no:cacheprovider", "-p", "no:xdist", *tests]
    try:
        done = subprocess.run(words, cwd=home, env=environment, capture_output=True, timeout=longest_s, check=False)
    except subprocess.TimeoutExpired:
        return True
    return done.returncode != 0


def main() -> int:
    """Run the trial, print its tables and return the exit status."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("modules", nargs="*", default=[])
    parser.add_argument("--count", type=int, default=70)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--jobs", type=int, default=2)
    given = parser.parse_args()
    guarded = {module: tests for module, tests in subjects().items() if not given.modules or module in given.modules}
    taken = drawn(list(guarded), given.count, given.seed)
    with tempfile.TemporaryDirectory() as scratch:
        homes: queue.SimpleQueue[Path] = queue.SimpleQueue()
        for number in range(given.jobs):
            homes.put(copied(Path(scratch) / str(number)))
        home = homes.get()
        asked = dict.fromkeys(test for one in taken for test in (examples(one.path), *guarded[one.path]))
        if fails(home, list(asked)):
            print("The tests that stand guard fail without any change.")
            return 1
        homes.put(home)

        def tried(one: Mutation) -> bool:
            home = homes.get()
            try:
                seen = is_seen(home, one.path, one.text, guarded[one.path])
            finally:
                homes.put(home)
            print(
                f"{'seen    ' if seen else 'SURVIVED'} {one.path}:{one.line}  {one.before} -> {one.after}", flush=True
            )
            return seen

        with ThreadPoolExecutor(given.jobs) as pool:
            seen = list(pool.map(tried, taken))
    return told(taken, seen)


def told(taken: list[Mutation], seen: list[bool]) -> int:
    """Print what was seen by module and what survived, and return the exit status."""
    print("\n| module | changes | seen | harmless |\n| --- | --- | --- | --- |")
    counts = dict.fromkeys([one.path for one in taken])
    survivors = [one for one, was_seen in zip(taken, seen, strict=True) if not was_seen]
    harmless = [one for one in survivors if one.words in HARMLESS]
    for path in counts:
        numbers = (sum(one.path == path for one in pile) for pile in (taken, survivors, harmless))
        drawn_there, survived, spared = numbers
        print(f"| {path} | {drawn_there} | {drawn_there - survived} | {spared} |")
    counted = len(taken) - len(harmless)
    share = (len(taken) - len(survivors)) / max(counted, 1)
    print(f"\n{len(taken)} changes, {len(harmless)} of them harmless; of the others {100 * share:.0f} % were seen.")
    for one in survivors:
        print(f"- line {one.line} of {one.words}: {HARMLESS.get(one.words, 'NO TEST SAW IT')}")
    return 0 if share >= LEAST_SEEN else 1


if __name__ == "__main__":
    sys.exit(main())
