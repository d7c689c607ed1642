"""A slice of the mutated inputs; `python tests/mutated_inputs --count 2000` runs the long trial and prints it."""

import pytest
from forked_command import Ran
from mutate import Drawn, try_all, write_homes
from verdict import LIMITS, failures

COUNT = 40

# Kinds whose runs mostly end before every input is read and checked: the slice stays under half a minute.
QUICK = ("settings: odd", "settings: YAML", "settings: bytes", "settings: no", "zones", "raster: de", "truncated")
DRAWN = Drawn(7, QUICK, updates=0)


@pytest.fixture(scope="module")
def homes(tmp_path_factory):
    return write_homes(tmp_path_factory.mktemp("mutated"), held=False)


@pytest.mark.long
def test_no_mutated_input_is_answered_with_a_traceback(homes):
    done = list(try_all(homes, DRAWN, list(range(COUNT)), workers=2))
    assert len(done) == COUNT
    met = [f"{tried.number}: {tried.mutation.name}: {tried.failures}" for tried in done if tried.failures]
    assert met == []


def ran(**changed):
    values = {"status": 1, "stdout": "", "stderr": "snowtally: sites.csv is empty\n", "cpu_s": 1.0, "seconds": 1.0}
    return Ran(**({**values, "memory": 1 << 28, "stopped": False} | changed))


@pytest.mark.parametrize(
    ("changed", "as_json", "word"),
    [
        ({}, False, ""),
        ({"stderr": "", "stdout": "fine\n", "status": 0}, False, ""),
        ({"stdout": '{"error": "x"}'}, True, ""),
        ({}, True, "--json is no object"),
        ({"stdout": '{"a": NaN}'}, True, "--json is no object"),
        ({"stdout": "[1]"}, True, "--json is no object"),
        ({"stderr": ""}, False, "no word at all"),
        ({"stderr": "snowtally: one\nand two\n"}, False, "noise"),
        ({"stderr": "a warning\n"}, False, "noise"),
        ({"stderr": "snowtally: \x1b[31mred\n"}, False, "control characters"),
        ({"status": 5}, False, "exit status 5"),
        ({"status": -11}, False, "signal 11"),
        ({"stopped": True, "status": -9}, False, f"over {LIMITS.cpu_s} s"),
        ({"memory": 3 << 30}, False, "over 2 GB"),
        ({"stderr": 'Traceback (most recent call last):\n  File "/x/snowtally/model/grid.py", line 5, in covering\nValueError: no\n'}, False,
         "traceback: ValueError in snowtally/model/grid.py:covering"),
    ],
)  # fmt: skip
def test_each_way_to_fail_is_seen(changed, as_json, word):
    found = failures(ran(**changed), as_json=as_json)
    assert (found == []) if not word else (len(found) == 1 and word in found[0])
