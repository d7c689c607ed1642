"""The name of one run, as it stands in its lock, its log and its messages."""

from __future__ import annotations

import os
import secrets

RUN_ID = "SNOWTALLY_RUN_ID"
"""Environment variable in which a run started by another carries that run's name."""


def new_run_id() -> str:
    """Return the run that started this process, else a new name."""
    return os.environ.get(RUN_ID) or secrets.token_hex(4)
