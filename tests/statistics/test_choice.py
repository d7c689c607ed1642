"""Weights and the factor on errors, held against what is known of drawn errors."""

import numpy as np
import pandas as pd
import pytest

from snowtally.statistics.choice import (
    ALONE_UP_TO,
    GROUPS,
    error_factor,
    left_out_groups,
    stacking_weights,
    surely_better_weights,
)


def drawn(seed, n, sd, together=0.3):
    """Return held-out errors of candidates with standard deviations `sd` and a shared part."""
    rng = np.random.default_rng(seed)
    common = rng.normal(size=(n, 1))
    return np.array(sd) * (np.sqrt(together) * common + np.sqrt(1 - together) * rng.normal(size=(n, len(sd))))


def first(candidates):
    """Return prior weights that are all on the first candidate."""
    return np.eye(candidates)[0]


@pytest.mark.parametrize(
    "sd",
    [
        pytest.param((1.0, 1.0), marks=pytest.mark.long),
        (1.0, 0.5),
        pytest.param((1.0, 2.0), marks=pytest.mark.long),
        (1.0, 0.9, 1.5),
    ],
)
def test_never_worse_than_the_prior_by_more_than_noise(sd):
    """The chosen mixture on 4000 errors that it has not seen, over 200 seasons of a dozen sites each."""
    loss, sure, prior = [], [], np.full(len(sd), 1.0 / len(sd))
    for seed in range(200):
        weight, surely = stacking_weights(drawn(seed, 12, sd), prior), surely_better_weights(drawn(seed, 12, sd))
        for one in (weight, surely):
            assert (one >= 0).all()
            assert one.sum() == pytest.approx(1.0)
        fresh = drawn(10_000 + seed, 4000, sd)
        loss.append((np.mean((fresh @ weight) ** 2), np.mean((fresh @ prior) ** 2)))
        sure.append(np.mean((fresh @ surely) ** 2))
    ours, theirs = np.mean(loss, axis=0)
    # A dozen sites of luck cost 2 % of the RMSE where equal candidates were best left alone.
    assert ours < 1.05 * theirs
    assert np.mean(sure) < 1.02
    if min(sd) < 0.8:
        assert np.mean(sure) < 0.85
        assert ours < 0.85 * theirs


def test_a_clearly_better_candidate_gets_most_of_the_weight_with_many_sites():
    for weights in (lambda errors: stacking_weights(errors, np.array([0.5, 0.5])), surely_better_weights):
        assert weights(drawn(1, 300, (1.0, 0.3)))[1] > 0.85
        assert weights(drawn(1, 300, (0.3, 1.0)))[0] > 0.85
    assert surely_better_weights(drawn(1, 300, (0.3, 1.0)))[0] == 1.0


def test_ties_and_few_sites_keep_the_prior():
    prior = np.array([0.6, 0.4])
    assert stacking_weights(drawn(1, 5, (1.0, 0.01)), prior).tolist() == prior.tolist()
    assert stacking_weights(np.zeros((30, 2)), prior).tolist() == prior.tolist()
    assert stacking_weights(np.ones((0, 2)), prior).tolist() == prior.tolist()
    assert stacking_weights(np.repeat(drawn(1, 40, (1.0,)), 2, axis=1), prior) == pytest.approx(prior, abs=1e-3)
    assert surely_better_weights(drawn(1, 5, (1.0, 0.01))).tolist() == [1.0, 0.0]


def test_order_and_unit_change_nothing():
    errors = drawn(3, 40, (1.0, 0.7, 0.8))
    weight = stacking_weights(errors, first(3))
    assert 0 < weight[1] < 1
    assert stacking_weights(1000.0 * errors, first(3)) == pytest.approx(weight, rel=1e-6)
    assert stacking_weights(errors[::-1], first(3)) == pytest.approx(weight, rel=1e-9)


def test_rows_of_a_group_count_as_one():
    errors = drawn(4, 30, (1.0, 0.6))
    group = np.repeat(np.arange(30), 50)
    many = stacking_weights(np.repeat(errors, 50, axis=0), first(2), group)
    assert many == pytest.approx(stacking_weights(errors, first(2)), rel=1e-9)
    unsure = stacking_weights(errors, first(2), count=0.1)
    assert 0 < unsure[1] < many[1]


@pytest.mark.parametrize(
    ("true", "found"), [(0.7, (0.7, 0.8)), (1.0, (0.9, 1.1)), (1.4, (1.2, 1.4)), (9.0, (2.0, 2.5))]
)
def test_the_factor_is_drawn_towards_what_the_errors_show(true, found):
    rng = np.random.default_rng(2)
    se, noise = rng.uniform(20, 60, 400), np.full(400, 15.0)
    factors = [error_factor((rng.normal(size=400) * np.hypot(true * se, noise), se, noise)) for _ in range(20)]
    assert found[0] <= np.mean(factors) <= found[1]


@pytest.mark.parametrize(
    ("true", "found"), [(0.5, (0.5, 0.75)), (1.0, (0.9, 1.1)), (1.8, (1.4, 1.8)), (9.0, (2.0, 2.5))]
)
def test_sites_of_many_nights_bring_the_errors_to_size_both_ways(true, found):
    rng = np.random.default_rng(2)
    se, noise, site = rng.uniform(20, 60, 120), np.full(120, 10.0), np.tile(np.arange(30), 4)
    factors = [
        error_factor((rng.normal(size=120) * np.hypot(true * se, noise), se, noise), group=site) for _ in range(20)
    ]
    assert found[0] <= np.mean(factors) <= found[1]


def test_nights_of_the_same_sites_do_not_count_as_more_sites():
    rng = np.random.default_rng(4)
    se, noise, site = np.full(12, 40.0), np.full(12, 10.0), np.arange(12)
    error = 0.4 * rng.normal(size=12) * se
    once = error_factor((error, se, noise), group=site)
    again = error_factor(tuple(np.tile(v, 5) for v in (error, se, noise)), group=np.tile(site, 5))
    assert again == pytest.approx(once)
    assert once < 0.95


def test_one_drift_hardly_widens_the_errors():
    rng = np.random.default_rng(3)
    se, noise = np.full(15, 40.0), np.full(15, 20.0)
    error = rng.normal(size=15) * np.hypot(se, noise)
    wild = error.copy()
    wild[3] = 600.0
    assert error_factor((wild, se, noise)) < 1.2 * error_factor((error, se, noise))


def test_nothing_held_out_leaves_the_errors_alone():
    assert error_factor((np.zeros(0), np.zeros(0), np.zeros(0))) == 1.0
    assert error_factor((np.array([np.nan, 3.0]), np.array([1.0, 0.0]), np.zeros(2))) == 1.0


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
