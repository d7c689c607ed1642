"""Mutations of any file: its bytes, its name in the folder, what kind of file it is."""

from __future__ import annotations

import os
import random
from pathlib import Path

from mutation_kinds import FILES, OTHER_FORMATS, SETTINGS, mutation, name_in_settings, set_settings

MANY = 3.0


def any_file(chance: random.Random, home: Path) -> Path:
    """Return a file drawn among all inputs; the settings name it."""
    name = chance.choice(FILES)
    if name in OTHER_FORMATS:
        name_in_settings(home, name)
    return home / name


@mutation("bytes flipped", MANY)
def _flip(chance: random.Random, home: Path) -> None:
    path = any_file(chance, home)
    data = bytearray(path.read_bytes())
    # Headers decide most: half of the flips fall into the first 2,000 bytes.
    reach = len(data) if chance.random() < 0.5 else min(len(data), 2000)
    for _ in range(chance.choice((1, 3, 30, 300))):
        data[chance.randrange(reach)] ^= 1 << chance.randrange(8)
    path.write_bytes(data)


@mutation("truncated", 2.0)
def _cut(chance: random.Random, home: Path) -> None:
    path = any_file(chance, home)
    data = path.read_bytes()
    path.write_bytes(data[: chance.choice((0, 1, 2, 8, 100, chance.randrange(len(data)), len(data) - 1))])


@mutation("NULs put in", 2.0)
def _nuls(chance: random.Random, home: Path) -> None:
    path = any_file(chance, home)
    data = path.read_bytes()
    place = chance.randrange(len(data))
    path.write_bytes(data[:place] + bytes(chance.choice((1, 7, 4096))) + data[place + chance.choice((0, 7)) :])


@mutation("a block moved, doubled or lost", 2.0)
def _block(chance: random.Random, home: Path) -> None:
    path = any_file(chance, home)
    data = path.read_bytes()
    first, last = sorted(chance.randrange(len(data)) for _ in range(2))
    block, place = data[first:last], chance.randrange(len(data))
    rest = data if chance.random() < 0.5 else data[:first] + data[last:]
    path.write_bytes(rest[:place] + (block if chance.random() < 0.7 else b"") + rest[place:])


@mutation("other bytes altogether")
def _junk(chance: random.Random, home: Path) -> None:
    path = any_file(chance, home)
    other = home / chance.choice(FILES)
    junk = chance.randbytes(chance.choice((1, 50, 5000)))
    path.write_bytes(chance.choice((junk, other.read_bytes(), b"\xff\xfe" + junk, b"\n" * 5000, b"," * 100_000)))


@mutation("a table saved in another encoding")
def _encoding(chance: random.Random, home: Path) -> None:
    path = home / chance.choice(("sites.csv", "courses.csv", "stations.csv", "weather.csv", "zones.geojson", SETTINGS))
    code = chance.choice(("utf-16", "utf-16-le", "utf-16-be", "utf-32", "utf-7", "cp037", "utf-8-sig"))
    path.write_bytes(path.read_text("utf-8").encode(code))


@mutation("no plain file in its place")
def _kind_of_file(chance: random.Random, home: Path) -> None:
    path = any_file(chance, home)
    path.unlink()
    match chance.randrange(5):
        case 0:
            path.symlink_to(path.name)
        case 1:
            path.mkdir()
        case 2:
            path.symlink_to("nothing-here")
        case 3:
            os.mkfifo(path)
        case 4:
            path.symlink_to("/dev/zero")


@mutation("odd path in the settings")
def _path(chance: random.Random, home: Path) -> None:
    (home / "loop").symlink_to("loop")
    (home / "deep").symlink_to(".")
    odd = chance.choice(
        (
            "loop", "loop/x.csv", "a\x00b.csv", "", ".", "..", "/", "x" * 5000, "deep/" * 60 + "sites.csv", "~", "$HOME",
            "\x1b[31mred.csv", "**/*", "[", "[!", "*" * 40, "/dev/null", "/dev/zero", "/proc/self/mem", "sites.csv/x", "\ud7ff.csv",
            "s3://", "http://127.0.0.1:9/x.csv", "file:///etc/hostname", "/vsizip/courses.xlsx", "/vsimem/x", "GPKG:zones.gpkg:zones",
        )
    )  # fmt: skip
    group, key = chance.choice(
        (
            ("inputs", "sites"), ("inputs", "courses"), ("inputs", "stations"), ("inputs", "flights"), ("inputs", "weather"),
            ("terrain", "elevation"), ("terrain", "canopy"), ("basin", "zones"), (None, "archive"),
        )
    )  # fmt: skip
    if key == "archive" and odd in ("/", "..", "~", "$HOME", "/dev/null", "s3://"):
        odd = "loop/archive"

    def change(content: dict) -> None:
        within = content if group is None else content[group]
        within[key] = [odd, odd] if chance.random() < 0.2 and group == "inputs" else odd

    set_settings(home, change)
