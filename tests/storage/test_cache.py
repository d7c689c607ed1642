"""A cached value comes back as it was or is made again, and what nobody asks for goes."""

import datetime as dt
import os
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from snowtally.storage.cache import UNUSED_DAYS, Cache, Encoding, Maker, put_at_once
from snowtally.storage.encodings import ARRAYS, FRAME, TEXT, arrays_bytes, arrays_of

BYTES = Encoding(bytes, bytes)


class Made:
    """Makes bytes, and counts how often."""

    def __init__(self, value=b"some bytes"):
        self.value, self.times = value, 0

    def __call__(self):
        self.times += 1
        return self.value


def add(cache, *keys):
    for key in keys:
        cache.get_or_make(key, BYTES, Made())


def aged(path, days):
    then = time.time() - days * 86400
    os.utime(path, (then, then))


def test_a_value_is_made_once_and_lies_under_its_own_name_alone(tmp_path):
    cache, made, empty = Cache(tmp_path / "folder"), Made(), Made(b"")
    assert not cache.holds("a")
    for _ in range(2):
        assert cache.get_or_make("a", BYTES, made) == b"some bytes"
        assert cache.get_or_make("empty", BYTES, empty) == b""
    assert (made.times, empty.times) == (1, 1)
    assert cache.holds("a")
    (tmp_path / "folder" / "a").rename(tmp_path / "folder" / "b")
    assert not cache.holds("b")
    assert cache.get_or_make("b", BYTES, Made(b"other")) == b"other"


@pytest.mark.parametrize("place", [0, 31, 32, 40, -1])
def test_one_damaged_byte_is_as_if_nothing_were_there(tmp_path, place):
    cache, made = Cache(tmp_path), Made(bytes(range(100)))
    cache.get_or_make("a", BYTES, made)
    whole = (tmp_path / "a").read_bytes()
    data = bytearray(whole)
    data[place] ^= 1
    for damaged in (bytes(data), bytes(data[:20]), b""):
        (tmp_path / "a").write_bytes(damaged)
        assert not cache.holds("a")
        assert cache.get_or_make("a", BYTES, made) == bytes(range(100))
        assert (tmp_path / "a").read_bytes() == whole
    assert made.times == 4


@pytest.mark.parametrize("trouble", [ValueError, TypeError, KeyError])
def test_bytes_that_are_not_known_are_made_again(tmp_path, trouble):
    def decode(body):
        raise trouble(len(body))

    made = Made()
    for _ in range(2):
        assert Cache(tmp_path).get_or_make("a", Encoding(bytes, decode), made) == b"some bytes"
    assert made.times == 2


def test_what_nobody_asked_for_in_a_month_goes_and_what_was_asked_for_stays(tmp_path):
    cache = Cache(tmp_path)
    add(cache, "asked", "forgotten", "new")
    for name in ("asked", "forgotten"):
        aged(tmp_path / name, UNUSED_DAYS + 1)
    add(cache, "asked")
    Cache(tmp_path, writable=False).drop_unused()
    assert len(list(tmp_path.iterdir())) == 3
    cache.drop_unused()
    assert {path.name for path in tmp_path.iterdir()} == {"asked", "new"}


def test_a_folder_not_to_be_written_is_read_and_left_as_it_is(tmp_path):
    add(Cache(tmp_path), "a")
    aged(tmp_path / "a", 3)
    before = (tmp_path / "a").stat().st_mtime
    reading, made = Cache(tmp_path, writable=False), Made()
    reading.get_or_make("a", BYTES, made)
    assert made.times == 0
    reading.get_or_make("b", BYTES, made)
    assert [(path.name, path.stat().st_mtime) for path in tmp_path.iterdir()] == [("a", before)]


def test_what_cannot_be_put_in_place_leaves_nothing_beside(tmp_path):
    (tmp_path / "a").mkdir()
    with pytest.raises(OSError, match="a"):
        put_at_once(tmp_path / "a", b"x")
    assert [path.name for path in tmp_path.iterdir()] == ["a"]
    add(Cache(tmp_path / "a" / "b"), "c")
    (tmp_path / "file").write_text("in the way")
    add(Cache(tmp_path / "file"), "c")


@dataclass(frozen=True)
class Way:
    """Something that decides."""

    a: object
    b: object = ""


@dataclass(frozen=True)
class OtherWay(Way):
    """Another that decides, of the same values."""


DECIDING = [
    (),
    (None,),
    ("",),
    ("None",),
    ("ab", "c"),
    ("a", "bc"),
    (["a", "bc"],),
    (1,),
    (1.0,),
    ("1",),
    (True,),
    (b"1",),
    (b"",),
    (dt.date(2031, 3, 1),),
    (dt.datetime(2031, 3, 1, tzinfo=dt.UTC),),
    (Path("a"),),
    ("a",),
    ("\udc80",),
    (Way("a"),),
    (OtherWay("a"),),
    (Way("", "a"),),
    (Way(Way("a")),),
    ({"a": 1, "b": 2},),
    ({"b": 2, "a": 1},),
    (np.zeros(4),),
    (np.zeros((2, 2)),),
    (np.zeros((4, 1)),),
    (np.zeros(8, np.float32),),
    (np.zeros(4, np.int64),),
    (np.zeros((0, 3)),),
    (np.arange(6.0).reshape(2, 3),),
    (np.arange(6.0).reshape(3, 2).T,),
]


def test_each_thing_that_decides_gives_a_key_of_its_own():
    keys = [Maker("kind", 1).key(*deciding) for deciding in DECIDING]
    assert len(set(keys)) == len(DECIDING)
    assert all(key.endswith(".kind") for key in keys)
    turned = np.arange(6.0).reshape(2, 3)
    assert Maker("kind", 1).key(turned.T) == Maker("kind", 1).key(turned.T.copy())


def test_maker_version_and_libraries_are_part_of_the_key(monkeypatch):
    plain = Maker("kind", 1, ("numpy",))
    keys = {maker.key("a") for maker in (plain, Maker("kind", 2, ("numpy",)), Maker("kind", 1), Maker("kin", 1))}
    assert len(keys) == 4
    monkeypatch.setattr("snowtally.storage.cache._versions", lambda _: ["numpy 99"])
    assert plain.key("a") not in keys


def test_what_is_no_plain_value_is_no_key():
    with pytest.raises(TypeError):
        Maker("kind", 1).key(object())


def test_tables_arrays_and_texts_come_back_as_they_were(tmp_path):
    frame = pd.DataFrame(
        {
            "site_id": pd.Series(["A", None, "é"], dtype=str),
            "date": pd.to_datetime(["2031-03-01", None, "2031-03-03"]).astype("datetime64[s]"),
            "depth_m": [1.0, np.nan, 0.1 + 0.2],
            "line": [1, 2, 3],
        }
    )
    arrays = {
        "a": np.array([[1.0, np.nan, -0.0]], np.float32),
        "none": np.zeros((0, 3)),
        "ints": np.arange(4),
        "flags": np.array([True, False]),
    }
    cache = Cache(tmp_path)
    for key, encoding, value in (
        ("f", FRAME, frame),
        ("e", FRAME, frame[:0]),
        ("t", TEXT, "é\n"),
        ("a", ARRAYS, arrays),
    ):
        cache.get_or_make(key, encoding, lambda value=value: value)
    nothing = Made()
    pd.testing.assert_frame_equal(cache.get_or_make("f", FRAME, nothing), frame)
    pd.testing.assert_frame_equal(cache.get_or_make("e", FRAME, nothing), frame[:0])
    assert cache.get_or_make("t", TEXT, nothing) == "é\n"
    again = cache.get_or_make("a", ARRAYS, nothing)
    assert nothing.times == 0
    assert list(again) == list(arrays)
    for name, values in arrays.items():
        assert (again[name].dtype, again[name].shape) == (values.dtype, values.shape)
        assert again[name].tobytes() == values.tobytes()
        assert again[name].flags.writeable
    assert arrays_of(arrays_bytes({}, {"refused": "why"})) == ({}, {"refused": "why"})
