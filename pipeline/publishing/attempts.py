"""Nights that were tried and gave nothing: kept until their date is held, so that status can tell failed from missing."""

from __future__ import annotations

import datetime as dt
from contextlib import suppress
from pathlib import Path

from snowtally.model.problems import ArchiveError
from snowtally.publishing.dated_notes import dated_notes, write_dated_notes
from snowtally.publishing.record import plain
from snowtally.publishing.staging import staged
from snowtally.reading import archive_folder, basin_folder, revisions
from snowtally.storage.locks import basin_lock

ATTEMPTS = "failed.json"
"""By date that is not held, when its last attempt failed and why. A note, not the truth: no promise rests on it."""


def failed_attempts(root: str | Path, basin: str) -> dict[dt.date, dict[str, str]]:
    """Return the failed attempts by date, `made` and `message` each. One that cannot be read counts as none."""
    return dated_notes(basin_folder(root, basin) / ATTEMPTS, {"made": str, "message": str})


def note_failed(root: str | Path, basin: str, date: dt.date, message: str) -> None:
    """Note that an attempt at a date failed. Nothing is noted where the basin has no archive yet.

    Dates that are held by now are dropped. Never raises: the failure itself is what must be told.
    """
    with suppress(OSError, ArchiveError):
        if not basin_folder(root, basin).is_dir():
            return
        archive = archive_folder(root)
        with staged(archive, basin) as work, basin_lock(archive, basin):
            noted = failed_attempts(archive, basin)
            noted[date] = {"made": plain(dt.datetime.now(dt.UTC)), "message": message}
            remaining = {day: note for day, note in noted.items() if not revisions(archive, basin, day)}
            write_dated_notes(basin_folder(archive, basin) / ATTEMPTS, remaining, work)
