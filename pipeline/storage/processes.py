"""Which process is at work, told so that any process can later say whether it still lives."""

from __future__ import annotations

import os
import socket
from functools import cache
from pathlib import Path
from typing import Any


def myself() -> dict[str, Any]:
    """Return what tells this process from every other.

    Host, boot of the machine, process id, and when it was started.
    """
    return {"host": socket.gethostname(), "boot": _boot(), "pid": os.getpid(), "started": _started(os.getpid())}


def lives(other: dict[str, Any]) -> bool | None:
    """Return whether the process that `myself` told of lives. None where another host must be asked.

    A process id alone proves nothing: ids are given again, soon after a machine starts above all. Where the system tells
    neither boots nor starts, the id must do.
    """
    if other.get("host") != socket.gethostname():
        return None
    try:
        pid = int(other["pid"])
    except (KeyError, TypeError, ValueError, OverflowError):
        return False
    if other.get("boot") != _boot():
        return False
    return is_running(pid) and other.get("started") == _started(pid)


@cache
def _boot() -> str:
    try:
        return Path("/proc/sys/kernel/random/boot_id").read_text("ascii").strip()
    except OSError:
        return ""


def _started(pid: int) -> str:
    """Return when a process was started, in ticks since the boot. Empty where the system does not say."""
    try:
        # The name before it, in brackets, may hold blanks and brackets of its own.
        fields = Path(f"/proc/{pid}/stat").read_bytes().rpartition(b")")[2].split()
    except OSError:
        return ""
    state, started = fields[0], fields[19]
    # A zombie does nothing any more, though its parent has not taken notice.
    return "" if state == b"Z" else started.decode()


def is_running(pid: int) -> bool:
    """Return whether any process of this id runs on this machine."""
    try:
        os.kill(pid, 0)
    except (ProcessLookupError, OverflowError):
        return False
    except PermissionError:
        return True
    return pid > 0
