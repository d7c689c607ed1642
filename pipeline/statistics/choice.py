"""Choosing among backgrounds by what they get wrong where they did not look: weights from held-out errors, and their size."""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy.optimize import brentq, nnls
from scipy.special import erfcx

from snowtally.statistics.regression import DEGREES, PRIOR_COUNTS, WILD

ALONE_UP_TO = 20
"""Up to so many sites each is left out alone; more are left out in groups, since each group costs a fit of every candidate."""

GROUPS = 6
"""Groups in which many sites, or few where a fit takes long, are left out, and parts a side into which a held-out flight is cut
(common practice is five to ten). Where fewer are left out nothing is chosen: the prior weights stand."""

FACTOR_LOG_SD = 0.3
"""Prior spread of the logarithm of the factor on standard errors: the error parts were found in trials of many basins
(docs/method.md)."""


def _normal_scale() -> float:
    """Return the scale of the t distribution for normal errors.

    With it normal errors of standard deviation 1 give a factor of 1.

    It is where the mean of (n + 1) z^2 / (n s^2 + z^2), z standard normal and n the degrees of freedom, is 1. With a^2 = n s^2
    the mean of z^2 / (a^2 + z^2) is 1 - a sqrt(pi / 2) erfcx(a / sqrt(2)).
    """

    def over(scale: float) -> float:
        a = np.sqrt(DEGREES) * scale
        return (DEGREES + 1.0) * (1.0 - a * np.sqrt(np.pi / 2.0) * erfcx(a / np.sqrt(2.0))) - 1.0

    return float(brentq(over, 0.5, 1.0))


NORMAL_SCALE = _normal_scale()


def left_out_groups(elevation_m: pd.Series, alone_up_to: int = ALONE_UP_TO, groups: int = GROUPS) -> list[pd.Index]:
    """Return the groups in which sites are held out.

    By their elevation (m, indexed by site_id), whatever the rows' order.

    Each site alone up to `alone_up_to`; else groups that each reach from low to high ground.

    >>> [list(group) for group in left_out_groups(pd.Series({"B": 900.0, "A": 1200.0}))]
    [['B'], ['A']]
    """
    ordered = elevation_m.rename_axis("site_id").reset_index(name="m").sort_values(["m", "site_id"])["site_id"]
    count = len(ordered) if len(ordered) <= max(alone_up_to, groups) else groups
    return [pd.Index(ordered.to_numpy()[k::count]) for k in range(count)]


def stacking_weights(
    errors: np.ndarray, prior: np.ndarray, group: np.ndarray | None = None, count: float = 1.0
) -> np.ndarray:
    """Return the weights of candidates, (k,), from held-out errors.

    Parameters
    ----------
    errors : (n, k) held-out errors, one column a candidate, any unit.
    prior : (k,) weights where nothing is known, 1 together; with them equal candidates keep.
    group : (n,) the group that each row is of: rows of a group err alike, and together count as one. Each row by itself when
        missing.
    count : what a group counts beside the sites' worth of `PRIOR_COUNTS`.

    Notes
    -----
    Stacking (Wolpert 1992; non-negative as in Breiman 1996, Mach. Learn. 24, 49-64): least squares of the mixture's error, with
    `PRIOR_COUNTS` groups' worth of penalty on leaving the prior.

    Examples
    --------
    >>> same = np.array([10.0, -10, 12, -11, 9, -8, 13, -12])
    >>> stacking_weights(np.column_stack([same, 0.1 * same]), np.array([1.0, 0.0])).round(2)
    array([0.61, 0.39])
    >>> stacking_weights(np.column_stack([same, same]), np.array([0.5, 0.5]))
    array([0.5, 0.5])
    """
    prior = np.asarray(prior, float)
    moments = _moments(errors, group, prior)
    return prior if moments is None else _weights(count * moments.sum(axis=0), prior)


def surely_better_weights(errors: np.ndarray, group: np.ndarray | None = None, count: float = 1.0) -> np.ndarray:
    """Return the weights of candidates where a gain is sure.

    As `stacking_weights` with all prior weight on the first candidate; the first alone where no gain is sure.

    The gain is sure where the mixture, each group predicted with weights found without it, beats the first candidate by a standard
    error (the rule of one standard error: Breiman et al. 1984, Classification and Regression Trees, from memory).

    >>> same = np.array([10.0, -10, 12, -11, 9, -8, 13, -12])
    >>> surely_better_weights(np.column_stack([same, 2 * same]))
    array([1., 0.])
    """
    first = np.eye(np.shape(errors)[1])[0]
    moments = _moments(errors, group, first)
    if moments is None:
        return first
    total = count * moments.sum(axis=0)
    without = np.array([_weights(total - count * one, first) for one in moments])
    gain = moments[:, 0, 0] - np.einsum("gi,gij,gj->g", without, moments, without)
    return _weights(total, first) if gain.mean() > gain.std(ddof=1) / np.sqrt(len(moments)) else first


def _moments(errors: np.ndarray, group: np.ndarray | None, prior: np.ndarray) -> np.ndarray | None:
    """Return mean products of errors by group, (groups, k, k).

    In the prior mixture's mean square; None where nothing is to choose.
    """
    errors = np.asarray(errors, float)
    names, group = np.unique(np.arange(len(errors)) if group is None else group, return_inverse=True)
    k = errors.shape[1]
    if k == 1 or len(names) < GROUPS:
        return None
    # Products of errors say all that least squares needs, and add up over groups.
    moments = np.zeros((len(names), k, k))
    np.add.at(moments, group, errors[:, :, None] * errors[:, None, :])
    moments /= np.bincount(group)[:, None, None]
    size = float(prior @ moments.mean(axis=0) @ prior)
    return moments / size if size > 0 else None


def _weights(moments: np.ndarray, prior: np.ndarray) -> np.ndarray:
    """Return the weights of least squared error.

    From the candidates' (k, k) summed products of errors, drawn to the prior.
    """
    k = len(moments)
    values, vectors = np.linalg.eigh(moments)
    rows = np.sqrt(np.maximum(values, 0.0))[:, None] * vectors.T
    lead = np.sqrt(PRIOR_COUNTS / 2.0) * np.eye(k)
    # One row of great weight holds the sum at 1.
    together = 1e3 * np.sqrt(np.trace(moments) + 1.0) * np.ones((1, k))
    target = np.concatenate([np.zeros(k), lead @ prior, together[0, :1]])
    fitted = nnls(np.vstack([rows, lead, together]), target)[0]
    return fitted / fitted.sum()


def error_factor(
    errors: tuple[np.ndarray, np.ndarray, np.ndarray],
    most: float = np.inf,
    group: np.ndarray | None = None,
) -> float:
    """Return the factor on standard errors by held-out errors.

    Parameters
    ----------
    errors : (n,) held-out errors, the standard errors stated for the map, and what is no part of the map's error or is not
        scaled: the observation's own error and what all sites share; one unit.
    most : as many independent errors as there can be at most.
    group : (n,) rows of a group err alike and count as one; each row by itself when missing.

    Notes
    -----
    The most likely factor under t errors with a log-normal prior, no further out than `WILD` of its spreads; without an error 1.
    A drift at one site widens no basin's error, since t errors have heavy tails.

    >>> off = np.array([-9.0, 3, -8, 8, 1, 2, -4, 7])
    >>> 0.95 <= error_factor((off, np.full(8, 6.0), np.zeros(8))) <= 1.1
    True
    """
    error, se, noise = errors
    known = np.isfinite(error) & np.isfinite(se) & np.isfinite(noise) & (np.hypot(se, noise) > 0)
    if not known.any():
        return 1.0
    error, se, noise = error[known], se[known], noise[known]
    count = len(error) if group is None else len(np.unique(group[known]))
    logs = FACTOR_LOG_SD * np.linspace(-WILD, WILD, 121)
    scale = NORMAL_SCALE * np.hypot(np.exp(logs)[:, None] * se, noise)
    likely = -np.log(scale) - (DEGREES + 1.0) / 2.0 * np.log1p((error / scale) ** 2 / DEGREES)
    total = likely.mean(axis=1) * min(most, count) - 0.5 * (logs / FACTOR_LOG_SD) ** 2
    return float(np.exp(logs[np.argmax(total)]))
