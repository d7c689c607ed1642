"""Files that last: flushed to disk, replaced in one step, and folders renamed so that nothing can be overwritten."""

from __future__ import annotations

import ctypes
import errno
import hashlib
import os
import secrets
from dataclasses import dataclass
from pathlib import Path

from snowtally.model.problems import ArchiveError
from snowtally.storage.paths import in_store, send

NOT_SUPPORTED = {errno.ENOSYS, errno.EINVAL, errno.ENOTSUP, errno.EOPNOTSUPP, errno.ENOLCK}
"""What a system answers that cannot do a thing at all, as against one that failed to."""

_AT_FDCWD = -100
"""What `renameat2` takes for a path that it must not look up from an open folder (Linux, fcntl.h)."""

_RENAME_NOREPLACE = 1
"""The flag of `renameat2` that makes it refuse to overwrite (Linux, fs.h)."""


def make_folders(folder: Path) -> None:
    """Make a folder and those above it, flushed to disk. A store has none to make."""
    if in_store(folder):
        return
    missing = [path for path in (folder, *folder.parents) if not path.exists()]
    for path in reversed(missing):
        path.mkdir(exist_ok=True)
        flush_folder(path.parent)


def flush_folder(folder: Path) -> None:
    """Flush a folder's entries to disk, where the system can. What a store has taken is there."""
    if in_store(folder):
        return
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    except OSError as error:
        if error.errno not in NOT_SUPPORTED:
            raise
    finally:
        os.close(descriptor)


@dataclass(frozen=True)
class Written:
    """What was written to a file: size in bytes, and sha256."""

    size: int
    sha256: str


def flush_file(path: Path) -> Written:
    """Flush a file to disk and return what was written.

    Raises ArchiveError when what is read back is not what was written.
    """
    written = _written(path)
    with path.open("rb") as file:
        os.fsync(file.fileno())
        if hasattr(os, "posix_fadvise"):
            # Drop the pages from memory, so that reading back asks the disk.
            os.posix_fadvise(file.fileno(), 0, 0, os.POSIX_FADV_DONTNEED)
    if _written(path) != written:
        raise ArchiveError(f"{path} reads back differently from what was written. Check the disk.")
    return written


def _written(path: Path) -> Written:
    with path.open("rb") as file:
        digest = hashlib.file_digest(file, "sha256").hexdigest()
        return Written(file.tell(), digest)


def flush_all(folder: Path) -> dict[str, Written]:
    """Flush every file of a folder and the folder itself. Return what was written by name."""
    files = {path.name: flush_file(path) for path in sorted(folder.iterdir())}
    flush_folder(folder)
    return files


def replace_file(path: Path, data: bytes, work: Path) -> None:
    """Put `data` at `path` in one step for every reader. In a folder it is written and flushed in `work` first."""
    if in_store(path):
        path.write_bytes(data)
        return
    beside = work / f"{path.name}.{secrets.token_hex(4)}"
    beside.write_bytes(data)
    put_file(beside, path)


def put_file(beside: Path, path: Path) -> None:
    """Flush a file and put it at `path` in one step. For a folder it must lie on the same file system."""
    flush_file(beside)
    if in_store(path):
        send(beside, path)
        return
    os.replace(beside, path)  # noqa: PTH105  one place for the test to fail at
    flush_folder(path.parent)


def append_line(path: Path, line: str) -> None:
    """Add one line to a file and flush it. An earlier line that was cut off before its end is taken away first.

    When it cannot be written whole, the file is left as it was. Raises OSError.
    """
    data = line.encode("utf-8") + b"\n"
    # Without a buffer: one would try again to write when the file is closed.
    with path.open("a+b", buffering=0) as file:
        file.seek(0)
        whole = file.read().rfind(b"\n") + 1
        file.truncate(whole)
        try:
            if file.write(data) != len(data):
                raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC), str(path))  # noqa: TRY301  to be undone below
            os.fsync(file.fileno())
            flush_folder(path.parent)
        except OSError:
            file.truncate(whole)
            raise


def rename_new(source: Path, target: Path) -> None:
    """Rename a folder to a new path in one step. Raises FileExistsError when there is something.

    Linux can refuse to overwrite by itself. Elsewhere a rename onto a folder fails unless that folder is empty, which
    a published revision never is; an empty one is caught by looking first.
    """
    if _rename_noreplace(source, target):
        return
    if os.path.lexists(target):
        raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST), str(target))
    try:
        source.rename(target)
    except OSError as error:
        if error.errno == errno.ENOTEMPTY:
            raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST), str(target)) from error
        raise


def _rename_noreplace(source: Path, target: Path) -> bool:
    """Return whether the kernel could rename without overwriting."""
    try:
        call = ctypes.CDLL(None, use_errno=True).renameat2
    except (AttributeError, OSError, TypeError):
        return False
    done = call(_AT_FDCWD, os.fsencode(source), _AT_FDCWD, os.fsencode(target), _RENAME_NOREPLACE)
    if done == 0:
        return True
    number = ctypes.get_errno()
    if number in NOT_SUPPORTED:
        return False
    raise OSError(number, os.strerror(number), str(source), None, str(target))
