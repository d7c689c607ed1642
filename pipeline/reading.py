"""Read the archive from Python: which days there are, their grids, totals, sites and records.

The truth is in the revision folders and in `decisions.jsonl`, so that is where these functions look; what is derived
from them is used for speed alone. Nothing here imports a model, a scheduler or a raster library.
"""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from snowtally.archive.columns import COLUMNS, conformed, filled
from snowtally.archive.current import UNREADABLE, Decisions, Soundness, current_of, read_decisions, used_by
from snowtally.archive.current import held_back as why_held_back
from snowtally.archive.layout import LAYOUT_VERSION, as_one_day
from snowtally.archive.records import RECORD, load_record
from snowtally.archive.revisions import Date, Revision, RevisionId, as_date
from snowtally.model.problems import ArchiveError
from snowtally.storage.csv_text import with_originals
from snowtally.storage.json_text import from_json
from snowtally.storage.parquet import read_arrow, read_frame
from snowtally.storage.paths import files_below, in_store, local_file, names_in, path_of

if TYPE_CHECKING:
    import xarray as xr

_BASIN_ID = re.compile(r"[A-Za-z0-9_-]+")
_DATE = re.compile(r"\d{4}-\d{2}-\d{2}", re.ASCII)
_REVISION = re.compile(r"r(\d{3,})", re.ASCII)


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
    import xarray as xr  # noqa: PLC0415  listing days and reading tables must not wait for it

    chosen = find_revision(root, basin, date, revision)
    try:
        dataset = xr.open_dataset(local_file(chosen.path / "estimate.nc"), engine="netcdf4", decode_coords="all")
    except OSError as error:
        raise ArchiveError(
            f"{chosen.path / 'estimate.nc'} cannot be opened ({error}). Run `snowtally verify`."
        ) from error
    return as_one_day(dataset).assign_attrs(revision=chosen.number)


def open_days(root: str | Path, basin: str, start: Date, end: Date) -> xr.Dataset:
    """Return the days from `start` to `end` as one lazy Dataset.

    It lies on (time, y, x), with the current revision of each day.

    `revision` lies on time. Raises ArchiveError when there is no day in the range, or when the days do not share one
    grid (the settings' grid or basin changed): open them one by one then.
    """
    from snowtally.archive.reading_days import open_files  # noqa: PLC0415  as in open_day

    days = list_days(root, basin)
    first, last = as_date(start), as_date(end)
    chosen = days[days["date"].between(pd.Timestamp(first), pd.Timestamp(last))]
    if chosen.empty:
        raise ArchiveError(f"{basin} has no day from {first} to {last}. {_nearest(root, basin, first)}")
    try:
        dataset = open_files([local_file(path_of(path) / "estimate.nc") for path in chosen["path"]])
    except ValueError as error:
        raise ArchiveError(
            f"The days of {basin} from {start} to {end} do not share one grid: open them one by one."
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
    days = list_days(root, basin)
    first = dt.date.min if start is None else as_date(start)
    last = dt.date.max if end is None else as_date(end)
    days = days[days["date"].between(pd.Timestamp(first), pd.Timestamp(last))]
    gathered = _gathered_totals(basin_folder(root, basin))
    if gathered is not None:
        gathered = gathered.merge(days[["date", "revision"]], on=["date", "revision"])
        # A night that was cut off after publishing has not been gathered yet: its own file has the figures.
        held = set(gathered["date"])
        days = days[[date not in held for date in days["date"]]]
    own = [_own_totals(path_of(day.path), day.revision) for day in days.itertuples()]
    tables = [table for table in (gathered, *own) if table is not None and len(table)]
    if not tables:
        raise ArchiveError(f"{basin} has no day from {start or 'its first'} to {end or 'its last'} in {root}.")
    return pd.concat(tables, ignore_index=True).sort_values("date", kind="stable", ignore_index=True)


def read_sites(root: str | Path, basin: str, date: Date, revision: int | None = None) -> pd.DataFrame:
    """Return `sites.csv` of one day.

    What each site said, what the map says there, and what it says without the site.
    """
    chosen = find_revision(root, basin, date, revision)
    # A site may well be called "NA", or have a number for a name.
    text, path = {"site_id": "str", "reason": "str"}, chosen.path / "sites.csv"
    try:
        table = pd.read_csv(local_file(path), dtype=text, keep_default_na=False, na_values=[""])
        return filled(with_originals(table), COLUMNS["sites"])
    except (OSError, ValueError) as error:
        raise ArchiveError(f"{path} cannot be read ({error}). Run `snowtally verify`.") from error


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


# --- the layout -------------------------------------------------------------------------------------------------------


def archive_folder(root: str | Path) -> Path:
    """Return the archive's folder after a look at its layout version.

    Raises ArchiveError for an address that cannot be opened, and for an archive of a newer layout.
    """
    folder = path_of(root)
    try:
        layout = from_json((folder / "archive.json").read_text("utf-8"))["layout"]
    except (FileNotFoundError, NotADirectoryError):
        return folder
    except Exception as error:
        # A store's client has errors of its own, such as that nobody told it a key.
        if in_store(folder) and not isinstance(error, ValueError | KeyError | TypeError):
            line = f"{folder} cannot be reached ({error}). Look at the address, the credentials and the line."
            raise ArchiveError(line) from error
        if not isinstance(error, OSError | ValueError | KeyError | TypeError):
            raise
        raise ArchiveError(f"{folder / 'archive.json'} cannot be read ({error}). Put it back from a copy.") from error
    if not isinstance(layout, int) or layout > LAYOUT_VERSION:
        line = f"{folder} has archive layout {layout}; this version reads up to {LAYOUT_VERSION}. Install a newer snowtally."
        raise ArchiveError(line)
    return folder


def is_basin(name: str) -> bool:
    """Return whether a name can be a basin's identifier."""
    return _BASIN_ID.fullmatch(name) is not None


def basin_folder(root: str | Path, basin: str) -> Path:
    """Return the folder of a basin, which need not exist. Raises ArchiveError when `basin` cannot name one."""
    if not is_basin(basin):
        raise ArchiveError(f"'{basin}' is no basin identifier: letters, digits, '-' and '_' only.")
    return archive_folder(root) / basin


def dates_held(root: str | Path, basin: str) -> list[dt.date]:
    """Return the dates that have a folder, oldest first.

    Raises ArchiveError when the archive or the basin is missing.
    """
    folder = basin_folder(root, basin)
    try:
        names = names_in(folder)
    except FileNotFoundError as error:
        raise ArchiveError(_missing_basin(folder)) from error
    except OSError as error:
        raise ArchiveError(f"{folder} cannot be read ({error.strerror}).") from error
    return sorted(day for day in map(_day, names) if day is not None)


def _day(name: str) -> dt.date | None:
    """Return the date that a folder is named for. None for any other folder, 2031-99-99 among them."""
    try:
        return dt.date.fromisoformat(name) if _DATE.fullmatch(name) else None
    except ValueError:
        return None


def revisions(root: str | Path, basin: str, date: Date) -> list[Revision]:
    """Return the revisions published for a date, lowest first, withdrawn ones too. Empty when the date is not held."""
    day = as_date(date)
    return _revisions(basin_folder(root, basin) / day.isoformat(), day)


def all_revisions(root: str | Path, basin: str) -> list[list[Revision]]:
    """Return the revisions of every date held, oldest date first."""
    dates, folder = dates_held(root, basin), basin_folder(root, basin)
    if in_store(folder):
        return _all_in_store(folder, dates)
    return [held for date in dates if (held := _revisions(folder / date.isoformat(), date))]


def _all_in_store(folder: Path, dates: list[dt.date]) -> list[list[Revision]]:
    """Return the same of a store, from one listing. Asking for each date would take as many journeys."""
    by_day: dict[str, list[Revision]] = {}
    for path in sorted(files_below(folder, RECORD)):
        day, name = path.split("/")[:2]
        match, date = _REVISION.fullmatch(name), _day(day)
        if match and date is not None:
            by_day.setdefault(day, []).append(Revision(RevisionId(date, int(match[1])), folder / day / name))
    return [sorted(by_day[str(date)], key=lambda r: r.number) for date in dates if str(date) in by_day]


def _revisions(folder: Path, date: dt.date) -> list[Revision]:
    try:
        names = names_in(folder)
    except (FileNotFoundError, NotADirectoryError):
        # A file named like a date is no date.
        return []
    numbers = sorted((int(match[1]), name) for name in names if (match := _REVISION.fullmatch(name)))
    return [
        Revision(RevisionId(date, number), folder / name)
        for number, name in numbers
        if (folder / name / RECORD).is_file()
    ]


def decisions(root: str | Path, basin: str) -> Decisions:
    """Return what people decided on a basin's revisions.

    Raises ArchiveError where `decisions.jsonl` cannot be read.
    """
    return read_decisions(basin_folder(root, basin) / "decisions.jsonl")


def withdrawals(root: str | Path, basin: str) -> dict[RevisionId, str]:
    """Return the revisions that were withdrawn, with the reason. Raises as `decisions`."""
    return decisions(root, basin).withdrawn


def soundness_of(root: str | Path, basin: str) -> Callable[[Revision], Soundness]:
    """Return a function from a revision to its soundness. It reads the index, and records that the index lacks.

    Revisions never change, so the index is as good as the records and one file instead of thousands; it is read when first
    asked. A record that cannot be read is `UNREADABLE`.
    """
    folder = basin_folder(root, basin)
    known: dict[RevisionId, Soundness] = {}
    asked = False

    def soundness(revision: Revision) -> Soundness:
        nonlocal asked
        if not asked:
            asked = True
            known.update(_soundness_in_index(folder))
        key = revision.id
        if key not in known:
            try:
                known[key] = Soundness.of(load_record(revision.path))
            except (ArchiveError, ValueError, KeyError, TypeError, AttributeError):
                known[key] = UNREADABLE
        return known[key]

    return soundness


def _soundness_in_index(folder: Path) -> dict[RevisionId, Soundness]:
    """Return the soundness of the revisions that `index.parquet` holds.

    None where it is missing, damaged or older.
    """
    try:
        rows = (
            read_arrow(folder / "index.parquet")
            .select(["date", "revision", "degraded", "losses", "input_hash"])
            .to_pylist()
        )
        return {RevisionId(row["date"], row["revision"]): Soundness.of(row) for row in rows}
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return {}


def current_revision(root: str | Path, basin: str, date: Date) -> Revision | None:
    """Return the current revision of a date. None when there is none or all are withdrawn."""
    return current_of(revisions(root, basin, date), decisions(root, basin), soundness_of(root, basin))


def held_back(root: str | Path, basin: str, date: Date) -> dict[int, str]:
    """Return by number why later revisions are held back. Empty as a rule."""
    held, decided, soundness = revisions(root, basin, date), decisions(root, basin), soundness_of(root, basin)
    current = current_of(held, decided, soundness)
    return why_held_back(held, current, decided, soundness, used_in)


def used_in(revision: Revision) -> set[str]:
    """Return the names of what a revision was made from.

    They are files, rows and grids; none where its record cannot be read.
    """
    try:
        return used_by(load_record(revision.path))
    except (ArchiveError, KeyError, TypeError):
        return set()


def find_revision(root: str | Path, basin: str, date: Date, number: int | None = None) -> Revision:
    """Return the current revision of a date, or number `number`. Raises ArchiveError naming what there is instead."""
    day = as_date(date)
    held = revisions(root, basin, day)
    chosen = (
        current_revision(root, basin, day) if number is None else next((r for r in held if r.number == number), None)
    )
    if chosen is not None:
        return chosen
    if not held:
        raise ArchiveError(f"{basin} has no day {day}. {_nearest(root, basin, day)}")
    there = ", ".join(str(r.number) for r in held)
    if number is None:
        raise ArchiveError(f"Every revision of {basin} {day} is withdrawn. Ask for one by number: {there}.")
    raise ArchiveError(f"{basin} {day} has no revision {number}. There is: {there}.")


def _nearest(root: str | Path, basin: str, day: dt.date) -> str:
    """Say which dates are held nearest to a day that is not."""
    gone = withdrawals(root, basin)
    dates = [held[0].date for held in all_revisions(root, basin) if any(r.id not in gone for r in held)]
    near = [max((d for d in dates if d < day), default=None), min((d for d in dates if d > day), default=None)]
    named = " and ".join(str(d) for d in near if d is not None)
    return f"Nearest: {named}." if named else "The archive holds no day of it yet."


def _missing_basin(folder: Path) -> str:
    root = folder.parent
    if not root.is_dir():
        return f"There is no archive at {root}."
    there = sorted(p.name for p in root.iterdir() if p.is_dir() and not p.name.startswith("."))
    return f"The archive {root} has no basin {folder.name}. It has: {', '.join(there) or 'none yet'}."


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
