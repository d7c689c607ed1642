"""What an archive holds and no revision can name: archived inputs and work that nights left when they were cut off."""

from __future__ import annotations

import datetime as dt
import stat
from contextlib import ExitStack
from dataclasses import dataclass, field
from pathlib import Path

from snowtally.model.problems import ArchiveError, BusyError
from snowtally.publishing.archived_inputs import inputs_folder, is_input
from snowtally.publishing.archived_rows import archived_months
from snowtally.publishing.derived import refresh
from snowtally.publishing.night_lock import nights_at_work
from snowtally.publishing.soundness import Examined, sound_record
from snowtally.publishing.staging import in_hand, left_behind, remove, staged
from snowtally.reading import archive_folder, basin_folder, dates_held
from snowtally.storage.failures import explained
from snowtally.storage.files import flush_folder
from snowtally.storage.locks import basin_lock
from snowtally.storage.paths import age_s, in_store, names_in, sizes_in

DAY_S = 86400.0
"""Seconds of a day."""

LEAST_DAYS = 7
"""Nothing younger is removed. No night takes two days, and in a store, which has no locks, a night puts anew what it names and is
older than two (`staging.is_archived`): what is a week old there is of no night at work."""


@dataclass(frozen=True)
class Leftover:
    """One thing that no revision can name.

    `path` is its path in the archive, `bytes` its size, and `age_days` its age.
    """

    path: str
    bytes: int
    age_days: float


@dataclass(frozen=True)
class Pruned:
    """What can go, or has gone.

    Parameters
    ----------
    inputs : archived inputs; work : what nights that were cut off left.
    removed : whether they were removed, or only listed.
    held_back : what was left alone, and why, one line each.
    """

    inputs: list[Leftover]
    work: list[Leftover]
    removed: bool
    held_back: list[str]

    @property
    def bytes(self) -> int:
        """How much room it takes."""
        return sum(one.bytes for one in (*self.inputs, *self.work))


@dataclass
class _Names:
    """What the records of a basin name; each record is read once."""

    archive: Path
    basin: str
    read: set[Path] = field(default_factory=set)
    hashes: set[str] = field(default_factory=set)
    unknown: list[str] = field(default_factory=list)

    def gather(self) -> None:
        """Read the records that were not read yet. Every folder of a date counts, also one that somebody renamed."""
        home = basin_folder(self.archive, self.basin)
        for date in dates_held(self.archive, self.basin):
            day = home / date.isoformat()
            if in_store(day) or day.is_dir():
                for name in sorted(names_in(day)):
                    self._take(day / name)
            else:
                self._take(day)

    def _take(self, folder: Path) -> None:
        # A link whose disk is not mounted leads to what it led to before; a file is no revision.
        linked = not in_store(folder) and folder.is_symlink()
        if folder in self.read or not (folder.is_dir() or linked):
            return
        self.read.add(folder)
        record = sound_record(folder, Examined())
        if record is None:
            self.unknown.append(f"{folder.parent.name}/{folder.name}")
        else:
            self.hashes |= set(record["kept_inputs"].values())

    def files(self) -> set[str]:
        """Return the files under inputs/ that the records name.

        Raises ArchiveError when a listing of rows is lost, cannot be read, or names a month that is not there: which months it had
        named is not known then.
        """
        folder = inputs_folder(self.archive, self.basin)
        there, named = set(names_in(folder)), set()
        for sha256 in self.hashes:
            if f"{sha256}.nc" in there:
                named.add(f"{sha256}.nc")
                continue
            months = {f"{month}.csv.gz" for month in archived_months(folder, sha256)}
            if not months <= there:
                raise ArchiveError(
                    f"{folder / sha256}.json names rows that are not there. `snowtally verify` tells the way"
                )
            named |= {f"{sha256}.json", *months}
        return named


def prune(root: str | Path, basin: str, older_than_days: float, *, go: bool) -> Pruned:
    """Return what no revision of a basin can name. It is older than so many days; with `go` it is removed.

    While one record is damaged, or of a newer version, it may name any archived input, so none of them goes. Links are not
    followed, and what the archive did not write is left alone. Nights are kept from starting meanwhile.

    Raises
    ------
    BusyError : nights of the basin are at work.
    ArchiveError : there is no such archive or basin, or something cannot be removed.
    """
    archive = archive_folder(root)
    dates_held(archive, basin)
    names = _Names(archive, basin)
    with explained(f"Cannot prune {basin} in {root}"), ExitStack() as stack:
        # What takes long is done before the lock.
        names.gather()
        work = None
        if go:
            work = stack.enter_context(staged(archive, basin)).folder
            stack.enter_context(basin_lock(archive, basin))
            at_work = sorted({*nights_at_work(archive, basin), *(date for date in in_hand(archive, basin) if date)})
            if at_work:
                raise BusyError(f"Nights of {basin} are at work ({', '.join(at_work)}). Run prune again after them")
            names.gather()
        held_back: list[str] = []
        inputs = _inputs(names, older_than_days, held_back)
        left = _left(archive, basin, older_than_days, held_back)
        pruned = Pruned([one for _, one in inputs], [one for _, one, _ in left], go, held_back)
        if work is not None:
            _remove_inputs([path for path, _ in inputs])
            _remove_work(archive, basin, {path: date for path, _, date in left}, work)
    return pruned


def _inputs(names: _Names, older_than_days: float, held_back: list[str]) -> list[tuple[Path, Leftover]]:
    """Return the archived inputs that can go."""
    folder = inputs_folder(names.archive, names.basin)
    if _leads_out(folder, names.archive):
        held_back.append(f"{folder} is a link out of the archive: left alone")
        return []
    old = []
    for name, size in sorted(sizes_in(folder).items()):
        age_days = age_s(folder / name) / DAY_S if is_input(name) else 0.0
        if age_days >= older_than_days:
            old.append((folder / name, Leftover(str((folder / name).relative_to(names.archive)), size, age_days)))
    if names.unknown:
        held_back.append(
            f"archived inputs: {', '.join(names.unknown)} cannot be read and may name any of them. `snowtally verify` tells the way"
        )
        return []
    try:
        named = names.files() if old else set()
    except ArchiveError as trouble:
        held_back.append(f"archived inputs: {trouble}")
        return []
    return [(path, one) for path, one in old if path.name not in named]


def _left(archive: Path, basin: str, older_than_days: float, held_back: list[str]) -> list[tuple[Path, Leftover, str]]:
    """Return the work that nights left, with its date ("" for none)."""
    staging = archive / ".staging" / basin
    if _leads_out(staging, archive):
        held_back.append(f"{staging} is a link out of the archive: left alone")
        return []
    old = []
    for path, date in left_behind(archive, basin).items():
        if not in_store(path) and path.is_symlink():
            continue
        age_days = age_s(path) / DAY_S
        if age_days >= older_than_days:
            old.append((path, Leftover(str(path.relative_to(archive)), _size(path), age_days), date))
    return old


def _leads_out(folder: Path, archive: Path) -> bool:
    return not in_store(folder) and not folder.resolve().is_relative_to(archive.resolve())


def _size(path: Path) -> int:
    """Return the bytes of a file or folder. Links are not followed."""
    if in_store(path):
        sizes = sizes_in(path.parent)
        if path.name not in sizes:
            raise FileNotFoundError(f"{path} is no longer there")
        return sizes[path.name]
    states = [each.lstat() for each in (path, *path.rglob("*"))]
    return sum(state.st_size for state in states if stat.S_ISREG(state.st_mode))


def _remove_inputs(paths: list[Path]) -> None:
    # A listing goes before the months that it names, so that none is left whose months are gone.
    for path in sorted(paths, key=lambda path: path.suffix != ".json"):
        path.unlink(missing_ok=True)
    if paths:
        flush_folder(paths[0].parent)


def _remove_work(archive: Path, basin: str, left: dict[Path, str], work: Path) -> None:
    """Finish what nights were cut off in, and remove what they left."""
    dates = {dt.date.fromisoformat(date) for date in left.values() if date}
    if dates:
        refresh(archive, basin, dates, work)
    for path in left:
        remove(path)
