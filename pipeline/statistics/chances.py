"""Quantiles of one quantity at many probabilities, by the distribution of `snowtally.statistics.intervals`."""

from __future__ import annotations

import numpy as np
from scipy.optimize import brentq
from scipy.special import ndtri

from snowtally.statistics.intervals import PLAIN, censored_moments

LEAST_LATENT = -6.0
"""Below it the chance of any snow is under 1e-9, as in the table of `censored_quantile`."""


def exceeded(mean: float, se: float, chances: np.ndarray) -> np.ndarray:
    """Return what a quantity that is never negative exceeds with given chances.

    Parameters
    ----------
    mean, se : expected value and its standard error, of one unit.
    chances : between 0 and 1, any shape.

    Examples
    --------
    >>> exceeded(500.0, 50.0, np.array([0.9, 0.5, 0.1])).round(2)
    array([435.92, 500.  , 564.08])
    >>> exceeded(20.0, 50.0, np.array([0.9, 0.1])).round(1)
    array([ 0. , 81.3])
    """
    steps = ndtri(1 - np.asarray(chances, float))
    if se <= 0:
        return np.full(steps.shape, max(mean, 0.0))
    if mean / se >= PLAIN:
        return np.maximum(mean + se * steps, 0.0)

    def beyond(latent: float) -> float:
        first, spread = censored_moments(np.array(latent))
        return float(first / spread) - mean / se

    latent = LEAST_LATENT if beyond(LEAST_LATENT) >= 0 else brentq(beyond, LEAST_LATENT, PLAIN + 1)
    return se * np.maximum(latent + steps, 0.0) / float(censored_moments(np.array(latent))[1])
