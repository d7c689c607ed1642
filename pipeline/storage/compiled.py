"""Where compiled code is cached: beside the program, else in the user's own cache, else beside the archive."""

from __future__ import annotations

import atexit
import os
import shutil
import tempfile
from pathlib import Path

VARIABLE = "NUMBA_CACHE_DIR"
"""What tells the compiler where to cache; whoever sets it decides."""


def cache_compiled_code(beside: Path | None = None) -> None:
    """Let compiled code be cached in a folder that can be written, for this process and those that it starts.

    A program that is installed for all is run by users who may write neither there nor in a home of their own. The compiler would
    refuse to begin. Call this before anything compiled is imported.

    Parameters
    ----------
    beside : the folder for such users; without it, and where it cannot be written either, one that ends with the process.
    """
    own = VARIABLE in os.environ and os.environ[VARIABLE] != _passing.get("folder")
    if own or any(map(_writable, (Path(__file__).parent, _user_cache()))):
        return
    if beside is not None and _ours(beside):
        os.environ[VARIABLE] = str(beside)
    elif "folder" not in _passing:
        _passing["folder"] = os.environ[VARIABLE] = tempfile.mkdtemp(prefix="snowtally-compiled-")
        atexit.register(shutil.rmtree, _passing["folder"], ignore_errors=True)


_passing: dict[str, str] = {}
"""The folder that ends with the process, where there is one."""


def _user_cache() -> Path:
    """Return the folder of the user's caches, as the XDG base directories have it."""
    return Path(os.environ.get("XDG_CACHE_HOME") or f"{os.environ.get('HOME', '')}/.cache")


def _writable(folder: Path) -> bool:
    """Return whether a folder can be written, or made."""
    there = next((one for one in (folder, *folder.parents) if _is_there(one)), None)
    return there is not None and there.is_dir() and os.access(there, os.W_OK | os.X_OK)


def _is_there(path: Path) -> bool:
    try:
        return path.exists()
    except OSError:
        # It lies behind a folder that this user may not enter.
        return False


def _ours(folder: Path) -> bool:
    """Return whether a folder is this user's alone, made where its parent is there.

    Compiled code that another user may have written is not run. A folder of caches that is not there yet is made by the night, once
    it knows that its archive is the right one.
    """
    try:
        folder.mkdir(mode=0o700, exist_ok=True)
        state = folder.stat()
    except OSError:
        return False
    return state.st_uid == os.getuid() and not state.st_mode & 0o022
