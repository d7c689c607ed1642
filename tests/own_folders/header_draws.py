"""The demo's inputs with headers changed at random, settings deleted: what init recovers of them, told apart by draw."""

# ruff: noqa: T201  a command prints its tables

from __future__ import annotations

import datetime as dt
import re
import shutil
import tempfile
import time
from collections import Counter
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np
import pandas as pd
import yaml
from header_words import KINDS, TABLES, UNITS, Unit
from own_judge import CURE, DATE, message_of, run
from same_rows import Difference, differences

from snowtally.gather.day import Readings, read_inputs
from snowtally.settings.basin import read_settings

ROOT = Path(__file__).parents[2]
DEMO = ROOT / "sample_inputs" / "larkmoor"
FILES = {"sites": "sites.csv", "courses": "course_samples.csv", "stations": "station_records.csv"}
KEYS = {
    "sites": {"elevation_m": "elevation"},
    "courses": {"depth_cm": "depth", "core_cm": "core", "swe_mm": "swe", "mass_full_g": "mass_full", "mass_empty_g": "mass_empty", "cutter_cm2": "cutter"},
    "stations": {"swe_mm": "swe", "depth_cm": "depth", "air_temperature_c": "air_temperature", "precipitation_total_mm": "precipitation_total"},
}  # fmt: skip
"""By table, the demo's columns that have a unit and their canonical keys."""

UNITLESS_TABLES = 0.12
"""Share of tables without a word of units; then three in four hold the units that the demo has."""

BRACKETS = ("{} ({})", "{} [{}]", "{}, {}", "{} {}")
LEAST_RECOVERED = 45 / 50
CELL_M = 400


@dataclass(frozen=True)
class Draw:
    """What was drawn for a table.

    Parameters
    ----------
    headers : by the demo's column.
    units : by the demo's column.
    told : whether the headers say the units.
    separator : between fields.
    """

    language: str
    headers: dict[str, str]
    units: dict[str, Unit]
    told: bool
    separator: str


def drawn(table: str, columns: list[str], rng: np.random.Generator) -> Draw:
    """Draw a table's headers and units."""
    language = str(rng.choice(list(TABLES[table]), p=[0.4, 0.15, 0.15, 0.15, 0.15]))
    told = rng.random() > UNITLESS_TABLES
    converted = told or rng.random() > 0.75
    bracket = str(rng.choice(BRACKETS, p=[0.6, 0.2, 0.1, 0.1]))
    case = rng.choice(["as is", "lower", "upper", "snake"], p=[0.7, 0.1, 0.1, 0.1])
    headers, units, taken = {}, {}, set()
    for column in columns:
        key = KEYS[table].get(column, column)
        words = [word for word in TABLES[table][language][key] if word not in taken]
        header = str(rng.choice(words or [TABLES[table][language][key][0] + " 2"]))
        taken.add(header)
        if column in KEYS[table]:
            known = UNITS[key]
            units[column] = known[int(rng.integers(len(known)))] if converted and rng.random() < 0.6 else known[0]
            if key == "mass_empty":
                units[column] = units["mass_full_g"]
            if told:
                header = bracket.format(header, rng.choice(units[column].words))
        if case == "snake":
            header = re.sub(r"[^\w°²]+", "_", header).strip("_").lower()
        headers[column] = {"lower": header.lower(), "upper": header.upper()}.get(str(case), header)
    return Draw(language, headers, units, told, str(rng.choice([",", ";", "\t"], p=[0.6, 0.3, 0.1])))


def write_draw(folder: Path, seed: int) -> dict[str, Draw]:
    """Write the demo's tables with drawn headers into a folder, its zones and ground beside them."""
    rng = np.random.default_rng([seed, 20])
    folder.mkdir(parents=True)
    for name in ("zones.geojson", "elevation.tif"):
        shutil.copy(DEMO / name, folder / name)
    draws = {}
    for table, file in FILES.items():
        rows = pd.read_csv(DEMO / file, dtype=str, keep_default_na=False)
        draw = draws[table] = drawn(table, list(rows.columns), rng)
        for column, unit in draw.units.items():
            rows[column] = [converted(cell, unit) for cell in rows[column]]
        if table == "sites":
            words = KINDS[draw.language][int(rng.integers(len(KINDS[draw.language])))]
            rows["kind"] = rows["kind"].map({"course": words[0], "station": words[1]})
        rows = rows[list(rng.permutation(rows.columns))] if rng.random() < 0.3 else rows
        rows.rename(columns=draw.headers).to_csv(folder / file, index=False, sep=draw.separator)
    return draws


def converted(cell: str, unit: Unit) -> str:
    """Return a cell in another unit; blanks and codes stay."""
    if cell in ("", "-9999"):
        return cell
    return f"{float(cell) * unit.factor + unit.shift:.{unit.decimals}f}"


@cache
def true_rows(date: str, home: Path) -> Readings:
    """Return what the demo's own settings read for a date, without flights and weather."""
    content = yaml.safe_load((ROOT / "configs" / "larkmoor.yaml").read_text("utf-8"))
    content["basin"]["zones"] = str(DEMO / "zones.geojson")
    content["terrain"] = {"elevation": str(DEMO / "elevation.tif")}
    content["inputs"] = {table: str(DEMO / file) for table, file in FILES.items()}
    content["grid"]["cell_m"], content["archive"] = CELL_M, "archive"
    file = home / "true.yaml"
    file.write_text(yaml.safe_dump(content), "utf-8")
    return read_inputs(read_settings(file), dt.date.fromisoformat(date), lambda _: None)


@dataclass(frozen=True)
class Outcome:
    """How a draw ended: recovered, partly, refused, SILENT or FAILED; why; and init's seconds."""

    verdict: str
    why: str
    seconds: float


def outcome(folder: Path, home: Path) -> Outcome:
    """Run init on a drawn folder and compare what its settings read."""
    status, said, seconds = run("init", folder, "--yes")
    settings, date = folder / "settings.yaml", DATE.search(said)
    if status not in (0, 3) or not settings.exists() or date is None:
        said = message_of(said)
        told = any(file in said for file in FILES.values()) and CURE.search(said)
        return Outcome("refused" if told else "FAILED", said[:500], seconds)
    content = yaml.safe_load(settings.read_text("utf-8"))
    content["grid"]["cell_m"] = CELL_M
    coarse = folder / "coarse.yaml"
    coarse.write_text(yaml.safe_dump(content), "utf-8")
    own = read_inputs(read_settings(coarse), dt.date.fromisoformat(date[1]), lambda _: None)
    found: list[Difference] = list(differences(own, true_rows(date[1], home), daily=False))
    wrong = [f"{one.what}: {one.how}" for one in found if not one.lost]
    lost = [f"{one.what}: {one.how}" for one in found if one.lost]
    verdict = "SILENT" if wrong else "partly" if lost else "recovered"
    return Outcome(verdict, "; ".join(wrong + lost), seconds)


def draws(count: int, seed: int) -> int:
    """Print a row a draw that was not recovered, and the counts; return the exit status."""
    counts: Counter[str] = Counter()
    begun, spent = time.monotonic(), 0.0
    with tempfile.TemporaryDirectory(prefix="header-draws-") as place:
        home = Path(place)
        for number in range(seed, seed + count):
            drawn_tables = write_draw(home / str(number), number)
            how = outcome(home / str(number), home)
            counts[how.verdict] += 1
            spent += how.seconds
            if how.verdict != "recovered":
                tables = "; ".join(
                    f"{name} {draw.language}{'' if draw.told else ' without units'}"
                    for name, draw in drawn_tables.items()
                )
                print(f"{number} | {how.verdict} | {tables} | {how.why}", flush=True)
            shutil.rmtree(home / str(number))
    print(
        f"\n{count} draws from seed {seed} in {time.monotonic() - begun:.0f} s, {spent / count:.1f} s an init: {dict(counts)}"
    )
    return int(counts["recovered"] < LEAST_RECOVERED * count or counts["SILENT"] > 0 or counts["FAILED"] > 0)
