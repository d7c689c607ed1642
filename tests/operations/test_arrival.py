"""Files that are still being written are waited for, or told."""

import datetime as dt
import os
from pathlib import Path

import pytest

from snowtally.operations import run
from snowtally.operations.arrival import Clock, input_paths, wait_for_arrival
from snowtally.settings.operations import Arrival

DAY = dt.date(2031, 3, 5)
LIMITS = Arrival(quiet_s=60, wait_s=600)


class Hands:
    """A clock that goes as fast as it is waited for, and does something at each wait."""

    def __init__(self, begun, *deeds):
        self.time, self.deeds, self.waits = begun, list(deeds), 0

    def sleep(self, seconds):
        self.time += seconds
        self.waits += 1
        if self.deeds:
            self.deeds.pop(0)()

    @property
    def clock(self):
        return Clock(lambda: self.time, self.sleep)


@pytest.fixture
def file(tmp_path):
    path = tmp_path / "depth.tif"
    path.write_bytes(b"half")
    return path


def last_change(path):
    return path.stat().st_ctime


def test_quiet_files_are_not_waited_for(file):
    hands = Hands(last_change(file) + 61)
    assert wait_for_arrival(lambda: [file], LIMITS, hands.clock, pytest.fail) == frozenset()
    assert hands.waits == 0


def test_a_growing_file_is_waited_for_until_it_is_quiet(file):
    hands = Hands(last_change(file) + 30, *[lambda: file.write_bytes(file.read_bytes() + b"more")] * 20)
    told = []
    assert wait_for_arrival(lambda: [file], LIMITS, hands.clock, told.extend) == frozenset()
    assert told == [file]
    # Twenty looks while it grew, then a minute of quiet.
    assert hands.time - last_change(file) >= 20 * 5 + 55


def test_patience_ends_and_tells_the_file(file):
    hands = Hands(last_change(file) + 30, *[lambda: file.write_bytes(file.read_bytes() + b"more")] * 1000)
    begun = hands.time
    assert wait_for_arrival(lambda: [file], LIMITS, hands.clock, lambda _: None) == {file}
    assert hands.time - begun == pytest.approx(600, abs=5)


def test_a_copy_that_carries_its_originals_time_is_still_new(file):
    os.utime(file, (0, 0))
    hands = Hands(last_change(file) + 1)
    wait_for_arrival(lambda: [file], LIMITS, hands.clock, lambda _: None)
    assert hands.time - last_change(file) >= 60


def test_files_that_a_table_names_later_are_looked_at_too(file, tmp_path):
    late = tmp_path / "late.tif"
    named = [file]

    def come():
        late.write_bytes(b"x")
        named.append(late)

    hands = Hands(last_change(file) + 30, come)
    wait_for_arrival(lambda: named, LIMITS, hands.clock, lambda _: None)
    assert hands.time - last_change(late) >= 60


def test_inputs_are_tables_and_the_rasters_that_they_name(settings):
    names = {path.name for path in input_paths(settings, DAY)}
    assert names == {"sites.csv", "courses.csv", "stations.csv", "flights.csv", "depth.tif"}
    assert "depth.tif" not in {path.name for path in input_paths(settings, DAY.replace(day=1))}, "flown a day later"


def test_a_flight_still_arriving_is_left_out_with_a_finding_and_used_when_it_is_there(settings, home):
    raster = (home / "depth.tif").resolve()
    arriving = run.Run(arriving=frozenset({raster}))
    first = run.update(settings, DAY, lambda _: None, arriving)
    assert any("still arriving F1" in why and "left for the next night" in why for why in first.readings.degraded)
    assert not first.readings.inputs.flights
    second = run.update(settings, DAY, lambda _: None)
    assert not second.readings.degraded
    assert (first.published.revision, second.published.revision) == (1, 2)
    assert [flight.attrs["flight_id"] for flight in second.readings.inputs.flights] == ["F1"]


def test_a_table_still_arriving_is_read_as_it_stands_and_told(settings, home):
    arriving = run.Run(arriving=frozenset({Path(home / "stations.csv").resolve()}))
    outcome = run.update(settings, DAY, lambda _: None, arriving)
    assert any("stations.csv is still being written" in why for why in outcome.readings.degraded)
    assert outcome.readings.rows["stations"]["site_id"].nunique() == 3
