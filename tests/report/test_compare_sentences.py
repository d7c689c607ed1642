"""What changed from one revision to another, in sentences a person can act on."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from made_archive import make_provenance
from made_day import made_day

from snowtally.inspection.compare import compare, find_side
from snowtally.publishing.archived_inputs import archive_inputs
from snowtally.publishing.publish import publish
from snowtally.report.compare_sentences import MOST_MOVED, MOST_SITES, sentences
from snowtally.report.units import METRIC, US

BEFORE = pd.DataFrame({"site_id": ["007"], "date": ["2031-02-28"], "point": ["1"], "swe_mm": ["200"]})
AFTER = pd.DataFrame(
    {
        "site_id": ["007", "NA", "NA"],
        "date": ["2031-02-28"] * 3,
        "point": ["1", "1", "2"],
        "swe_mm": ["210", "480", "490"],
    }
)


@pytest.fixture(scope="module")
def two(tmp_path_factory):
    """A night without a course's sheet, and the same night with it and another setting."""
    root = tmp_path_factory.mktemp("sentences") / "archive"
    said = ([251.0, np.nan], [251.2, 485.0])
    for number, rows in enumerate((BEFORE, AFTER)):
        day = made_day("2031-03-01", height=8, width=9, extra_mm=10.0 * number)
        sites = day.sites.assign(site_id=["007", "NA"], swe_mm=said[number], estimate_mm=[250.0, 300.0 + 40.0 * number])
        archived = archive_inputs(root, "larkmoor", {"courses": rows}, {})
        how = make_provenance(str(number), archived=archived, settings={"checks": {"spike_mm": 40 + number}})
        publish(root, replace(day, sites=sites), how)
    return compare("larkmoor", *(find_side(root, "larkmoor", f"2031-03-01@{n}") for n in (1, 2)))


def test_sites_whose_own_rows_changed_come_first_the_most_moved_before_all(two):
    told = sentences(two, METRIC)
    assert told[:2] == [
        "NA: no SWE before, 485 mm now (course samples: 2 new, 2031-02-28).",
        "007: 251 mm, as before (course samples: 1 corrected, 2031-02-28).",
    ]
    assert "Setting checks.spike_mm: 40 before, 41 now." in told


def test_then_what_that_moved_in_the_units_of_the_settings(two):
    basin = two.totals.iloc[0]
    metric, us = (next(line for line in sentences(two, units) if "mean SWE" in line) for units in (METRIC, US))
    was, now = (f"{basin[f'swe_mean_mm_{side}']:.0f} mm" for side in "ab")
    assert metric == (
        f"The basin's mean SWE was {was} before and is {now} now. At the sites the map changed most at NA (+40 mm)."
    )
    assert "NA (+1.6 in)" in us


def test_nothing_that_differs_is_said_to_be_the_same(two):
    told = sentences(compare("larkmoor", two.a, two.a), METRIC)
    assert told[0] == "The measurements are the same."
    assert len(told) == 2
    assert told[1].endswith(", as before.")


def test_many_sites_are_counted_and_models_named_without_their_keys(two):
    names = [f"S{n:02d}" for n in range(MOST_SITES + 4)]
    where = [{"site_id": name, "start": "", "end": "", "came": 0, "went": 1, "changed": 0} for name in names]
    sites = pd.DataFrame(
        {"site_id": names, "said_a_mm": 300.0, "said_b_mm": 300.0, "said_change_mm": 0.0,
         "estimate_change_mm": np.linspace(30, 1, len(names))}
    )  # fmt: skip
    changes = two.changes | {
        "rows": {"stations": {"came": 0, "went": len(names), "changed": 0, "where": where},
                 "flights": {"came": 1, "went": 0, "changed": 0, "where": []}},
        "grids": {"came": [], "went": [], "changed": ["flight F1"]},
        "unreadable": ["weather"],
    }  # fmt: skip
    models = [{"key": "density.spread", "was": 0.1, "is": 0.2}, {"key": "carried_flight.melt.scale", "was": 1, "is": 2}]
    told = sentences(replace(two, changes=changes, sites=sites, models=models), METRIC)
    assert told[0] == "S00: 300 mm, as before (station readings: 1 taken out)."
    assert told[MOST_SITES] == "4 more sites have other rows; the table of sites shows their values."
    assert "Flights: 1 new." in told
    assert "Grids, another one now: flight F1." in told
    assert "What changed in the days of the weather table is not known: the archive no longer has both sides." in told
    assert "2 figures of the models differ (density, carried flight); --json lists them." in told
    moved = next(line for line in told if "changed most" in line)
    assert moved.count("mm)") == MOST_MOVED


def test_two_archives_are_told_apart_by_their_folder(two, tmp_path):
    publish(tmp_path / "without LC07", made_day("2031-03-01", height=8, width=9), make_provenance("what if"))
    other = compare("larkmoor", two.a, find_side(tmp_path / "without LC07", "larkmoor", "2031-03-01"))
    assert other.names == ("2031-03-01@1", "2031-03-01@1 in without LC07")
    assert two.names == ("2031-03-01@1", "2031-03-01@2")
