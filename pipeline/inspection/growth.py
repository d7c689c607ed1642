"""How much room the archive's disk has left, and how long it will last at the pace of the last month."""

from __future__ import annotations

import datetime as dt
import shutil
from dataclasses import dataclass, field
from pathlib import Path

from snowtally.model.problems import ArchiveError
from snowtally.publishing.archived_inputs import inputs_folder
from snowtally.publishing.derived import read_index
from snowtally.reading import is_basin
from snowtally.storage.paths import in_store, names_in

WINDOW_DAYS = 30
"""Growth is told by the revisions made in so many days: a month has quiet nights and flights."""


@dataclass(frozen=True)
class Growth:
    """Room on the disk and the archive's growth.

    Parameters
    ----------
    free_bytes : room left for this user; None in an object store.
    bytes_a_day : what one date of every basin takes, by what was made in the last month; 0 when nothing was.
    days_left : how long the room lasts at that pace, None when the archive does not grow or is in a store.
    unread : basins whose growth could not be read: the pace is without them.
    """

    free_bytes: int | None
    bytes_a_day: float
    days_left: int | None
    unread: list[str] = field(default_factory=list)


def growth(root: Path, now: dt.datetime) -> Growth:
    """Return room and growth as of `now` (with time zone).

    The pace is what a date takes of each basin, kept inputs and later revisions with it, by the dates made in the last month, at
    one date a day: dates made again or filled in by the hundred are no pace of a disk.
    """
    since = now - dt.timedelta(days=WINDOW_DAYS)
    pace, unread = 0.0, []
    for name in sorted(names_in(root)):
        if not is_basin(name) or not (root / name / "index.parquet").is_file():
            continue
        # Damage of one basin is told by its own status.
        try:
            rows = [row for row in read_index(root, name).to_pylist() if row["made"] and since <= row["made"] <= now]
            inputs = [] if in_store(root) else _inputs(inputs_folder(root, name))
        except (ArchiveError, OSError):
            unread.append(name)
            continue
        size = sum(row["size_bytes"] for row in rows) + sum(size for when, size in inputs if since <= when <= now)
        pace += size / len({row["date"] for row in rows}) if rows else 0.0
    free = None if in_store(root) else shutil.disk_usage(root).free
    return Growth(free, pace, int(free / pace) if free is not None and pace > 0 else None, unread)


def _inputs(folder: Path) -> list[tuple[dt.datetime, int]]:
    if not folder.is_dir():
        return []
    states = [path.stat() for path in folder.iterdir()]
    return [(dt.datetime.fromtimestamp(state.st_mtime, dt.UTC), state.st_size) for state in states]
