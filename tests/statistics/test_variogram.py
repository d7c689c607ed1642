import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from snowtally.statistics.variogram import (
    LEAST_SITES,
    EmpiricalVariogram,
    Variogram,
    VariogramLimits,
    empirical_variogram,
    fit_variogram,
    site_variogram,
)

LIMITS = VariogramLimits(default_range_m=3000.0, least_sill=4.0)


def field(seed, n, truth, error=0.0):
    """Return sites with values drawn from a field of the given variogram and errors."""
    rng = np.random.default_rng(seed)
    xy = rng.random((n, 2)) * 20_000
    apart = np.linalg.norm(xy[:, None] - xy, axis=2)
    covariance = truth.sill * truth.correlation(apart) + (truth.nugget + error + 1e-9) * np.eye(n)
    return xy, np.linalg.cholesky(covariance) @ rng.normal(size=n)


@pytest.mark.parametrize(
    ("changes", "told"),
    [
        ({"model": "gaussian"}, "model 'gaussian'. Models are exponential, spherical"),
        ({"nugget": -1.0}, "nugget -1.0, sill 1.0. Both are variances"),
        ({"sill": np.nan}, "sill nan"),
        ({"range_m": 0.0}, "range_m 0.0. It is a length"),
    ],
)
def test_what_is_no_variogram_is_refused(changes, told):
    with pytest.raises(ValueError, match=told):
        Variogram(**{"model": "spherical", "nugget": 0.0, "sill": 1.0, "range_m": 10.0} | changes)


@pytest.mark.parametrize("model", ["exponential", "spherical"])
def test_all_three_conventions_draw_the_same_curve(model):
    gstools = pytest.importorskip("gstools", reason="PyPI gstools is not installed")
    models = pytest.importorskip("pykrige", reason="PyPI pykrige is not installed").variogram_models
    v = Variogram(model, 3.0, 7.0, 1200.0)
    h = np.array([10.0, 400.0, 1100.0, 1300.0, 9000.0])
    pykrige = getattr(models, f"{model}_variogram_model")(list(v.pykrige_parameters().values()), h)
    theirs = getattr(gstools, model.capitalize())(dim=2, **v.gstools_parameters()).variogram(h)
    assert v.gamma(h) == pytest.approx(pykrige, rel=1e-12)
    assert v.gamma(h) == pytest.approx(theirs, rel=1e-12)


def test_correlation_is_gone_at_the_reach():
    for model in ("exponential", "spherical"):
        v = Variogram(model, 0.0, 1.0, 700.0)
        assert 0 <= v.correlation(v.reach_m) < 2e-7
        assert v.correlation(0.0) == 1.0


@given(st.integers(0, 5), st.sampled_from(["exponential", "spherical"]))
@settings(max_examples=12, deadline=None)
def test_a_perfect_empirical_variogram_is_found_again(seed, model):
    rng = np.random.default_rng(seed)
    truth = Variogram(model, rng.uniform(0, 5), rng.uniform(5, 50), rng.uniform(800, 4000))
    h = np.linspace(200, 9000, 15)
    found = fit_variogram(
        EmpiricalVariogram(np.full(15, 90.0), h, truth.gamma(h) + 2.5, np.full(15, 2.5)), model, LIMITS
    )
    assert found.range_m == pytest.approx(truth.range_m, rel=1e-3)
    assert found.sill == pytest.approx(truth.sill, rel=1e-3)
    assert found.nugget == pytest.approx(truth.nugget, abs=1e-3 * truth.sill)


def test_many_fields_give_the_truth_back_on_average():
    truth, error = Variogram("exponential", 0.0, 400.0, 2000.0), 100.0
    found = [
        site_variogram(*field(s, 150, truth, error), np.full(150, error), "exponential", LIMITS) for s in range(20)
    ]
    assert np.median([v.sill + v.nugget for v in found]) == pytest.approx(400, rel=0.25)
    assert np.median([v.range_m for v in found]) == pytest.approx(2000, rel=0.5)


def test_one_wild_site_hardly_matters():
    xy, values = field(3, 120, Variogram("exponential", 0.0, 400.0, 2000.0))
    wild = values.copy()
    wild[17] += 2000.0
    plain = fit_variogram(empirical_variogram(xy, wild), "exponential", LIMITS)
    robust = site_variogram(xy, wild, None, "exponential", LIMITS)
    clean = site_variogram(xy, values, None, "exponential", LIMITS)
    assert plain.sill + plain.nugget > 10 * (clean.sill + clean.nugget)
    assert robust.sill + robust.nugget < 2 * (clean.sill + clean.nugget)


@pytest.mark.parametrize(
    ("xy", "values"),
    [
        (np.zeros((0, 2)), np.zeros(0)),
        (np.array([[1.0, 2.0]]), np.array([5.0])),
        (np.array([[1.0, 2.0], [700.0, 2.0]]), np.array([5.0, 9.0])),
        (np.ones((6, 2)), np.arange(6.0)),
        (np.repeat(np.arange(12.0).reshape(6, 2) * 900, 2, axis=0), np.arange(12.0)),
        (np.random.default_rng(1).random((50, 2)) * 9000, np.full(50, 3.0)),
        (np.random.default_rng(1).random((50, 2)) * 9000, np.full(50, np.nan)),
    ],
)
@pytest.mark.parametrize("error", [0.0, 1e6])
def test_never_fails_and_stays_within_limits(xy, values, error):
    found = site_variogram(xy, values, np.full(len(values), error), "spherical", LIMITS)
    assert found.sill >= LIMITS.least_sill
    assert found.range_m == LIMITS.default_range_m or found.range_m < 9000 / 3 * np.sqrt(2)
    if len(values) < LEAST_SITES:
        assert found.range_m == LIMITS.default_range_m


@given(st.integers(0, 10_000), st.integers(0, 60))
@settings(max_examples=60, deadline=None)
def test_any_noise_stays_within_limits(seed, n):
    rng = np.random.default_rng(seed)
    xy, values = rng.random((n, 2)) * 10_000, rng.normal(size=n) * 50
    found = site_variogram(xy, values, rng.uniform(0, 400, n), "exponential", LIMITS)
    told = empirical_variogram(xy, values, robust=True).distance_m
    assert found.range_m == LIMITS.default_range_m or told.min() <= found.range_m <= told.max()
    assert found.nugget >= 0
    assert found.sill >= LIMITS.least_sill


def test_the_sites_own_errors_are_taken_off():
    truth, error = Variogram("exponential", 0.0, 400.0, 2000.0), 900.0
    sills = [
        (v.sill + v.nugget)
        for s in range(10)
        for v in [site_variogram(*field(s, 150, truth, error), np.full(150, error), "exponential", LIMITS)]
    ]
    assert np.median(sills) < 700  # 1300 if the errors were taken for the field


def test_shift_and_scale():
    xy, values = field(5, 80, Variogram("exponential", 10.0, 400.0, 2000.0))
    a = site_variogram(xy, values, None, "exponential", LIMITS)
    b = site_variogram(xy + [5e5, 4e6], 2 * values + 100, None, "exponential", LIMITS)
    assert b.range_m == pytest.approx(a.range_m, rel=1e-6)
    assert b.sill == pytest.approx(4 * a.sill, rel=1e-6)
