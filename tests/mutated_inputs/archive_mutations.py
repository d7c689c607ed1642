"""Mutations of an archive with two sound dates, and the commands that read it."""

from __future__ import annotations

import json
import os
import random
import shutil
from pathlib import Path

from mutation_kinds import DATE, HELD, SETTINGS, mutation

ODD_NAMES = (
    "r²",
    "r01",
    "r0",
    "r999999999999999999999",
    "r-1",
    "r002",
    "r",
    "r1e3",
    "r\uff10\uff10\uff12",
    "x\x1b[31m",
    ".hidden",
    "r002.part",
)
ODD_DATES = (
    "0001-01-01",
    "9999-12-31",
    "2031-02-30",
    "2031-3-5",
    "\uff12\uff10\uff13\uff11-03-05",
    "10000-01-01",
    "2031-03-06",
    "x",
)


def command(chance: random.Random) -> list[str]:
    """Return a command that reads the archive."""
    return chance.choice(
        (
            ["status", SETTINGS],
            ["status", SETTINGS],
            ["verify", SETTINGS],
            ["verify", SETTINGS],
            ["verify", SETTINGS, "--rebuild"],
            ["compare", SETTINGS, *HELD],
            ["update", SETTINGS, "--date", DATE],
            ["update", SETTINGS, "--date", "2031-03-06"],
            ["withdraw", SETTINGS, f"{DATE}@1", "--reason", "trial"],
            ["rerun", SETTINGS, "--date", DATE, "--reason", "trial"],
            ["rerun", SETTINGS, "--inputs-of", f"{DATE}@1"],
            ["report", SETTINGS, "--date", DATE],
        )
    )


def any_file(chance: random.Random, home: Path) -> Path:
    """Return a file of the archive; those that steer it are drawn more often than grids."""
    files = sorted(path for path in (home / "archive").rglob("*") if path.is_file() and ".cache" not in path.parts)
    return chance.choice(
        [path for path in files if path.suffix in (".json", ".jsonl", ".parquet")] if chance.random() < 0.6 else files
    )


@mutation("archive: bytes flipped or cut", 5.0, archive=True)
def _bytes(chance: random.Random, home: Path) -> list[str]:
    path = any_file(chance, home)
    data = bytearray(path.read_bytes())
    os.chmod(path, 0o644)  # noqa: PTH101
    match chance.randrange(4):
        case 0 if data:
            for _ in range(chance.choice((1, 10, 100))):
                data[chance.randrange(len(data))] ^= 1 << chance.randrange(8)
        case 1:
            data = data[: int(chance.random() * len(data))]
        case 2:
            data = bytearray()
        case _:
            data = bytearray(len(data))
    path.write_bytes(data)
    return command(chance)


@mutation("archive: files lost or of another kind", 3.0, archive=True)
def _kinds(chance: random.Random, home: Path) -> list[str]:
    path = any_file(chance, home)
    if chance.random() < 0.3:
        path = path.parent
        if path == home / "archive":
            path /= "made"
        shutil.rmtree(path)
    else:
        path.unlink()
    match chance.randrange(4):
        case 0:
            path.mkdir()
        case 1:
            path.symlink_to(path.name)
        case 2:
            os.mkfifo(path)
        case _:
            pass
    return command(chance)


@mutation("archive: odd JSON", 5.0, archive=True)
def _json(chance: random.Random, home: Path) -> list[str]:
    archive = home / "archive"
    files = sorted(path for path in archive.rglob("*.json") if ".cache" not in path.parts)
    path = chance.choice(files)
    odd = chance.choice(
        (
            None,
            [],
            {},
            0,
            "x",
            float("nan"),
            10**400,
            -1,
            "../../..",
            "\x1b[31m",
            "r²",
            "9999-12-31",
            "0001-01-01",
            {"a": None},
            True,
        )
    )
    content = json.loads(path.read_text("utf-8"))
    if chance.random() < 0.3 or not isinstance(content, dict) or not content:
        content = odd
    else:
        within, keys = content, [*content]
        while isinstance(within[keys[0]], dict) and within[keys[0]] and chance.random() < 0.5:
            within = within[keys[0]]
            keys = [*within]
        key = chance.choice(keys)
        if chance.random() < 0.3:
            del within[key]
        else:
            within[key] = odd
    text = json.dumps(content) if chance.random() < 0.9 else "[" * 100_000
    path.write_text(text, "utf-8")
    return command(chance)


@mutation("archive: odd folders", 3.0, archive=True)
def _folders(chance: random.Random, home: Path) -> list[str]:
    basin = home / "archive" / "made"
    if chance.random() < 0.5:
        to = basin / DATE / chance.choice(ODD_NAMES)
        source = basin / DATE / "r001"
    else:
        to, source = basin / chance.choice(ODD_DATES), basin / DATE
    match chance.randrange(4):
        case 0:
            shutil.copytree(source, to, dirs_exist_ok=True)
        case 1:
            to.mkdir(exist_ok=True)
        case 2:
            to.symlink_to(to.name)
        case 3:
            to.write_text("x", "utf-8")
    return command(chance)


@mutation("archive: odd tables and lines", 2.0, archive=True)
def _tables(chance: random.Random, home: Path) -> list[str]:
    import pandas as pd  # noqa: PLC0415

    basin = home / "archive" / "made"
    paths = [
        basin / "index.parquet",
        basin / "totals.parquet",
        *sorted(basin.rglob("*totals_covariance.parquet")),
        *sorted((basin / "inputs").rglob("*.parquet")),
    ]
    path = chance.choice(paths)
    table = pd.read_parquet(path)
    match chance.randrange(5):
        case 0:
            table = table.iloc[:0]
        case 1 if len(table.columns) > 1:
            table = table.drop(columns=chance.choice([*table.columns]))
        case 2:
            table = table.astype("str")
        case 3:
            table = pd.concat([table] * 3)
        case _:
            table = table.assign(later=1.0)
    path.unlink()
    table.to_parquet(path, index=False)
    (basin / "decisions.jsonl").write_text(
        chance.choice(("", "{}\n", "x\n", '{"date": "9999-12-31"}\n', "null\n", "\x00\n", "[" * 5000 + "\n")), "utf-8"
    )
    return command(chance)


@mutation("archive: locks and notes left behind", archive=True)
def _locks(chance: random.Random, home: Path) -> list[str]:
    locks = home / "archive" / ".locks"
    locks.mkdir(exist_ok=True)
    odd = chance.choice(
        ("", "{}", "null", "[]", "x", '{"host": 5, "process": "x"}', '{"process": 99999999999999999999}', "\x00" * 50)
    )
    (locks / f"made.{DATE}.json").write_text(odd, "utf-8")
    for name in ("failed.json", "second_look.json"):
        if chance.random() < 0.4:
            (home / "archive" / "made" / name).write_text(
                chance.choice(("", "[]", "null", '{"9999-12-31": "x"}', '{"x": 5}', "{", "[" * 5000)), "utf-8"
            )
    return command(chance)
