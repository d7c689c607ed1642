"""Snow after a gain and a loss: against scipy's log-normal distribution, and place by place against the same in numpy."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.special import ndtr
from scipy.stats import lognorm

from snowtally.snow.melting import CELL_VARIATION, Carried, Spells, carried, melted

NODES = np.array([1000.0, 1100.0, 1250.0, 1400.0])


@given(st.floats(1, 900), st.floats(0.5, 2000), st.sampled_from([0.3, CELL_VARIATION, 0.8]))
@settings(max_examples=30, deadline=None)
def test_what_is_left_is_the_expectation_over_a_log_normal_cell(whole, loss, variation):
    s = np.sqrt(np.log1p(variation**2))
    # The mean of exp(N(m, s)) is exp(m + s2/2) (scipy.stats.lognorm, scale = exp(m)).
    snow = lognorm(s, scale=whole * np.exp(-(s**2) / 2))
    left = melted(np.array([whole]), np.zeros(1), np.array([loss]), variation)
    assert left.covered[0] == pytest.approx(snow.sf(loss), abs=1e-9)
    expected = snow.expect(lambda depth: depth - loss, lb=loss, ub=np.inf) if snow.sf(loss) > 1e-6 else 0.0
    assert left.swe_mm[0] == pytest.approx(expected, rel=1e-4, abs=1e-3 * whole)


def by_numpy(start, gain, loss, variation):
    """Return SWE, covered, remaining, gained, lost and old of places by the formulas of `melted`."""
    whole = np.maximum(start + gain, 0.0)
    s = np.sqrt(np.log1p((variation or CELL_VARIATION) ** 2))
    with np.errstate(divide="ignore", invalid="ignore"):
        d = np.log(whole / loss) / s + s / 2
    covered = np.where(whole > 0, np.where(loss > 0, ndtr(d - s), 1.0), 0.0)
    if variation == 0:
        swe = np.maximum(whole - loss, 0.0)
        remaining = np.where(swe > 0, 1.0, 0.0)
        lost = remaining * loss
    else:
        remaining = np.where(whole > 0, np.where(loss > 0, ndtr(d), 1.0), 0.0)
        lost = loss * covered
        swe = np.maximum(whole * remaining - lost, 0.0)
    return [swe, covered, remaining, remaining * gain, lost, whole > 0]


@pytest.mark.parametrize("variation", [0.0, CELL_VARIATION])
def test_each_place_has_the_snow_of_the_spell_that_left_most(variation):
    rng = np.random.default_rng(7)
    n, spells = 2000, 6
    gain, loss = (np.cumsum(rng.random((spells, len(NODES))) * most, axis=0)[::-1] for most in (60.0, 120.0))
    start, factor = rng.uniform(0, 400, n), rng.uniform(0.2, 3.0, n)
    # Some on nodes, some beyond both ends.
    elevation = np.concatenate([rng.uniform(900, 1500, n - len(NODES)), NODES])
    exposure = rng.uniform(0.3, 1.5, n)
    made = carried((start, factor, elevation, exposure), Spells(NODES, gain, loss), variation)
    best = None
    for number in range(spells):
        fallen, could = (
            factor * np.interp(elevation, NODES, gain[number]),
            exposure * np.interp(elevation, NODES, loss[number]),
        )
        one = by_numpy(start if number == 0 else np.zeros(n), fallen, could, variation)
        if best is None:
            best = one
            continue
        one[5] = np.zeros(n, bool)
        more = one[0] > best[0]
        best = [np.where(more, new, old) for new, old in zip(one, best, strict=True)]
    assert 0.05 < np.mean(~best[5]) < 0.95
    for values, expected in zip(made, best, strict=True):
        np.testing.assert_allclose(values, expected, rtol=1e-12, atol=1e-9)


def test_places_broadcast_and_what_is_missing_stays_missing():
    elevation = np.array([[1050.0, np.nan], [1300.0, 1000.0]])
    made = carried((np.zeros(1), 1.0, elevation, 1.0), Spells(NODES, np.full((2, 4), 50.0), np.full((2, 4), 10.0)), 0.0)
    assert isinstance(made, Carried)
    assert np.isnan(made.swe_mm).tolist() == [[False, True], [False, False]]
    assert made.swe_mm[1, 0] == 40.0
