"""Laws of kriging: what must hold for every set of sites."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from snowtally.statistics.kriging import Kriging
from snowtally.statistics.pykrige_engine import PykrigeKriging
from snowtally.statistics.variogram import Variogram

PLACES = np.random.default_rng(5).random((40, 2)) * [9_000.0, 14_000.0]
PLACES_DRIFT = np.random.default_rng(6).random((40, 2))


def world(seed, n=25):
    """Return made-up sites: coordinates, values, error variances, two drift columns."""
    rng = np.random.default_rng(seed)
    xy, drift = rng.random((n, 2)) * [9_000.0, 14_000.0], rng.random((n, 2))
    return xy, rng.normal(300, 80, n) + 200 * drift[:, 0], rng.uniform(0, 900, n), drift


variograms = st.builds(
    Variogram,
    st.sampled_from(["exponential", "spherical"]),
    st.floats(0, 2000),
    st.floats(100, 10_000),
    st.floats(300, 20_000),
)
seeds = st.integers(0, 10_000)
means = st.sampled_from([None, 0.0, 250.0])


@pytest.mark.parametrize("model", ["exponential", "spherical"])
@pytest.mark.parametrize("error", [0.0, 350.0])
@pytest.mark.parametrize("with_drift", [False, True])
def test_equals_pykrige_where_all_sites_err_alike(model, error, with_drift):
    xy, values, _, drift = world(1, 60)
    variogram = Variogram(model, 120.0, 5000.0, 2500.0)
    at = PLACES_DRIFT if with_drift else None
    given_ = (xy + [5e5, 4.8e6], values, np.full(60, error), drift if with_drift else None)
    ours = Kriging(variogram).fit(*given_).predict(PLACES + [5e5, 4.8e6], at)
    theirs = PykrigeKriging(variogram).fit(*given_).predict(PLACES + [5e5, 4.8e6], at)
    assert np.allclose(ours[0], theirs[0], rtol=1e-8, atol=0)
    assert np.allclose(ours[1], theirs[1], rtol=1e-8, atol=1e-8 * variogram.sill)


@pytest.mark.parametrize("model", ["exponential", "spherical"])
@pytest.mark.parametrize("kind", ["simple", "ordinary", "external drift"])
def test_equals_gstools_with_an_error_of_each_observation(model, kind):
    """GSTools takes errors of single observations in place of its nugget; its variance is that of a new observation."""
    gstools = pytest.importorskip("gstools", reason="PyPI gstools is not installed")
    xy, values, error, drift = world(4, 60)
    v = Variogram(model, 120.0, 5000.0, 2500.0)
    theirs_of = getattr(gstools, model.capitalize())(dim=2, **v.gstools_parameters())
    noise = {"cond_err": v.nugget + error, "exact": False}
    mean = 280.0 if kind == "simple" else None
    columns, at = (drift, PLACES_DRIFT) if kind == "external drift" else (None, None)
    if kind == "simple":
        engine = gstools.krige.Simple(theirs_of, xy.T, values, mean=mean, **noise)
    elif kind == "ordinary":
        engine = gstools.krige.Ordinary(theirs_of, xy.T, values, **noise)
    else:
        engine = gstools.krige.ExtDrift(theirs_of, xy.T, values, columns.T, **noise)
    extra = {} if at is None else {"ext_drift": at.T}
    theirs = engine(PLACES.T, return_var=True, **extra)
    ours = Kriging(v, mean).fit(xy, values, error, columns).predict(PLACES, at)
    assert np.allclose(ours[0], theirs[0], rtol=1e-6, atol=0)
    assert np.allclose(ours[1] + v.nugget, theirs[1], rtol=1e-6, atol=1e-6 * v.sill)


def test_pykrige_is_not_asked_for_what_it_cannot():
    xy, values, error, _ = world(1)
    with pytest.raises(ValueError, match="error_variance with unequal values"):
        PykrigeKriging(Variogram("exponential", 0.0, 1.0, 1.0)).fit(xy, values, error)


def test_follows_the_textbook_with_an_error_of_each_observation():
    """Plain matrix algebra on the bordered system, written out once more."""
    xy, values, error, drift = world(2)
    v = Variogram("spherical", 60.0, 4000.0, 5000.0)
    apart = np.linalg.norm(xy[:, None] - xy, axis=2)
    to = np.linalg.norm(PLACES[:, None] - xy, axis=2)
    covariance = v.sill * v.correlation(apart) + np.diag(v.nugget + error)
    border = np.column_stack([np.ones(25), drift])
    system = np.block([[covariance, border], [border.T, np.zeros((3, 3))]])
    right = np.column_stack([v.sill * v.correlation(to), np.ones(40), PLACES_DRIFT]).T
    weights = np.linalg.solve(system, right)
    mean, variance = Kriging(v).fit(xy, values, error, drift).predict(PLACES, PLACES_DRIFT)
    assert mean == pytest.approx(weights[:25].T @ values, rel=1e-10)
    assert variance == pytest.approx(v.sill - np.sum(weights * right, axis=0), rel=1e-9)


@given(seeds, variograms, st.booleans())
@settings(max_examples=40, deadline=None)
def test_a_constant_stays_constant(seed, variogram, with_drift):
    xy, _, error, drift = world(seed)
    model = Kriging(variogram).fit(xy, np.full(25, 412.5), error, drift if with_drift else None)
    assert model.predict(PLACES, PLACES_DRIFT if with_drift else None)[0] == pytest.approx(412.5, rel=1e-9)


@given(seeds, variograms, means)
@settings(max_examples=40, deadline=None)
def test_variance_is_within_bounds_and_sites_only_help(seed, variogram, mean):
    xy, values, error, _ = world(seed)
    fewer = Kriging(variogram, mean).fit(xy[:20], values[:20], error[:20]).predict(PLACES)[1]
    more = Kriging(variogram, mean).fit(xy, values, error).predict(PLACES)[1]
    assert (more >= 0).all()
    assert (more <= fewer + 1e-9 * variogram.sill).all()
    if mean is not None:
        assert (more <= variogram.sill * (1 + 1e-12)).all()


@given(seeds, variograms, means)
@settings(max_examples=40, deadline=None)
def test_an_observation_with_a_huge_error_changes_nothing(seed, variogram, mean):
    xy, values, error, drift = world(seed)
    without = Kriging(variogram, mean).fit(xy[1:], values[1:], error[1:], drift[1:]).predict(PLACES, PLACES_DRIFT)
    for huge in (1e18, np.inf):
        error[0] = huge
        with_it = Kriging(variogram, mean).fit(xy, values, error, drift).predict(PLACES, PLACES_DRIFT)
        # 1e18 mm2 against at most 2 x 10^4: its weight is 1e-14, drift coefficients amplify that.
        assert with_it[0] == pytest.approx(without[0], rel=1e-7, abs=1e-6)
        assert with_it[1] == pytest.approx(without[1], rel=1e-7, abs=1e-7 * variogram.sill)


@given(seeds, variograms, means)
@settings(max_examples=40, deadline=None)
def test_shift_order_and_scale_change_nothing(seed, variogram, mean):
    xy, values, error, drift = world(seed)
    before = Kriging(variogram, mean).fit(xy, values, error, drift).predict(PLACES, PLACES_DRIFT)
    order = np.random.default_rng(seed).permutation(25)
    shift = np.array([500_000.0, -4_000_000.0])
    moved = Kriging(variogram, mean).fit(xy[order] + shift, values[order], error[order], drift[order])
    after = moved.predict(PLACES + shift, PLACES_DRIFT)
    # Coordinates of millions of metres hold distances to a nanometre, 1e-12 of the shortest range.
    assert after[0] == pytest.approx(before[0], rel=1e-8, abs=1e-6)
    assert after[1] == pytest.approx(before[1], rel=1e-7, abs=1e-8 * variogram.sill)
    double = Variogram(variogram.model, 4 * variogram.nugget, 4 * variogram.sill, variogram.range_m)
    twice = Kriging(double, None if mean is None else 2 * mean).fit(xy, 2 * values, 4 * error, 100 * drift)
    doubled = twice.predict(PLACES, 100 * PLACES_DRIFT)
    assert doubled[0] == pytest.approx(2 * before[0], rel=1e-8, abs=1e-6)
    assert doubled[1] == pytest.approx(4 * before[1], rel=1e-7, abs=1e-8 * variogram.sill)


@given(seeds, variograms, means, st.booleans())
@settings(max_examples=20, deadline=None)
def test_leave_one_out_equals_fitting_anew(seed, variogram, mean, with_drift):
    xy, values, error, drift = world(seed, 9)
    drift = drift if with_drift else np.zeros((9, 0))
    found = Kriging(variogram, mean).fit(xy, values, error, drift).leave_one_out()
    for site in range(9):
        rest = np.arange(9) != site
        model = Kriging(variogram, mean).fit(xy[rest], values[rest], error[rest], drift[rest])
        expected = model.predict(xy[[site]], drift[[site]])
        assert found[0][site] == pytest.approx(expected[0][0], rel=1e-6, abs=1e-6)
        assert found[1][site] == pytest.approx(expected[1][0], rel=1e-6, abs=1e-6 * variogram.sill)


def test_a_missing_value_is_set_aside_and_predicted():
    xy, values, error, drift = world(3)
    holed = values.copy()
    holed[4] = np.nan
    model = Kriging(Variogram("exponential", 0.0, 5000.0, 3000.0)).fit(xy, holed, error, drift)
    assert model.used_.sum() == 24
    assert np.isfinite(model.predict(PLACES, PLACES_DRIFT)).all()
    assert model.leave_one_out()[0][4] == pytest.approx(model.predict(xy[[4]], drift[[4]])[0][0])


def test_a_place_without_drift_is_missing_and_spoils_no_other():
    xy, values, error, drift = world(3)
    model = Kriging(Variogram("exponential", 0.0, 5000.0, 3000.0)).fit(xy, values, error, drift)
    holed = PLACES_DRIFT.copy()
    holed[7, 1] = np.nan
    mean, variance = model.predict(PLACES, holed)
    whole = model.predict(PLACES, PLACES_DRIFT)
    kept = np.arange(40) != 7
    assert np.isnan(mean[7])
    assert np.isnan(variance[7])
    assert (mean[kept], variance[kept]) == (pytest.approx(whole[0][kept]), pytest.approx(whole[1][kept]))


@pytest.mark.parametrize("mean", [None, 0.0, 40.0])
@pytest.mark.parametrize("n", [0, 1, 2])
@pytest.mark.parametrize("columns", [0, 2])
@pytest.mark.parametrize("sill", [0.0, 400.0])
def test_few_sites_never_fail(mean, n, columns, sill):
    xy, values, _, drift = world(4, 2)
    model = Kriging(Variogram("exponential", 0.0, sill, 3000.0), mean)
    model.fit(xy[:n], values[:n], np.zeros(n), drift[:n, :columns])
    found = model.predict(PLACES, PLACES_DRIFT[:, :columns])
    assert np.isfinite(found).all()
    assert np.isfinite(model.leave_one_out()).all()
    if n == 0:
        assert (found[0] == (mean or 0.0)).all()
        assert (found[1] == sill).all()


@pytest.mark.parametrize("mean", [None, 0.0])
@pytest.mark.parametrize("model", ["exponential", "spherical"])
def test_sites_at_one_place_never_fail_and_share_their_say(mean, model):
    xy, values, _, _ = world(8, 6)
    both = np.repeat(xy, 3, axis=0)
    read = np.repeat(values, 3) + np.tile([-30.0, 0.0, 30.0], 6)
    fitted = Kriging(Variogram(model, 0.0, 5000.0, 3000.0), mean).fit(both, read)
    assert fitted.predict(xy)[0] == pytest.approx(values, rel=1e-4)  # the trace of noise is 1e-6 of the sill
    assert np.isfinite(fitted.leave_one_out()).all()
    single = Kriging(Variogram(model, 0.0, 5000.0, 3000.0), mean).fit(xy, values).predict(PLACES)
    assert fitted.predict(PLACES)[0] == pytest.approx(single[0], rel=1e-4)


def test_collinear_drift_is_left_out():
    xy, values, error, drift = world(9)
    one = Kriging(Variogram("exponential", 0.0, 5000.0, 3000.0)).fit(xy, values, error, drift[:, :1])
    doubled = np.column_stack([drift[:, 0], 3 * drift[:, 0] - 7, np.full(25, 4.0)])
    three = Kriging(Variogram("exponential", 0.0, 5000.0, 3000.0)).fit(xy, values, error, doubled)
    at = PLACES_DRIFT[:, :1]
    assert three.drift_.chosen.tolist() == [0]
    expected = one.predict(PLACES, at)
    found = three.predict(PLACES, np.column_stack([at, 3 * at - 7, np.full(40, 4.0)]))
    assert found[0] == pytest.approx(expected[0], rel=1e-12)
    assert found[1] == pytest.approx(expected[1], rel=1e-12)


def test_the_number_of_threads_changes_no_byte():
    xy, values, error, drift = world(10, 130)
    cells = np.random.default_rng(1).random((30_000, 2)) * 15_000
    columns = np.random.default_rng(2).random((30_000, 2))
    one, four = (
        Kriging(Variogram("exponential", 9.0, 5000.0, 3000.0), threads=threads)
        .fit(xy, values, error, drift)
        .predict(cells, columns)
        for threads in (1, 4)
    )
    assert one[0].tobytes() == four[0].tobytes()
    assert one[1].tobytes() == four[1].tobytes()


@settings(max_examples=12, deadline=None)
@given(seed=seeds, variogram=variograms, mean=means, sites=st.sampled_from([0, 1, 7, 90]), with_drift=st.booleans())
def test_a_grid_is_predicted_as_its_cells_are(seed, variogram, mean, sites, with_drift):
    """Far sites are reckoned at nodes between which polynomials stand: the grid is many times as wide as a tile."""
    xy, values, error, drift = world(seed, sites)
    x, y = 500.0 + 37.0 * np.arange(200), 13_000.0 - 61.0 * np.arange(150)
    own = np.random.default_rng(seed).random((150, 200, 2)) if with_drift else None
    if with_drift:
        own[3, 4, 0] = np.nan
    model = Kriging(variogram, mean).fit(xy, values, error, drift if with_drift else None)
    found = model.predict_grid(x, y, own)
    cells = np.stack(np.meshgrid(x, y), axis=-1)[::7, ::9]
    expected = model.predict(cells.reshape(-1, 2), None if own is None else own[::7, ::9].reshape(-1, 2))
    for grid, points, scale in zip(found, expected, (400.0, variogram.sill), strict=True):
        assert grid.shape == (150, 200)
        assert np.allclose(grid[::7, ::9].ravel(), points, rtol=1e-9, atol=1e-9 * scale, equal_nan=True)
    assert np.isfinite(found[0]).sum() == 30_000 - (
        with_drift and len(model.drift_.chosen) > 0 and 0 in model.drift_.chosen
    )


def test_the_number_of_threads_changes_no_byte_of_a_grid():
    xy, values, error, _ = world(10, 130)
    given_ = Variogram("exponential", 9.0, 5000.0, 3000.0)
    x, y = 100.0 * np.arange(150), -100.0 * np.arange(140)
    one, four = (Kriging(given_, 0.0, threads).fit(xy, values, error).predict_grid(x, y) for threads in (1, 4))
    assert [field.tobytes() for field in one] == [field.tobytes() for field in four]


def test_covariance_holds_the_variance_and_is_no_less_than_nothing():
    xy, values, error, drift = world(11)
    model = Kriging(Variogram("spherical", 9.0, 5000.0, 6000.0)).fit(xy, values, error, drift)
    covariance = model.covariance(PLACES, PLACES_DRIFT)
    assert np.diag(covariance) == pytest.approx(model.predict(PLACES, PLACES_DRIFT)[1])
    assert np.linalg.eigvalsh(covariance)[0] > -1e-8 * 5000


def test_intervals_of_area_means_hold_the_truth_as_often_as_they_say():
    """300 simulated truths on 24 x 24 cells, 35 noisy samples each, known covariance: the area mean's 90 % interval."""
    rng = np.random.default_rng(7)
    cells = np.stack(np.meshgrid(np.arange(24), np.arange(24)), axis=-1).reshape(-1, 2) * 100.0
    v = Variogram("exponential", 25.0, 900.0, 400.0)
    apart = np.linalg.norm(cells[:, None] - cells, axis=2)
    root = np.linalg.cholesky(v.sill * v.correlation(apart) + 1e-9 * np.eye(576))
    z = []
    for _ in range(300):
        truth = 300 + root @ rng.normal(size=576)
        sampled = rng.choice(576, 35, replace=False)
        error = rng.uniform(0, 400, 35)
        values = truth[sampled] + rng.normal(size=35) * np.sqrt(v.nugget + error)
        model = Kriging(v).fit(cells[sampled], values, error)
        share = np.full((1, 576), 1 / 576)
        prior = share @ (v.sill * v.correlation(apart)) @ share.T
        variance = model.sums_covariance(prior, share @ model.site_covariance(cells), np.ones(1))
        z.append((model.predict(cells)[0].mean() - truth.mean()) / np.sqrt(variance[0, 0]))
    z = np.array(z)
    # Binomial 95 % limits for 300 truths; the mean square of 300 has a standard deviation of sqrt(2 / 300).
    assert np.mean(np.abs(z) < 1.645) == pytest.approx(0.90, abs=0.034)
    assert np.mean(z**2) == pytest.approx(1.0, abs=0.16)
