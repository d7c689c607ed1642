"""Station records, 60 stations, 20 years, hourly (10.5 million rows, a CSV of 530 MB), against a plain CSV read.

The reference reads the same file into typed columns and does nothing else. A night reads a file that grew by a day since the
night before, with what that night kept, for the season that it needs; the hash of the whole file is in it.
"""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.csv as pa_csv
from timing import Figure, Runs, alternate, no_more_than, peak_mb, slower_at_most

from snowtally.inputs.find import describe
from snowtally.inputs.read_stations import Window, read_stations
from snowtally.inputs.source import Source
from snowtally.storage.cache import Cache

STATIONS, YEARS = 60, 20
START = np.datetime64("2011-10-01T00")
HOURS_A_WRITE = 10_000
MISSING = ["-9999", "", "M"]
SEASON = dt.date(2030, 10, 1)


def runs(folder: Path) -> Runs:
    """Return reading all of it, the plain read, and a night on a file that grew."""
    path = folder / "station_records.csv"
    if not path.exists():
        _write(path)
    night = folder / "growing.csv"
    return {
        "ours": lambda: read_stations(Source([path], {}, MISSING), -2.0),
        "plain": lambda: pa_csv.read_csv(path),
        "night": lambda: _night(path, night, folder / "kept"),
    }


def figures(folder: Path) -> list[Figure]:
    """Return the ratio to the plain read, the memory, and the seconds of a night."""
    made = runs(folder)
    rows, findings = made["ours"]()
    if len(rows) != made["plain"]().num_rows or findings:
        raise RuntimeError("not every row was read")
    del rows
    made["night"]()
    taken = alternate(made)
    path = "station records read, checked for repeats, sorted by site and time"
    return [
        slower_at_most(path, taken["ours"], ("plain CSV read", taken["plain"]), 3.0),
        no_more_than("its peak memory, whole process", peak_mb("bench_reading", "ours", folder), 3000, "MB"),
        no_more_than("a night on the file grown by a day: CPU seconds", taken["night"].cpu_s, 2.0, "s"),
        Figure("a night on the file grown by a day", str(taken["night"])),
    ]


def _night(path: Path, night: Path, kept: Path) -> pd.DataFrame:
    """Let the file grow by a day and read what a night needs."""
    if not night.exists():
        night.write_bytes(path.read_bytes())
        read_stations(Source([night], {}, MISSING), -2.0, Window(since=SEASON), cache=Cache(kept))
    hours = round((night.stat().st_size / path.stat().st_size) * YEARS * 8766)
    with night.open("ab") as to:
        _append(to, START + np.arange(hours, hours + 24))
    describe("stations", night)
    return read_stations(Source([night], {}, MISSING), -2.0, Window(since=SEASON), cache=Cache(kept))[0]


def _write(path: Path) -> None:
    hours = START + np.arange(YEARS * 8766)
    with path.open("wb") as to:
        to.write(b"site_id,time,swe_mm,depth_cm,air_temperature_c,precipitation_total_mm\n")
        for first in range(0, len(hours), HOURS_A_WRITE):
            _append(to, hours[first : first + HOURS_A_WRITE])


def _append(to: object, hours: np.ndarray) -> None:
    """Write all stations' rows of some hours: a season's snow with a sensor's noise."""
    rng = np.random.default_rng(int(hours[0].astype(np.int64)))
    times, station = np.repeat(hours, STATIONS), np.tile(np.arange(STATIONS), len(hours))
    season = ((times - START).astype(np.int64) % 8766) / 8766
    swe = 600 * np.sin(np.pi * season) ** 2 + station + rng.normal(0, 0.5, len(times))
    columns = {
        "site_id": np.array([f"ST{n:03d}" for n in range(STATIONS)])[station],
        "time": np.char.add(np.datetime_as_string(times, "m"), "-02:00"),
        "swe": swe.round(1),
        "depth": (swe / 3).round(1),
        "air": rng.normal(-3, 8, len(times)).round(1),
        "fallen": (season * 1200).round(1),
    }
    pa_csv.write_csv(pa.table(columns), to, pa_csv.WriteOptions(include_header=False, quoting_style="none"))
