"""Read the archive from Python: which days there are, their grids, totals, sites and records.

The truth is in the revision folders and in `decisions.jsonl`, so that is where these functions look; what is derived
from them is used for speed alone. Nothing here imports a model, a scheduler or a raster library.
"""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from snowtally.archive.columns import COLUMNS, conformed, filled
from snowtally.archive.current import current_of
from snowtally.archive.current import held_back as why_held_back
from snowtally.archive.held import (
    all_revisions,
    archive_folder,
    basin_folder,
    current_revision,
    dates_held,
    decisions,
    find_revision,
    held_back,
    is_basin,
    nearest,
    revisions,
    soundness_of,
    used_in,
    withdrawals,
)
from snowtally.archive.layout import as_one_day
from snowtally.archive.records import RECORD, load_record
from snowtally.archive.revisions import Date, as_date
from snowtally.model.problems import ArchiveError
from snowtally.storage.csv_text import with_originals
from snowtally.storage.parquet import read_arrow, read_frame
from snowtally.storage.paths import local_file, path_of

if TYPE_CHECKING:
    import xarray as xr

    from snowtally.archive.series import Level
    from snowtally.archive.within import Volume

__all__ = [
    "RECORD", "all_revisions", "archive_folder", "basin_folder", "basin_row", "current_revision", "dates_held", "decisions",
    "find_revision", "held_back", "is_basin", "list_days", "list_revisions", "load_record", "open_day", "open_days", "read_checks",
    "read_normals", "read_outlook", "read_record", "read_sites", "read_skill", "read_totals", "revision_totals", "revisions",
    "series", "soundness_of", "used_in", "volume_within", "withdrawals",
]  # fmt: skip


def list_days(root: str | Path, basin: str) -> pd.DataFrame:
    """Return the days of a basin, oldest first, with the current revision.

    `date` (datetime), `revision` (number), `path` (text).

    Raises ArchiveError when there is no such archive or basin.
    """
    decided, soundness = decisions(root, basin), soundness_of(root, basin)
    current = [current_of(held, decided, soundness) for held in all_revisions(root, basin)]
    rows = [(pd.Timestamp(r.date), r.number, str(r.path)) for r in current if r is not None]
    days = pd.DataFrame(rows, columns=["date", "revision", "path"])
    return days.astype({"date": "datetime64[us]", "revision": "int64", "path": "str"})


def open_day(root: str | Path, basin: str, date: Date, revision: int | None = None) -> xr.Dataset:
    """Open `estimate.nc` of one day, lazily. The current revision, or the one asked for, withdrawn or not.

    Returns a Dataset on (y, x), metres; `zone`, `elevation_band` and `source` come as floats with NaN outside the basin. Its
    attributes carry `revision`. Close it after use. Raises ArchiveError, naming the nearest dates, where there is none.
    """
    import xarray as xr

    chosen = find_revision(root, basin, date, revision)
    try:
        dataset = xr.open_dataset(local_file(chosen.path / "estimate.nc"), engine="netcdf4", decode_coords="all")
    except OSError as error:
        raise ArchiveError(
            f"{chosen.path / 'estimate.nc'} cannot be opened ({error}). Run `snowtally verify`."
        ) from error
    return as_one_day(dataset).assign_attrs(revision=chosen.number)


def open_days(root: str | Path, basin: str, start: Date | None = None, end: Date | None = None) -> xr.Dataset:
    """Return the days from `start` to `end` as one lazy Dataset.

    It lies on (time, y, x), with the current revision of each day; either end may be left open.

    `revision` lies on time. Raises ArchiveError when there is no day in the range, or when the days do not share one
    grid (the settings' grid or basin changed): open them one by one then.
    """
    from snowtally.archive.reading_days import open_files

    chosen = _days_between(root, basin, start, end)
    if chosen.empty:
        raise ArchiveError(_no_day(root, basin, start, end))
    try:
        dataset = open_files([local_file(path_of(path) / "estimate.nc") for path in chosen["path"]])
    except ValueError as error:
        raise ArchiveError(
            f"The days of {basin} from {start or 'the first'} to {end or 'the last'} do not share one grid: open them one by one."
        ) from error
    except OSError as error:
        raise ArchiveError(f"A day of {basin} cannot be opened ({error}). Run `snowtally verify`.") from error
    return dataset.assign_coords(revision=("time", chosen["revision"].to_numpy()))


def read_totals(root: str | Path, basin: str, start: Date | None = None, end: Date | None = None) -> pd.DataFrame:
    """Return the totals from `start` to `end`, oldest first.

    They are those of current revisions; either end may be left open.

    The columns are those of `totals.csv` with `revision` after `date`: km2, mm, m3, m, kg/m3 as their names say. A column that a
    later version added is null for the days of before.

    Raises ArchiveError when there is no such archive or basin, no day in the range, or a totals file cannot be read.
    """
    days = _days_between(root, basin, start, end)
    if days.empty:
        raise ArchiveError(_no_day(root, basin, start, end))
    return totals_of_days(root, basin, days)


def totals_of_days(root: str | Path, basin: str, days: pd.DataFrame) -> pd.DataFrame:
    """Return as `read_totals` the totals of days that `list_days` gave. Raises as it does."""
    gathered = _gathered_totals(basin_folder(root, basin))
    if gathered is not None:
        gathered = gathered.merge(days[["date", "revision"]], on=["date", "revision"])
        # A night that was cut off after publishing has not been gathered yet: its own file has the figures.
        held = set(gathered["date"])
        days = days[[date not in held for date in days["date"]]]
    own = [_own_totals(path_of(day.path), day.revision) for day in days.itertuples()]
    tables = [table for table in (gathered, *own) if table is not None and len(table)]
    if not tables:
        raise ArchiveError(f"No day of {basin} in {root} has totals that can be read. Run `snowtally verify`.")
    return pd.concat(tables, ignore_index=True).sort_values("date", kind="stable", ignore_index=True)


def read_sites(root: str | Path, basin: str, date: Date, revision: int | None = None) -> pd.DataFrame:
    """Return `sites.csv` of one day.

    What each site said, what the map says there, and what it says without the site.
    """
    return _table(find_revision(root, basin, date, revision).path, "sites")


def read_checks(root: str | Path, basin: str, date: Date, revision: int | None = None) -> pd.DataFrame:
    """Return `checks.csv` of one day. The findings on its inputs."""
    return _table(find_revision(root, basin, date, revision).path, "checks")


def read_skill(root: str | Path, basin: str, date: Date, revision: int | None = None) -> pd.DataFrame:
    """Return `skill.csv` of one day. Scores of the models on what was held out."""
    return _table(find_revision(root, basin, date, revision).path, "skill")


def read_normals(root: str | Path, basin: str, date: Date, revision: int | None = None) -> pd.DataFrame:
    """Return `normals.csv` of one day. Without rows where no normals are given."""
    return _table(find_revision(root, basin, date, revision).path, "normals")


def read_outlook(root: str | Path, basin: str, date: Date, revision: int | None = None) -> pd.DataFrame:
    """Return `outlook.csv` of one day. Without rows where no forecast reaches past it."""
    return _table(find_revision(root, basin, date, revision).path, "outlook")


_OPTIONAL = ("normals", "outlook")
"""Tables that a revision has only where there is something to say."""


def _table(folder: Path, name: str) -> pd.DataFrame:
    """Return a CSV table of a revision with its columns' types. Raises ArchiveError when it cannot be read."""
    columns, path = COLUMNS[name], folder / f"{name}.csv"
    if name in _OPTIONAL and not path.exists():
        return pd.DataFrame({column.name: pd.Series(dtype=_KINDS.get(column.kind, "float64")) for column in columns})
    # A site may well be called "NA", or have a number for a name.
    text = {column.name: "str" for column in columns if column.kind == "text"}
    dates = [column.name for column in columns if column.kind == "date"]
    try:
        read = pd.read_csv(local_file(path), dtype=text, keep_default_na=False, na_values=[""])
        table = filled(with_originals(read), columns)
        return table.assign(**{name: pd.to_datetime(table[name]).astype("datetime64[us]") for name in dates})
    except (OSError, ValueError) as error:
        raise ArchiveError(f"{path} cannot be read ({error}). Run `snowtally verify`.") from error


_KINDS = {"text": "str", "date": "datetime64[us]", "flag": "object"}
"""Types of columns in pandas, where they are no numbers."""


def list_revisions(root: str | Path, basin: str) -> pd.DataFrame:
    """Return every revision of a basin, oldest date first.

    `date`, `revision`, `current`, `degraded`, `withdrawn` and `held_back` (why, else empty), `path`. Raises as `list_days`.
    """
    decided, soundness = decisions(root, basin), soundness_of(root, basin)
    rows = []
    for held in all_revisions(root, basin):
        current = current_of(held, decided, soundness)
        back = why_held_back(held, current, decided, soundness, used_in)
        rows += [
            (pd.Timestamp(one.date), one.number, one == current, soundness(one).degraded,
             decided.withdrawn.get(one.id, ""), back.get(one.number, ""), str(one.path))
            for one in held
        ]  # fmt: skip
    names = ["date", "revision", "current", "degraded", "withdrawn", "held_back", "path"]
    return pd.DataFrame(rows, columns=names).astype({"date": "datetime64[us]", "revision": "int64"})


def series(
    root: str | Path, basin: str, of: Level = "basin", start: Date | None = None, end: Date | None = None
) -> xr.Dataset:
    """Return a time series on (time, unit) of the basin, its zones, bands, zone-bands or sites.

    Its variables are the numbers of `totals.csv`, of sites those of `sites.csv`; `unit` names each, such as a zone_id or
    "1800-2000". `time` is local noon in UTC, with the local day as bounds; `revision` lies on it. A unit that a day lacks is NaN
    there. Raises as `read_totals`, and ValueError where `of` is none of these.
    """
    from snowtally.archive.series import LEVELS, as_dataset, total_rows

    if of not in LEVELS:
        raise ValueError(f"a series is of {', '.join(LEVELS)}; not of {of!r}")
    days = _days_between(root, basin, start, end)
    if days.empty:
        raise ArchiveError(_no_day(root, basin, start, end))
    last = days.iloc[-1]
    with open_day(root, basin, last["date"], last["revision"]) as day:
        if of == "site":
            from snowtally.archive.site_series import site_series

            return site_series({one.date: _table(path_of(one.path), "sites") for one in days.itertuples()}, days, day)
        return as_dataset(total_rows(read_totals(root, basin, start, end), of), days, day)


def volume_within(
    root: str | Path, basin: str, date: Date, geometry: object, crs: str | int = 4326, revision: int | None = None
) -> Volume:
    """Return the water within any polygon on one day, with its standard error.

    `geometry` is a polygon of shapely or of GeoJSON, in longitude and latitude unless `crs` says otherwise. How its error comes
    about stands in `snowtally.archive.within`. Needs shapely and pyproj.

    Raises ArchiveError where the polygon holds no part of the basin or is none.
    """
    from snowtally.archive.within import volume_of

    chosen = find_revision(root, basin, date, revision)
    path = chosen.path / "totals_covariance.parquet"
    try:
        covariance = read_frame(local_file(path))
    except (OSError, ValueError) as error:
        raise ArchiveError(f"{path} cannot be read ({error}). Run `snowtally verify`.") from error
    with open_day(root, basin, chosen.date, chosen.number) as day:
        return volume_of(day, covariance, geometry, crs)


def read_record(root: str | Path, basin: str, date: Date, revision: int | None = None) -> dict[str, Any]:
    """Return `record.json` of one day. What went in, which settings and versions, and why it was made."""
    return load_record(find_revision(root, basin, date, revision).path)


def revision_totals(folder: Path) -> pd.DataFrame:
    """Return the totals of a revision's folder, as `totals.csv` has them.

    Raises ArchiveError when they cannot be read.
    """
    path = folder / "totals.parquet"
    try:
        return conformed(read_arrow(local_file(path)), COLUMNS["totals"]).to_pandas(use_threads=False)
    except (OSError, ValueError) as error:
        raise ArchiveError(f"{path} cannot be read ({error}). Run `snowtally verify`.") from error


def basin_row(totals: pd.DataFrame) -> pd.Series:
    """Return the whole basin's row of a revision's totals."""
    return totals[totals["level"] == "basin"].iloc[0]


def _days_between(root: str | Path, basin: str, start: Date | None, end: Date | None) -> pd.DataFrame:
    days = list_days(root, basin)
    first = dt.date.min if start is None else as_date(start)
    last = dt.date.max if end is None else as_date(end)
    return days[days["date"].between(pd.Timestamp(first), pd.Timestamp(last))]


def _no_day(root: str | Path, basin: str, start: Date | None, end: Date | None) -> str:
    when = f"{f' from {start}' if start else ''}{f' until {end}' if end else ''}"
    return f"{basin} has no day{when} in {root}. {nearest(root, basin, as_date(start or end or dt.date.max))}"


def _gathered_totals(folder: Path) -> pd.DataFrame | None:
    """Return the basin's `totals.parquet`, None where it cannot be used.

    It is derived: it may be missing, damaged or of an older version.
    """
    try:
        totals = read_frame(folder / "totals.parquet")
    except (OSError, ValueError):
        return None
    if not {column.name for column in COLUMNS["totals"]} <= set(totals.columns):
        return None
    return totals.assign(date=pd.to_datetime(totals["date"]).astype("datetime64[us]"))


def _own_totals(folder: Path, revision: int) -> pd.DataFrame:
    totals = revision_totals(folder)
    totals["date"] = pd.to_datetime(totals["date"]).astype("datetime64[us]")
    totals.insert(totals.columns.get_loc("date") + 1, "revision", revision)
    return totals
