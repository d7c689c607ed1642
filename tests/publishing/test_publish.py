"""Publishing: revisions that stay, numbers that rise, derived files that follow, and failures told in one line."""

from __future__ import annotations

import datetime as dt
import errno
import hashlib
import json
import os
import shutil
import subprocess
import sys
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import pandas as pd
import pyarrow.parquet as pq
import pytest
from made_day import made_day

from snowtally import reading
from snowtally.inspection.status import status
from snowtally.inspection.verify import verify
from snowtally.model.problems import ArchiveError
from snowtally.publishing import publish as archive_module
from snowtally.publishing.publish import left_as_it_is, publish, rebuild_derived, withdraw
from snowtally.publishing.record import Numbers
from snowtally.storage import files as files_module

DAY = dt.date(2031, 3, 1)


def content(folder: Path) -> dict[str, str]:
    """Return the hash of every file under a folder, by relative path."""
    return {
        str(path.relative_to(folder)): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def test_a_revision_is_never_changed_by_the_next(tmp_path, provenance):
    first = publish(tmp_path, made_day(), provenance("a"))
    before = content(first.path)
    second = publish(tmp_path, made_day(extra_mm=5), provenance("b"))
    assert (first.revision, second.revision, second.unchanged) == (1, 2, False)
    assert content(first.path) == before
    assert second.path == tmp_path / "larkmoor" / "2031-03-01" / "r002"
    assert not any(path.stat().st_mode & 0o222 for path in second.path.iterdir())


@pytest.mark.usefixtures("packing")
def test_the_same_day_twice_differs_in_the_times_of_record_and_item_alone(tmp_path, provenance):
    later = provenance("a", made=dt.datetime(2031, 4, 1, tzinfo=dt.UTC))
    first = publish(tmp_path / "one", made_day(), provenance("a"))
    second = publish(tmp_path / "two", made_day(), later)
    one, two = content(first.path), content(second.path)
    assert {name for name in one if one[name] != two[name]} == {"record.json", "item.json"}
    for name in ("record.json", "item.json"):
        told = [(published.path / name).read_text("utf-8").splitlines() for published in (first, second)]
        differ = [a for a, b in zip(*told, strict=True) if a != b]
        # The record holds the item's hash and its own.
        assert all(any(word in line for word in ('"made"', '"created"', "sha256")) for line in differ)


def test_the_same_inputs_settings_and_version_publish_nothing_new(tmp_path, provenance):
    assert left_as_it_is(tmp_path, "larkmoor", DAY, provenance("a")) is None
    first = publish(tmp_path, made_day(), provenance("a"))
    same = left_as_it_is(tmp_path, "larkmoor", DAY, provenance("a", reason="rerun"))
    assert same.unchanged
    assert (same.path, same.revision) == (first.path, 1)
    assert publish(tmp_path, made_day(), provenance("a")).unchanged
    assert [path.name for path in sorted(first.path.parent.glob("r*"))] == ["r001"]


def test_asking_whether_a_night_is_due_writes_nothing(tmp_path, provenance):
    root = tmp_path / "archive"
    publish(root, made_day(), provenance())

    def seen():
        return {path: path.stat().st_mtime_ns for path in root.rglob("*")}

    before = seen()
    assert left_as_it_is(root, "larkmoor", DAY, provenance()).unchanged
    assert left_as_it_is(root, "larkmoor", DAY, provenance("other")) is None
    assert seen() == before


@pytest.mark.parametrize("change", [{"input_hash": "b"}, {"settings_hash": "6" * 64}, {"code_version": "0.2.0"}])
def test_other_inputs_settings_or_version_are_a_new_revision(tmp_path, provenance, change):
    publish(tmp_path, made_day(), provenance("a"))
    assert left_as_it_is(tmp_path, "larkmoor", DAY, provenance("a", **change)) is None
    assert publish(tmp_path, made_day(), provenance("a", **change)).revision == 2


def test_a_degraded_revision_is_made_again_as_soon_as_it_would_be_sound(tmp_path, provenance):
    lacking = provenance("a", degraded=["missing file: courses.csv is not there", "silent station 007"])
    publish(tmp_path, made_day(), lacking)
    # In whatever order the reasons come: the same again is nothing new.
    assert publish(tmp_path, made_day(), replace(lacking, degraded=lacking.degraded[::-1])).unchanged
    assert publish(tmp_path, made_day(), provenance("a", degraded=lacking.degraded[1:])).revision == 2
    # The file is there now, without a row for this date: the same inputs.
    assert left_as_it_is(tmp_path, "larkmoor", DAY, provenance("a")) is None
    assert publish(tmp_path, made_day(), provenance("a")).revision == 3
    assert not reading.read_record(tmp_path, "larkmoor", DAY)["degraded"]
    # A file that is gone takes nothing from a sound day which had no row of it.
    assert publish(tmp_path, made_day(), lacking).unchanged


def test_what_was_taken_back_is_not_said_again_by_a_night_whatever_degraded_it(tmp_path, provenance):
    publish(tmp_path, made_day(), provenance("a", degraded=["silent station 007"]))
    withdraw(tmp_path, "larkmoor", DAY, 1, "wrong tare")
    assert left_as_it_is(tmp_path, "larkmoor", DAY, provenance("a")).revision == 1


def test_what_was_withdrawn_is_not_said_again_from_the_same_inputs(tmp_path, provenance):
    publish(tmp_path, made_day(), provenance("a"))
    withdraw(tmp_path, "larkmoor", DAY, 1, "wrong tare")
    assert left_as_it_is(tmp_path, "larkmoor", DAY, provenance("a")).revision == 1


def test_the_record_knows_its_parent_and_why(tmp_path, provenance):
    publish(tmp_path, made_day(), provenance("a"))
    publish(tmp_path, made_day(), provenance("b", reason="late course sheet", degraded=["No weather table."]))
    one = reading.read_record(tmp_path, "larkmoor", DAY, 1)
    two = reading.read_record(tmp_path, "larkmoor", DAY, 2)
    assert (one["parent_revision"], one["degraded"], two["parent_revision"], two["degraded"]) == (None, False, 1, True)
    assert (two["reason"], two["degraded_reasons"]) == ("late course sheet", ["No weather table."])


def test_a_number_that_is_taken_meanwhile_is_passed_over(tmp_path, provenance, monkeypatch):
    home = tmp_path / "larkmoor" / "2031-03-01"
    seen = []
    real = archive_module.item_json

    def slow(day, how, numbers, files):
        seen.append(numbers)
        if numbers.revision < 3:
            # Someone without the lock is quicker, twice.
            (home / f"r{numbers.revision:03d}").mkdir(parents=True)
        return real(day, how, numbers, files)

    monkeypatch.setattr(archive_module, "item_json", slow)
    published = publish(tmp_path, made_day(), provenance("a"))
    assert published.revision == 3
    assert seen == [Numbers(1, None), Numbers(2, None), Numbers(3, None)]
    # Record and item name the number that was taken in the end.
    assert json.loads((published.path / "item.json").read_text("utf-8"))["properties"]["version"] == "3"
    record = json.loads((published.path / "record.json").read_text("utf-8"))
    assert record["revision"] == 3
    assert "item.json" in {file["name"] for file in record["files"]}
    # The empty folders of the others were neither taken nor touched, and are no revisions.
    assert [r.number for r in reading.revisions(tmp_path, "larkmoor", DAY)] == [3]
    assert sorted(path.name for path in home.glob("r*")) == ["r001", "r002", "r003"]


@pytest.mark.parametrize("by_kernel", [True, False])
@pytest.mark.parametrize("filled", [True, False])
def test_a_rename_never_takes_the_place_of_a_folder(tmp_path, monkeypatch, by_kernel, filled):
    if not by_kernel:
        monkeypatch.setattr(files_module, "_rename_noreplace", lambda *_: False)
    source, target = tmp_path / "source", tmp_path / "target"
    source.mkdir()
    target.mkdir()
    if filled:
        (target / "said.txt").write_text("kept", "utf-8")
    with pytest.raises(FileExistsError):
        files_module.rename_new(source, target)
    assert source.is_dir()
    assert [path.name for path in target.iterdir()] == ["said.txt"] * filled
    files_module.rename_new(source, tmp_path / "free")
    assert (tmp_path / "free").is_dir()


def test_a_thousandth_revision_sorts_after_the_others(tmp_path, provenance):
    first = publish(tmp_path, made_day(), provenance("a"))
    first.path.rename(first.path.with_name("r999"))
    assert publish(tmp_path, made_day(), provenance("b")).path.name == "r1000"
    assert [r.number for r in reading.revisions(tmp_path, "larkmoor", DAY)] == [999, 1000]
    assert reading.current_revision(tmp_path, "larkmoor", DAY).number == 1000


def test_a_night_does_not_displace_what_an_analyst_published(tmp_path, provenance):
    publish(tmp_path, made_day(), provenance("a"))
    publish(tmp_path, made_day(extra_mm=5), provenance("b", command="rerun", reason="late course sheet"))
    night = provenance("c")
    for left in (left_as_it_is(tmp_path, "larkmoor", DAY, night), publish(tmp_path, made_day(extra_mm=9), night)):
        assert (left.revision, left.unchanged) == (2, True)
        assert "r002 is current, published by hand (late course sheet), and is not displaced by a night" in left.why
    assert reading.current_revision(tmp_path, "larkmoor", DAY).number == 2
    # Another analyst's does, and once the analyst takes it back a night's may stand again.
    third = publish(tmp_path, made_day(extra_mm=9), provenance("c", command="rerun", reason="wrong cutter"))
    assert (third.revision, third.unchanged) == (3, False)
    withdraw(tmp_path, "larkmoor", DAY, 3, "wrong after all")
    assert left_as_it_is(tmp_path, "larkmoor", DAY, provenance("d")).revision == 2
    withdraw(tmp_path, "larkmoor", DAY, 2, "that too")
    assert publish(tmp_path, made_day(extra_mm=9), provenance("d")).revision == 4


def test_a_reason_that_nothing_keeps_is_told(tmp_path, provenance):
    publish(tmp_path, made_day(), provenance("a"))
    by_hand = {"command": "rerun", "reason": "looked at it, and it is right"}
    why = left_as_it_is(tmp_path, "larkmoor", DAY, provenance("a", **by_hand)).why
    assert why.endswith(
        "settings and code, so the reason given now is not recorded. A later night may still replace it, because no person "
        "published it"
    )
    assert left_as_it_is(tmp_path, "larkmoor", DAY, provenance("a")).why.endswith("settings and code")
    publish(tmp_path, made_day(extra_mm=5), provenance("b", **by_hand))
    why = left_as_it_is(tmp_path, "larkmoor", DAY, provenance("b", **by_hand)).why
    assert why.endswith("settings and code, so the reason given now is not recorded")


def test_what_was_taken_back_is_told_with_what_stands(tmp_path, provenance):
    publish(tmp_path, made_day(), provenance("a"))
    publish(tmp_path, made_day(extra_mm=5), provenance("b"))
    withdraw(tmp_path, "larkmoor", DAY, 2, "wrong tare")
    left = left_as_it_is(tmp_path, "larkmoor", DAY, provenance("b"))
    assert left.unchanged
    assert left.why.startswith(
        "r002 was made from the same inputs, settings and code and was withdrawn (wrong tare): r001 is current"
    )
    # By hand the same may be said again: a damaged revision is so withdrawn and replaced.
    by_hand = provenance("b", command="rerun", reason="files were damaged")
    assert left_as_it_is(tmp_path, "larkmoor", DAY, by_hand) is None
    assert publish(tmp_path, made_day(extra_mm=5), by_hand).revision == 3


def test_a_withdrawal_says_what_stands_and_is_made_once(tmp_path, provenance):
    publish(tmp_path, made_day(), provenance("a"))
    second = publish(tmp_path, made_day(extra_mm=5), provenance("b"))
    before = content(second.path)
    assert withdraw(tmp_path, "larkmoor", DAY, 2, "wrong tare").number == 1
    assert json.loads((tmp_path / "larkmoor" / "latest.json").read_text("utf-8"))["revision"] == 1
    assert content(second.path) == before
    with pytest.raises(ArchiveError, match=r"2031-03-01@2 was withdrawn before \(wrong tare\)"):
        withdraw(tmp_path, "larkmoor", DAY, 2, "again")
    with pytest.raises(ArchiveError, match=r"has no revision 7. There is: 1, 2"):
        withdraw(tmp_path, "larkmoor", DAY, 7, "no such")
    assert withdraw(tmp_path, "larkmoor", DAY, 1, "that too") is None
    lines = (tmp_path / "larkmoor" / "decisions.jsonl").read_text("utf-8").splitlines()
    assert [json.loads(line)["revision"] for line in lines] == [2, 1]
    assert not any("damaged" in json.loads(line) for line in lines), "a sound revision is not given up as damaged"


def test_a_decision_that_was_cut_off_is_mended_by_the_next(tmp_path, provenance):
    publish(tmp_path, made_day(), provenance("a"))
    path = tmp_path / "larkmoor" / "decisions.jsonl"
    path.write_text('{"decision": "withdraw", "date": "2031-03-01", "rev', "utf-8")
    withdraw(tmp_path, "larkmoor", DAY, 1, "wrong tare")
    assert [json.loads(line)["reason"] for line in path.read_text("utf-8").splitlines()] == ["wrong tare"]


@pytest.mark.parametrize("kind", ["fsync", "short"])
def test_a_disk_that_is_full_withdraws_nothing(tmp_path, provenance, monkeypatch, kind):
    for number in (1, 2):
        publish(tmp_path, made_day(extra_mm=number), provenance(str(number)))
    withdraw(tmp_path, "larkmoor", DAY, 2, "wrong tare")
    path = tmp_path / "larkmoor" / "decisions.jsonl"
    before = path.read_bytes()
    real = os.fsync

    def fails(descriptor):
        if path.exists() and os.path.samestat(os.fstat(descriptor), path.stat()):
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC), str(path))
        real(descriptor)

    if kind == "fsync":
        monkeypatch.setattr(os, "fsync", fails)
    else:
        opened = Path.open
        monkeypatch.setattr(
            Path, "open", lambda self, *a, **k: Short(opened(self, *a, **k)) if self == path else opened(self, *a, **k)
        )
    with pytest.raises(ArchiveError, match=r"Cannot withdraw larkmoor 2031-03-01@1 in .*: the disk is full"):
        withdraw(tmp_path, "larkmoor", DAY, 1, "x" * 20)
    monkeypatch.undo()
    assert path.read_bytes() == before
    assert reading.current_revision(tmp_path, "larkmoor", DAY).number == 1


class Short:
    """An open file of a disk with room for nine more bytes."""

    def __init__(self, file):
        self.file = file

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self.file.close()

    def __getattr__(self, name):
        return getattr(self.file, name)

    def __iter__(self):
        return iter(self.file)

    def write(self, data):
        return self.file.write(data[:9])


# --- what is derived ---------------------------------------------------------------------------------------------------


def derived(root: Path) -> dict[str, str]:
    basin = content(root / "larkmoor")
    return {name: digest for name, digest in basin.items() if "/r" not in name}


def test_derived_files_can_be_made_again_byte_for_byte(tmp_path, provenance):
    for date, inputs in (("2031-03-05", "a"), ("2031-03-01", "b"), ("2031-03-05", "c"), ("2031-02-28", "d")):
        publish(tmp_path, made_day(date), provenance(inputs))
    before = derived(tmp_path)
    for name in before:
        (tmp_path / "larkmoor" / name).unlink()
    assert rebuild_derived(tmp_path, "larkmoor") == 3
    assert derived(tmp_path) == before
    latest = json.loads((tmp_path / "larkmoor" / "latest.json").read_text("utf-8"))
    assert latest == {"date": "2031-03-05", "revision": 2, "path": "2031-03-05/r002"}


@pytest.mark.parametrize("damage", [b"", b"PAR1 and then nothing", None])
def test_a_damaged_index_is_made_again_by_the_next_publish(tmp_path, provenance, damage):
    publish(tmp_path, made_day("2031-03-01"), provenance("a"))
    path = tmp_path / "larkmoor" / "index.parquet"
    path.unlink() if damage is None else path.write_bytes(damage)
    publish(tmp_path, made_day("2031-03-02"), provenance("b"))
    assert [str(date) for date in pq.read_table(path)["date"].to_pylist()] == ["2031-03-01", "2031-03-02"]


def test_what_is_withdrawn_stays_readable_and_no_longer_stands(tmp_path, provenance):
    publish(tmp_path, made_day("2031-03-01"), provenance("a"))
    publish(tmp_path, made_day("2031-03-01", extra_mm=50), provenance("b"))
    publish(tmp_path, made_day("2031-03-04"), provenance("c"))
    withdraw(tmp_path, "larkmoor", DAY, 2, "wrong tare")
    withdraw(tmp_path, "larkmoor", dt.date(2031, 3, 4), 1, "wrong tare")
    # The line of a withdrawal that was cut off does not count.
    with (tmp_path / "larkmoor" / "decisions.jsonl").open("a", encoding="utf-8") as file:
        file.write('{"decision": "withdraw", "date": "2031-03-01", "rev')
    rebuild_derived(tmp_path, "larkmoor")
    basin = tmp_path / "larkmoor"
    assert json.loads((basin / "latest.json").read_text("utf-8"))["path"] == "2031-03-01/r001"
    assert json.loads((basin / "2031-03-01" / "current.json").read_text("utf-8"))["path"] == "r001"
    assert json.loads((basin / "2031-03-04" / "current.json").read_text("utf-8")) == {
        "date": "2031-03-04", "revision": None, "path": None,
    }  # fmt: skip
    assert pq.read_table(basin / "index.parquet")["withdrawn"].to_pylist() == [False, True, True]
    assert set(pq.read_table(basin / "totals.parquet")["revision"].to_pylist()) == {1}
    with reading.open_day(tmp_path, "larkmoor", "2031-03-01", 2) as day:
        assert day.attrs["revision"] == 2
    with pytest.raises(ArchiveError, match=r"Every revision of larkmoor 2031-03-04 is withdrawn.*by number: 1"):
        reading.open_day(tmp_path, "larkmoor", "2031-03-04")


def test_status_tells_what_is_held_and_how_old_it_is(tmp_path, provenance):
    for inputs in "ab":
        publish(tmp_path, made_day("2031-03-01"), provenance(inputs, degraded=["No weather table."]))
    publish(tmp_path, made_day("2031-03-04"), provenance("c"))
    withdraw(tmp_path, "larkmoor", dt.date(2031, 3, 4), 1, "wrong tare")
    # The withdrawal is not in the index yet, and the index may be gone altogether.
    for _ in range(2):
        told = status(tmp_path, "larkmoor", dt.date(2031, 3, 6), "10-01")
        assert (told.newest, told.age_days) == (DAY, 5)
        rows = told.days[["date", "revisions", "standing", "degraded", "withdrawn"]].fillna({"standing": 0})
        assert rows.to_numpy().tolist() == [[DAY, 2, 2, True, 0], [dt.date(2031, 3, 4), 1, 0, False, 1]]
        (tmp_path / "larkmoor" / "index.parquet").unlink(missing_ok=True)
    with pytest.raises(ArchiveError, match=r"no basin nowhere. It has: larkmoor"):
        status(tmp_path, "nowhere", DAY, "10-01")


# --- failures ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("number", "told"),
    [
        (errno.ENOSPC, "the disk is full .* Free some space"),
        (errno.EROFS, "the file system is read-only .* Mount it writable"),
        (errno.EACCES, "no permission .* Give this user write permission"),
        (errno.EIO, "Input/output error .* Look at the disk"),
    ],
)
def test_a_disk_that_fails_is_told_in_one_line_and_leaves_nothing(tmp_path, provenance, monkeypatch, number, told):
    publish(tmp_path, made_day("2031-02-28"), provenance("a"))
    before = content(tmp_path / "larkmoor")
    real = os.fsync
    calls = []

    def fails(descriptor):
        calls.append(descriptor)
        if len(calls) == 9:
            raise OSError(number, os.strerror(number), str(tmp_path / "somewhere"))
        real(descriptor)

    monkeypatch.setattr(os, "fsync", fails)
    with pytest.raises(ArchiveError, match=f"Cannot publish larkmoor 2031-03-01 in .*: {told}") as raised:
        publish(tmp_path, made_day("2031-03-01"), provenance("b"))
    assert "\n" not in str(raised.value)
    assert content(tmp_path / "larkmoor") == before
    assert list((tmp_path / ".staging" / "larkmoor").iterdir()) == []


@pytest.mark.usefixtures("packing")
@pytest.mark.parametrize(
    ("free", "error", "told"),
    [
        # The library says no more than this, whatever the cause.
        (4096, RuntimeError("NetCDF: HDF error"), "the disk is full"),
        (10**9, RuntimeError("NetCDF: HDF error"), "NetCDF: HDF error"),
        # Seen on a file system without a free block: a file that cannot be made is reported as one that may not be.
        (4096, PermissionError(errno.EACCES, "Permission denied"), "the disk is full"),
        (10**9, PermissionError(errno.EACCES, "Permission denied", "estimate.nc"), "no permission"),
    ],
)
def test_a_disk_that_fills_while_the_grid_is_written_is_told_so(tmp_path, provenance, monkeypatch, free, error, told):
    def fails(*_):
        raise error

    monkeypatch.setattr("snowtally.publishing.pack.write_estimate", fails)
    monkeypatch.setattr("snowtally.publishing.pack.shutil.disk_usage", lambda _: SimpleNamespace(free=free))
    with pytest.raises(ArchiveError, match=f"{told}.*estimate.nc"):
        publish(tmp_path, made_day(), provenance("a"))


def test_a_file_that_reads_back_differently_is_not_published(tmp_path, provenance, monkeypatch):
    real = files_module._written
    seen: dict[Path, int] = {}

    def forgets(path):
        seen[path] = seen.get(path, 0) + 1
        written = real(path)
        return replace(written, sha256="0" * 64) if path.name == "swe.tif" and seen[path] == 2 else written

    monkeypatch.setattr(files_module, "_written", forgets)
    with pytest.raises(ArchiveError, match=r"swe.tif reads back differently from what was written. Check the disk."):
        publish(tmp_path, made_day(), provenance("a"))
    assert not (tmp_path / "larkmoor").exists()


def test_an_archive_of_a_newer_layout_is_left_alone(tmp_path, provenance):
    (tmp_path / "archive.json").write_text('{"layout": 3}', "utf-8")
    with pytest.raises(
        ArchiveError, match=r"has archive layout 3; this version reads up to 2. Install a newer snowtally."
    ):
        publish(tmp_path, made_day(), provenance("a"))
    with pytest.raises(ArchiveError, match="layout 3"):
        reading.list_days(tmp_path, "larkmoor")
    assert [path.name for path in tmp_path.iterdir()] == ["archive.json"]


def test_a_store_that_cannot_be_reached_is_one_line(provenance, monkeypatch):
    pytest.importorskip("s3fs")
    for name, value in {
        "ENDPOINT_URL": "http://127.0.0.1:9",
        "MAX_ATTEMPTS": "1",
        "ACCESS_KEY_ID": "a",
        "SECRET_ACCESS_KEY": "b",
    }.items():
        monkeypatch.setenv(f"AWS_{name}", value)
    with pytest.raises(ArchiveError, match="s3://bucket/archive cannot be reached"):
        publish("s3://bucket/archive", made_day(), provenance("a"))


def test_a_file_where_the_archive_should_be_is_told(tmp_path, provenance):
    (tmp_path / "archive").write_text("in the way", "utf-8")
    with pytest.raises(ArchiveError, match="a file is in the way of a folder"):
        publish(tmp_path / "archive", made_day(), provenance("a"))


def test_a_stuck_lock_is_told_with_its_holder(tmp_path, provenance, monkeypatch):
    publish(tmp_path, made_day(), provenance("a"))
    monkeypatch.setattr("snowtally.storage.locks._LOCK_WAIT_S", 0.05)
    lock = tmp_path / ".locks" / "larkmoor.lock"
    lock.write_text("process 12 on somewhere\n", "utf-8")
    script = "import fcntl, sys, time; f = open(sys.argv[1]); fcntl.flock(f, fcntl.LOCK_EX); print(flush=True); time.sleep(30)"
    holder = subprocess.Popen([sys.executable, "-c", script, lock], stdout=subprocess.PIPE)
    try:
        assert holder.stdout.readline()
        with pytest.raises(
            ArchiveError, match=r"larkmoor.lock is held by process 12 on somewhere. Stop it and run again."
        ):
            publish(tmp_path, made_day("2031-03-02"), provenance("b"))
    finally:
        holder.kill()
        holder.communicate()


def test_time_to_publish_does_not_grow_with_the_dates_held(tmp_path, provenance, monkeypatch):
    # What is looked at is counted, not timed: one date more or less must not open one file more.
    opened: list[str] = []
    real = Path.read_text
    monkeypatch.setattr(Path, "read_text", lambda self, *args: opened.append(self.name) or real(self, *args))
    counts = []
    for number in range(4):
        opened.clear()
        publish(tmp_path, made_day(f"2031-03-0{number + 1}"), provenance(str(number)))
        counts.append(len(opened))
    assert counts[1] == counts[2] == counts[3]


def test_published_totals_are_gathered_by_date(tmp_path, provenance):
    publish(tmp_path, made_day("2031-03-02"), provenance("a"))
    publish(tmp_path, made_day("2031-03-01"), provenance("b"))
    gathered = pq.read_table(tmp_path / "larkmoor" / "totals.parquet")
    own = pd.concat(
        pd.read_parquet(tmp_path / "larkmoor" / date / "r001" / "totals.parquet")
        for date in ("2031-03-01", "2031-03-02")
    )
    pd.testing.assert_frame_equal(gathered.drop_columns("revision").to_pandas(), own.reset_index(drop=True))


@pytest.mark.parametrize(
    "gone",
    [
        "2031-03-01",
        pytest.param("2031-03-02", marks=pytest.mark.long),
        "2031-03-05/r001",
        *(pytest.param(one, marks=pytest.mark.long) for one in ("2031-03-05", "2031-03-01/r001")),
    ],
)
def test_a_date_taken_away_by_hand_costs_no_night_and_leaves_what_is_derived(tmp_path, provenance, gone):
    for number, date in enumerate(("2031-03-01", "2031-03-02", "2031-03-05")):
        publish(tmp_path, made_day(date, height=8, width=9), provenance(f"{number}"))
    shutil.rmtree(tmp_path / "larkmoor" / gone)
    publish(tmp_path, made_day("2031-03-03", height=8, width=9), provenance("later"))
    held = sorted({"2031-03-01", "2031-03-02", "2031-03-03", "2031-03-05"} - {gone[:10]})
    for name in ("index.parquet", "totals.parquet"):
        dates = pq.read_table(tmp_path / "larkmoor" / name)["date"].to_pylist()
        assert sorted({str(date) for date in dates}) == held
    assert json.loads((tmp_path / "larkmoor" / "latest.json").read_text("utf-8"))["date"] == held[-1]


def test_a_withdrawal_goes_on_where_the_newest_date_was_taken_away(tmp_path, provenance):
    for number, date in enumerate(("2031-03-01", "2031-03-05")):
        publish(tmp_path, made_day(date, height=8, width=9), provenance(f"{number}"))
    shutil.rmtree(tmp_path / "larkmoor" / "2031-03-05")
    assert withdraw(tmp_path, "larkmoor", DAY, 1, "wrong tare") is None
    assert json.loads((tmp_path / "larkmoor" / "latest.json").read_text("utf-8"))["date"] is None


@pytest.mark.parametrize("settings", [None, 7, [], "basin"])
def test_a_record_whose_settings_are_none_is_told_as_damaged(tmp_path, provenance, settings):
    path = publish(tmp_path, made_day(height=8, width=9), provenance("a")).path / "record.json"
    path.chmod(0o644)
    path.write_text(json.dumps(json.loads(path.read_text("utf-8")) | {"settings": settings}), "utf-8")
    with pytest.raises(ArchiveError, match=r"record\.json cannot be read .* Put it back from a copy"):
        reading.read_record(tmp_path, "larkmoor", DAY)
    assert rebuild_derived(tmp_path, "larkmoor") == 1
    assert [one.path for one in verify(tmp_path, "larkmoor", lambda _: None).troubles] == [
        "larkmoor/2031-03-01/r001/record.json"
    ]
