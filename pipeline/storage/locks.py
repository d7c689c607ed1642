"""Locks between processes that publish into one basin; the system frees them when a process dies."""

from __future__ import annotations

import importlib
import os
import socket
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from types import ModuleType

from snowtally.model.problems import ArchiveError
from snowtally.storage.files import NOT_SUPPORTED, make_folders
from snowtally.storage.paths import in_store

fcntl: ModuleType | None
try:
    fcntl = importlib.import_module("fcntl")
except ImportError:  # pragma: no cover  not a Unix system: no locks, the rename still cannot overwrite
    fcntl = None

_LOCK_WAIT_S = 120.0
"""A lock is held for a fraction of a second; whoever holds it this long is stuck, and a person must know."""


@contextmanager
def basin_lock(root: Path, basin: str) -> Iterator[None]:
    """Hold the lock of a basin. It is for choosing a revision's number and for derived files, never for the long work.

    Where the file system has no locks, as in an object store, the work goes on without: what must not be overwritten still
    cannot be. Raises ArchiveError when another process keeps the lock for two minutes.
    """
    if in_store(root):
        yield
        return
    make_folders(root / ".locks")
    path = root / ".locks" / f"{basin}.lock"
    with path.open("a+", encoding="utf-8") as file:
        patience = time.monotonic() + _LOCK_WAIT_S
        while (held := try_lock(file.fileno())) is False:
            if time.monotonic() > patience:
                file.seek(0)
                raise ArchiveError(
                    f"{path} is held by {file.read().strip() or 'another process'}. Stop it and run again."
                )
            time.sleep(0.02)
        try:
            if held:
                file.truncate(0)
                file.write(f"process {os.getpid()} on {socket.gethostname()}\n")
                file.flush()
            yield
        finally:
            # By name, not by closing: a forked child may hold the same open file.
            if held and fcntl is not None:
                fcntl.flock(file.fileno(), fcntl.LOCK_UN)


def try_lock(descriptor: int) -> bool | None:
    """Return whether the lock is ours. None when the file system has no locks."""
    if fcntl is None:
        return None
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    except OSError as error:
        if error.errno in NOT_SUPPORTED:
            return None
        raise
    return True
