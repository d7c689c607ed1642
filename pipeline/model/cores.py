"""The processors that this process may use."""

from __future__ import annotations

import os


def own_cores() -> int:
    """Return how many cores this process may use."""
    # A container or batch system may grant fewer cores than the machine has; not every platform can tell.
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
