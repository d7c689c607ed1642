import numpy as np
import pytest
from scipy.stats import norm

from snowtally.statistics.scores import crps_normal, scores


def drawn():
    rng = np.random.default_rng(1)
    return rng.normal(300, 90, 50), rng.normal(300, 90, 50), rng.uniform(10, 90, 50)


@pytest.mark.long
def test_crps_against_another_library():
    scoringrules = pytest.importorskip("scoringrules", reason="PyPI scoringrules is not installed")
    observed, mean, se = drawn()
    assert scores(observed, mean, se)["crps"] == pytest.approx(
        np.mean(scoringrules.crps_normal(observed, mean, se, backend="numpy"))
    )


def test_crps_by_its_definition():
    """The square between the stated distribution and the step at what was observed, summed (Matheson and Winkler 1976)."""
    observed, mean, se = (values[:5] for values in drawn())
    at = np.linspace(-1000.0, 2000.0, 60_001)
    off = norm.cdf(at, mean[:, None], se[:, None]) - (at >= observed[:, None])
    assert crps_normal(observed, mean, se) == pytest.approx(np.trapezoid(off**2, at, axis=1), rel=1e-3)


def test_against_another_library():
    sklearn = pytest.importorskip("sklearn.metrics", reason="scikit-learn is not installed")
    observed, mean, se = drawn()
    found = scores(observed, mean, se)
    assert found["rmse"] == pytest.approx(sklearn.root_mean_squared_error(observed, mean))
    assert found["r2"] == pytest.approx(sklearn.r2_score(observed, mean))
    assert found["bias"] == pytest.approx(mean.mean() - observed.mean())


def test_cover_of_a_calibrated_prediction():
    rng = np.random.default_rng(2)
    mean, se = rng.normal(300, 90, 40_000), rng.uniform(10, 90, 40_000)
    found = scores(rng.normal(mean, se), mean, se)
    assert found["cover50"] == pytest.approx(0.5, abs=0.01)  # four binomial standard errors
    assert found["cover90"] == pytest.approx(0.9, abs=0.006)


def test_missing_pairs_are_left_out_and_none_scores_nothing():
    found = scores(np.array([1.0, np.nan, 3.0]), np.array([2.0, 2.0, np.nan]), np.ones(3))
    assert (found["n"], found["rmse"], found["bias"]) == (1, 1.0, 1.0)
    assert np.isnan(found["r2"])
    nothing = scores(np.zeros(0), np.zeros(0), np.zeros(0))
    assert nothing["n"] == 0
    assert all(np.isnan(value) for name, value in nothing.items() if name != "n")


def test_certainty_scores_its_error():
    assert crps_normal(np.array([3.0]), np.array([5.0]), np.array([0.0])) == pytest.approx([2.0])
    assert scores(np.array([3.0, 4.0]), np.array([3.0, 5.0]), np.zeros(2))["cover90"] == 0.5


def test_doubling_doubles():
    observed, mean, se = np.array([1.0, 5.0, 9.0]), np.array([2.0, 4.0, 7.0]), np.array([1.0, 2.0, 1.0])
    once, twice = scores(observed, mean, se), scores(2 * observed, 2 * mean, 2 * se)
    for name in ("rmse", "bias", "crps"):
        assert twice[name] == pytest.approx(2 * once[name])
    for name in ("r2", "cover50", "cover90"):
        assert twice[name] == once[name]
