"""What a page is made from: a published day, its neighbours and its seasons, from the archive's files alone."""

from __future__ import annotations

import datetime as dt
import json
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from snowtally.archive.columns import COLUMNS, filled
from snowtally.archive.current import Soundness, words_of
from snowtally.archive.revisions import Revision
from snowtally.inspection.change_error import DatedTotals
from snowtally.model.problems import ArchiveError
from snowtally.model.season import first_of_season
from snowtally.publishing.derived import read_index
from snowtally.publishing.stac import season_name, season_start
from snowtally.reading import (
    basin_row,
    find_revision,
    load_record,
    open_day,
    read_sites,
    read_totals,
    revision_totals,
)
from snowtally.report.earlier import same_day
from snowtally.report.since import Since, archived_rows, flown, last_before, rounds, survey_dates, totals_on
from snowtally.storage.csv_text import with_originals
from snowtally.storage.paths import local_file, path_of

if TYPE_CHECKING:
    import xarray as xr

MOST_CELLS = 120_000
"""A page shows so many cells of the grid at most: more than a screen's map has dots, and the page stays under 3 MB."""

MAP_BEFORE_DAYS = 31
"""The map of change looks no further back than a round of surveys."""

LEANING_DAYS = (1, 7)
"""A day's page has the change since the day before and the week before."""

_FIELDS = ("swe", "swe_se", "depth", "density", "elevation", "zone", "source")


@dataclass(frozen=True)
class Maps:
    """The day's grids, every `stride`th cell each way.

    Parameters
    ----------
    fields : name to (y, x); missing outside the basin. swe, swe_se in mm, depth, elevation in m, density in kg/m3, zone and
        source as numbers.
    x, y : coordinates of the shown cells' centres, m.
    cell_m : width of a cell of the grid, m; stride : in cells.
    north_degrees : how far true north lies clockwise of the grid's in the middle.
    crs : the grid's coordinate system, as text.
    """

    fields: dict[str, np.ndarray]
    x: np.ndarray
    y: np.ndarray
    cell_m: float
    stride: int
    north_degrees: float
    crs: str

    @property
    def step_m(self) -> float:
        """Distance between shown cells, m."""
        return self.cell_m * self.stride

    @property
    def inside(self) -> np.ndarray:
        """Cells (y, x) with a part in the basin."""
        return self.fields["zone"] > 0


@dataclass(frozen=True)
class PublishedDay:
    """One revision as published.

    Its record, its tables as in docs/archive.md (None where it has none), its zones by name.

    `site_names` names each site and says whether it is a course or a station, where the archive keeps the sites' rows.
    """

    root: Path
    basin: str
    revision: Revision
    record: dict[str, Any]
    totals: pd.DataFrame
    sites: pd.DataFrame
    checks: pd.DataFrame
    skill: pd.DataFrame
    normals: pd.DataFrame | None
    outlook: pd.DataFrame | None
    zone_names: dict[str, str]
    maps: Maps
    site_names: pd.DataFrame

    @property
    def date(self) -> dt.date:
        """The local day."""
        return self.revision.date

    def level(self, level: str) -> pd.DataFrame:
        """Return the totals of one level, as in `totals.csv`."""
        return self.totals[self.totals["level"] == level].reset_index(drop=True)

    @property
    def whole(self) -> pd.Series:
        """The basin's own row of the totals."""
        return basin_row(self.totals)


@dataclass(frozen=True)
class DaysAround:
    """The days around a day.

    Parameters
    ----------
    yesterday, last_week : what is current then; None where the archive does not hold it.
    last_flight, last_round : the last flight and the last round of courses before the day; None without one this season.
    before, before_swe : the day that the map of change is drawn against, and its SWE (mm) in the shown cells; None where the
        grids differ.
    season : the basin's totals of this season up to the day, oldest first.
    earlier_years : the totals of this calendar day in earlier seasons, oldest first, with `season`.
    earlier_seasons : the basin's totals of all days of earlier seasons, with `season` and `season_day` (0 on its first).
    survey_dates : days of this season up to the day on which a course was surveyed.
    degraded : days of this season up to the day whose current revision is degraded, with what was missing in words.
    """

    yesterday: DatedTotals | None
    last_week: DatedTotals | None
    last_flight: Since | None
    last_round: Since | None
    before: DatedTotals | None
    before_swe: np.ndarray | None
    season: pd.DataFrame
    earlier_years: pd.DataFrame
    earlier_seasons: pd.DataFrame
    survey_dates: list[dt.date]
    degraded: dict[dt.date, str]


def read_day(root: str | Path, basin: str, date: dt.date, number: int | None = None) -> PublishedDay:
    """Return a revision: the current one, or the one asked for. Raises ArchiveError."""
    revision = find_revision(root, basin, date, number)
    maps, zone_names = _maps(root, basin, revision)
    record = load_record(revision.path)
    return PublishedDay(
        path_of(root), basin, revision, record, revision_totals(revision.path),
        sites=read_sites(root, basin, date, revision.number),
        checks=_table(revision.path, "checks", required=True), skill=_table(revision.path, "skill", required=True),
        normals=_table(revision.path, "normals"), outlook=_table(revision.path, "outlook"),
        zone_names=zone_names, maps=maps, site_names=_site_names(root, basin, record),
    )  # fmt: skip


def read_days_around(day: PublishedDay) -> DaysAround:
    """Return the archived days around a day, none after it."""
    totals = with_seasons(read_totals(day.root, day.basin, end=day.date), season_start(day.record["settings"]))
    whole = totals[totals["level"] == "basin"]
    this = season_name(day.date, season_start(day.record["settings"]))
    season = whole[whole["season"] == this].reset_index(drop=True)
    earlier = whole[whole["season"] != this].reset_index(drop=True)
    held = {pd.Timestamp(date).date() for date in season["date"]}
    yesterday, week = (day.date - dt.timedelta(days=days) for days in LEANING_DAYS)
    near = sorted(date for date in held if 0 < (day.date - date).days <= MAP_BEFORE_DAYS)
    surveys = survey_dates(day.root, day.basin, day.date, day.record)
    one = partial(totals_on, day.root, day.basin)
    before = one(week if week in held else near[-1] if near else None)
    return DaysAround(
        one(yesterday), one(week), last_before(day.root, day.basin, day.date, "flight", flown(day.record)),
        last_before(day.root, day.basin, day.date, "courses", rounds(surveys)),
        before, None if before is None else swe_on(day.maps, day.root, day.basin, before.revision),
        season, same_day(totals[totals["season"] != this], day.date), earlier, surveys,
        {date: words for date, words in degraded_dates(day.root, day.basin).items() if date in held},
    )  # fmt: skip


def degraded_dates(root: str | Path, basin: str) -> dict[dt.date, str]:
    """Return the degraded dates with what each lacks in words. It is empty where the index has no losses."""
    rows = [row for row in read_index(root, basin).to_pylist() if row["current"] and row["degraded"]]
    lacking = {row["date"]: Soundness.of(row).losses or () for row in rows}
    return {date: "; ".join(words_of(losses)) for date, losses in lacking.items()}


def with_seasons(totals: pd.DataFrame, start: str) -> pd.DataFrame:
    """Return totals with `season` and `season_day`.

    They are the season's name, and whole days since its first day.
    """
    dates = totals["date"].dt.date
    names = {date: season_name(date, start) for date in set(dates)}
    first = {date: first_of_season(date, start) for date in names}
    return totals.assign(
        season=[names[date] for date in dates], season_day=[(date - first[date]).days for date in dates]
    )


def normals_of(folder: Path) -> pd.DataFrame | None:
    """Return the table of normals in a revision's folder, None where it has none. Raises ArchiveError."""
    return _table(folder, "normals")


def _table(folder: Path, name: str, *, required: bool = False) -> pd.DataFrame | None:
    """Return a table of a revision, texts as they are. None where it has none."""
    path = folder / f"{name}.csv"
    if not required and not path.exists():
        return None
    try:
        # A site may well be called "NA", or have a number for a name.
        kinds = dict.fromkeys(_TEXTS, "str")
        table = with_originals(pd.read_csv(local_file(path), dtype=kinds, keep_default_na=False, na_values=[""]))
        return filled(table, COLUMNS[name])
    except (OSError, ValueError) as error:
        raise ArchiveError(f"{path} cannot be read ({error}). Run `snowtally verify`.") from error


_TEXTS = (
    "table", "file", "site_id", "start", "end", "rule", "severity", "evidence", "action", "detail", "model", "part", "level",
    "zone_id", "period", "day",
)  # fmt: skip


def _maps(root: str | Path, basin: str, revision: Revision) -> tuple[Maps, dict[str, str]]:
    with open_day(root, basin, revision.date, revision.number) as day:
        height, width = day.sizes["y"], day.sizes["x"]
        stride = stride_of(height * width)
        # The middle cell of each block, so that a shown value is that of a cell of the archive.
        shown = {"y": slice(stride // 2, None, stride), "x": slice(stride // 2, None, stride)}
        sampled = day.isel(shown)
        # Read whole and thinned then: the file's library picks cell by cell, which takes three times as long.
        fields = {name: day[name].compute().isel(shown).to_numpy().astype(float) for name in _FIELDS}
        fields["zone"] = np.nan_to_num(fields["zone"])
        cell_m = float(day["crs"].attrs["GeoTransform"].split()[1])
        maps = Maps(
            fields,
            sampled["x"].to_numpy(),
            sampled["y"].to_numpy(),
            cell_m,
            stride,
            _north(day),
            day["crs"].attrs["spatial_ref"],
        )
        return maps, zone_names(day)


def zone_names(day: xr.Dataset) -> dict[str, str]:
    """Return the names of a day's zones by identifier, in the order of their numbers."""
    names = day["zone"].attrs
    return dict(zip(json.loads(names["zone_ids"]), json.loads(names["zone_names"]), strict=True))


def stride_of(count: int) -> int:
    """Return which cell each way is shown of a grid of `count` cells.

    >>> stride_of(120_000), stride_of(480_001)
    (1, 3)
    """
    return int(np.ceil(np.sqrt(max(count / MOST_CELLS, 1.0))))


def _north(day: xr.Dataset) -> float:
    """Return the clockwise angle from grid north to true north, degrees. It is that of the grid's middle."""
    row, column = day.sizes["y"] // 2, day.sizes["x"] // 2
    near = slice(max(row - 1, 0), row + 1)
    lat, lon = (day[name].isel(x=column, y=near).to_numpy() for name in ("lat", "lon"))
    # One row has no direction.
    if len(lat) <= 1:
        return 0.0
    north, east = lat[0] - lat[-1], (lon[0] - lon[-1]) * np.cos(np.radians(lat[0]))
    return -float(np.degrees(np.arctan2(east, north)))


def _site_names(root: str | Path, basin: str, record: dict[str, Any]) -> pd.DataFrame:
    """Return site_id, name and kind of the sites. Empty where their rows are not kept."""
    rows = archived_rows(root, basin, record, "sites")
    return rows.reindex(columns=["site_id", "name", "kind"]).fillna("").astype(str)


def swe_on(maps: Maps, root: str | Path, basin: str, revision: Revision) -> np.ndarray | None:
    """Return another revision's SWE (mm) in the shown cells of `maps`.

    None where its grid does not hold each of them.
    """
    with open_day(root, basin, revision.date, revision.number) as other:
        same = (
            float(other["crs"].attrs["GeoTransform"].split()[1]) == maps.cell_m
            and other["crs"].attrs["spatial_ref"] == maps.crs
        )
        x, y = (other.indexes[name].get_indexer(getattr(maps, name)) for name in ("x", "y"))
        if same and (x >= 0).all() and (y >= 0).all():
            return other["swe"].compute().isel(y=y, x=x).to_numpy().astype(float)
    return None
