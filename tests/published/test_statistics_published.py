"""Statistics of errors against closed forms.

Sources: Goodman 1960, JASA 55, 708-713; Taylor 1921 and Vanmarcke 1983, Random Fields (average of a one-dimensional
process); Journel and Huijbregts 1978, Mining Geostatistics (auxiliary function F); Gneiting and Raftery 2007, JASA 102,
359-378.
"""

import numpy as np
import pytest
import rasterio
from affine import Affine
from pyproj import CRS
from scipy.special import ndtr

from snowtally.flights.measure import DEFAULT_NOISE
from snowtally.flights.mosaic import open_pixels
from snowtally.flights.register import register
from snowtally.inputs.raster_band import HEIGHTS
from snowtally.model.grid import BasinGrid
from snowtally.statistics.area_sums import Blocks
from snowtally.statistics.errors import ErrorPart, KrigedPart, product_variance, volume_covariance
from snowtally.statistics.kriging import Kriging
from snowtally.statistics.scores import crps_normal, scores
from snowtally.statistics.variogram import Variogram


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


@pytest.mark.parametrize(("n", "band"), [(200, 0.04158), (300, 0.03395), (1000, 0.01859)])
def test_coverage_of_right_errors_lies_within_its_own_chance_and_of_halved_ones_does_not(n, band):
    # STA-07: the share inside a 90 % interval is 0.90 +- 1.96 sqrt(0.09 / n), by the normal approximation to the binomial.
    assert 1.96 * np.sqrt(0.09 / n) == pytest.approx(band, abs=1e-5)
    rng = np.random.default_rng(7)
    mean, se = rng.normal(300.0, 100.0, n), rng.uniform(5.0, 60.0, n)
    observed = mean + se * rng.standard_normal(n)
    assert scores(observed, mean, se)["cover90"] == pytest.approx(0.90, abs=band)
    assert scores(observed, mean, 0.5 * se)["cover90"] < 0.90 - 3 * band


SIDE, CELL_M, SAMPLES, DESIGNS, TRUTHS = 24, 100.0, 35, 10, 300


@pytest.fixture(scope="module")
def twin():
    """STA-08: z-scores of 3000 worlds' true means of the whole area (first row) and of its four quarters, shape (5, 3000)."""
    variogram = Variogram("exponential", 0.0, 1.0, 400.0)
    x, y = CELL_M * (np.arange(SIDE) + 0.5), CELL_M * (SIDE - np.arange(SIDE) - 0.5)
    places = np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)
    apart = np.hypot(*(places[:, None] - places).transpose(2, 0, 1))
    root = np.linalg.cholesky(np.exp(-apart / 400.0))
    half = np.arange(SIDE) >= SIDE // 2
    quarter = 2 * half[:, None] + half
    share = np.stack([np.ones(SIDE**2), *(quarter.ravel() == q for q in range(4))])
    share /= share.sum(axis=1, keepdims=True)
    areas = CELL_M**2 * np.array([SIDE**2, *4 * [SIDE**2 / 4]])
    rng = np.random.default_rng(7)
    z = np.empty((5, DESIGNS, TRUTHS))
    for design in range(DESIGNS):
        samples = rng.choice(SIDE**2, SAMPLES, replace=False)
        fields = root @ rng.standard_normal((SIDE**2, TRUTHS))
        # A prediction is linear in the values: units at the sites give their weights once for all worlds.
        fitted = [Kriging(variogram, threads=1).fit(places[samples], unit) for unit in np.eye(SAMPLES)]
        weights = np.column_stack([share @ model.predict(places)[0] for model in fitted])
        z[:, design] = share @ fields - weights @ fields[samples]
        # 1000 mm for each unit of the field: volumes in m3 are then the unit times the area in m2.
        part = KrigedPart("field", np.full(quarter.shape, 1000.0), fitted[0], x, y)
        covariance = volume_covariance([part], np.full(quarter.shape, CELL_M**2), quarter, 4, CELL_M).total
        z[:, design] /= (np.sqrt([covariance.sum(), *np.diag(covariance)]) / areas)[:, None]
    return z.reshape(5, -1)


def test_errors_of_area_means_are_calibrated_under_their_own_model(twin):
    # STA-08: by theory 0.90 and 1. The entry has 300 worlds, 0.034 and 0.16; with ten times as many chance leaves three
    # deviations of sqrt(0.09 / 3000) and sqrt(2 / 3000).
    for z in twin:
        assert np.mean(np.abs(z) <= 1.6448536) == pytest.approx(0.90, abs=0.0165)
        assert np.mean(z**2) == pytest.approx(1.0, abs=0.0775)


def test_chances_of_the_true_mean_are_even(twin):
    # STA-07: chi-square of ten classes of the predictive chance, 95 % point of 9 degrees of freedom.
    counts = np.bincount((10 * ndtr(twin[0])).astype(int), minlength=10)
    assert np.sum((counts - counts.sum() / 10) ** 2 / (counts.sum() / 10)) < 16.92


def test_noise_of_a_difference_is_that_of_both_surveys(tmp_path):
    # STA-11: sqrt(s1^2 + s2^2), textbook identity: surveys of 0.10 m each differ by 0.1414 m on ground that did not change.
    rng, n, pixel_m = np.random.default_rng(7), 200, 10.0
    across = np.arange(n) * pixel_m
    # Hills, so that the registration has slopes to hold on to.
    ground = 1500 + 60 * np.sin(across / 150.0) + 60 * np.cos(across / 210.0)[:, None]
    surfaces = {"on": ground + rng.normal(0, 0.10, (n, n)), "off": ground + rng.normal(0, 0.10, (n, n))}
    surfaces["stable"] = np.ones((n, n))
    profile = {"driver": "GTiff", "count": 1, "dtype": "float64", "crs": "EPSG:32625", "height": n, "width": n}
    place = Affine(pixel_m, 0, 500_000.0, 0, -pixel_m, 4_880_000.0)
    for name, values in surfaces.items():
        with rasterio.open(tmp_path / f"{name}.tif", "w", transform=place, **profile) as to:
            to.write(values, 1)
    grid = BasinGrid(CRS("EPSG:32625"), 100.0, 500_000.0, 4_880_000.0, 20, 20)
    on, off = (open_pixels([tmp_path / f"{name}.tif"], grid, HEIGHTS) for name in ("on", "off"))
    found = register(on, off, tmp_path / "stable.tif", grid)
    # An NMAD of 40 000 normal values has an error of 0.6 %: three of them.
    assert found.nmad_after_m == pytest.approx(0.1414214, rel=0.018)


def test_a_pixel_is_as_uncertain_as_was_measured_on_open_ground():
    # STA-13: RMSE 0.14 m in meadow and shrub, 0.20 to 0.35 m under trees (Tinkham et al. 2014, Remote Sens. Environ. 141, 105-115).
    assert 0.14 <= np.sqrt(DEFAULT_NOISE.sill_m2) <= 0.35
