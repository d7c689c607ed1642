"""What is asked of the archive every day, with one season of 200 dates in it, with twenty and with ninety: it must not take longer.

The dates are hard links to the files of one small day, so that 18,000 of them are made in a minute; what is derived is made as
a rebuild would. A query over the totals of all dates may take as much longer as there are more of them, and no more.
"""

from __future__ import annotations

import datetime as dt
import json
import os
import sys
from pathlib import Path

import duckdb
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq
from timing import Figure, Runs, alternate, slower_at_most

sys.path.insert(0, str(Path(__file__).parents[1] / "made"))

from made_day import made_day
from made_provenance import make_provenance

from snowtally import reading
from snowtally.inspection.status import status
from snowtally.publishing.publish import publish
from snowtally.publishing.tables import parquet_bytes
from snowtally.report.pages import make_front_page, make_season_page

SEASONS, NIGHTS = (1, 20, 90), 200
BASIN = "larkmoor"


def runs(folder: Path) -> Runs:
    """Return each question asked of archives of so many seasons."""
    asked: Runs = {}
    for seasons in SEASONS:
        name, root = str(seasons), folder / f"archive{seasons}"
        dates = made_archive(root, seasons)
        newest, totals = dates[-1], root / BASIN / "totals.parquet"
        nights = iter(range(1, 1000))

        def latest(root: Path = root) -> None:
            path = json.loads((root / BASIN / "latest.json").read_text("utf-8"))["path"]
            json.loads((root / BASIN / path / "record.json").read_text("utf-8"))

        def one_day(root: Path = root, newest: dt.date = newest) -> None:
            with reading.open_day(root, BASIN, newest) as day:
                day["swe"].load()

        def query(totals: Path = totals) -> None:
            duckdb.sql(f"select date, volume_m3 from '{totals}' where level = 'basin' order by date").fetchall()  # noqa: S608

        def night(root: Path = root, newest: dt.date = newest, nights=nights) -> None:
            date = newest + dt.timedelta(days=next(nights))
            publish(root, made_day(date.isoformat(), height=8, width=9), make_provenance(date.isoformat()))

        def pages(root: Path = root) -> None:
            make_season_page(root, BASIN, "metric")
            make_front_page(root, BASIN)

        asked |= {
            f"pages {name}": pages,
            f"latest {name}": lambda latest=latest: [latest() for _ in range(20)],
            f"one day {name}": one_day,
            f"status {name}": lambda root=root, newest=newest: status(root, BASIN, newest, "10-01"),
            f"list {name}": lambda root=root: reading.list_days(root, BASIN),
            f"totals {name}": lambda root=root: reading.read_totals(root, BASIN),
            f"query {name}": query,
            f"night {name}": night,
        }
    return asked


def figures(folder: Path) -> list[Figure]:
    """Return each question's ratio, many seasons over one."""
    taken = alternate(runs(folder))
    rows = []
    for seasons in SEASONS[1:]:
        bars = {
            "latest": (1.5, "latest.json and the record it leads to, twenty times"),
            "one day": (1.5, "one date opened and its SWE read"),
            "night": (2.0, "a night published, with index, totals and catalogues"),
            "pages": (2.0, "the season's page and the front page"),
            "status": (float(seasons), "status"),
            "list": (float(seasons), "the current revision of every date listed"),
            "totals": (float(seasons), "totals of all dates read"),
            "query": (float(seasons), "totals of all dates queried by DuckDB"),
        }
        rows += [
            slower_at_most(
                f"{words}, {seasons * NIGHTS} dates",
                taken[f"{name} {seasons}"],
                (f"{NIGHTS} dates", taken[f"{name} 1"]),
                goal,
            )
            for name, (goal, words) in bars.items()
        ]
    return rows


def made_archive(root: Path, seasons: int) -> list[dt.date]:
    """Make an archive of so many seasons' nights and return their dates."""
    dates = [dt.date(1931 + season, 11, 1) + dt.timedelta(days=n) for season in range(seasons) for n in range(NIGHTS)]
    first = publish(root, made_day(dates[0].isoformat(), height=8, width=9), make_provenance("first")).path
    index, totals = (pq.read_table(root / BASIN / name) for name in ("index.parquet", "totals.parquet"))
    for date in dates[1:]:
        folder = root / BASIN / date.isoformat() / first.name
        folder.mkdir(parents=True)
        for path in first.iterdir():
            os.link(path, folder / path.name)
        (folder.parent / "current.json").write_bytes((first.parent / "current.json").read_bytes())
    for name, table in (("index.parquet", index), ("totals.parquet", totals)):
        (root / BASIN / name).write_bytes(parquet_bytes(_for_all(table, dates)))
    path = f"{dates[-1]}/{first.name}"
    (root / BASIN / "latest.json").write_text(
        json.dumps({"date": str(dates[-1]), "revision": 1, "path": path}), "utf-8"
    )
    return dates


def _for_all(table: pa.Table, dates: list[dt.date]) -> pa.Table:
    """Return a table of one date repeated for each, with its date and season."""
    parts = []
    for date in dates:
        day = table.set_column(
            table.schema.get_field_index("date"),
            table.schema.field("date"),
            pa.array([date] * table.num_rows, pa.date32()),
        )
        if "season" in day.column_names:
            year = date.year if date.month >= 10 else date.year - 1
            named = pa.array([f"{year}-{year + 1}"] * day.num_rows)
            day = day.set_column(day.schema.get_field_index("season"), "season", named)
        parts.append(day)
    joined = pa.concat_tables(parts)
    return joined.take(pc.sort_indices(joined, [("date", "ascending")])).combine_chunks()
