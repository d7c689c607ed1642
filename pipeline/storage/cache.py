"""Files that took long to make, kept in a folder under the hash of all that decides them.

Such a folder may be deleted at any time. A file is put there in one step, so that two processes do each other no harm; it
carries a hash of its own, so that what was damaged or cut short is as if it were not there; and what nobody asked for in a
month is taken away, so that the folder does not grow without end.
"""

from __future__ import annotations

import hashlib
import os
import secrets
import time
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

UNUSED_DAYS = 30
"""What no night asked for in so many days is taken away: its inputs, its settings or the code have changed since."""

_HASH_BYTES = 32


@dataclass(frozen=True)
class KeptFiles:
    """A folder of kept files.

    Parameters
    ----------
    folder : where they are kept.
    writable : whether anything is kept; a check leaves nothing behind.
    """

    folder: Path
    writable: bool = True

    def find(self, name: str) -> memoryview | None:
        """Return what is kept under a name; None where nothing is, or it is damaged."""
        path = self.folder / name
        try:
            data = memoryview(path.read_bytes())
        except OSError:
            return None
        if data[:_HASH_BYTES] != _seal(name, data[_HASH_BYTES:]):
            return None
        if self.writable:
            note_use(path)
        return data[_HASH_BYTES:]

    def keep(self, name: str, body: bytes | memoryview) -> None:
        """Keep a file under a name. A folder that cannot be written costs time on the next night, never this one."""
        if self.writable:
            with suppress(OSError):
                put_in_place(self.folder / name, _seal(name, body), body)

    def drop_unused(self) -> None:
        """Take away what was not asked for lately; to be called when a night has asked for all that it needs."""
        if self.writable:
            drop_unused(self.folder)


def _seal(name: str, body: bytes | memoryview) -> bytes:
    """Return what shows that a file is whole and stands under its own name."""
    digest = hashlib.sha256(name.encode())
    digest.update(body)
    return digest.digest()


def put_in_place(path: Path, *parts: bytes | memoryview) -> None:
    """Put a file of these parts in place in one step: another process may be reading it, or putting the same. Raises OSError."""
    path.parent.mkdir(parents=True, exist_ok=True)
    beside = path.with_name(f".{path.name}.{secrets.token_hex(4)}")
    try:
        with beside.open("wb") as to:
            for part in parts:
                to.write(part)
        beside.replace(path)
    except BaseException:
        with suppress(OSError):
            beside.unlink()
        raise


def note_use(path: Path) -> None:
    """Note by a file's time that it was asked for; where that cannot be written, it is made again in a month."""
    with suppress(OSError):
        os.utime(path)


def drop_unused(folder: Path) -> None:
    """Take away the files of a folder that nobody asked for lately."""
    oldest = time.time() - UNUSED_DAYS * 86400
    with suppress(OSError):
        for path in folder.iterdir():
            with suppress(OSError):
                if path.stat().st_mtime < oldest:
                    path.unlink()
