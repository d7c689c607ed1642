"""A failure of the file system in one line: what could not be done, why, and what to do."""

from __future__ import annotations

import errno
from collections.abc import Iterator
from contextlib import contextmanager

from snowtally.model.problems import ArchiveError

_ROOM = "Free some space and run again."
_RIGHT = "Give this user write permission and run again."

_KNOWN = {
    errno.ENOSPC: ("the disk is full", _ROOM),
    errno.EDQUOT: ("the disk quota is used up", _ROOM),
    errno.EROFS: ("the file system is read-only", "Mount it writable and run again."),
    errno.EACCES: ("no permission", _RIGHT),
    errno.EPERM: ("no permission", _RIGHT),
    errno.ENOENT: ("no such file or folder", "Look whether it is there, make it or name another, and run again."),
    errno.ENOTDIR: ("a file is in the way of a folder", "Move it or change `archive` in the settings, and run again."),
    errno.EEXIST: ("a file is in the way of a folder", "Move it or change `archive` in the settings, and run again."),
}


@contextmanager
def explained(what: str) -> Iterator[None]:
    """Raise an ArchiveError that begins with `what` for any OSError inside."""
    try:
        yield
    except OSError as error:
        cause, cure = _KNOWN.get(error.errno or 0, (error.strerror or str(error), "Look at the disk and run again."))
        where = f" ({error.filename})" if error.filename else ""
        raise ArchiveError(f"{what}: {cause}{where}. {cure}") from error
