"""A few nights of made basins that the method was not tuned on, so that a change that spoils it is seen at once.

The whole trial, with more worlds and nights, is `python tests/recovery/trial.py`.
"""

from dataclasses import replace

import numpy as np
import pytest
from trial import nights
from worlds import hardness, make_world

from pipeline.estimate import map_of_day

KINDS = ("many flights", "ephemeral snow line")


@pytest.fixture(scope="module", params=KINDS)
def rows(request):
    return nights((request.param, 7, True))


def test_the_estimate_beats_the_simplest_good_idea(rows):
    size = rows.assign(size=rows["error"].abs()).pivot_table(index="date", columns="method", values="size").dropna()
    cells = rows.pivot_table(index="date", columns="method", values="rmse").dropna()
    assert len(size) >= 8
    assert size["snowtally"].mean() < 0.9 * size["last flight and line"].mean()
    assert cells["snowtally"].mean() < cells["last flight and line"].mean()


def test_stated_errors_hold_the_truth(rows):
    ours = rows[(rows["method"] == "snowtally")]
    assert 0.75 <= ours["cell90"].mean() <= 0.99
    assert 0.7 <= ours["band90"].mean() <= 1.0
    assert (ours["basin_off"].abs() < 3).all()


def test_the_world_is_as_hard_as_nature():
    world = make_world("many flights", 7)
    figures = hardness(world)
    assert 0.5 <= figures["variation"] <= 1.4
    assert 0.05 <= figures["r2_elevation"] <= 0.6
    assert 0.9 <= figures["site_ratio"] <= 1.3


def test_flights_of_the_season_before_tell_where_snow_gathers():
    world = make_world("flown last season", 7)
    choices = replace(world.choices, method="kriging")
    weight = world.terrain["cell_area"].to_numpy()
    for date in (world.dates[5], world.dates[8]):
        inputs, missed = world.inputs(date), []
        for given in (inputs, replace(inputs, past_pattern=None)):
            found = map_of_day(given, choices).today.swe_mm
            missed.append(
                np.sqrt(np.average(np.square(found - world.truth[date])[weight > 0], weights=weight[weight > 0]))
            )
        assert missed[0] < 0.9 * missed[1]


def test_the_same_seed_makes_the_same_world():
    one, two = (make_world("few sites", 3) for _ in range(2))
    for date, swe in one.truth.items():
        np.testing.assert_array_equal(swe, two.truth[date])
    assert one.daily.equals(two.daily)
