"""Fixtures of the tests of whole nights: the files and settings of a small made-up basin whose nights take about a second."""

import pytest
from made_basin import write_basin

from snowtally.settings.basin import read_settings

OPERATIONS = "operations: {arrival: {quiet_s: 0.2, wait_s: 1}, retry: {times: 1, first_wait_s: 0}}\n"


@pytest.fixture(scope="module")
def basin(tmp_path_factory):
    """A basin that the tests of a module share."""
    return write_basin(tmp_path_factory.mktemp("basin"))


@pytest.fixture
def home(tmp_path):
    """A basin of a test's own, with settings for operations."""
    write_basin(tmp_path)
    with (tmp_path / "basin.yaml").open("a") as file:
        file.write(OPERATIONS)
    return tmp_path


@pytest.fixture
def settings(home):
    """The settings of that basin."""
    return read_settings(home / "basin.yaml")
