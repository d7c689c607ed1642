"""The smoothing of one cell against the fixed-interval smoother as it was published.

Source: Rauch, Tung and Striebel 1965, Maximum likelihood estimates of linear dynamic systems, AIAA Journal 3, 1445-1450; the filter
is that of Kalman 1960, J. Basic Eng. 82, 35-45. Both are written down here from memory for a scalar
state, day by day.
"""

import numpy as np
import pytest

from snowtally.snow.smoothing import LaterFlight, ShapeErrors, smoothed


def published_smoother(mean, variance, days, observed, observed_variance):
    """Return mean and variance of the first day's state given one observation of the last day's.

    `days` are (slope, gain, variance) of each day: x becomes slope x + gain + noise.
    """
    means, variances, predicted = [mean], [variance], []
    for slope, gain, noise in days:
        predicted.append((slope * means[-1] + gain, slope**2 * variances[-1] + noise))
        means.append(predicted[-1][0])
        variances.append(predicted[-1][1])
    kalman = variances[-1] / (variances[-1] + observed_variance)
    x, p = means[-1] + kalman * (observed - means[-1]), (1 - kalman) * variances[-1]
    for k in reversed(range(len(days))):
        back = variances[k] * days[k][0] / predicted[k][1]
        x, p = means[k] + back * (x - predicted[k][0]), variances[k] + back**2 * (p - predicted[k][1])
    return x, p


@pytest.mark.parametrize("seed", range(5))
def test_a_cell_moves_as_the_published_smoother_moves_it(seed):
    """Two cells whose innovations cancel, no larger than stated: there is no level to take off, each is smoothed by itself."""
    rng = np.random.default_rng(seed)
    days = [(rng.uniform(0.8, 1.05), rng.uniform(0, 20), rng.uniform(10, 400)) for _ in range(6)]
    nightly, variance, laser = np.array([500.0, 500.0]), 70.0**2, 20.0**2
    slope, forecast, carry = 1.0, 500.0, 0.0
    for one, gain, noise in days:
        slope, forecast, carry = one * slope, one * forecast + gain, one**2 * carry + noise
    flown = forecast + np.array([25.0, -25.0])
    later = LaterFlight(
        flown, np.full(2, forecast), np.full(2, slope), np.full(2, carry), ShapeErrors(np.full(2, laser), np.zeros(2))
    )
    told = smoothed(nightly, ShapeErrors(np.full(2, variance), np.zeros(2)), later, np.zeros(2, int), np.ones(2))
    for cell in range(2):
        mean, left = published_smoother(500.0, variance, days, flown[cell], laser)
        assert told.swe_mm[cell] == pytest.approx(mean, rel=1e-12)
        assert variance + told.variance_change_mm2[cell] == pytest.approx(left, rel=1e-12)
