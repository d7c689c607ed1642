"""Prune lists and removes what no revision can name, and nothing else; beside nights, with links, cut off in the middle."""

from __future__ import annotations

import datetime as dt
import multiprocessing
import os
import shutil
import time
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import xarray as xr
from made_day import made_day

from snowtally.cli.prune import PruneResult
from snowtally.inspection.verify import verify
from snowtally.model.problems import ArchiveError, BusyError
from snowtally.publishing.archived_inputs import archive_inputs, inputs_folder, read_archived
from snowtally.publishing.night_lock import NightLock
from snowtally.publishing.prune import prune
from snowtally.publishing.publish import publish, withdraw
from snowtally.publishing.staging import staged
from snowtally.reading import read_record

FORK = multiprocessing.get_context("fork")
DAY_S = 86400.0


def rows(*months):
    dates = [f"2031-{month:02d}-01" for month in months]
    return {
        "courses": pd.DataFrame({"site_id": ["NA"] * len(dates), "date": dates, "swe_mm": np.arange(len(dates)) * 1.5})
    }


def grids(seed):
    axis = 50.0 + 100.0 * np.arange(9)
    values = np.random.default_rng(seed).random((9, 9))
    return {"cover": xr.Dataset({"cover": (("y", "x"), values)}, {"y": axis, "x": axis}, {"crs": "EPSG:32625"})}


@pytest.fixture(scope="module")
def whole(tmp_path_factory):
    """A date with its inputs, and of a night that was cut off an input that shares a month with them and a grid."""
    from made_provenance import make_provenance  # noqa: PLC0415

    root = tmp_path_factory.mktemp("prune") / "archive"
    kept = archive_inputs(root, "larkmoor", rows(1, 2, 3), grids(1))
    publish(root, made_day("2031-03-01", height=8, width=9), make_provenance("a" * 64, archived=kept))
    archive_inputs(root, "larkmoor", rows(1, 2, 4), grids(2))
    aged(root, 40)
    return root


def aged(root, days):
    for path in root.rglob("*"):
        os.utime(path, (time.time() - days * DAY_S,) * 2, follow_symlinks=False)


@pytest.fixture
def mine(whole, tmp_path):
    return Path(shutil.copytree(whole, tmp_path / "archive"))


def named_inputs_are_whole(root):
    read_archived(root, "larkmoor", read_record(root, "larkmoor", "2031-03-01", 1)["kept_inputs"])
    return True


def test_a_dry_run_lists_and_removes_nothing(mine):
    before = sorted(mine.rglob("*"))
    found = prune(mine, "larkmoor", 30, go=False)
    # The other months are the first night's too.
    assert sorted(one.path.split(".", 1)[1] for one in found.inputs) == ["csv.gz", "json", "nc"]
    assert found.bytes == sum((mine / one.path).stat().st_size for one in found.inputs)
    assert all(39.9 < one.age_days < 40.1 for one in found.inputs)
    assert sorted(mine.rglob("*")) == before
    assert (
        PruneResult("larkmoor", found)
        .to_table()[-1]
        .startswith("Can be removed: 3 archived inputs, 0 leftovers of nights, ")
    )
    assert PruneResult("larkmoor", found).to_json()["removed"] is False


def test_it_frees_what_it_listed_and_verify_has_nothing_more_to_say(mine):
    listed = prune(mine, "larkmoor", 30, go=False)
    assert sorted(verify(mine, "larkmoor", lambda _: None).leftovers) == [one.path for one in listed.inputs]
    done = prune(mine, "larkmoor", 30, go=True)
    assert [one.path for one in done.inputs] == [one.path for one in listed.inputs]
    assert not any((mine / one.path).exists() for one in done.inputs)
    assert verify(mine, "larkmoor", lambda _: None).leftovers == []
    assert named_inputs_are_whole(mine)
    assert PruneResult("larkmoor", done).to_table()[-1].startswith("Removed: 3 archived inputs")
    assert PruneResult("larkmoor", prune(mine, "larkmoor", 30, go=True)).to_table() == ["Nothing to remove"]


def test_what_is_younger_stays(mine):
    aged(mine, 20)
    assert prune(mine, "larkmoor", 30, go=True).inputs == []
    assert len(prune(mine, "larkmoor", 19, go=False).inputs) == 3


def test_a_withdrawn_revision_and_a_renamed_folder_name_their_inputs_still(mine):
    withdraw(mine, "larkmoor", dt.date(2031, 3, 1), 1, "wrong")
    assert len(prune(mine, "larkmoor", 30, go=True).inputs) == 3
    assert named_inputs_are_whole(mine)
    (mine / "larkmoor" / "2031-03-01" / "r001").rename(mine / "larkmoor" / "2031-03-01" / "r001.away")
    found = prune(mine, "larkmoor", 30, go=True)
    assert (found.inputs, found.held_back) == ([], [])


def test_a_listing_that_cannot_be_read_holds_the_months_back(mine):
    sha256 = read_record(mine, "larkmoor", "2031-03-01")["kept_inputs"]["courses"]
    (inputs_folder(mine, "larkmoor") / f"{sha256}.json").write_text("{")
    found = prune(mine, "larkmoor", 30, go=True)
    assert (found.inputs, len(found.held_back)) == ([], 1)


@pytest.mark.parametrize("harm", [
    lambda path: path.unlink(),
    lambda path: path.write_text(path.read_text().replace('"months": ["', '"months": ["0')),
], ids=["lost", "flipped"])  # fmt: skip
def test_a_listing_that_is_lost_or_names_other_months_holds_the_months_back(mine, harm):
    sha256 = read_record(mine, "larkmoor", "2031-03-01")["kept_inputs"]["courses"]
    harm(inputs_folder(mine, "larkmoor") / f"{sha256}.json")
    aged(mine, 40)
    found = prune(mine, "larkmoor", 30, go=True)
    assert (found.inputs, len(found.held_back)) == ([], 1)


@pytest.mark.parametrize("what", ["2031-03-01", "2031-03-01/r001"])
def test_a_date_or_revision_on_a_disk_that_is_not_mounted_holds_all_inputs_back(mine, tmp_path, what):
    moved = mine / "larkmoor" / what
    moved.parent.mkdir(exist_ok=True)
    shutil.move(moved, tmp_path / "moved")
    moved.symlink_to(tmp_path / "moved")
    assert len(prune(mine, "larkmoor", 30, go=False).inputs) == 3
    (tmp_path / "moved").rename(tmp_path / "unmounted")
    found = prune(mine, "larkmoor", 30, go=True)
    assert (found.inputs, len(found.held_back)) == ([], 1)
    assert moved.name in found.held_back[0]


def test_it_does_not_run_beside_a_night(mine):
    with NightLock(mine, "larkmoor", dt.date(2031, 3, 8), "run").hold(0):
        with pytest.raises(BusyError, match=r"Nights of larkmoor are at work \(2031-03-08\)"):
            prune(mine, "larkmoor", 30, go=True)
        assert len(prune(mine, "larkmoor", 30, go=False).inputs) == 3
    with staged(mine, "larkmoor", "2031-03-09"), pytest.raises(BusyError, match="2031-03-09"):
        prune(mine, "larkmoor", 30, go=True)
    # Another basin's night has other inputs.
    with NightLock(mine, "othermoor", dt.date(2031, 3, 8), "run").hold(0):
        assert len(prune(mine, "larkmoor", 30, go=True).inputs) == 3


def test_a_night_that_starts_meanwhile_waits_for_it(mine, monkeypatch):
    from snowtally.publishing import prune as module  # noqa: PLC0415

    real, taken = module._remove_inputs, []

    def slow(paths):
        def night():
            with NightLock(mine, "larkmoor", dt.date(2031, 3, 8), "run").hold(0):
                (mine / "begun").write_text("")

        process = FORK.Process(target=night)
        process.start()
        process.join(1.5)
        taken.append((mine / "begun").exists())
        real(paths)
        taken.append(process)

    monkeypatch.setattr(module, "_remove_inputs", slow)
    prune(mine, "larkmoor", 30, go=True)
    taken[1].join(20)
    assert (taken[0], (mine / "begun").exists()) == (False, True)


def test_a_date_published_since_the_records_were_read_keeps_its_inputs(mine, provenance, monkeypatch):
    from snowtally.publishing import prune as module  # noqa: PLC0415

    real = module.staged

    def staged_late(*words):
        kept = archive_inputs(mine, "larkmoor", rows(1, 2, 4), grids(2))
        publish(mine, made_day("2031-03-08", height=8, width=9), provenance("b" * 64, archived=kept))
        return real(*words)

    monkeypatch.setattr(module, "staged", staged_late)
    assert prune(mine, "larkmoor", 30, go=True).inputs == []


def test_links_are_not_followed(mine, tmp_path):
    outside = tmp_path / "outside"
    outside.mkdir()
    precious = outside / f"{'0' * 64}.nc"
    precious.write_text("precious")
    inputs = mine / "larkmoor" / "inputs"
    (inputs / precious.name).symlink_to(precious)
    (mine / ".staging" / "larkmoor" / "4194305-abcd").symlink_to(outside)
    aged(outside, 40)
    aged(mine, 40)
    done = prune(mine, "larkmoor", 30, go=True)
    assert (len(done.inputs), done.work, precious.read_text()) == (3, [], "precious")
    # The whole folder elsewhere: nothing of it is ours.
    moved = Path(shutil.move(inputs, outside / "inputs"))
    inputs.symlink_to(moved)
    archive_inputs(mine, "larkmoor", rows(7), {})
    aged(outside, 40)
    done = prune(mine, "larkmoor", 30, go=True)
    assert (done.inputs, "is a link out of the archive" in done.held_back[0]) == ([], True)


def test_files_that_the_archive_did_not_write_stay(mine):
    for name in ("notes.txt", f"{'0' * 64}.txt", f"{'0' * 63}.nc"):
        (mine / "larkmoor" / "inputs" / name).write_text("mine")
    (mine / "larkmoor" / "inputs" / f"{'1' * 64}.nc").mkdir()
    aged(mine, 40)
    assert len(prune(mine, "larkmoor", 30, go=True).inputs) == 3
    assert len(list((mine / "larkmoor" / "inputs").glob("?" * 63 + "*"))) >= 6


def test_work_of_a_night_that_was_cut_off_is_finished_and_removed(mine, provenance, monkeypatch):
    def dies():
        monkeypatch.setattr("snowtally.publishing.publish.refresh", lambda *_: os._exit(9))
        publish(mine, made_day("2031-03-08", height=8, width=9), provenance("b" * 64))

    process = FORK.Process(target=dies)
    process.start()
    process.join(60)
    assert process.exitcode == 9
    assert prune(mine, "larkmoor", 30, go=True).work == []
    aged(mine / ".staging", 40)
    done = prune(mine, "larkmoor", 30, go=True)
    assert len(done.work) == 1
    assert list((mine / ".staging" / "larkmoor").iterdir()) == []
    assert verify(mine, "larkmoor", lambda _: None).troubles == []


@pytest.mark.parametrize("at", [1, 2, 3])
def test_a_prune_that_is_killed_in_the_middle_harms_nothing_and_the_next_one_ends_it(mine, at):
    def dies():
        real, calls = Path.unlink, []

        def unlink(path, **how):
            if path.parent.name == "inputs":
                calls.append(path)
                if len(calls) == at:
                    os._exit(9)
            real(path, **how)

        Path.unlink = unlink
        prune(mine, "larkmoor", 30, go=True)

    process = FORK.Process(target=dies)
    process.start()
    process.join(60)
    assert process.exitcode == 9
    assert named_inputs_are_whole(mine)
    assert {t.what for t in verify(mine, "larkmoor", lambda _: None).troubles} == {
        "was left by a night that was cut off"
    }
    # A night that has the same rows after all keeps them whole, whatever is left of them.
    kept = archive_inputs(mine, "larkmoor", rows(1, 2, 4), grids(2))
    assert read_archived(mine, "larkmoor", kept)[0]["courses"].equals(rows(1, 2, 4)["courses"])
    aged(mine, 40)
    assert len(prune(mine, "larkmoor", 30, go=True).inputs) == 3
    assert verify(mine, "larkmoor", lambda _: None).troubles == []


def test_no_archive_is_one_line(tmp_path):
    with pytest.raises(ArchiveError, match="There is no archive"):
        prune(tmp_path / "none", "larkmoor", 30, go=True)
