"""Many processes publishing at once to a few dates while readers poll: every revision whole, every number once.

    python tests/publishing/trials/race_trial.py [SECONDS] [WRITERS] [READERS]

Every fifth publishing is an analyst's, and every tenth is withdrawn again. Exits with 1 at a breach.
"""

from __future__ import annotations

import datetime as dt
import json
import multiprocessing
import os
import random
import sys
import tempfile
import time
from pathlib import Path

import pyarrow.parquet as pq

sys.path.insert(0, str(Path(__file__).parents[2] / "made"))

from made_day import made_day
from made_provenance import make_provenance

from snowtally import reading
from snowtally.inspection.verify import verify
from snowtally.publishing.publish import publish, withdraw

FORK = multiprocessing.get_context("fork")
DATES = ("2031-03-01", "2031-03-02", "2031-03-03")


def write(root: Path, name: int, until: float) -> None:
    """Publish from other inputs each time; write down which numbers were taken."""
    chance, taken, count = random.Random(name), [], 0  # noqa: S311  no secret
    days = {date: made_day(date, height=8, width=9) for date in DATES}
    while time.monotonic() < until:
        date = chance.choice(DATES)
        command = "rerun" if count % 5 == 0 else "update"
        how = make_provenance(f"{name:032d}{count:032d}", command=command, reason=f"{command} {name}")
        done = publish(root, days[date], how)
        count += 1
        if not done.unchanged:
            taken.append((date, done.revision))
            # What an analyst publishes stands until taken back, and the nights publish nothing meanwhile.
            if command == "rerun" or count % 10 == 0:
                withdraw(root, "larkmoor", dt.date.fromisoformat(date), done.revision, "trial")
    (root.parent / f"{name}.json").write_text(json.dumps(taken), "utf-8")
    os._exit(0)


def read(root: Path, until: float) -> None:
    """Poll as readers do; leave with 1 at the first thing that is not whole."""
    looks = 0
    basin = root / "larkmoor"
    while time.monotonic() < until:
        for date in DATES:
            current = json.loads((basin / date / "current.json").read_text("utf-8"))
            if current["path"] is not None:
                record = reading.load_record(basin / date / current["path"])
                assert all(
                    (basin / date / current["path"] / f["name"]).stat().st_size == f["size"] for f in record["files"]
                )
        latest = json.loads((basin / "latest.json").read_text("utf-8"))
        assert latest["path"] is None or (basin / latest["path"] / "record.json").is_file()
        for name in ("totals.parquet", "index.parquet"):
            # By its path it would be opened twice, and may be replaced in between: docs/archive.md says so.
            with (basin / name).open("rb") as file:
                pq.read_table(file)
        json.loads((basin / "2030-2031.json").read_text("utf-8"))
        looks += 1
    sys.stdout.write(f"a reader looked {looks} times\n")
    sys.stdout.flush()
    os._exit(0)


def main() -> None:
    """Run the trial."""
    seconds, writers, readers = (int(word) for word in [*sys.argv[1:], *("60", "8", "4")[len(sys.argv) - 1 :]])
    with tempfile.TemporaryDirectory() as folder:
        root = Path(folder) / "archive"
        for date in DATES:
            publish(root, made_day(date, height=8, width=9), make_provenance(f"first {date}"))
        until = time.monotonic() + seconds
        processes = [FORK.Process(target=write, args=(root, name, until)) for name in range(writers)]
        processes += [FORK.Process(target=read, args=(root, until)) for _ in range(readers)]
        for process in processes:
            process.start()
        for process in processes:
            process.join()
        if any(process.exitcode for process in processes):
            raise SystemExit("BREACH: a writer or a reader failed")
        taken = [tuple(one) for path in Path(folder).glob("*.json") for one in json.loads(path.read_text("utf-8"))]
        for date in DATES:
            numbers = sorted([1, *(number for day, number in taken if day == date)])
            held = [r.number for r in reading.revisions(root, "larkmoor", date)]
            if numbers != held or held != list(range(1, len(held) + 1)):
                raise SystemExit(f"BREACH: {date} took {numbers}, holds {held}")
        troubles = verify(root, "larkmoor", lambda _: None).troubles
        if troubles:
            raise SystemExit(f"BREACH: {troubles[:3]}")
        withdrawn = len(reading.withdrawals(root, "larkmoor"))
    sys.stdout.write(
        f"{writers} writers, {readers} readers, {seconds} s: {len(taken)} revisions, {withdrawn} withdrawals, numbers unique "
        "and without gaps, verify finds nothing\n"
    )


if __name__ == "__main__":
    main()
