"""Nights killed with SIGKILL at random instants: no partial revision visible, nothing lost, the next run heals.

    python tests/publishing/trials/crash_trial.py [KILLS] [SEED]

Half of the kills fall anywhere in the run, half while it publishes; a run that ended before its kill does not count. Prints
what was met; exits with 1 at the first breach.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import json
import multiprocessing
import os
import random
import signal
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2] / "made"))

from made_basin import write_basin

from snowtally import reading
from snowtally.inspection.status import status
from snowtally.inspection.verify import verify
from snowtally.operations import rerun as past
from snowtally.operations import run
from snowtally.settings.basin import Settings, read_settings

FORK = multiprocessing.get_context("fork")
DONE = "not at all: it had ended"

HELD = ("2031-03-01", "2031-03-02")
DATE = dt.date(2031, 3, 5)


def quiet(_name: str) -> None:
    """Take no notice of a stage."""


def with_outliers(settings: Settings, limit: float) -> Settings:
    """Return other settings, so that a rerun has something new to say."""
    return settings.model_copy(update={"checks": settings.checks.model_copy(update={"point_outlier_mad": limit})})


def work(kind: str, settings: Settings, stage) -> None:
    """Run a night of the tested date, or a rerun of the dates held."""
    if kind == "update":
        run.update(settings, DATE, stage)
    else:
        dates = past.dates_to_rerun(settings, dt.date(2031, 3, 1), dt.date(2031, 3, 2), only_held=True)
        for one in past.rerun(settings, dates, "trial", stage):
            if one.published is None:
                raise SystemExit(one.trouble)


def killed(kind: str, settings: Settings, chance: random.Random, lasts_s: tuple[float, float]) -> str:
    """Run in a process of its own and kill it at a random instant; return where it was."""
    publishing = FORK.Event()

    def stage(name: str) -> None:
        if name.endswith("publishing"):
            publishing.set()

    def child() -> None:
        work(kind, settings, stage)
        os._exit(0)

    process = FORK.Process(target=child)
    process.start()
    if chance.random() < 0.5:
        process.join(chance.uniform(0, lasts_s[0]))
    else:
        publishing.wait(60)
        time.sleep(chance.uniform(0, lasts_s[1]))
    if process.is_alive():
        os.kill(process.pid, signal.SIGKILL)
    process.join()
    if process.exitcode == 0:
        return DONE
    return "while publishing" if publishing.is_set() else "before publishing"


def revisions(root: Path) -> dict[str, str]:
    """Return the hash of every file of every revision that a reader can see."""
    held = [r.path for of_date in reading.all_revisions(root, "made") for r in of_date]
    return {str(f): hashlib.sha256(f.read_bytes()).hexdigest() for folder in held for f in folder.iterdir()}


def must(holds: bool, what: str) -> None:
    """Stop the trial at a breach."""
    if not holds:
        raise SystemExit(f"BREACH: {what}")


def trial(number: int, home: Path, chance: random.Random, lasts: dict[str, tuple[float, float]]) -> tuple[str, str]:
    """Kill one run, look at the archive as readers and the next night do, and return its kind and where it was killed.

    `lasts` is how long a run of each kind takes and how long its publishing, s, from the runs that healed.
    """
    kind = ("update", "rerun")[number % 2]
    basis = read_settings(home / "basin.yaml")
    settings = with_outliers(basis, (3.0 if kind == "rerun" else 4.0) + number / 10_000)
    root = settings.path(settings.archive)
    before = revisions(root)
    where = killed(kind, settings, chance, lasts[kind])
    seen = revisions(root)
    must(before.items() <= seen.items(), f"{where}: a revision changed or was lost")
    for of_date in reading.all_revisions(root, "made"):
        for revision in of_date:
            record = reading.load_record(revision.path)
            named = {file["name"] for file in record["files"]} | {"record.json"}
            must(named == {p.name for p in revision.path.iterdir()}, f"{where}: {revision.path} is not whole")
    latest = json.loads((root / "made" / "latest.json").read_text("utf-8"))
    must((root / "made" / latest["path"] / "record.json").is_file(), f"{where}: latest.json leads nowhere")
    must(len(reading.read_totals(root, "made")) > 0, f"{where}: no totals")
    status(root, "made", DATE, "10-01")
    lasts[kind] = timed(kind, settings)
    found = verify(root, "made", quiet).troubles
    must(not found, f"{where}: not healed: {found[:3]}")
    must(not list((root / ".staging" / "made").iterdir()), f"{where}: work left behind")
    return kind, where


def timed(kind: str, settings: Settings) -> tuple[float, float]:
    """Run to the end and return how long it took and how long its publishing, s."""
    moments = [time.monotonic()]
    work(kind, settings, lambda name: moments.append(time.monotonic()) if name.endswith("publishing") else None)
    end = time.monotonic()
    # Where the killed run had published already, this one found it there and took less: any small span will do.
    return end - moments[0], end - moments[1] if len(moments) > 1 else 0.1


def main() -> None:
    """Run the trial."""
    kills, seed = (int(word) for word in [*sys.argv[1:], *("200", "31")[len(sys.argv) - 1 :]])
    chance, met = random.Random(seed), Counter()  # noqa: S311  no secret
    with tempfile.TemporaryDirectory() as folder:
        home = write_basin(Path(folder))
        settings = read_settings(home / "basin.yaml")
        for date in HELD:
            run.update(settings, dt.date.fromisoformat(date), quiet)
        lasts = {kind: timed(kind, with_outliers(settings, 5.0)) for kind in ("update", "rerun")}
        number = 0
        while kills > sum(times for (_, where), times in met.items() if where != DONE):
            number += 1
            met[trial(number, home, chance, lasts)] += 1
        count = len(revisions(settings.path(settings.archive)))
    for (kind, where), times in sorted(met.items()):
        sys.stdout.write(f"{kind} killed {where}: {times}\n")
    sys.stdout.write(f"{kills} kills, seed {seed}: no breach; {count} files in revisions at the end\n")


if __name__ == "__main__":
    main()
