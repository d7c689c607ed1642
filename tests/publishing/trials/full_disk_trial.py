"""Nights on a disk with less and less room: published whole or not at all, one clear line, and healed when there is room.

    python tests/publishing/trials/full_disk_trial.py FOLDER [TRIALS]

FOLDER lies on a small file system of its own, which the trial fills: `mount -t tmpfs -o size=8m tmpfs FOLDER`.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import os
import random
import shutil
import sys
import tempfile
from collections import Counter
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2] / "made"))

from made_basin import write_basin

from snowtally import reading
from snowtally.inspection.verify import verify
from snowtally.model.problems import SnowtallyError
from snowtally.operations import run
from snowtally.publishing.publish import withdraw
from snowtally.settings.basin import read_settings

DATE = dt.date(2031, 3, 5)
NIGHT_BYTES = 700_000
WITHDRAWAL_BYTES = 60_000
"""Rather more than a night of the made-up basin writes, staged files and all, and than a withdrawal with its index."""


def revisions(root: Path) -> dict[str, str]:
    """Return the hash of every file of every revision that a reader can see."""
    held = [r.path for of_date in reading.all_revisions(root, "made") for r in of_date]
    return {str(f): hashlib.sha256(f.read_bytes()).hexdigest() for folder in held for f in folder.iterdir()}


def fill(path: Path, leave: int) -> None:
    """Fill the file system but for so many bytes."""
    room = max(shutil.disk_usage(path.parent).free - leave, 0)
    with path.open("wb") as file:
        os.posix_fallocate(file.fileno(), 0, max(room, 1))


def main() -> None:
    """Run the trial."""
    disk, trials = Path(sys.argv[1]), int(sys.argv[2]) if len(sys.argv) > 2 else 40
    chance, met = random.Random(31), Counter()  # noqa: S311  no secret
    with tempfile.TemporaryDirectory() as folder:
        home = write_basin(Path(folder))
        settings = read_settings(home / "basin.yaml").model_copy(update={"archive": str(disk / "archive")})
        root = disk / "archive"
        for number in range(trials):
            shutil.rmtree(root, ignore_errors=True)
            run.update(settings, dt.date(2031, 3, 2), lambda _: None)
            before = revisions(root)
            act = "withdraw" if number % 4 == 3 else "update"
            fill(disk / "ballast", chance.randrange(NIGHT_BYTES if act == "update" else WITHDRAWAL_BYTES))
            try:
                if act == "update":
                    run.update(settings, DATE, lambda _: None)
                else:
                    withdraw(root, "made", dt.date(2031, 3, 2), 1, "trial" * 1000)
                outcome = "done"
            except SnowtallyError as trouble:
                outcome = "the disk is full" if "the disk is full" in str(trouble) else f"OTHER WORDS: {trouble}"
                if "\n" in str(trouble):
                    raise SystemExit(f"BREACH: not one line: {trouble}") from trouble
            seen = revisions(root)
            if not before.items() <= seen.items() or len(seen) - len(before) not in {0, len(before)}:
                raise SystemExit(f"BREACH: {act}: half a revision, or a changed one")
            (disk / "ballast").unlink()
            run.update(settings, DATE, lambda _: None)
            troubles = verify(root, "made", lambda _: None).troubles
            if troubles:
                raise SystemExit(f"BREACH: not healed: {troubles[:3]}")
            met[act, outcome] += 1
    for (act, outcome), times in sorted(met.items()):
        sys.stdout.write(f"{act}, {outcome}: {times}\n")


if __name__ == "__main__":
    main()
