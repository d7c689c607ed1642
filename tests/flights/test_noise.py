"""Noise of fine depths: found again from residuals, and what it leaves of a cell's mean, against simulation and closed forms."""

import numpy as np
import pytest
from scipy.signal import fftconvolve

from snowtally.flights.noise import PixelNoise, mean_correlation, mean_over_ground_se_m, residual_noise

PIXEL = 3.0


def exponential_field(n, reach_pixels, rng):
    """Return fields of variance 1 and correlation exp(-distance / reach) by spectral simulation, on a torus."""
    distance = np.minimum(np.arange(n), n - np.arange(n))
    covariance = np.exp(-np.hypot(distance[:, None], distance[None, :]) / reach_pixels)
    power = np.maximum(np.fft.fft2(covariance).real, 0)
    white = np.fft.fft2(rng.normal(size=(n, n)))
    return np.fft.ifft2(np.sqrt(power) * white).real


def test_nugget_sill_and_reach_are_found_again():
    rng = np.random.default_rng(4)
    found = []
    for _ in range(6):
        field = 0.08 * exponential_field(600, 10.0, rng) + rng.normal(0, 0.05, (600, 600))
        rows, columns = np.nonzero(rng.random(field.shape) < 0.5)
        found.append(residual_noise(columns * PIXEL, -rows * PIXEL, field[rows, columns], (PIXEL, PIXEL)))
    # 1800 m hold some 40 x 40 independent patches: each fit is good to some ten per cent, their mean to a few.
    assert np.sqrt(np.mean([noise.nugget_m2 for noise in found])) == pytest.approx(0.05, rel=0.1)
    assert np.sqrt(np.mean([noise.sill_m2 for noise in found])) == pytest.approx(0.08, rel=0.1)
    assert np.mean([noise.reach_m for noise in found]) == pytest.approx(10 * PIXEL, rel=0.2)


def test_outliers_left_in_the_residuals_do_not_count():
    rng = np.random.default_rng(4)
    field = rng.normal(0, 0.05, (300, 300))
    field[rng.random(field.shape) < 0.03] += 3.0
    rows, columns = np.nonzero(np.ones(field.shape))
    noise = residual_noise(columns * PIXEL, rows * PIXEL, field.ravel(), (PIXEL, PIXEL))
    assert noise.pixel_se_m == pytest.approx(0.05, rel=0.1)


def test_mean_correlation_of_a_square_against_the_mean_distance():
    # For a small square the mean of exp(-d) is 1 - mean distance; (2 + sqrt 2 + 5 ln(1 + sqrt 2)) / 15 = 0.5214054 is that of
    # the unit square (auxiliary function F of Journel and Huijbregts 1978, Mining Geostatistics).
    width = 1e-4
    assert (1 - mean_correlation(width)[0]) / width == pytest.approx(0.5214054, rel=1e-4)


@pytest.mark.parametrize("width", [0.5, 3.0, 12.0])
def test_mean_correlation_of_a_square_against_all_pairs(width):
    n = 160
    field = np.ones((n, n))
    lag = np.abs(np.arange(-n + 1, n)) / n * width
    pairs = fftconvolve(field, np.exp(-np.hypot(lag[:, None], lag[None, :])), mode="same").sum() / n**4
    # 160 x 160 points: their own share of the pairs, 1 / n^2 each, is what separates sum and integral.
    assert mean_correlation(width)[0] == pytest.approx(pairs, rel=2e-3)


def test_error_of_cell_means_is_that_of_simulated_noise():
    rng = np.random.default_rng(9)
    noise = PixelNoise(0.06**2, 0.1**2, 8 * PIXEL)
    means = []
    for _ in range(12):
        field = 0.1 * exponential_field(480, 8.0, rng) + rng.normal(0, 0.06, (480, 480))
        means.append(field.reshape(16, 30, 16, 30).mean(axis=(1, 3)).ravel())
    told = noise.cell_se_m(np.ones((1, 1)), 30 * PIXEL, PIXEL**2)[0, 0]
    # 3072 cells, neighbours alike: the spread is known to some two per cent.
    assert np.std(np.concatenate(means)) == pytest.approx(told, rel=0.05)


def test_less_seen_of_a_cell_is_less_sure_and_nothing_seen_is_missing():
    se = PixelNoise(0.05**2, 0.1**2, 12.0).cell_se_m(np.array([[1.0, 0.5, 0.1, 0.0]]), 100.0, 9.0)[0]
    assert se[0] < se[1] < se[2] < np.hypot(0.05, 0.1)
    assert np.isnan(se[3])


def test_a_lift_is_told_no_better_than_the_ground_is_wide():
    rng = np.random.default_rng(2)
    noise = PixelNoise(0.0, 0.1**2, 500.0)
    small, large = (rng.uniform(0, width, (2, 5000)) for width in (200.0, 20_000.0))
    # On 200 m all pixels err alike, however many there are.
    assert mean_over_ground_se_m(*small, noise) == pytest.approx(0.1, rel=0.15)
    assert mean_over_ground_se_m(*large, noise) < 0.02
