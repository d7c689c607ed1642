"""Quantiles of a quantity that cannot be negative, from its mean and standard error.

A mean of 20 mm with an error of 50 mm says: probably bare, perhaps some snow. Neither the plain normal (a tenth percentile
of -44 mm) nor its clipped form says so. The distribution taken has two parts: a normal one cut off at zero, whose lost
probability sits at zero as "no snow" (a censored normal, Tobin 1958, Econometrica 26, 24-36), chosen so that its mean and
standard deviation ARE the mean and standard error given. Far from zero it is the plain normal.
"""

from __future__ import annotations

from functools import cache

import numpy as np
from scipy.special import ndtr, ndtri

PLAIN = float(-ndtri(np.finfo(float).eps))
"""Beyond this many standard errors from zero, some 8, the plain normal is taken: the part below zero is under the last digit of 1."""

KNOTS = 65536
"""Steps of the table between 0 and `PLAIN`: read off linearly, a quantile is within 1e-3 standard errors of the exact one
at its kink and within 1e-6 elsewhere."""


def censored_quantile(mean: np.ndarray | float, se: np.ndarray | float, probability: float) -> np.ndarray:
    """Return a quantile of a quantity that is never negative.

    Parameters
    ----------
    mean : expected value, any shape, any unit u; negative ones are taken as 0.
    se : its standard error, u; where it is 0 the mean is certain.
    probability : between 0 and 1, such as 0.1.

    Examples
    --------
    >>> censored_quantile(np.array([0.0, 20.0, 500.0]), np.array([0.0, 50.0, 50.0]), 0.1)
    array([  0.        ,   0.        , 435.92242172])
    >>> censored_quantile(np.array([0.0, 20.0, 500.0]), np.array([0.0, 50.0, 50.0]), 0.9).round(1)
    array([  0. ,  81.3, 564.1])
    """
    mean, se = np.maximum(np.asarray(mean, float), 0.0), np.asarray(se, float)
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        steps = np.divide(mean, se) * (KNOTS / PLAIN)
        near = steps < KNOTS
        step = np.where(near, steps, 0.0)
        knot = step.astype(np.intp)
        table = _quantile_table(float(probability))
        low = table[knot]
        scaled = low + (step - knot) * (table[knot + 1] - low)
        plain = np.maximum(mean + se * ndtri(probability), 0.0)
    return np.where(near, se * scaled, plain)


def censored_moments(latent: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return mean and standard deviation of max(X, 0).

    X is normal with mean `latent` and standard deviation 1.

    E = a F(a) + f(a), E2 = (a^2 + 1) F(a) + a f(a), with the standard normal's distribution F and density f (integration
    by parts).

    >>> [float(m.round(4)) for m in censored_moments(np.array(0.0))]
    [0.3989, 0.5838]
    """
    below, density = ndtr(latent), np.exp(-0.5 * latent**2) / np.sqrt(2.0 * np.pi)
    first = latent * below + density
    second = (latent**2 + 1.0) * below + latent * density
    return first, np.sqrt(np.maximum(second - first**2, 0.0))


@cache
def _quantile_table(probability: float) -> np.ndarray:
    """Return the table of a quantile, in standard errors.

    At means of 0 to `PLAIN` standard errors, and one knot more.
    """
    # Below -6 the chance of any snow is under 1e-9, and the second moment is lost in rounding.
    latent = np.linspace(-6.0, PLAIN + 0.01, 400_001)
    first, spread = censored_moments(latent)
    quantile = np.maximum(latent + ndtri(probability), 0.0) / spread
    ratio = np.concatenate([[0.0], first / spread])
    at = np.arange(KNOTS + 2) * (PLAIN / KNOTS)
    return np.interp(at, ratio, np.concatenate([[0.0], quantile]))
