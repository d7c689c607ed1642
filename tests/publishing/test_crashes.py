"""Publishing that is cut off at any step: no reader meets half a revision, and the next publish heals the rest."""

from __future__ import annotations

import errno
import json
import multiprocessing
import os
import shutil
import time
from pathlib import Path

import pyarrow.parquet as pq
import pytest
from made_day import made_day

from snowtally import reading
from snowtally.model.problems import ArchiveError
from snowtally.publishing.pack import pack
from snowtally.publishing.publish import left_as_it_is, publish, withdraw
from snowtally.publishing.staging import staged
from snowtally.storage import files as files_module

FORK = multiprocessing.get_context("fork")

STEPS = ["fsync", "replace", "mkdir", "rename", "open", "chmod", "rmdir"]
"""The calls that change the disk; each is made to fail at each of its times."""


@pytest.fixture(scope="module")
def packed(tmp_path_factory):
    """The files of a few small days, made once: what is tested is how they are published."""
    days = {}
    for date in ("2031-02-28", "2031-03-01", "2031-03-02"):
        folder = tmp_path_factory.mktemp("packed")
        pack(made_day(date, height=8, width=9), folder)
        days[date] = {path.name: path.read_bytes() for path in folder.iterdir()}
    return days


@pytest.fixture
def quick_pack(monkeypatch, packed):
    """Publishing that takes the files made once."""

    def write(day, folder):
        for name, data in packed[day.date.isoformat()].items():
            (folder / name).write_bytes(data)

    monkeypatch.setattr("snowtally.publishing.publish.pack", write)


@pytest.fixture
def begun(tmp_path, provenance, quick_pack):  # noqa: ARG001  what is published is packed quickly
    """Return the maker of archives that hold one date: one is published, the others are its copies."""
    publish(tmp_path / "one date", made_day("2031-02-28"), provenance("0"))
    return lambda name: Path(shutil.copytree(tmp_path / "one date", tmp_path / name))


class Cut:
    """Makes the `at`-th call of one kind that touches the disk end in `end`."""

    def __init__(self, monkeypatch, step: str, at: int, end):
        self.calls, self.at, self.end = 0, at, end
        if step == "rename":
            self._patch(monkeypatch, files_module, "_rename_noreplace")
        elif step in {"fsync", "replace"}:
            self._patch(monkeypatch, os, step)
        elif step == "open":
            self._patch(monkeypatch, Path, "write_bytes")
        else:
            self._patch(monkeypatch, Path, step)

    def _patch(self, monkeypatch, owner, name: str) -> None:
        real = getattr(owner, name)

        def call(*args, **kwargs):
            self.calls += 1
            if self.calls == self.at:
                self.end()
            return real(*args, **kwargs)

        monkeypatch.setattr(owner, name, call)


FAILURES = {errno.ENOSPC: "the disk is full", errno.EIO: os.strerror(errno.EIO), errno.EACCES: "no permission"}
"""What a disk answers, and the words in which it must be told."""


def failing(number: int):
    """Return a function that fails as a disk does."""

    def fails():
        raise OSError(number, os.strerror(number))

    return fails


def power_cut():
    os._exit(9)


def assert_sound(root: Path) -> list[int]:
    """Assert that a reader sees whole revisions only; return the numbers of the tested date."""
    basin = root / "larkmoor"
    for date in basin.glob("2031-*"):
        for folder in date.glob("r*"):
            record = json.loads((folder / "record.json").read_text("utf-8"))
            assert {f["name"] for f in record["files"]} | {"record.json"} == {path.name for path in folder.iterdir()}
            for file in record["files"]:
                assert (folder / file["name"]).stat().st_size == file["size"]
    for name in ("index.parquet", "totals.parquet"):
        assert pq.read_table(basin / name).num_rows > 0
    latest = json.loads((basin / "latest.json").read_text("utf-8"))
    assert (basin / latest["path"] / "record.json").is_file()
    days = reading.list_days(root, "larkmoor")
    # Whatever was cut off, the totals that people read are those of the days that stand.
    totals = reading.read_totals(root, "larkmoor")
    assert totals.groupby("date")["revision"].first().tolist() == days["revision"].tolist()
    return [r.number for r in reading.revisions(root, "larkmoor", "2031-03-01")]


def assert_healed(root: Path) -> None:
    """Assert that what is derived agrees with the revisions and that nothing is left over."""
    basin = root / "larkmoor"
    held = [(r.date, r.number) for of_date in reading.all_revisions(root, "larkmoor") for r in of_date]
    index = pq.read_table(basin / "index.parquet").to_pylist()
    assert [(row["date"], row["revision"]) for row in index] == held
    days = reading.list_days(root, "larkmoor")
    totals = pq.read_table(basin / "totals.parquet").to_pandas()
    assert totals.groupby("date")["revision"].first().tolist() == days["revision"].tolist()
    for day in days.itertuples():
        current = json.loads((basin / day.date.date().isoformat() / "current.json").read_text("utf-8"))
        assert current["revision"] == day.revision
    assert list((root / ".staging" / "larkmoor").iterdir()) == []
    assert [path.name for path in (root / ".staging").iterdir() if path.is_file()] == []


def count_calls(begun, provenance, step: str) -> int:
    """Return how often a publish makes a call."""
    with pytest.MonkeyPatch.context() as monkeypatch:
        cut = Cut(monkeypatch, step, 0, power_cut)
        publish(begun("count"), made_day("2031-03-01"), provenance("1"))
    return cut.calls


@pytest.mark.parametrize("first", [1, *(pytest.param(other, marks=pytest.mark.long) for other in (2, 3, 4))])
@pytest.mark.parametrize("step", STEPS)
def test_an_error_at_any_step_is_one_line_and_the_next_publish_heals(begun, provenance, step, first):
    calls = count_calls(begun, provenance, step)
    assert calls > 0
    published = 0
    for at in range(min(first, calls), calls + 1, 4):
        root = begun(str(at))
        # In turn, so that each kind of failure meets every part of publishing.
        number = list(FAILURES)[at % len(FAILURES)]
        with pytest.MonkeyPatch.context() as monkeypatch:
            Cut(monkeypatch, step, at, failing(number))
            try:
                publish(root, made_day("2031-03-01"), provenance("1"))
            except ArchiveError as error:
                told = str(error)
                assert FAILURES[number] in told
                assert "\n" not in told
                in_place = "is published as" in told
            else:
                # A failed removal of a folder that was not empty anyway.
                assert step == "rmdir"
                in_place = True
        numbers = assert_sound(root)
        assert numbers == ([1] if in_place else [])
        left = list((root / ".staging" / "larkmoor").rglob("*"))
        # Only a revision in place whose index is due leaves a note.
        assert {path.name for path in left if path.is_file()} <= ({"owner.json"} if in_place else set())
        published += in_place
        publish(root, made_day("2031-03-02"), provenance("2"))
        assert_sound(root)
        assert_healed(root)
    assert published > 0 or step in {"rename", "chmod", "mkdir"}


def cut_off(root: Path, provenance, step: str, at: int) -> None:
    """Publish in a process of its own that dies at a step, as from a power cut or kill -9."""

    def run():
        with pytest.MonkeyPatch.context() as monkeypatch:
            Cut(monkeypatch, step, at, power_cut)
            publish(root, made_day("2031-03-01"), provenance("1"))
        os._exit(0)

    process = FORK.Process(target=run)
    process.start()
    process.join(20)
    assert process.exitcode == 9


@pytest.mark.long
@pytest.mark.parametrize("step", STEPS[:5])
def test_a_process_that_dies_at_any_step_leaves_no_half_and_the_next_publish_heals(begun, provenance, step):
    for at in range(1, count_calls(begun, provenance, step) + 1):
        root = begun(str(at))
        cut_off(root, provenance, step, at)
        numbers = assert_sound(root)
        assert numbers in ([], [1])
        # The same night again: either it is there already, or it is published now; then all is in order.
        same = left_as_it_is(root, "larkmoor", made_day("2031-03-01").date, provenance("1"))
        assert (same is not None) == (numbers == [1])
        if same is None:
            assert publish(root, made_day("2031-03-01"), provenance("1")).revision == 1
        assert assert_sound(root) == [1]
        assert_healed(root)


@pytest.mark.usefixtures("quick_pack")
@pytest.mark.long
@pytest.mark.parametrize("step", ["fsync", "replace", "mkdir", "open"])
@pytest.mark.parametrize("dies", [True, False])
def test_a_withdrawal_cut_off_at_any_step_is_made_or_not_and_the_next_publish_heals(tmp_path, provenance, step, dies):
    date, at, done, met = made_day("2031-03-01").date, 0, False, set()
    while not done:
        at += 1
        root, number = tmp_path / str(at), list(FAILURES)[at % len(FAILURES)]
        for inputs in ("1", "2"):
            publish(root, made_day("2031-03-01"), provenance(inputs))

        def run(root=root, at=at, number=number) -> bool:
            with pytest.MonkeyPatch.context() as monkeypatch:
                cut = Cut(monkeypatch, step, at, power_cut if dies else failing(number))
                try:
                    withdraw(root, "larkmoor", date, 2, "wrong tare")
                except ArchiveError as error:
                    if FAILURES[number] not in str(error):
                        raise
                return cut.calls < at

        if dies:
            process = FORK.Process(target=lambda run=run: os._exit(0 if run() else 1))
            process.start()
            process.join(20)
            done = process.exitcode == 0
            assert done or process.exitcode == 9
        else:
            done = run()
        assert_sound(root)
        stands = reading.current_revision(root, "larkmoor", date).number
        met.add(stands)
        publish(root, made_day("2031-03-02"), provenance("3"))
        assert_healed(root)
        assert reading.current_revision(root, "larkmoor", date).number == stands
    # The last run was not cut off at all; one that is cut off early withdraws nothing.
    assert stands == 1
    assert at > 1
    assert met == {1, 2} or step in {"replace", "open"}


@pytest.mark.usefixtures("quick_pack")
def test_the_work_of_a_living_process_is_left_alone(tmp_path, provenance):
    publish(tmp_path, made_day("2031-02-28"), provenance("0"))
    started, go_on = FORK.Event(), FORK.Event()

    def slow():
        with pytest.MonkeyPatch.context() as monkeypatch:
            real = files_module.flush_file
            monkeypatch.setattr(files_module, "flush_file", lambda path: (started.set(), go_on.wait(10), real(path))[2])
            publish(tmp_path, made_day("2031-03-01"), provenance("1"))
        os._exit(0)

    process = FORK.Process(target=slow)
    process.start()
    assert started.wait(10)
    publish(tmp_path, made_day("2031-03-02"), provenance("2"))
    assert len(list((tmp_path / ".staging" / "larkmoor").iterdir())) == 1
    go_on.set()
    process.join(20)
    assert process.exitcode == 0
    assert len(reading.list_days(tmp_path, "larkmoor")) == 3
    assert_healed(tmp_path)


@pytest.mark.usefixtures("quick_pack")
def test_a_held_lock_counts_for_more_than_a_process_number(tmp_path, provenance):
    # In another container the same number may be anybody's, or nobody's.
    publish(tmp_path, made_day("2031-02-28"), provenance("0"))
    with staged(tmp_path, "larkmoor") as work:
        owner = json.loads((work.folder / "owner.json").read_text("utf-8"))
        (work.folder / "owner.json").write_text(json.dumps({**owner, "pid": 2**22 + 1}), "utf-8")
        publish(tmp_path, made_day("2031-03-01"), provenance("1"))
        assert work.revision.is_dir()


@pytest.mark.usefixtures("quick_pack")
def test_without_locks_a_process_number_given_again_is_not_the_process_that_died(tmp_path, provenance, monkeypatch):
    monkeypatch.setattr("snowtally.publishing.staging.try_lock", lambda _descriptor: None)
    publish(tmp_path, made_day("2031-02-28"), provenance("0"))
    with staged(tmp_path, "larkmoor") as work:
        # This very process, and one whose number it has by now.
        dead = work.folder.parent / f"{os.getpid()}-dead"
        dead.mkdir()
        owner = json.loads((work.folder / "owner.json").read_text("utf-8"))
        (dead / "owner.json").write_text(json.dumps({**owner, "started": "1"}), "utf-8")
        (work.folder.parent / "somebody's").mkdir()
        publish(tmp_path, made_day("2031-03-01"), provenance("1"))
        assert not dead.exists()
        assert work.revision.is_dir()


def test_work_of_another_host_is_left_until_it_is_old(tmp_path, provenance):
    publish(tmp_path, made_day("2031-02-28"), provenance("0"))
    folder = tmp_path / ".staging" / "larkmoor" / "77-abcd"
    folder.mkdir()
    owner = {"host": "another-host", "pid": 1, "basin": "larkmoor", "date": "2031-03-01"}
    (folder / "owner.json").write_text(json.dumps(owner), "utf-8")
    publish(tmp_path, made_day("2031-03-01"), provenance("1"))
    assert folder.is_dir()
    three_days_ago = time.time() - 3 * 86400
    os.utime(folder, (three_days_ago, three_days_ago))
    publish(tmp_path, made_day("2031-03-02"), provenance("2"))
    assert not folder.exists()
