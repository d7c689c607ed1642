"""Staged work step by step: what stays of it, whose it is, and which archived input must be written again."""

import datetime as dt
import json
import os
import time

import fsspec
import pytest

from snowtally.archive.layout import LAYOUT_VERSION
from snowtally.publishing.staging import (
    FOREIGN_S,
    in_hand,
    is_archived,
    left_behind,
    prepared,
    remove,
    staged,
    staging_folder,
)
from snowtally.storage.paths import path_of

upath = pytest.importorskip("upath", reason="universal_pathlib is not installed: no object store to try")


@pytest.fixture(params=["folder", "store"])
def root(request, tmp_path):
    """Return an archive in a folder, or in a store that lives in memory; a store has no empty folders."""
    root = tmp_path / "archive" if request.param == "folder" else path_of("memory://staging-tests")
    for path in (root / "begun.txt", staging_folder(root, "larkmoor") / "begun.txt"):
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text("begun")
    yield root
    if request.param == "store":
        fsspec.filesystem("memory").rm("/staging-tests", recursive=True)


def names(root):
    return sorted(path.name for path in staging_folder(root, "larkmoor").iterdir())


def test_a_new_archive_is_given_its_layout_once(root):
    told = prepared(root) / "archive.json"
    assert json.loads(told.read_text())["layout"] == LAYOUT_VERSION
    kept = json.dumps({"layout": LAYOUT_VERSION, "about": "in our own words"})
    told.write_text(kept)
    prepared(root)
    assert told.read_text() == kept


def test_work_is_in_hand_while_it_is_done_and_leaves_nothing(root):
    with staged(root, "larkmoor", "2031-03-01") as work:
        assert work.revision.is_dir()
        assert len(names(root)) == 2
        assert "2031-03-01" in in_hand(root, "larkmoor")
        assert "2031-03-01" not in left_behind(root, "larkmoor").values()
    assert names(root) == ["begun.txt"]
    assert not work.revision.exists()


def test_work_that_is_still_due_leaves_its_date_for_the_next(root):
    with staged(root, "larkmoor", "2031-03-01") as work:
        work.due = True
    assert "2031-03-01" in left_behind(root, "larkmoor").values()
    assert "2031-03-01" not in in_hand(root, "larkmoor")
    for path in left_behind(root, "larkmoor"):
        if path.name != "begun.txt":
            remove(path)
    assert names(root) == ["begun.txt"]


def test_work_whose_note_somebody_else_removed_ends_all_the_same(root):
    with staged(root, "larkmoor", "2031-03-01"):
        for path in staging_folder(root, "larkmoor").iterdir():
            if path.name != "begun.txt":
                remove(path)
    assert names(root) == ["begun.txt"]


def test_only_the_owners_note_stays_of_work_that_is_due(tmp_path):
    folder = tmp_path / "1-a"
    (folder / "revision").mkdir(parents=True)
    for name in ("owner.json", "index.parquet", "revision/swe.tif"):
        (folder / name).write_text("{}")
    remove(folder, keep_owner=True)
    assert [path.name for path in folder.iterdir()] == ["owner.json"]
    remove(folder)
    remove(folder)
    assert not folder.exists()


@pytest.mark.parametrize(("days", "is_left"), [(1.9, False), (2.1, True)])
def test_work_of_another_host_counts_as_left_after_two_days(tmp_path, days, is_left):
    folder = staging_folder(tmp_path, "larkmoor") / "1-a"
    folder.mkdir(parents=True)
    (folder / "owner.json").write_text(json.dumps({"host": "elsewhere", "pid": 1, "date": "2031-03-01"}))
    then = time.time() - days * 86400
    os.utime(folder, (then, then))
    assert (list(left_behind(tmp_path, "larkmoor").values()) == ["2031-03-01"]) == is_left


@pytest.mark.parametrize(("age_s", "archived"), [(0.0, True), (FOREIGN_S + 3600, False)])
def test_an_old_object_is_written_again_before_it_is_named(age_s, archived):
    """`prune` may be about to remove what is older than any night; a folder has a lock for that."""
    path = path_of("memory://staging-tests-inputs/rows.parquet")
    assert not is_archived(path)
    path.write_bytes(b"rows")
    memory = fsspec.filesystem("memory")
    try:
        stored = memory.store[path.path]
        stored.modified -= dt.timedelta(seconds=age_s)
        assert is_archived(path) == archived
    finally:
        memory.rm("/staging-tests-inputs", recursive=True)


def test_an_old_file_in_a_folder_stays(tmp_path):
    path = tmp_path / "rows.parquet"
    assert not is_archived(path)
    path.write_bytes(b"rows")
    os.utime(path, (0, 0))
    assert is_archived(path)
