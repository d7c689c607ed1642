"""Clocks that stand still or run again, told from rows sent again."""

import numpy as np
import pytest

from snowtally.inputs.dead_clock import dead_clocks
from snowtally.inputs.read_stations import read_stations
from snowtally.inputs.source import Source

HOUR = 3600


def clock(hours):
    seconds = HOUR * np.asarray(hours, np.int64)
    values = 100.0 + np.arange(len(seconds))[:, None]
    return np.zeros(len(seconds), np.int64), seconds, values


def test_a_clock_that_stands_still_keeps_its_first_reading():
    found = dead_clocks(*clock([0, 1, 2, 2, 2, 2, 6, 7]))
    assert [dead.rows.tolist() for dead in found] == [[3, 4, 5]]
    assert (found[0].start, found[0].end) == (2 * HOUR, 6 * HOUR)


def test_two_readings_under_one_time_are_a_dead_clock_only_where_a_time_is_missing():
    assert [dead.rows.tolist() for dead in dead_clocks(*clock([0, 1, 2, 2, 4, 5]))] == [[3]]
    assert dead_clocks(*clock([0, 1, 2, 2, 3, 4])) == []


def test_times_that_run_again_are_told_from_rows_sent_again():
    replayed = [*range(10), *range(5, 10), *range(15, 25)]
    assert [dead.rows.tolist() for dead in dead_clocks(*clock(replayed))] == [[10, 11, 12, 13, 14]]
    sent_again = [*range(10), *range(5, 10), *range(10, 25)]
    assert dead_clocks(*clock(sent_again)) == []


def test_readings_sent_twice_are_no_dead_clock():
    site, seconds, values = clock([0, 1, 2, 2, 2, 5])
    values[3:5] = values[2]
    assert dead_clocks(site, seconds, values) == []


@pytest.mark.parametrize("order", [[0, 1], [1, 0]])
def test_stations_written_turn_by_turn_do_not_disturb_each_other(order):
    a, b = clock([0, 1, 2, 2, 2, 5]), clock([0, 1, 2, 3, 4, 5])
    site = np.ravel(np.column_stack([a[0], b[0] + 1][:: 1 if order == [0, 1] else -1]))
    seconds = np.ravel(np.column_stack([a[1], b[1]][:: 1 if order == [0, 1] else -1]))
    values = np.repeat(np.arange(12.0)[:, None], 1, axis=1)
    found = dead_clocks(site, seconds, values)
    assert len(found) == 1
    assert set(site[found[0].rows]) == {0}


def test_the_reader_names_file_and_line(tmp_path):
    file = tmp_path / "s.csv"
    times = ["00", "01", "02", "02", "02", "02", "06", "07"]
    lines = [f"A,2031-01-01T{hour}:00Z,{100 + i}" for i, hour in enumerate(times)]
    file.write_text("\n".join(["site_id,time,swe_mm", *lines]) + "\n", encoding="utf-8")
    rows, findings = read_stations(Source([file], {}, [""]), 0.0)
    assert rows["swe_mm"].tolist() == [100.0, 101.0, 102.0, 106.0, 107.0]
    told = [(f.rule.name, f.site_id, f.line, f.start, f.end) for f in findings if f.rule.name == "dead clock"]
    assert told == [("dead clock", "A", 5, "2031-01-01T02:00Z", "2031-01-01T06:00Z")]
