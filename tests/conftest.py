"""What all tests share."""

import io
import os
from pathlib import Path

import coverage
import one_thread  # noqa: F401  before numpy and numba are imported
import pytest
from hypothesis import settings

# How long an example takes depends on who else uses the machine.
settings.register_profile("suite", deadline=None)
settings.load_profile("suite")

collect_ignore = ["conftest.py", "downstream/season.py"]
"""Hold no example to run: there are several files of the one name, and the other is a program of its own."""

LEAST_COVERED = 10
"""Modules that are listed: as many as a reader looks at."""

LONGEST = (
    "publishing/test_store.py",
    "recovery/test_larkmoor.py",
    "operations/test_rerun.py",
    "nights/test_night.py",
    "flows/test_operations_nights.py",
    "flows/test_nightly.py",
    "nights/test_coverage_night.py",
    "nights/test_outlook_night.py",
    "operations/test_spread.py",
    "estimate/test_estimate.py",
)
"""Files of twenty seconds and more, begun first: begun last, one of them would leave the other worker without work."""


def pytest_configure(config):
    """Hand out files in the order of their items: by itself xdist begins with those of the most tests, not the longest."""
    config.option.loadscopereorder = False


def pytest_collection_modifyitems(items):
    """Put the longest files first; doctests of single modules stay last."""
    order = {Path(__file__).parent / name: number for number, name in enumerate(LONGEST)}
    items.sort(key=lambda item: order.get(item.path, len(order)))


@pytest.fixture(scope="session", autouse=True)
def _no_waiting_for_the_disk():
    """Flush nothing: a night flushes some 50 files, and no test cuts the power. Tests of failing disks put their own in place."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(os, "fsync", lambda _file: None)
        yield


def pytest_terminal_summary(terminalreporter, config):
    """List the least covered modules after a run that measured coverage (`--cov`)."""
    if not config.pluginmanager.hasplugin("_cov"):
        return
    measured = coverage.Coverage(data_file=config.rootpath / ".coverage")
    measured.load()
    text = io.StringIO()
    total = measured.report(file=text, sort="cover")
    rows = [line for line in text.getvalue().splitlines() if line.startswith(("pipeline", "flows"))]
    terminalreporter.section(f"coverage {total:.0f} %, least covered modules")
    terminalreporter.write_line("\n".join(rows[:LEAST_COVERED]))
