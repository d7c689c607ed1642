"""Read the archive from Python: which days there are, their grids, totals, sites and records.

The truth is in the revision folders and in `decisions.jsonl`, so that is where these functions look; what is derived
from them is used for speed alone. Nothing here imports a model, a scheduler or a raster library.
"""

from __future__ import annotations

import datetime as dt
import json
import re
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from pipeline.columns import SITES, TOTALS, conformed, filled
from pipeline.parquet import read_arrow, read_frame
from pipeline.places import files_below, in_store, local_file, names_in, place
from pipeline.problems import ArchiveError
from pipeline.records import RECORD, load_record

if TYPE_CHECKING:
    import xarray as xr

LAYOUT_VERSION = 1
"""Version of the folder layout that this program reads and writes; it stands in `archive.json`."""

_BASIN_ID = re.compile(r"[A-Za-z0-9_-]+")
_DATE = re.compile(r"\d{4}-\d{2}-\d{2}")
_REVISION = re.compile(r"r(\d{3,})")

Date = dt.date | str
"""A local day: a date, or its ISO form such as "2031-03-01"."""


@dataclass(frozen=True)
class Revision:
    """One published revision: its local day, its number from 1 up, and its folder."""

    date: dt.date
    number: int
    path: Path


def list_days(root: str | Path, basin: str) -> pd.DataFrame:
    """Return the days of a basin that stand, oldest first: `date` (datetime), `revision` (number) and `path` (text).

    Raises ArchiveError when there is no such archive or basin.
    """
    gone = withdrawals(root, basin)
    found = [highest(held, gone) for held in all_revisions(root, basin)]
    rows = [(pd.Timestamp(r.date), r.number, str(r.path)) for r in found if r is not None]
    days = pd.DataFrame(rows, columns=["date", "revision", "path"])
    return days.astype({"date": "datetime64[us]", "revision": "int64", "path": "str"})


def open_day(root: str | Path, basin: str, date: Date, revision: int | None = None) -> xr.Dataset:
    """Open `estimate.nc` of one day, lazily: the revision that stands, or the one asked for, withdrawn or not.

    Returns a Dataset on (y, x), metres; `zone`, `band` and `source` come as floats with NaN outside the basin. Its
    attributes carry `revision`. Close it after use. Raises ArchiveError, naming the nearest dates, where there is none.
    """
    import xarray as xr  # noqa: PLC0415  listing days and reading tables must not wait for it

    found = find_revision(root, basin, date, revision)
    try:
        dataset = _plain_cell_area(
            xr.open_dataset(local_file(found.path / "estimate.nc"), engine="netcdf4", decode_coords="all")
        )
    except OSError as error:
        raise ArchiveError(
            f"{found.path / 'estimate.nc'} cannot be opened ({error}). Run `snowtally verify`."
        ) from error
    return dataset.assign_attrs(revision=found.number)


def open_days(root: str | Path, basin: str, start: Date, end: Date) -> xr.Dataset:
    """Open every standing day from `start` to `end`, both included, as one lazy Dataset on (time, y, x).

    `revision` lies on time. Raises ArchiveError when there is no day in the range, or when the days do not share one
    grid (the settings' grid or basin changed): open them one by one then.
    """
    from pipeline.reading_days import open_files  # noqa: PLC0415  as in open_day

    days = list_days(root, basin)
    first, last = as_date(start), as_date(end)
    chosen = days[days["date"].between(pd.Timestamp(first), pd.Timestamp(last))]
    if chosen.empty:
        raise ArchiveError(f"{basin} has no day from {first} to {last}. {_nearest(root, basin, first)}")
    try:
        dataset = open_files([local_file(place(path) / "estimate.nc") for path in chosen["path"]])
    except ValueError as error:
        raise ArchiveError(
            f"The days of {basin} from {start} to {end} do not share one grid: open them one by one."
        ) from error
    except OSError as error:
        raise ArchiveError(f"A day of {basin} cannot be opened ({error}). Run `snowtally verify`.") from error
    return dataset.assign_coords(revision=("time", chosen["revision"].to_numpy()))


def read_totals(root: str | Path, basin: str, start: Date | None = None, end: Date | None = None) -> pd.DataFrame:
    """Return the totals of every standing day from `start` to `end` (either may be left open), oldest first.

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
    own = [_own_totals(place(day.path), day.revision) for day in days.itertuples()]
    tables = [table for table in (gathered, *own) if table is not None and len(table)]
    if not tables:
        raise ArchiveError(f"{basin} has no day from {start or 'its first'} to {end or 'its last'} in {root}.")
    return pd.concat(tables, ignore_index=True).sort_values("date", kind="stable", ignore_index=True)


def read_sites(root: str | Path, basin: str, date: Date, revision: int | None = None) -> pd.DataFrame:
    """Return `sites.csv` of one day: what each site said, what the map says there, and what it says without the site."""
    found = find_revision(root, basin, date, revision)
    # A site may well be called "NA", or have a number for a name.
    text, path = {"site_id": "str", "reason": "str"}, found.path / "sites.csv"
    try:
        return filled(pd.read_csv(local_file(path), dtype=text, keep_default_na=False, na_values=[""]), SITES)
    except (OSError, ValueError) as error:
        raise ArchiveError(f"{path} cannot be read ({error}). Run `snowtally verify`.") from error


def read_record(root: str | Path, basin: str, date: Date, revision: int | None = None) -> dict[str, Any]:
    """Return `record.json` of one day: what went in, which settings and versions, and why it was made."""
    return load_record(find_revision(root, basin, date, revision).path)


def revision_totals(folder: Path) -> pd.DataFrame:
    """Return the totals of a revision's folder, as `totals.csv` has them. Raises ArchiveError when they cannot be read."""
    path = folder / "totals.parquet"
    try:
        return conformed(read_arrow(local_file(path)), TOTALS).to_pandas(use_threads=False)
    except (OSError, ValueError) as error:
        raise ArchiveError(f"{path} cannot be read ({error}). Run `snowtally verify`.") from error


def basin_row(totals: pd.DataFrame) -> pd.Series:
    """Return the whole basin's row of a revision's totals."""
    return totals[totals["level"] == "basin"].iloc[0]


# --- the layout -------------------------------------------------------------------------------------------------------


def as_date(date: Date) -> dt.date:
    """Return a local day given as a date or as ISO text; raise ArchiveError for anything else."""
    if isinstance(date, dt.datetime):
        return date.date()
    if isinstance(date, dt.date):
        return date
    try:
        return dt.date.fromisoformat(date)
    except (TypeError, ValueError) as error:
        raise ArchiveError(f"'{date}' is no date. Write it as 2031-03-01.") from error


def asked_revision(text: str) -> tuple[dt.date, int | None]:
    """Return date and number that a text such as "2031-03-01@2" asks for; the number is None for "2031-03-01": what stands.

    Raises ArchiveError for anything else.

    >>> asked_revision("2031-03-01@2"), asked_revision("2031-03-01")
    ((datetime.date(2031, 3, 1), 2), (datetime.date(2031, 3, 1), None))
    """
    date, at, number = text.partition("@")
    # Digits of other kinds, such as a raised two, are no numbers to Python.
    if at and not re.fullmatch(r"[0-9]{1,9}", number):
        raise ArchiveError(f"'{text}' is no revision. Write a date such as 2031-03-01, or 2031-03-01@2")
    return as_date(date), int(number) if at else None


def archive_folder(root: str | Path) -> Path:
    """Return the archive's folder after a look at its layout version.

    Raises ArchiveError for an address that cannot be opened, and for an archive of a newer layout.
    """
    folder = place(root)
    try:
        layout = json.loads((folder / "archive.json").read_text("utf-8"))["layout"]
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
    """Return the folder of a basin, which need not exist; raise ArchiveError when `basin` cannot name one."""
    if not is_basin(basin):
        raise ArchiveError(f"'{basin}' is no basin identifier: letters, digits, '-' and '_' only.")
    return archive_folder(root) / basin


def dates_held(root: str | Path, basin: str) -> list[dt.date]:
    """Return the dates that have a folder, oldest first. Raises ArchiveError when the archive or the basin is missing."""
    folder = basin_folder(root, basin)
    try:
        names = names_in(folder)
    except FileNotFoundError as error:
        raise ArchiveError(_missing_basin(folder)) from error
    except OSError as error:
        raise ArchiveError(f"{folder} cannot be read ({error.strerror}).") from error
    return sorted(day for day in map(_day, names) if day is not None)


def _day(name: str) -> dt.date | None:
    """Return the date that a folder is named for; None for any other folder, 2031-99-99 among them."""
    try:
        return dt.date.fromisoformat(name) if _DATE.fullmatch(name) else None
    except ValueError:
        return None


def revisions(root: str | Path, basin: str, date: Date) -> list[Revision]:
    """Return the revisions published for a date, lowest first, withdrawn ones too; none when the date is not held."""
    day = as_date(date)
    return _revisions(basin_folder(root, basin) / day.isoformat(), day)


def all_revisions(root: str | Path, basin: str) -> list[list[Revision]]:
    """Return the revisions of every date held, oldest date first, as `revisions` does for one."""
    dates, folder = dates_held(root, basin), basin_folder(root, basin)
    if in_store(folder):
        return _all_in_store(folder, dates)
    return [held for date in dates if (held := _revisions(folder / date.isoformat(), date))]


def _all_in_store(folder: Path, dates: list[dt.date]) -> list[list[Revision]]:
    """Return the same of a store, from one listing: asking for each date would take as many journeys."""
    found: dict[str, list[Revision]] = {}
    for path in sorted(files_below(folder, RECORD)):
        day, name = path.split("/")[:2]
        match, date = _REVISION.fullmatch(name), _day(day)
        if match and date is not None:
            found.setdefault(day, []).append(Revision(date, int(match[1]), folder / day / name))
    return [sorted(found[str(date)], key=lambda r: r.number) for date in dates if str(date) in found]


def _revisions(folder: Path, date: dt.date) -> list[Revision]:
    try:
        names = names_in(folder)
    except (FileNotFoundError, NotADirectoryError):
        # A file named like a date is no date.
        return []
    numbers = sorted((int(match[1]), name) for name in names if (match := _REVISION.fullmatch(name)))
    return [Revision(date, number, folder / name) for number, name in numbers if (folder / name / RECORD).is_file()]


def withdrawals(root: str | Path, basin: str) -> dict[tuple[dt.date, int], str]:
    """Return what no longer stands, with the reason, from `decisions.jsonl`.

    One JSON object a line: {"decision": "withdraw", "date": "2031-03-01", "revision": 1, "reason": ..., "made": ...}.
    A last line without its line end is a withdrawal that was cut off, and does not count. Raises ArchiveError for any
    other line that cannot be read.
    """
    path = basin_folder(root, basin) / "decisions.jsonl"
    try:
        lines = path.read_bytes().split(b"\n")[:-1]
    except FileNotFoundError:
        return {}
    gone = {}
    for number, line in enumerate(lines, start=1):
        try:
            entry = json.loads(line.decode("utf-8"))
            if entry["decision"] == "withdraw":
                gone[dt.date.fromisoformat(entry["date"]), int(entry["revision"])] = str(entry["reason"])
        except (ValueError, KeyError, TypeError, OverflowError) as error:
            raise ArchiveError(f"{path}, line {number} cannot be read. Put the file back from a copy.") from error
    return gone


def standing(root: str | Path, basin: str, date: Date) -> Revision | None:
    """Return the revision of a date that stands, the highest not withdrawn, or None."""
    return highest(revisions(root, basin, date), withdrawals(root, basin))


def highest(held: list[Revision], gone: dict[tuple[dt.date, int], str]) -> Revision | None:
    """Return the highest of the revisions of a date that is not among those withdrawn, or None."""
    return next((r for r in reversed(held) if (r.date, r.number) not in gone), None)


def find_revision(root: str | Path, basin: str, date: Date, number: int | None = None) -> Revision:
    """Return the revision of a date that stands, or number `number`; raise ArchiveError naming what there is instead."""
    day = as_date(date)
    held = revisions(root, basin, day)
    found = standing(root, basin, day) if number is None else next((r for r in held if r.number == number), None)
    if found is not None:
        return found
    if not held:
        raise ArchiveError(f"{basin} has no day {day}. {_nearest(root, basin, day)}")
    there = ", ".join(str(r.number) for r in held)
    if number is None:
        raise ArchiveError(f"Every revision of {basin} {day} is withdrawn. Ask for one by number: {there}.")
    raise ArchiveError(f"{basin} {day} has no revision {number}. There is: {there}.")


def _plain_cell_area(dataset: xr.Dataset) -> xr.Dataset:
    """Return a day with `cell_area` as a variable: as a coordinate, that of the first day would stand for all."""
    return dataset.reset_coords("cell_area")


def _nearest(root: str | Path, basin: str, day: dt.date) -> str:
    """Say which dates are held nearest to a day that is not."""
    gone = withdrawals(root, basin)
    dates = [held[0].date for held in all_revisions(root, basin) if highest(held, gone)]
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
    """Return the basin's `totals.parquet`, or None when it is missing, unreadable or of an older version: it is derived."""
    try:
        totals = read_frame(folder / "totals.parquet")
    except (OSError, ValueError):
        return None
    if not {column.name for column in TOTALS} <= set(totals.columns):
        return None
    return totals.assign(date=pd.to_datetime(totals["date"]).astype("datetime64[us]"))


def _own_totals(folder: Path, revision: int) -> pd.DataFrame:
    totals = revision_totals(folder)
    totals["date"] = pd.to_datetime(totals["date"]).astype("datetime64[us]")
    totals.insert(totals.columns.get_loc("date") + 1, "revision", revision)
    return totals
