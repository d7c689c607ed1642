"""A small made winter, and makers that write it as other people keep their records."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from snowtally.inputs.formats import FileFormat
from snowtally.inputs.read_courses import read_courses
from snowtally.inputs.read_sites import read_sites
from snowtally.inputs.read_stations import read_stations
from snowtally.inputs.source import Source
from snowtally.proposals.missing_codes import USUAL
from snowtally.proposals.proposal import BasinHint, TableProposals
from snowtally.proposals.trial import nested
from snowtally.settings.blocks import Format

HINT = BasinHint(-20.4, 44.8, -19.6, 45.2, 1400.0, 2900.0, ("EPSG:32627",))
"""Where the made basin lies: in open ocean."""

SITES = pd.DataFrame(
    [
        ("QC01", "Hollow Fen", "course", -20.11, 45.01, 1620.0),
        ("QC02", "Tarn Edge", "course", -20.02, 45.04, 1850.0),
        ("QC03", "Brindle Moss", "course", -19.95, 44.97, 2130.0),
        ("QC04", "Upper Sike", "course", -19.88, 45.06, 2410.0),
        ("QS1", "Fell Top", "station", -20.07, 44.93, 1740.0),
        ("QS2", "Mossy Gap", "station", -19.97, 45.02, 2050.0),
        ("QS3", "High Stand", "station", -19.9, 44.99, 2330.0),
    ],
    columns=["site_id", "name", "kind", "longitude", "latitude", "elevation_m"],
)


def _courses() -> pd.DataFrame:
    rows = []
    draw = np.random.default_rng(20)
    for number, site in enumerate(("QC01", "QC02", "QC03", "QC04")):
        visits = (
            ("2031-01-28", 0.9, 260),
            ("2031-02-27", 1.3, 310),
            ("2031-04-02", 1.6, 360),
            ("2031-05-03", 1.2, 420),
        )
        for day, deep_m, density in visits:
            for point in range(1, 6):
                depth = round(100 * deep_m * (0.7 + 0.2 * number) + draw.normal(0, 6))
                core = depth - int(draw.integers(1, 6))
                rows.append((site, day, str(point), depth, core, round(depth * density / 100)))
    return pd.DataFrame(rows, columns=["site_id", "date", "point", "depth_cm", "core_cm", "swe_mm"])


COURSES = _courses()


def _stations() -> pd.DataFrame:
    days = pd.date_range("2030-11-01", "2031-06-20", freq="D")
    step = np.arange(len(days))
    parts = []
    for number, site in enumerate(("QS1", "QS2", "QS3")):
        peak = 420.0 + 120.0 * number
        swe = np.round(np.interp(step, [0, 10, 160, 215, 231], [0, 0, peak, 40, 0]))
        density = np.interp(step, [0, 160, 231], [180, 370, 480])
        depth = np.round(100.0 * swe / density)
        air = np.round(2.0 + 9.0 * np.cos(2 * np.pi * (step - 260) / 365) + 3 * np.sin(step * 1.7) - number, 1)
        total = np.round(np.interp(step, [0, 231], [5, peak * 1.5]))
        parts.append(
            pd.DataFrame(
                {
                    "site_id": site,
                    "date": days.strftime("%Y-%m-%d"),
                    "swe_mm": swe,
                    "depth_cm": depth,
                    "air_temperature_c": air,
                    "precipitation_total_mm": total,
                }
            )
        )
    return pd.concat(parts, ignore_index=True)


STATIONS = _stations()


def lines(rows: Iterable[Sequence[object]], separator: str = ",") -> str:
    """Return rows as delimited text."""
    stream = io.StringIO()
    csv.writer(stream, delimiter=separator, lineterminator="\n").writerows(rows)
    return stream.getvalue()


def canonical(folder: Path, *tables: str) -> None:
    """Write some of the tables as docs/inputs.md says."""
    frames = {"sites": SITES, "courses": COURSES, "stations": STATIONS.rename(columns={"date": "time"})}
    for name in tables:
        frames[name].to_csv(folder / f"{name}.csv", index=False)


def read_back(found: TableProposals, role: str) -> pd.DataFrame:
    """Return the rows of a table read with what is proposed, and nothing else."""
    table = found.tables[role]
    entries = [{"files": group.pattern, **nested(group.proposals)} for group in table.groups]
    formats = [FileFormat(**dict(Format.model_validate(entry))) for entry in entries]
    files = [file for group in table.groups for file in group.files]
    missing = found.missing.value if found.missing else list(USUAL)
    source = Source(files, {}, missing, formats)
    readers: dict[str, Callable[[Source], pd.DataFrame]] = {
        "sites": lambda source: read_sites(source)[0],
        "courses": lambda source: read_courses(source)[0],
        "stations": lambda source: read_stations(source, -1.0)[0],
    }
    return readers[role](source)


@dataclass(frozen=True)
class Settled:
    """What is proposed for a table's only group, by key."""

    keys: dict[str, object]

    @classmethod
    def of(cls, found: TableProposals, role: str) -> Settled:
        """Return the proposals of a role with one group."""
        (group,) = found.tables[role].groups
        return cls({one.key: one.value for one in group.proposals})


def assert_courses_are_true(rows: pd.DataFrame, *, depth_off: float = 0.0051, swe_off: float = 0.51) -> None:
    """Assert that course rows are the made ones, whatever their order; offs are what rounding to other units costs."""
    keys = ["site_id", "date", "point"]
    truth = COURSES.assign(date=pd.to_datetime(COURSES["date"])).sort_values(keys).reset_index(drop=True)
    rows = rows.assign(point=rows["point"].where(rows["point"] != "", "?")).sort_values(keys).reset_index(drop=True)
    assert rows[["site_id", "date", "point"]].astype(str).equals(truth[keys].astype(str))
    assert np.abs(rows["depth_m"] - truth["depth_cm"] / 100).max() <= depth_off
    assert np.abs(rows["swe_mm"] - truth["swe_mm"]).max() <= swe_off


def assert_stations_are_true(
    rows: pd.DataFrame, *, lacking: Sequence[str] = (), off: float = 0.51, keys: Sequence[str] = ("swe_mm", "depth_m")
) -> None:
    """Assert that station rows are the made ones; `lacking` are site and day of readings that a maker left out."""
    truth = STATIONS.assign(
        site_id=STATIONS["site_id"], date=pd.to_datetime(STATIONS["date"]), depth_m=STATIONS["depth_cm"] / 100
    ).set_index(["site_id", "date"])
    own = rows.assign(site_id=rows["site_id"].astype(str)).set_index(["site_id", "date"])
    assert len(own) == len(truth)
    for key in keys:
        difference = (own[key] - truth[key].reindex(own.index)).abs()
        left_out = own[key].isna()
        assert {f"{site} {day.date()}" for site, day in own.index[left_out]} == set(lacking)
        assert difference[~left_out].max() <= (off if key != "depth_m" else off / 40)
