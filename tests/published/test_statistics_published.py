"""Statistics of errors against closed forms.

Sources: Goodman 1960, JASA 55, 708-713; Taylor 1921 and Vanmarcke 1983, Random Fields (average of a one-dimensional
process); Journel and Huijbregts 1978, Mining Geostatistics (auxiliary function F); Gneiting and Raftery 2007, JASA 102,
359-378.
"""

import numpy as np
import pytest

from pipeline.methods.area_sums import Blocks
from pipeline.methods.errors import ErrorPart, product_variance, volume_covariance
from pipeline.methods.scores import crps_normal
from pipeline.methods.variogram import Variogram


def test_exact_variance_of_depth_times_density():  # STA-01
    variance = product_variance(2.0, 0.08, 350.0, 30.0)
    assert variance == pytest.approx(4389.76, rel=1e-4)
    assert np.sqrt(variance) == pytest.approx(66.25526, rel=1e-6)
    assert np.sqrt(variance) > 66.2118 * 1.0006  # first order only


@pytest.mark.parametrize("cell_m", [100.0, 50.0, 25.0])
def test_density_error_common_to_a_band_does_not_average_out(cell_m):  # STA-02, at the level of the function
    n = int(1000 / cell_m)
    common = ErrorPart("density", np.full((n, n), 1.5 * 20.0), np.inf)
    depth = ErrorPart("depth", np.full((n, n), 350.0 * 0.01), np.inf)
    both = ErrorPart("both", np.full((n, n), 20.0 * 0.01), np.inf)
    covariance = volume_covariance([common, depth, both], np.full((n, n), cell_m**2), np.zeros((n, n), int), 1, cell_m)
    se_mm = 1000 * np.sqrt(covariance.total[0, 0]) / 1e6
    assert se_mm == pytest.approx(30.2043, rel=1e-5)


def test_variance_of_a_mean_of_equally_correlated_errors():  # STA-03: n = 100, r = 0.1
    shape = (10, 10)
    parts = [
        ErrorPart("common", np.full(shape, np.sqrt(0.1)), np.inf),
        ErrorPart("own", np.full(shape, np.sqrt(0.9)), 0.0),
    ]
    covariance = volume_covariance(parts, np.full(shape, 1000.0 / 100), np.zeros(shape, int), 1, 1.0).total[0, 0]
    assert covariance == pytest.approx(0.109, rel=1e-9)
    assert 1 / covariance == pytest.approx(9.17431, rel=1e-5)


@pytest.mark.parametrize(("length", "expected"), [(1, 0.7357589), (3, 0.4555082), (10, 0.1800009)])
@pytest.mark.parametrize("cells", [1, 10])
def test_average_of_an_exponential_process_along_a_line(length, expected, cells):  # STA-04
    n = 2000
    blocks = Blocks.gather(np.full((1, n), 1 / n), np.zeros((1, n), int), 1, cells, length / n)
    # Cells are points at their centres: their own variance is a share 1/n too large, of the sum 1e-5. Blocks are square, so
    # that on a line their points also spread across it, over a hundredth of the length.
    found = blocks.covariance(Variogram("exponential", 0.0, 1.0, 1.0))[0, 0]
    assert found == pytest.approx(expected, rel=1e-5 if cells == 1 else 0.03)


class _Linear:
    """1 - h: its mean over a square is one less the mean distance."""

    reach_m = 2.0

    @staticmethod
    def correlation(distance):
        return 1.0 - distance


@pytest.mark.parametrize("cells", [1, 3])
def test_mean_distance_between_two_points_of_the_unit_square(cells):  # STA-05: 60 x 60 points
    blocks = Blocks.gather(np.full((60, 60), 1 / 3600), np.zeros((60, 60), int), 1, cells, 1 / 60)
    found = 1 - blocks.covariance(_Linear())[0, 0]
    assert found == pytest.approx(0.5214054, abs=2e-4)
    assert found == pytest.approx((2 + np.sqrt(2) + 5 * np.log(1 + np.sqrt(2))) / 15, abs=2e-4)


def test_crps_of_the_standard_normal():  # STA-06
    found = crps_normal(np.array([0.0, 1.0, -2.0]), np.zeros(3), np.ones(3))
    assert found == pytest.approx([0.233695, 0.6024414, 1.4527918], rel=1e-6)
