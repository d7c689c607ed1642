"""Mutated inputs through the command line: `python tests/mutated_inputs --count 2000 --seed 1`.

Prints a table by kind of mutation, and each kind of failure with how often, its first mutation and how to replay it. Ends
with status 1 on any failure. `--only N` replays one mutation and leaves its files in `--keep FOLDER`; names after the options
take kinds that begin so.
"""

# ruff: noqa: T201  a command prints its tables

from __future__ import annotations

import argparse
import sys
import tempfile
from collections import Counter, defaultdict
from pathlib import Path

from mutate import Attempt, Drawn, Tried, try_all, write_homes


def main() -> int:
    """Run the mutations; exit status 1 where a run failed."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("names", nargs="*", help="kinds of mutation, or the beginnings of their names")
    parser.add_argument("--count", type=int, default=2000)
    parser.add_argument("--first", type=int, default=0, help="number of the first mutation")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--workers", type=int, default=2, help="runs at once")
    parser.add_argument("--only", type=int, help="run this mutation of the seed alone, and tell all that it said")
    parser.add_argument("--keep", type=Path, help="with --only: leave the mutated files in this new folder")
    parser.add_argument("--verbose", action="store_true", help="tell each run")
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="mutated-inputs-") as place:
        homes = write_homes(Path(place))
        if asked.only is not None:
            return replay(homes, asked)
        done = []
        numbers = list(range(asked.first, asked.first + asked.count))
        for tried in try_all(homes, Drawn(asked.seed, tuple(asked.names)), numbers, asked.workers):
            done.append(tried)
            if asked.verbose:
                print(
                    f"{tried.number} {tried.mutation.name} {tried.words} {tried.ran.status} {tried.ran.cpu_s:.1f} {tried.ran.seconds:.1f} {tried.ran.memory >> 20}",
                    flush=True,
                )
            for failure in tried.failures:
                print(f"{tried.number}: {tried.mutation.name}: {' '.join(tried.words)[:90]!a}: {failure}", flush=True)
    return summary(done, asked)


def replay(homes: Path, asked: argparse.Namespace) -> int:
    """Run one mutation and tell all of it."""
    import time  # noqa: PLC0415

    attempt = Attempt(homes, Drawn(asked.seed, tuple(asked.names)), asked.only, asked.keep or homes / "mutated")
    while not attempt.ended():
        time.sleep(0.02)
    tried = attempt.tried()
    ran = tried.ran
    print(f"{tried.mutation.name}\nin {attempt.folder}: snowtally {' '.join(map(repr, tried.words))}")
    print(f"status {ran.status}, {ran.cpu_s:.1f} s of CPU, {ran.seconds:.1f} s, {ran.memory >> 20} MB")
    print(
        f"stdout: {ran.stdout[-3000:]!a}\nstderr:\n" + ran.stderr[-6000:].encode("ascii", "backslashreplace").decode()
    )
    print(f"failures: {tried.failures or 'none'}")
    return 1 if tried.failures else 0


def summary(done: list[Tried], asked: argparse.Namespace) -> int:
    """Print what was met by kind of mutation and by kind of failure, and return the exit status."""
    print("\n| mutation | runs | exit 0 | 1 | 2 | 3 | failures | most CPU s | most MB |\n" + "| --- " * 9 + "|")
    by_kind: dict[str, list[Tried]] = defaultdict(list)
    for tried in done:
        by_kind[tried.mutation.name].append(tried)
    for name, runs in sorted(by_kind.items()):
        ends = Counter(tried.ran.status for tried in runs)
        failed, most_s = sum(bool(tried.failures) for tried in runs), max(tried.ran.cpu_s for tried in runs)
        most_mb = max(tried.ran.memory for tried in runs) >> 20
        print(
            f"| {name} | {len(runs)} | {ends[0]} | {ends[1]} | {ends[2]} | {ends[3]} | {failed} | {most_s:.1f} | {most_mb} |"
        )
    kinds: dict[str, list[Tried]] = defaultdict(list)
    for tried in sorted(done, key=lambda one: one.number):
        for failure in tried.failures:
            kinds[failure].append(tried)
    failed = sum(bool(tried.failures) for tried in done)
    print(f"\n{len(done)} mutated inputs, seed {asked.seed}: {failed} runs failed, in {len(kinds)} ways.")
    names = "".join(f" '{name}'" for name in asked.names)
    for failure, runs in sorted(kinds.items(), key=lambda item: -len(item[1])):
        first, numbers = runs[0], " ".join(str(tried.number) for tried in runs[:8])
        print(
            f"- {len(runs)} x {failure}\n  {first.mutation.name}: snowtally {' '.join(first.words)[:120]!a}; numbers {numbers}"
        )
        print(f"  replay: python tests/mutated_inputs --seed {asked.seed} --only {first.number} --keep FOLDER{names}")
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
