"""What all tests share."""

import os
import sys
from pathlib import Path

sys.path.append(str(Path(__file__).parent / "basin"))

import one_thread  # noqa: F401  before numpy and numba are imported
import pytest
from hypothesis import settings

# How long an example takes depends on who else uses the machine.
settings.register_profile("suite", deadline=None)
settings.load_profile("suite")

collect_ignore = ["conftest.py"]
"""Holds no example to run, and there are several files of this name."""


@pytest.fixture(scope="session", autouse=True)
def _no_waiting_for_the_disk():
    """Flush nothing: a night flushes some 50 files, and no test cuts the power. Tests of failing disks put their own in place."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(os, "fsync", lambda _file: None)
        yield
