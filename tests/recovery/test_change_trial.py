"""The trial of changes on one small world, and its table on rows whose answer is known."""

import numpy as np
import pandas as pd
import pytest
from change_trial import days_before, parts, rows_of, summary
from recovery_worlds import make_world


def test_the_table_tells_errors_of_twice_the_stated_size_as_twice():
    draw = np.random.default_rng(3).normal(size=4000)
    rows = pd.DataFrame(
        {"seed": np.arange(4000) % 40, "what": "since day", "flights": "a flight", "off": draw, "se": 0.5}
    )
    line = summary(rows).splitlines()[-1]
    # 0.64 of their standard deviation hold 48 normal draws in a hundred, and 47 of these.
    assert "2.00 (1.97 to 2.04)  0.47 (" in line


def test_parts_and_days_are_what_they_are_called():
    world = make_world(2, 4.0)
    inside = world.ground.inside
    drawn = parts(world, np.random.default_rng(1))
    assert drawn["half"].sum() == pytest.approx(inside.sum() / 2, rel=0.1)
    assert drawn["quarter"].sum() == pytest.approx(inside.sum() / 4, rel=0.2)
    assert len(np.unique(world.terrain["zone"].to_numpy()[drawn["disc"]])) > 1
    day = world.plan.nights[-1][0]
    before = days_before(world, day)
    assert (before["day"], before["week"]) == (day - 1, day - 7)
    assert before["courses"] < day


@pytest.mark.long
def test_the_whole_basins_error_is_that_of_its_total():
    rows = rows_of(2, 4.0)
    assert {"since day", "since week", "since courses", "half", "quarter", "disc", "zone", "basin"} <= set(rows["what"])
    assert (rows["se"] > 0).all()
    whole = rows[rows["what"] == "basin"]
    assert np.sqrt((whole["off"] ** 2).mean() / (whole["se"] ** 2).mean()) < 3
