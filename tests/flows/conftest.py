"""What the tests of operations share: a small made-up basin whose nights take about a second."""

import sys
from pathlib import Path

import pytest

sys.path.append(str(Path(__file__).parents[1] / "basin"))

from made_basin import write_basin

from pipeline.settings import read_settings

OPERATIONS = "operations: {arrival: {quiet_s: 0.2, wait_s: 1}, retry: {times: 1, first_wait_s: 0}}\n"


@pytest.fixture
def home(tmp_path):
    write_basin(tmp_path)
    with (tmp_path / "basin.yaml").open("a") as file:
        file.write(OPERATIONS)
    return tmp_path


@pytest.fixture
def settings(home):
    return read_settings(home / "basin.yaml")
