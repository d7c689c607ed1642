"""Weights and the factor on errors, held against what is known of drawn errors."""

import numpy as np
import pandas as pd
import pytest

from pipeline.methods.choice import ALONE_UP_TO, FACTOR_LIMITS, GROUPS, error_factor, left_out_groups, stacking_weights


def drawn(seed, n, sd, together=0.3):
    """Return held-out errors of candidates with standard deviations `sd` and a shared part."""
    rng = np.random.default_rng(seed)
    common = rng.normal(size=(n, 1))
    return np.array(sd) * (np.sqrt(together) * common + np.sqrt(1 - together) * rng.normal(size=(n, len(sd))))


@pytest.mark.parametrize("sd", [(1.0, 1.0), (1.0, 0.5), (1.0, 2.0), (1.0, 0.9, 1.5)])
def test_never_worse_than_the_simplest_by_more_than_noise(sd):
    """The chosen mixture on 4000 errors that it has not seen, over 200 seasons of a dozen sites each."""
    loss = []
    for seed in range(200):
        weight = stacking_weights(drawn(seed, 12, sd))
        assert (weight >= 0).all()
        assert weight.sum() == pytest.approx(1.0)
        loss.append(np.mean((drawn(10_000 + seed, 4000, sd) @ weight) ** 2))
    assert np.mean(loss) < 1.02
    if min(sd) < 0.8:
        assert np.mean(loss) < 0.85


def test_a_clearly_better_candidate_gets_most_of_the_weight_with_many_sites():
    assert stacking_weights(drawn(1, 300, (1.0, 0.3)))[1] > 0.85
    assert stacking_weights(drawn(1, 300, (0.3, 1.0)))[0] == 1.0


def test_few_sites_choose_nothing_and_errors_of_nought_are_the_simplest():
    assert stacking_weights(drawn(1, 5, (1.0, 0.01))).tolist() == [1.0, 0.0]
    assert stacking_weights(np.zeros((30, 2))).tolist() == [1.0, 0.0]
    assert stacking_weights(np.ones((0, 3))).tolist() == [1.0, 0.0, 0.0]


def test_order_and_unit_change_nothing():
    errors = drawn(3, 40, (1.0, 0.7, 0.8))
    weight = stacking_weights(errors)
    assert 0 < weight[1] < 1
    assert stacking_weights(1000.0 * errors) == pytest.approx(weight, rel=1e-6)
    assert stacking_weights(errors[::-1]) == pytest.approx(weight, rel=1e-9)


def test_cells_of_a_patch_count_as_one():
    errors = drawn(4, 30, (1.0, 0.6))
    patch = np.repeat(np.arange(30), 50)
    many = stacking_weights(np.repeat(errors, 50, axis=0), patch)
    assert many == pytest.approx(stacking_weights(errors), rel=1e-9)
    unsure = stacking_weights(errors, count=0.1)
    assert 0 < unsure[1] < many[1]


@pytest.mark.parametrize(
    ("true", "found"), [(0.7, (1.0, 1.0)), (1.0, (1.0, 1.1)), (1.4, (1.1, 1.5)), (9.0, (1.5, 1.5))]
)
def test_the_factor_is_drawn_towards_what_the_errors_show(true, found):
    rng = np.random.default_rng(2)
    se, noise = rng.uniform(20, 60, 400), np.full(400, 15.0)
    factors = [error_factor(rng.normal(size=400) * np.hypot(true * se, noise), se, noise) for _ in range(20)]
    assert found[0] <= np.mean(factors) <= found[1]
    assert all(FACTOR_LIMITS[0] <= factor <= FACTOR_LIMITS[1] for factor in factors)


def test_one_drift_hardly_widens_the_errors():
    rng = np.random.default_rng(3)
    se, noise = np.full(15, 40.0), np.full(15, 20.0)
    error = rng.normal(size=15) * np.hypot(se, noise)
    wild = error.copy()
    wild[3] = 600.0
    assert error_factor(wild, se, noise) < 1.2 * error_factor(error, se, noise)


def test_nothing_held_out_leaves_the_errors_alone():
    assert error_factor(np.zeros(0), np.zeros(0), np.zeros(0)) == 1.0
    assert error_factor(np.array([np.nan, 3.0]), np.array([1.0, 0.0]), np.zeros(2)) == 1.0


@pytest.mark.parametrize("count", [1, ALONE_UP_TO, ALONE_UP_TO + 1, 250])
def test_every_site_is_left_out_once_whatever_the_rows_order(count):
    rng = np.random.default_rng(count)
    height = pd.Series(rng.uniform(1000, 3000, count), [f"S{k}" for k in range(count)])
    groups = left_out_groups(height)
    assert len(groups) == (count if count <= ALONE_UP_TO else GROUPS)
    assert sorted(np.concatenate(groups)) == sorted(height.index)
    shuffled = left_out_groups(height.sample(frac=1, random_state=1))
    assert [list(group) for group in groups] == [list(group) for group in shuffled]
    if count == 250:
        # Each group reaches from low to high ground.
        assert all(height[group].max() - height[group].min() > 1800 for group in groups)
