"""Publish a day into the dated archive: whole or not at all, and never in place of what was said before."""

from __future__ import annotations

import datetime as dt
import itertools
import json
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from pipeline.day import Day
from pipeline.outputs.derived import rebuild, refresh
from pipeline.outputs.failures import told
from pipeline.outputs.files import flush_all, flush_file, flush_folder, make_folders, rename_new
from pipeline.outputs.locks import basin_lock
from pipeline.outputs.pack import pack
from pipeline.outputs.record import Provenance, build_record, record_bytes
from pipeline.outputs.staging import Work, left_behind, prepared, remove, staged
from pipeline.problems import ArchiveError
from pipeline.reading import RECORD, archive_folder, basin_folder, dates_held, revisions

MoreFiles = Callable[[Path, int, int | None], None]
"""Writes further files of a revision, such as its catalogue item, into a folder, given its number and its parent's."""


@dataclass(frozen=True)
class Published:
    """What became of a day: its revision's folder and number, and whether it stood there already.

    `unchanged` is True when the newest revision had the same inputs, settings and code version, so that nothing new was
    published.
    """

    path: Path
    revision: int
    unchanged: bool = False


def publish(root: str | Path, day: Day, provenance: Provenance, more_files: MoreFiles | None = None) -> Published:
    """Publish `day` as the next revision of its date and return where it is.

    The revision is written aside, flushed to disk, read back and then renamed into place, so that a reader sees all of
    it or nothing. What is derived from it (current.json, latest.json, index and totals) follows at once. A night that
    was cut off earlier is tidied up first. When the newest revision was made from the same inputs, settings and code
    version meanwhile, nothing is published.

    Raises ArchiveError with one line: no room, no permission, an archive of a newer layout, a day that is not whole.
    """
    date = day.date.isoformat()
    with told(f"Cannot publish {day.basin_id} {date} in {root}"):
        archive = prepared(root)
        with staged(archive, day.basin_id, date) as work:
            pack(day, work.revision)
            files = flush_all(work.revision)
            with basin_lock(archive, day.basin_id):
                _tidy_up(archive, day.basin_id, work)
                same = _same(archive, day.basin_id, day.date, provenance)
                if same is not None:
                    return same
                published = _commit(day, provenance, files, work, more_files)
                with told(f"{day.basin_id} {date} is published as {published.path}, but not in the index yet"):
                    flush_folder(published.path.parent)
                    refresh(archive, day.basin_id, [day.date], work.folder)
                work.due = False
    return published


def same_as_newest(root: str | Path, basin: str, date: dt.date, provenance: Provenance) -> Published | None:
    """Return the newest revision of a date when it has the same input hash, settings hash and code version.

    To be asked before the estimate. A newest revision that was withdrawn counts too: the same inputs would only say
    again what was taken back.
    """
    same = _same(root, basin, date, provenance)
    if same is not None and left_behind(archive_folder(root), basin):
        # That revision may have been cut off before latest.json and the index had it, and no publishing follows now.
        with told(f"Cannot tidy up {basin} in {root}"):
            archive = prepared(root)
            with staged(archive, basin) as work, basin_lock(archive, basin):
                _tidy_up(archive, basin, work)
    return same


def _same(root: str | Path, basin: str, date: dt.date, provenance: Provenance) -> Published | None:
    held = revisions(root, basin, date)
    if not held:
        return None
    newest = held[-1]
    try:
        record = json.loads((newest.path / RECORD).read_text("utf-8"))
        identity = (record["input_hash"], record["settings_hash"], record["code"]["version"])
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise ArchiveError(f"{newest.path / RECORD} cannot be read ({error}). Put it back from a copy.") from error
    if identity != (provenance.input_hash, provenance.settings_hash, provenance.code_version):
        return None
    return Published(newest.path, newest.number, unchanged=True)


def rebuild_derived(root: str | Path, basin: str) -> int:
    """Make current.json, latest.json, index.parquet and totals.parquet of a basin again; return how many dates it has.

    Raises ArchiveError when the basin is not there, or a record or a totals file cannot be read.
    """
    archive = archive_folder(root)
    dates_held(archive, basin)
    with (
        told(f"Cannot rebuild what is derived of {basin} in {root}"),
        staged(archive, basin) as work,
        basin_lock(archive, basin),
    ):
        count = rebuild(archive, basin, work.folder)
        for folder in left_behind(archive, basin):
            remove(folder)
        return count


def _tidy_up(archive: Path, basin: str, work: Work) -> None:
    """Finish or remove what processes that died left of this basin; to be called under its lock."""
    left = left_behind(archive, basin)
    dates = {dt.date.fromisoformat(date) for date in left.values() if date}
    if dates and basin_folder(archive, basin).is_dir():
        refresh(archive, basin, dates, work.folder)
    for folder in left:
        remove(folder)


def _commit(
    day: Day, provenance: Provenance, files: dict[str, tuple[int, str]], work: Work, more_files: MoreFiles | None
) -> Published:
    """Complete the staged folder for the next free number and rename it there."""
    home = basin_folder(work.archive, day.basin_id) / day.date.isoformat()
    make_folders(home)
    try:
        for number in itertools.count(_next_number(home)):
            held = revisions(work.archive, day.basin_id, day.date)
            parent = held[-1].number if held else None
            _remove_others(work.revision, files)
            if more_files is not None:
                more_files(work.revision, number, parent)
            whole = files | {path.name: flush_file(path) for path in _others(work.revision, files)}
            record = build_record(day, provenance, number, parent, whole)
            (work.revision / RECORD).write_bytes(record_bytes(record))
            flush_file(work.revision / RECORD)
            for path in work.revision.iterdir():
                # No editor saves over a published file by mistake.
                path.chmod(path.stat().st_mode & ~0o222)
            flush_folder(work.revision)
            target = home / f"r{number:03d}"
            try:
                rename_new(work.revision, target)
            except FileExistsError:
                continue
            work.due = True
            return Published(target, number)
    finally:
        # A date without a revision is no date; a folder that holds one cannot be removed this way.
        with suppress(OSError):
            home.rmdir()
    raise AssertionError  # pragma: no cover  counting has no end


def _others(folder: Path, files: dict[str, tuple[int, str]]) -> list[Path]:
    return sorted(path for path in folder.iterdir() if path.name not in files)


def _remove_others(folder: Path, files: dict[str, tuple[int, str]]) -> None:
    """Remove what an attempt at another number wrote: record and catalogue item name their revision."""
    for path in _others(folder, files):
        path.unlink()


def _next_number(home: Path) -> int:
    numbers = (int(path.name[1:]) for path in home.iterdir() if path.name.startswith("r") and path.name[1:].isdigit())
    return max(numbers, default=0) + 1
