"""What is kept comes back as it was or not at all, and what nobody asks for goes."""

import os
import time

import pytest

from pipeline.storage.cache import UNUSED_DAYS, KeptFiles, put_in_place


def aged(path, days):
    then = time.time() - days * 86400
    os.utime(path, (then, then))


def test_what_was_kept_comes_back_under_its_own_name_alone(tmp_path):
    kept = KeptFiles(tmp_path / "folder")
    assert kept.find("a") is None
    kept.keep("a", b"some bytes")
    kept.keep("empty", b"")
    assert (bytes(kept.find("a")), bytes(kept.find("empty"))) == (b"some bytes", b"")
    (tmp_path / "folder" / "a").rename(tmp_path / "folder" / "b")
    assert kept.find("b") is None


@pytest.mark.parametrize("place", [0, 31, 32, 40, -1])
def test_one_damaged_byte_is_as_if_nothing_were_there(tmp_path, place):
    kept = KeptFiles(tmp_path)
    kept.keep("a", bytes(range(100)))
    data = bytearray((tmp_path / "a").read_bytes())
    data[place] ^= 1
    (tmp_path / "a").write_bytes(data)
    assert kept.find("a") is None
    (tmp_path / "a").write_bytes(bytes(data[:20]))
    assert kept.find("a") is None


def test_what_nobody_asked_for_in_a_month_goes_and_what_was_asked_for_stays(tmp_path):
    kept = KeptFiles(tmp_path)
    for name in ("asked", "forgotten", "new"):
        kept.keep(name, b"x")
    for name in ("asked", "forgotten"):
        aged(tmp_path / name, UNUSED_DAYS + 1)
    assert kept.find("asked") is not None
    KeptFiles(tmp_path, writable=False).drop_unused()
    assert len(list(tmp_path.iterdir())) == 3
    kept.drop_unused()
    assert {path.name for path in tmp_path.iterdir()} == {"asked", "new"}


def test_a_folder_not_to_be_written_is_read_and_left_as_it_is(tmp_path):
    KeptFiles(tmp_path).keep("a", b"x")
    aged(tmp_path / "a", 3)
    before = (tmp_path / "a").stat().st_mtime
    reading = KeptFiles(tmp_path, writable=False)
    assert reading.find("a") is not None
    reading.keep("b", b"y")
    assert [(path.name, path.stat().st_mtime) for path in tmp_path.iterdir()] == [("a", before)]


def test_what_cannot_be_put_in_place_leaves_nothing_beside(tmp_path):
    (tmp_path / "a").mkdir()
    with pytest.raises(OSError, match="a"):
        put_in_place(tmp_path / "a", b"x")
    assert [path.name for path in tmp_path.iterdir()] == ["a"]
    KeptFiles(tmp_path / "a" / "b").keep("c", b"x")
    (tmp_path / "file").write_text("in the way")
    KeptFiles(tmp_path / "file").keep("c", b"x")
