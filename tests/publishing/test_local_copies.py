"""Copies of a store's objects on this machine: fetched once, and gone when nobody asks for them any more."""

import os

import pytest

upath = pytest.importorskip("upath", reason="universal_pathlib is not installed: no object store to try")

from snowtally.storage.paths import local_file  # noqa: E402


def test_copies_that_nobody_asks_for_are_taken_away(tmp_path, monkeypatch):
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))
    objects = [upath.UPath(f"memory://bucket/{name}.csv") for name in ("asked", "forgotten", "new")]
    for path in objects:
        path.write_text(path.name)
    asked, forgotten = (local_file(path) for path in objects[:2])
    for copy in (asked, forgotten):
        os.utime(copy, (0, 0))
    assert local_file(objects[0]) == asked
    new = local_file(objects[2])
    assert (asked.read_text(), new.read_text()) == ("asked.csv", "new.csv")
    assert set(new.parent.iterdir()) == {asked, new}
