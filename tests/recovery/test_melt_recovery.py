"""The melt outlook against the truth of a made basin whose melt is driven by energy; `melt_trial.py` has more of them."""

import numpy as np
import pandas as pd
import pytest
import worlds
from melt_trial import HANDBOOK_MM, scored
from melt_worlds import make_cases

STARTS = (216, 228)
MOST_OFF = 0.15
"""What was asked of a week's melt, RMSE; eighteen such weeks of nine made basins come to 0.10; in April, below freezing, it is
not met (docs/outlook.md)."""


@pytest.fixture(scope="module")
def scores():
    return pd.DataFrame([scored(case) for case in make_cases("southern", 1, STARTS, worlds.march)])


@pytest.mark.long
def test_a_weeks_melt_given_perfect_weather_is_near_the_truth_and_nearer_than_degree_days(scores):
    off = {name: np.sqrt(np.mean((scores[name] / scores["truth"] - 1) ** 2)) for name in scores if name != "truth"}
    assert off["ours"] < MOST_OFF
    for factor in HANDBOOK_MM:
        assert off["ours"] < 0.5 * off[f"degree_day_{factor:g}"]
    assert (scores["cells_rmse_mm"] < scores["cells_rmse_degree_day_mm"]).all()


@pytest.mark.long
def test_intervals_hold_the_truth(scores):
    assert ((scores["ours"] - scores["truth"]).abs() <= 1.645 * scores["se"]).all()
