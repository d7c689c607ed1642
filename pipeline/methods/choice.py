"""Choosing among backgrounds by what they get wrong where they did not look: weights from held-out errors, and their size."""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy.optimize import nnls

ALONE_UP_TO = 20
"""Up to so many sites each is left out alone; more are left out in groups, since each group costs a fit of every candidate."""

GROUPS = 6
"""Groups in which many sites, or few where a fit takes long, are left out (common practice is five to ten)."""

DOUBTED_SITES = 12.0
"""Weight of the prior: as if so many more sites spoke for the prior weights. Fewer let a few sites' luck choose (57 nights of
trial worlds without a flight: cells 0.5 % worse with 4, 0.2 % with 12)."""

LEAST_SITES = 6
"""With fewer sites left out nothing is chosen: the prior weights stand."""

LEAST_WEIGHT = 0.05
"""A candidate of less weight than this is left out: it would cost a night its time and change nothing."""

SURE = 1.0
"""A mixture must beat the simplest candidate by so many standard errors of the gain, else the simplest stands: the rule of one
standard error (Breiman et al. 1984, Classification and Regression Trees, from memory)."""

FACTOR_LIMITS = (1.0, 1.5)
"""Limits of the factor on standard errors after a flight. They are never made smaller there: a flight of the build-up says little
of melt (trial worlds: narrowed errors held 2 to 9 cells fewer in a hundred)."""

SITES_LIMITS = (0.5, 2.0)
"""Limits of the factor without a flight, where the sites left out on several nights tell it."""

FACTOR_LOG_SD = 0.3
"""Prior spread of the logarithm of that factor: the error parts were found in trials of many basins (docs/method.md)."""

FACTOR_SITES = 30.0
"""However many errors there are, they count as no more sites than this. What all sites share is not scaled by them."""

FACTOR_FLIGHTS = 10.0
"""The same for cells of held-out flights: an error common to the basin is in all of them."""

HEAVY = 4.0
"""Degrees of freedom of the t distribution taken for held-out errors: a drift at one site widens no basin's error."""

NORMAL_SCALE = 0.8310
"""Scale of that t distribution for which normal errors of standard deviation 1 give a factor of 1: where the mean of
5 z^2 / (4 + z^2), z normal with the inverse of this as its standard deviation, is 1 (by quadrature)."""


def left_out_groups(elevation_m: pd.Series, alone_up_to: int = ALONE_UP_TO, groups: int = GROUPS) -> list[pd.Index]:
    """Return the groups in which sites are left out, by their elevation (m, indexed by site_id), whatever the rows' order.

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
    """Return the (k,) weights of candidates, at least 0 and 1 together, from their held-out errors.

    Parameters
    ----------
    errors : (n, k) held-out errors, one column a candidate, any unit.
    prior : (k,) weights where nothing is known, 1 together; with them equal candidates keep.
    group : (n,) the group that each row is of: rows of a group err alike, and together count as one. Each row by itself when
        missing.
    count : what a group counts beside the sites' worth of `DOUBTED_SITES`.

    Notes
    -----
    Stacking (Wolpert 1992; non-negative as in Breiman 1996, Mach. Learn. 24, 49-64): least squares of the mixture's error, with
    `DOUBTED_SITES` groups' worth of penalty on leaving the prior.

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
    """Return `stacking_weights` with all prior weight on the first candidate, or the first alone where no gain is sure.

    The gain is sure where the mixture, each group predicted with weights found without it, beats the first candidate by `SURE`
    standard errors.

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
    return _weights(total, first) if gain.mean() > SURE * gain.std(ddof=1) / np.sqrt(len(moments)) else first


def _moments(errors: np.ndarray, group: np.ndarray | None, prior: np.ndarray) -> np.ndarray | None:
    """Return the (groups, k, k) mean products of errors, in the prior mixture's mean square; None where nothing is to choose."""
    errors = np.asarray(errors, float)
    names, group = np.unique(np.arange(len(errors)) if group is None else group, return_inverse=True)
    k = errors.shape[1]
    if k == 1 or len(names) < LEAST_SITES:
        return None
    # Products of errors say all that least squares needs, and add up over groups.
    moments = np.zeros((len(names), k, k))
    np.add.at(moments, group, errors[:, :, None] * errors[:, None, :])
    moments /= np.bincount(group)[:, None, None]
    size = float(prior @ moments.mean(axis=0) @ prior)
    return moments / size if size > 0 else None


def _weights(moments: np.ndarray, prior: np.ndarray) -> np.ndarray:
    """Return the weights of least squared error by the candidates' (k, k) summed products of errors, drawn to the prior."""
    k = len(moments)
    values, vectors = np.linalg.eigh(moments)
    rows = np.sqrt(np.maximum(values, 0.0))[:, None] * vectors.T
    lead = np.sqrt(DOUBTED_SITES / 2.0) * np.eye(k)
    # One row of great weight holds the sum at 1.
    together = 1e3 * np.sqrt(np.trace(moments) + 1.0) * np.ones((1, k))
    target = np.concatenate([np.zeros(k), lead @ prior, together[0, :1]])
    found = nnls(np.vstack([rows, lead, together]), target)[0]
    found = np.where(found < LEAST_WEIGHT * found.sum(), 0.0, found)
    return found / found.sum()


def error_factor(
    errors: tuple[np.ndarray, np.ndarray, np.ndarray],
    limits: tuple[float, float] = FACTOR_LIMITS,
    most: float = FACTOR_FLIGHTS,
    group: np.ndarray | None = None,
) -> float:
    """Return the factor on standard errors with which held-out errors have the stated spread.

    Parameters
    ----------
    errors : (n,) held-out errors, the standard errors stated for the map, and what is no part of the map's error or is not
        scaled: the observation's own error and what all sites share; one unit.
    limits : the factor's.
    most : as many independent errors as there can be at most.
    group : (n,) rows of a group err alike and count as one; each row by itself when missing.

    Notes
    -----
    The most likely factor under t errors with a log-normal prior, held within the limits; without an error 1.

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
    logs = np.linspace(*np.log(limits), 77)
    scale = NORMAL_SCALE * np.hypot(np.exp(logs)[:, None] * se, noise)
    likely = -np.log(scale) - (HEAVY + 1.0) / 2.0 * np.log1p((error / scale) ** 2 / HEAVY)
    total = likely.mean(axis=1) * min(most, count) - 0.5 * (logs / FACTOR_LOG_SD) ** 2
    return float(np.exp(logs[np.argmax(total)]))
