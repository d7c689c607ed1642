"""Which dates and revisions an archive holds, where they lie, and which is current.

The truth is in the revision folders and in `decisions.jsonl`, so that is where these functions look; what is derived
from them is used for speed alone.
"""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Callable
from pathlib import Path

from snowtally.archive.current import UNREADABLE, Decisions, Soundness, current_of, read_decisions, used_by
from snowtally.archive.current import held_back as why_held_back
from snowtally.archive.layout import LAYOUT_VERSION
from snowtally.archive.records import RECORD, load_record
from snowtally.archive.revisions import Date, Revision, RevisionId, as_date
from snowtally.model.problems import ArchiveError
from snowtally.storage.json_text import from_json
from snowtally.storage.parquet import read_arrow
from snowtally.storage.paths import files_below, in_store, names_in, path_of

_BASIN_ID = re.compile(r"[A-Za-z0-9_-]+")
_DATE = re.compile(r"\d{4}-\d{2}-\d{2}", re.ASCII)
_REVISION = re.compile(r"r(\d{3,})", re.ASCII)


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
        raise ArchiveError(f"{basin} has no day {day}. {nearest(root, basin, day)}")
    there = ", ".join(str(r.number) for r in held)
    if number is None:
        raise ArchiveError(f"Every revision of {basin} {day} is withdrawn. Ask for one by number: {there}.")
    raise ArchiveError(f"{basin} {day} has no revision {number}. There is: {there}.")


def nearest(root: str | Path, basin: str, day: dt.date) -> str:
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
