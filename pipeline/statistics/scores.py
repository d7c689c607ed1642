"""How good predictions with standard errors were, held against what was observed."""

from __future__ import annotations

import numpy as np
from scipy.special import ndtr, ndtri


def scores(observed: np.ndarray, mean: np.ndarray, se: np.ndarray) -> dict[str, float]:
    """Return the scores of (n,) predictions with standard errors.

    Pairs with a missing number are left out.

    Returns
    -------
    dict : n; rmse, bias (predicted less observed) and crps in the observations' unit; r2 = 1 - squared error / squared
        deviation from the observations' mean (negative when worse than their mean; missing when they are all alike); cover50
        and cover90, the share of observations within the central 50 % and 90 % of the normal distribution. Without a pair all
        but n are missing.

    Examples
    --------
    >>> s = scores(np.array([100.0, 300.0]), np.array([110.0, 280.0]), np.array([20.0, 10.0]))
    >>> s["n"], s["bias"], round(s["r2"], 4), s["cover50"], s["cover90"]
    (2, -5.0, 0.975, 0.5, 0.5)
    """
    pairs = np.isfinite(observed) & np.isfinite(mean) & np.isfinite(se)
    observed, mean, se = (np.asarray(a, float)[pairs] for a in (observed, mean, se))
    names = ("rmse", "bias", "r2", "crps", "cover50", "cover90")
    if len(observed) == 0:
        return {"n": 0} | dict.fromkeys(names, float("nan"))
    error = mean - observed
    deviation = float(np.sum((observed - observed.mean()) ** 2))
    values = (
        np.sqrt(np.mean(error**2)),
        error.mean(),
        1.0 - np.sum(error**2) / deviation if deviation > 0 else np.nan,
        crps_normal(observed, mean, se).mean(),
        np.mean(np.abs(error) <= se * ndtri(0.75)),
        np.mean(np.abs(error) <= se * ndtri(0.95)),
    )
    return {"n": len(observed)} | {name: float(value) for name, value in zip(names, values, strict=True)}


def crps_normal(observed: np.ndarray, mean: np.ndarray, se: np.ndarray) -> np.ndarray:
    """Return the continuous ranked probability score.

    Of normal predictions, in the observations' unit; less is better.

    s [z (2 F(z) - 1) + 2 f(z) - 1 / sqrt(pi)], z = (observed - mean) / s (Gneiting and Raftery 2007, JASA 102, 359-378);
    for s = 0 the absolute error.

    >>> crps_normal(np.array([0.0, 3.0]), np.zeros(2), np.array([1.0, 0.0])).round(6)
    array([0.233695, 3.      ])
    """
    observed, mean, se = np.broadcast_arrays(*(np.asarray(a, float) for a in (observed, mean, se)))
    z = np.divide(observed - mean, se, out=np.zeros(se.shape), where=se > 0)
    density = np.exp(-0.5 * z**2) / np.sqrt(2.0 * np.pi)
    score = se * (z * (2.0 * ndtr(z) - 1.0) + 2.0 * density - 1.0 / np.sqrt(np.pi))
    return np.where(se > 0, score, np.abs(observed - mean))
