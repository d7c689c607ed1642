"""The trial of smoothing on one small world: its plan is what it says, and cells gain where volumes stay."""

import itertools

import numpy as np
import pytest
from recovery_worlds import HEAPS
from smoothing_trial import BEFORE, LAST_FLIGHT, nights, plan, summary


def test_each_world_is_flown_again_with_a_night_in_each_span():
    for seed in HEAPS["training"][:20]:
        one = plan(seed)
        assert max(one.flights[1:], default=0) <= LAST_FLIGHT
        (first, kind), *between = one.nights
        assert kind == BEFORE
        assert first < one.flights[0]
        for (day, _), (start, end) in zip(between, itertools.pairwise(one.flights), strict=True):
            assert start < day < end
            assert 25 <= end - start <= 90


@pytest.mark.long
def test_cells_come_nearer_to_the_truth_and_volumes_stay():
    rows = nights(2, 4.0)
    nightly, smoothed = (rows[rows["way"] == way].set_index("date") for way in ("nightly", "smoothed"))
    assert set(nightly["night"]) > {BEFORE}
    assert np.log(smoothed["rmse"] / nightly["rmse"]).mean() < np.log(0.95)
    np.testing.assert_allclose(smoothed["error"], nightly["error"], atol=1e-3)
    # Two nights of one small basin, whose cells err together: docs/figures.md has the trial's own figures.
    assert smoothed["cell90"].mean() > 0.7
    assert "between flights" in summary(rows)
    assert smoothed["basin_z"].to_numpy() == pytest.approx(nightly["basin_z"].to_numpy(), abs=0.02)
