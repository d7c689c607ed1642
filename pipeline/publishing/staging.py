"""Work in hand, where no reader looks: staged folders, and what processes that died left in them."""

from __future__ import annotations

import json
import os
import secrets
import shutil
import socket
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path

from snowtally.archive.layout import LAYOUT_VERSION
from snowtally.reading import archive_folder
from snowtally.storage.files import make_folders, replace_file
from snowtally.storage.json_text import from_json
from snowtally.storage.locks import basin_lock, try_lock
from snowtally.storage.paths import age_s, in_store, path_of, sizes_in
from snowtally.storage.processes import is_running, lives, myself

FOREIGN_S = 2 * 86400.0
"""Work left by another host cannot be asked whether it lives; no night takes two days."""


@dataclass
class Work:
    """One staged folder: `folder` is ours to write in. `revision` inside it becomes the published folder.

    `due` is set while the revision is in place and its derived files are not. Should the rest then fail, the folder's
    owner file stays as a note of that, for the next publisher to act on.
    """

    archive: Path
    folder: Path
    due: bool = False

    @property
    def revision(self) -> Path:
        """Folder of the revision in the making."""
        return self.folder / "revision"


def staging_folder(root: str | Path, basin: str) -> Path:
    """Return where the work of a basin is staged. On the archive's own file system, so that a rename is enough."""
    return path_of(root) / ".staging" / basin


def is_begun(root: str | Path) -> bool:
    """Return whether there is an archive already."""
    return (path_of(root) / "archive.json").exists()


def prepared(root: str | Path) -> Path:
    """Return the archive's folder, which says that it is of this program's layout.

    It is made when new. One of an earlier layout becomes one of this: programs of before must not take what is written now
    for damaged. What it holds stays as it is.
    """
    archive = archive_folder(root)
    make_folders(archive)
    about = "Dated archive of basin snow water estimates; see docs/archive.md."
    said = from_json((archive / "archive.json").read_text("utf-8")) if is_begun(archive) else {"about": about}
    if said.get("layout") != LAYOUT_VERSION:
        make_folders(archive / ".staging")
        content = json.dumps({"layout": LAYOUT_VERSION} | said | {"layout": LAYOUT_VERSION})
        replace_file(archive / "archive.json", f"{content}\n".encode(), archive / ".staging")
    return archive


@contextmanager
def staged_for_store(root: Path, basin: str, date: str) -> Iterator[Work]:
    """Give a folder on this machine for work on a store.

    A note in the store stays if the work is cut off, or is still due.
    """
    note = staging_folder(root, basin) / f"{os.getpid()}-{secrets.token_hex(4)}.json"
    owner = {**myself(), "basin": basin, "date": date}
    with tempfile.TemporaryDirectory(prefix="snowtally-") as folder:
        work = Work(root, Path(folder))
        work.revision.mkdir()
        _in_hand.add(note.name)
        if date:
            note.write_bytes(json.dumps(owner).encode())
        try:
            yield work
        finally:
            _in_hand.discard(note.name)
            if date and not work.due:
                note.unlink(missing_ok=True)


_in_hand: set[str] = set()
"""Notes of the work that this very process has in hand: others of its own are of work that was cut off."""


def notes_left(root: Path, basin: str) -> dict[Path, str]:
    """Return the notes left in a store, each with its date.

    A process on another machine cannot be asked whether it lives: its note counts as left after two days.
    """
    left = {}
    for name in sorted(sizes_in(staging_folder(root, basin))):
        note = staging_folder(root, basin) / name
        try:
            owner = from_json(note.read_text("utf-8"))
            alive = lives(owner)
            ours = owner == owner | myself()
            gone = age_s(note) > FOREIGN_S if alive is None else name not in _in_hand if ours else not alive
        except (OSError, ValueError, KeyError, TypeError):
            continue
        if gone:
            left[note] = str(owner.get("date", ""))
    return left


def is_archived(path: Path) -> bool:
    """Return whether an archived input is there and need not be written.

    A store has no lock that keeps `prune` from removing what a night is about to name: there what is older than any night is
    written anew, and so is young when it is named.
    """
    return path.exists() and not (in_store(path) and age_s(path) > FOREIGN_S)


@contextmanager
def staged(root: Path, basin: str, date: str = "") -> Iterator[Work]:
    """Give a new staged folder, and remove it in the end. It is for one date of a basin, or for none.

    The folder carries who works in it under a lock that the system frees when the process dies. Of a store it
    lies on this machine, and a note in the store says which date is being worked on.
    """
    if in_store(root):
        with staged_for_store(root, basin, date) as work:
            yield work
        return
    work = Work(root, staging_folder(root, basin) / f"{os.getpid()}-{secrets.token_hex(4)}")
    try:
        with basin_lock(root, basin):
            make_folders(work.folder)
            owner = (work.folder / "owner.json").open("w", encoding="utf-8")
            try_lock(owner.fileno())
        with owner:
            json.dump({**myself(), "basin": basin, "date": date}, owner)
            owner.flush()
            os.fsync(owner.fileno())
            work.revision.mkdir()
            yield work
    finally:
        remove(work.folder, keep_owner=work.due)


def remove(folder: Path, *, keep_owner: bool = False) -> None:
    """Remove a staged folder, or all of it but its owner file.

    What cannot be removed is left to the next publisher.
    """
    if in_store(folder):
        folder.unlink(missing_ok=True)
    elif keep_owner:
        for path in folder.iterdir():
            if path.name != "owner.json":
                shutil.rmtree(path, ignore_errors=True) if path.is_dir() else path.unlink(missing_ok=True)
    else:
        shutil.rmtree(folder, ignore_errors=True)


def left_behind(root: str | Path, basin: str) -> dict[Path, str]:
    """Return the staged folders left in a basin, each with its date.

    Their makers are gone; the date is "" where it is not known.

    To be called under the basin's lock: a folder is made and claimed under it.
    """
    if in_store(path_of(root)):
        return notes_left(path_of(root), basin)
    try:
        folders = sorted(staging_folder(root, basin).iterdir())
    except FileNotFoundError:
        return {}
    return {folder: _owner(folder).get("date", "") for folder in folders if _is_left(folder)}


def in_hand(root: str | Path, basin: str) -> list[str]:
    """Return the dates of staged work that may be in hand. "" stands for none."""
    folder = staging_folder(root, basin)
    left = left_behind(root, basin)
    if in_store(folder):
        notes = [folder / name for name in sizes_in(folder)]
        return sorted(_dated(note) for note in notes if note not in left)
    try:
        return sorted(_owner(path).get("date", "") for path in folder.iterdir() if path not in left)
    except FileNotFoundError:
        return []


def _dated(note: Path) -> str:
    try:
        return str(from_json(note.read_text("utf-8")).get("date", ""))
    except (OSError, ValueError, AttributeError):
        return ""


def _owner(folder: Path) -> dict[str, str]:
    try:
        owner = from_json((folder / "owner.json").read_text("utf-8"))
    except (OSError, ValueError):
        return {}
    return owner if isinstance(owner, dict) else {}


def _is_left(folder: Path) -> bool:
    owner = _owner(folder)
    try:
        with (folder / "owner.json").open("r+", encoding="utf-8") as file:
            claimed = try_lock(file.fileno())
    except FileNotFoundError:
        # Made, not yet claimed: with no lock to tell, the process in the folder's name does.
        claimed = None
    except OSError:
        # Another user's: not ours to judge.
        return False
    if claimed is False:
        return False
    if owner.get("host", socket.gethostname()) != socket.gethostname():
        # A lock need not reach across hosts.
        return _is_old(folder)
    if claimed is True:
        return True
    if "started" in owner:
        return not lives(owner)
    # Not told yet: all there is is the number in the folder's name.
    number = folder.name.partition("-")[0]
    return number.isascii() and number.isdecimal() and not is_running(int(number))


def _is_old(folder: Path) -> bool:
    with suppress(FileNotFoundError):
        return age_s(folder) > FOREIGN_S
    return False
