import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import brentq
from scipy.special import ndtri

from snowtally.statistics.intervals import censored_moments, censored_quantile

probabilities = st.sampled_from([0.05, 0.1, 0.25, 0.5, 0.75, 0.9, 0.95])
amounts = st.floats(0, 5000)
errors = st.floats(0, 800)


@pytest.mark.parametrize("ratio", [0.1, 0.24, 0.26, 0.7, 1.123, 2.0, 3.77, 6.2])
@pytest.mark.parametrize("probability", [0.1, 0.5, 0.9])
def test_equals_the_distribution_solved_for(ratio, probability):
    def miss(latent):
        mean, spread = censored_moments(np.array(latent))
        return mean / spread - ratio

    latent = brentq(miss, -6, 8, xtol=1e-13)
    exact = max(latent + ndtri(probability), 0.0) / censored_moments(np.array(latent))[1]
    assert censored_quantile(np.array(ratio), np.array(1.0), probability) == pytest.approx(exact, abs=1e-4)


@pytest.mark.parametrize("probability", [0.1, 0.5, 0.9])
def test_kinks_are_no_worse_than_said(probability):
    ratio = np.linspace(0, 3, 30_001)
    latent = np.linspace(-5, 4, 900_001)
    mean, spread = censored_moments(latent)
    exact = np.interp(ratio, mean / spread, np.maximum(latent + ndtri(probability), 0) / spread)
    assert np.abs(censored_quantile(ratio, np.ones_like(ratio), probability) - exact).max() < 3e-3


def test_moments_by_simulation():
    drawn = np.random.default_rng(1).normal(size=1_000_000)
    for latent in (-1.0, 0.0, 1.5):
        mean, spread = censored_moments(np.array(latent))
        cut = np.maximum(drawn + latent, 0)
        assert (mean, spread) == (pytest.approx(cut.mean(), abs=3e-3), pytest.approx(cut.std(), abs=3e-3))


@given(amounts, errors)
def test_in_order_and_never_negative(mean, se):
    low, middle, high = (censored_quantile(np.array(mean), np.array(se), p) for p in (0.1, 0.5, 0.9))
    assert 0 <= low <= middle <= high
    assert low <= mean


@given(amounts, amounts, errors, probabilities)
def test_more_snow_has_no_lower_quantile(a, b, se, probability):
    low, high = censored_quantile(np.sort([a, b]), np.full(2, se), probability)
    assert low <= high + 1e-9 * max(se, 1)


@given(amounts, errors, probabilities, st.sampled_from([1e-3, 25.4, 1e9]))
def test_another_unit_gives_the_same(mean, se, probability, unit):
    # Below the smallest normal number digits are lost whatever is done.
    mean, se = (0.0 if value < 1e-250 else value for value in (mean, se))
    one = censored_quantile(np.array(mean), np.array(se), probability)
    other = censored_quantile(np.array(mean * unit), np.array(se * unit), probability)
    assert other == pytest.approx(one * unit, rel=1e-7, abs=1e-7 * se * unit)


def test_limits():
    zero, some = np.array(0.0), np.array(37.0)
    for p in (0.1, 0.9):
        assert censored_quantile(zero, zero, p) == 0
        assert censored_quantile(zero, some, p) == 0  # nothing on average and never below: nothing
        assert censored_quantile(some, zero, p) == 37
        assert censored_quantile(np.array(900.0), np.array(50.0), p) == 900 + 50 * ndtri(p)
        assert np.isnan(censored_quantile(np.array(np.nan), some, p))
        assert np.isnan(censored_quantile(some, np.array(np.nan), p))


def test_shape_is_kept_and_the_table_meets_the_normal():
    shape = censored_quantile(np.ones((3, 4)), np.ones((3, 4)), 0.9)
    assert shape.shape == (3, 4)
    below, above = censored_quantile(np.array([8 - 1e-9, 8 + 1e-9]), np.ones(2), 0.9)
    assert below == pytest.approx(above, abs=1e-8)
