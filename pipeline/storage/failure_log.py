"""Trouble that nobody foresaw: one line for people, and the traceback in a log that the line names."""

from __future__ import annotations

import contextlib
import datetime as dt
import os
import sys
import tempfile
import traceback
from pathlib import Path

from snowtally.model.problems import SnowtallyError, one_line

MOST_BYTES = 1_000_000
"""A log longer than this is put aside as failures.log.1 before the next entry, bytes: some hundred tracebacks."""


def failure_line(trouble: BaseException) -> str:
    """Return any trouble in one line. The traceback of an unforeseen one is in the log that the line names.

    Our own messages and the system's about a file tell enough by themselves.
    """
    if isinstance(trouble, MemoryError):
        return "not enough memory. Use larger grid cells, or a machine with more memory"
    if isinstance(trouble, SnowtallyError) or (isinstance(trouble, OSError) and trouble.filename):
        return one_line(trouble)
    log = _write("".join(traceback.format_exception(trouble)))
    where = f"The details are in {log}" if log else "No log of the details could be written"
    return (
        f"unforeseen trouble, a fault of this program: {one_line(trouble)}. {where}: send them to whoever maintains it"
    )


def log_folder() -> Path:
    """Return the folder of the log. `XDG_STATE_HOME` or ~/.local/state, as the XDG base directories have it."""
    home = os.environ.get("XDG_STATE_HOME")
    return (Path(home) if home else Path(os.path.expanduser("~")) / ".local" / "state") / "snowtally"  # noqa: PTH111  Path.home() raises where there is none


def _write(text: str) -> Path | None:
    """Add an entry to the log and return its path.

    A new temporary file where the folder cannot be written, None where neither can.
    """
    entry = f"{dt.datetime.now(dt.UTC).isoformat(timespec='seconds')}  {' '.join(sys.argv)}\n{text}\n".encode(
        "utf-8", "replace"
    )
    path = log_folder() / "failures.log"
    with contextlib.suppress(OSError):
        path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
        if path.exists() and path.stat().st_size > MOST_BYTES:
            path.replace(path.with_suffix(".log.1"))
        with path.open("ab") as log:
            log.write(entry)
        return path
    with contextlib.suppress(OSError):
        descriptor, name = tempfile.mkstemp(prefix="snowtally-failure-", suffix=".log")
        with os.fdopen(descriptor, "wb") as log:
            log.write(entry)
        return Path(name)
    return None
