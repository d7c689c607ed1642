"""Kriging against a textbook example and against general geostatistics packages.

Sources: Isaaks and Srivastava 1989, An Introduction to Applied Geostatistics, chapter 12 (the seven samples); R gstat 2.1 on
the meuse data of R sp (Pebesma 2004, Comput. Geosci. 30, 683-691); gstat's own published test output where told.
"""

import numpy as np
import pytest
from r_data import meuse

from snowtally.statistics.kriging import Kriging
from snowtally.statistics.pykrige_engine import PykrigeKriging
from snowtally.statistics.variogram import Variogram, VariogramLimits, empirical_variogram, fit_variogram

SEVEN_XY = np.array([[61, 139], [63, 140], [64, 129], [68, 128], [71, 140], [73, 141], [75, 128]], float)
SEVEN_VALUES = np.array([477, 696, 227, 646, 606, 791, 783], float)
SEVEN = Variogram("exponential", 0.0, 10.0, 10.0 / 3.0)
SEVEN_AT = np.array([[65.0, 137.0]])

ZINC = Variogram("spherical", 0.0506624, 0.5906078, 897.0209)
ZINC_DRIFT = Variogram("exponential", 0.0571223, 0.1764156, 340.3201)
NODES = np.array([(181180, 333740), (180580, 332500), (180260, 331300), (179660, 330340), (179220, 329620)], float)
NODES_DIST = np.array([0.0, 0.0921598, 0.771687, 0.222726, 0.0])


@pytest.fixture(scope="module")
def points():
    data = meuse()
    return data[["x", "y"]].to_numpy(float), np.log(data["zinc"].to_numpy(float)), data["dist"].to_numpy(float)


def test_ordinary_kriging_of_the_seven_samples():
    mean, variance = Kriging(SEVEN).fit(SEVEN_XY, SEVEN_VALUES).predict(SEVEN_AT)  # KRG-01
    assert mean == pytest.approx([592.72894], abs=1e-4)
    assert variance == pytest.approx([8.95605], abs=1e-4)


def test_weights_of_the_seven_samples():  # KRG-02: the prediction is linear in the values, so units give the weights
    weights = [Kriging(SEVEN).fit(SEVEN_XY, unit).predict(SEVEN_AT)[0][0] for unit in np.eye(7)]
    assert weights == pytest.approx([0.1729, 0.3178, 0.1287, 0.0864, 0.1511, 0.0572, 0.0858], abs=1e-4)
    assert sum(weights) == pytest.approx(1.0, abs=1e-12)


def test_pykrige_takes_our_variogram_by_its_practical_range():  # KRG-03
    assert SEVEN.pykrige_parameters()["range"] == pytest.approx(10.0)
    mean, variance = PykrigeKriging(SEVEN).fit(SEVEN_XY, SEVEN_VALUES).predict(SEVEN_AT)
    assert (mean[0], variance[0]) == pytest.approx((592.72894, 8.95605), abs=1e-4)


def test_gstools_takes_our_variogram_by_its_scale():  # KRG-04
    gstools = pytest.importorskip("gstools", reason="PyPI gstools is not installed")
    model = gstools.Exponential(dim=2, **SEVEN.gstools_parameters())
    krige = gstools.krige.Ordinary(model, SEVEN_XY.T, SEVEN_VALUES)
    mean, variance = krige(SEVEN_AT.T)
    assert (mean[0], variance[0]) == pytest.approx((592.72894, 8.95605), abs=1e-4)


def test_empirical_variogram_of_log_zinc(points):  # KRG-05: gstat's tests/variogram.Rout.save
    xy, values, _ = points
    found = empirical_variogram(xy, values, bins=15)
    expected = {
        0: (57, 79.29244, 0.1234479),
        1: (299, 163.97367, 0.2162185),
        7: (564, 796.18365, 0.6186769),
        14: (415, 1543.20248, 0.5748227),
    }
    for b, (pairs, distance, gamma) in expected.items():
        assert found.pairs[b] == pairs
        assert found.distance_m[b] == pytest.approx(distance, rel=1e-6)
        assert found.gamma[b] == pytest.approx(gamma, rel=1e-6)


def test_fitted_variogram_is_near_the_one_of_another_optimiser(points):  # KRG-06, same weights pairs / distance^2
    xy, values, _ = points
    found = fit_variogram(empirical_variogram(xy, values, bins=15), "spherical", VariogramLimits())
    assert found.nugget + found.sill == pytest.approx(0.0506624 + 0.5906078, rel=0.01)
    assert found.range_m == pytest.approx(897.0209, rel=0.01)


def test_fitted_variogram_of_what_the_drift_leaves(points):  # KRG-07: weights as KRG-06; source as above
    xy, values, dist = points
    slope = np.polynomial.Polynomial.fit(np.sqrt(dist), values, 1)
    found = fit_variogram(
        empirical_variogram(xy, values - slope(np.sqrt(dist)), bins=15), "exponential", VariogramLimits()
    )
    assert [found.nugget, found.sill, found.range_m] == pytest.approx([0.0571223, 0.1764156, 340.3201], rel=0.01)


def test_ordinary_kriging_of_log_zinc(
    points,
):  # KRG-08, KRG-09; gstat's variance holds the nugget away from the samples
    xy, values, _ = points
    mean, variance = Kriging(ZINC).fit(xy, values).predict(NODES)
    assert mean == pytest.approx([6.499624, 6.459444, 4.958478, 5.311321, 6.424161], abs=1e-5)
    assert variance + ZINC.nugget == pytest.approx([0.3198084, 0.1353754, 0.1914981, 0.2070888, 0.23678], abs=1e-6)


def test_kriging_with_drift(points):  # KRG-10, KRG-11; dist at the nodes as meuse.grid has it
    xy, values, dist = points
    model = Kriging(ZINC_DRIFT).fit(xy, values, drift=np.sqrt(dist)[:, None])
    mean, variance = model.predict(NODES, np.sqrt(NODES_DIST)[:, None])
    assert mean == pytest.approx([7.041252, 6.341349, 4.854177, 5.410059, 7.027184], abs=1e-5)
    assert variance + ZINC_DRIFT.nugget == pytest.approx(
        [0.1775452, 0.1075421, 0.1333504, 0.1395183, 0.1554328], abs=1e-6
    )


def test_simple_kriging(points):  # KRG-12
    xy, values, _ = points
    mean, _ = Kriging(ZINC, mean=5.9).fit(xy, values).predict(NODES)
    assert mean == pytest.approx([6.452155, 6.460341, 4.958451, 5.303813, 6.39743], abs=1e-5)


def test_leave_one_out_of_log_zinc(points):  # KRG-19
    xy, values, _ = points
    mean, variance = Kriging(ZINC).fit(xy, values).leave_one_out()
    error = values - mean
    found = [
        error.mean(),
        np.sqrt(np.mean(error**2)),
        np.abs(error).mean(),
        np.mean(error**2 / (variance + ZINC.nugget)),
    ]
    assert found == pytest.approx([-2.0736e-05, 0.3918035, 0.2921515, 0.8185456], abs=1e-6)


def test_leave_one_out_with_drift(points):  # KRG-20
    xy, values, dist = points
    mean, variance = Kriging(ZINC_DRIFT).fit(xy, values, drift=np.sqrt(dist)[:, None]).leave_one_out()
    error = values - mean
    found = [
        error.mean(),
        np.sqrt(np.mean(error**2)),
        np.abs(error).mean(),
        np.mean(error**2 / (variance + ZINC_DRIFT.nugget)),
    ]
    assert found == pytest.approx([-0.00312395, 0.3776509, 0.2700789, 1.0821226], abs=1e-6)


def test_leave_one_out_of_the_seven_samples():  # KRG-21: Dubrule 1983, Math. Geol. 15, 687-699
    mean, _ = Kriging(SEVEN).fit(SEVEN_XY, SEVEN_VALUES).leave_one_out()
    expected = [-176.4021, 167.509, -431.7502, 139.6504, -102.9925, 196.9293, 203.917]
    assert SEVEN_VALUES - mean == pytest.approx(expected, abs=1e-3)


def test_maps_are_filtered_and_their_variance_is_that_of_the_field(points):  # KRG-27
    xy, values, _ = points
    mean, variance = Kriging(ZINC).fit(xy, values).predict(xy[:1])
    assert mean == pytest.approx([6.884401], abs=1e-5)
    assert variance == pytest.approx([0.0364887], abs=1e-5)
    assert variance + ZINC.nugget == pytest.approx([0.0871511], abs=1e-5)


def test_the_exact_form_is_what_we_do_not_give(points):  # KRG-27, the other branch: PyKrige's default
    pykrige = pytest.importorskip("pykrige", reason="PyPI pykrige is not installed")
    xy, values, _ = points
    parameters = ZINC.pykrige_parameters()
    exact = pykrige.OrdinaryKriging(*xy.T, values, variogram_model="spherical", variogram_parameters=parameters)
    mean, variance = exact.execute("points", xy[:1, 0], xy[:1, 1])
    assert (mean[0], variance[0]) == pytest.approx((6.929517, 0.0), abs=1e-5)
    assert abs(Kriging(ZINC).fit(xy, values).predict(xy[:1])[0][0] - mean[0]) > 0.04


def test_block_kriging_leaves_the_nugget_out_of_the_block():  # KRG-18: gstat's tests/blockkr.Rout.save
    data = meuse()
    xy, zinc = data[["x", "y"]].to_numpy(float), data["zinc"].to_numpy(float)
    centre = np.array([181170.0, 333250.0])
    near = np.argsort(np.hypot(*(xy - centre).T), kind="stable")[:40]
    model = Kriging(Variogram("spherical", 2.42e4, 1.34e5, 800.0)).fit(xy[near], zinc[near])
    offsets = (np.arange(4) - 1.5) * 10.0
    block = centre + np.stack(np.meshgrid(offsets, offsets), axis=-1).reshape(-1, 2)
    assert model.predict(block)[0].mean() == pytest.approx(268.7324, rel=1e-3)
    variance = model.covariance(block).mean()
    assert variance == pytest.approx(19568.76, rel=1e-3)
    assert variance < 0.95 * 21081
