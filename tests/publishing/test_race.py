"""Several processes publishing at once: every number once, nothing lost, and readers never see a part."""

from __future__ import annotations

import json
import multiprocessing
import time
from pathlib import Path

import pyarrow.parquet as pq
import pytest
from made_day import made_day

from snowtally import reading
from snowtally.publishing.publish import publish

SECONDS = 2.0
WRITERS = 3
LEAST_TAKEN = 2
"""Each writer publishes so often at least, however slow the machine."""


def keep_publishing(root: Path, make, name: str, until: float, locked: bool) -> None:
    """Publish one date again and again, each time from other inputs, and write down the numbers taken."""
    day, taken = made_day(height=8, width=9), []
    with pytest.MonkeyPatch.context() as monkeypatch:
        if not locked:
            # As on a file system without locks: the rename alone must keep the numbers apart.
            monkeypatch.setattr("snowtally.storage.locks.fcntl", None)
        while time.monotonic() < until or len(taken) < LEAST_TAKEN:
            taken.append(publish(root, day, make(f"{name}-{len(taken)}")).revision)
    (root.parent / f"{name}.json").write_text(json.dumps(taken), "utf-8")


@pytest.mark.parametrize("locked", [True, False])
def test_two_processes_never_take_one_number_and_readers_see_whole_revisions(tmp_path, provenance, locked):
    root = tmp_path / "archive"
    publish(root, made_day(height=8, width=9), provenance("first"))
    fork = multiprocessing.get_context("fork")
    until = time.monotonic() + (SECONDS if locked else SECONDS / 2)
    arguments = [(root, provenance, f"writer{n}", until, locked) for n in range(WRITERS)]
    processes = [fork.Process(target=keep_publishing, args=a) for a in arguments]
    for process in processes:
        process.start()
    seen = 0
    while any(process.is_alive() for process in processes):
        # A reader beside them, through the package and past it.
        stands = reading.current_revision(root, "larkmoor", "2031-03-01")
        record = json.loads((stands.path / "record.json").read_text("utf-8"))
        assert all((stands.path / f["name"]).stat().st_size == f["size"] for f in record["files"])
        current = json.loads((root / "larkmoor" / "2031-03-01" / "current.json").read_text("utf-8"))
        assert (root / "larkmoor" / "2031-03-01" / current["path"] / "record.json").is_file()
        with (root / "larkmoor" / "totals.parquet").open("rb") as file:
            assert pq.read_table(file).num_rows > 0
        assert stands.number >= seen
        seen = stands.number
    for process in processes:
        process.join()
        assert process.exitcode == 0
    taken = sorted(n for a in arguments for n in json.loads((tmp_path / f"{a[2]}.json").read_text("utf-8")))
    assert taken == list(range(2, 2 + len(taken)))
    assert len(taken) > WRITERS
    records = [
        json.loads((r.path / "record.json").read_text("utf-8"))
        for r in reading.revisions(root, "larkmoor", "2031-03-01")
    ]
    assert len({record["input_hash"] for record in records}) == len(taken) + 1
    assert [record["revision"] for record in records] == list(range(1, 2 + len(taken)))
    if locked:
        index = pq.read_table(root / "larkmoor" / "index.parquet")
        assert index["revision"].to_pylist() == list(range(1, 2 + len(taken)))
        assert list((root / ".staging" / "larkmoor").iterdir()) == []
