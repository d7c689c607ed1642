"""One mutation run: a copy of the basin, spoiled by chance, and the command on it."""

from __future__ import annotations

import random
import shutil
import sys
import time
import warnings
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

sys.path.append(str(Path(__file__).parents[1] / "made"))

import archive_mutations  # noqa: F401  each notes its mutations
import byte_mutations  # noqa: F401
import container_mutations  # noqa: F401
import grid_mutations  # noqa: F401
import settings_mutations  # noqa: F401
import table_mutations  # noqa: F401
from forked_command import Ran, Running, run, start, warm_up
from mutated_basin import write_mutated_basin
from mutation_kinds import DATE, HELD, MUTATIONS, SETTINGS, Mutation
from verdict import LIMITS, failures


@dataclass(frozen=True)
class Drawn:
    """What mutations are drawn from.

    Parameters
    ----------
    seed : of the chances.
    names : kinds that begin so; empty for all.
    updates : share of the runs on mutated inputs that estimate and publish, rather than check.
    """

    seed: int
    names: tuple[str, ...] = ()
    updates: float = 0.08


@dataclass(frozen=True)
class Tried:
    """A mutation with what became of it."""

    number: int
    mutation: Mutation
    words: list[str]
    ran: Ran
    failures: list[str]


def write_homes(place: Path, *, held: bool = True) -> Path:
    """Write the basin, and beside it one with an archive of sound dates where asked; return the folder of both."""
    (place / "plain").mkdir()
    write_mutated_basin(place / "plain")
    warm_up("check", str(place / "plain" / SETTINGS), "--date", DATE)
    shutil.copytree(place / "plain", place / "held")
    for date in HELD if held else ():
        ran = run(["update", SETTINGS, "--date", date], place / "held", LIMITS)
        if ran.status != 0:
            raise SystemExit(f"the good night of {date} failed: {ran.stderr or ran.stdout}")
    return place


class Attempt:
    """Mutation `number` of a seed at work in a folder of its own. The same number of the same seed is the same mutation."""

    def __init__(self, homes: Path, drawn: Drawn, number: int, folder: Path) -> None:
        self.number, self.folder = number, folder
        chance = random.Random(f"{drawn.seed} {number}")  # noqa: S311  no secret
        kinds = [kind for name, kind in MUTATIONS.items() if not drawn.names or name.startswith(tuple(drawn.names))]
        self.mutation = chance.choices(kinds, [kind.weight for kind in kinds])[0]
        shutil.copytree(homes / ("held" if self.mutation.archive else "plain"), folder)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            words = self.mutation.spoil(chance, folder)
        if words is None:
            words = ["update" if chance.random() < drawn.updates else "check", SETTINGS, "--date", DATE]
        self.as_json = chance.random() < 0.4
        self.words = [*words, "--json"] if self.as_json else words
        self.running: Running = start(self.words, folder, LIMITS)

    def ended(self) -> bool:
        """Return whether the command has ended."""
        return self.running.ended()

    def tried(self) -> Tried:
        """Return what became of it."""
        ran = self.running.result()
        return Tried(self.number, self.mutation, self.words, ran, failures(ran, as_json=self.as_json))


def try_all(homes: Path, drawn: Drawn, numbers: list[int], workers: int) -> Iterator[Tried]:
    """Yield what became of each mutation, as they end; their folders are taken away."""
    waiting, running = list(reversed(numbers)), []
    while waiting or running:
        for attempt in [one for one in running if one.ended()]:
            running.remove(attempt)
            yield attempt.tried()
            shutil.rmtree(attempt.folder)
        if waiting and len(running) < workers:
            number = waiting.pop()
            running.append(Attempt(homes, drawn, number, homes / f"mutated_{number}"))
        else:
            time.sleep(0.02)
