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
"""The simplest candidate's lead: weights are found as if so many more sites spoke for it alone. Fewer let a few sites' luck
choose (57 nights of trial worlds without a flight: cells 0.5 % worse with 4, 0.2 % with 12)."""

LEAST_SITES = 6
"""With fewer sites left out nothing is chosen: the simplest candidate stands."""

LEAST_WEIGHT = 0.05
"""A candidate of less weight than this is left out: it would cost a night its time and change nothing."""

SURE = 1.0
"""A mixture must beat the simplest candidate by so many standard errors of the gain, else the simplest stands: the rule of one
standard error (Breiman et al. 1984, Classification and Regression Trees, from memory)."""

FACTOR_LIMITS = (1.0, 1.5)
"""Standard errors are held within these factors. They are never made smaller: those who choose sites look for snow that lies as
it fell, and a flight of the build-up says little of melt (trial worlds: narrowed errors held 2 to 9 cells fewer in a hundred)."""

FACTOR_LOG_SD = 0.3
"""Prior spread of the logarithm of that factor: the error parts were found in trials of many basins (docs/method.md)."""

FACTOR_SITES = 10.0
"""However many sites there are, they count as no more than this: an error common to the basin is in all of them."""

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


def stacking_weights(errors: np.ndarray, group: np.ndarray | None = None, count: float = 1.0) -> np.ndarray:
    """Return the (k,) weights of candidates, at least 0 and 1 together, from what each got wrong where it did not look.

    Parameters
    ----------
    errors : (n, k) held-out errors, one column a candidate, the simplest first, any unit.
    group : (n,) number of the group that each row is of: rows of a group err alike, and together count as one. Each row by
        itself when missing.
    count : what a group counts beside the sites' worth of `DOUBTED_SITES`.

    Notes
    -----
    Stacking (Wolpert 1992; non-negative as in Breiman 1996, Mach. Learn. 24, 49-64): least squares of the mixture's error, with
    `DOUBTED_SITES` groups' worth of penalty on leaving the simplest candidate. That candidate stands alone where the mixture,
    each group predicted with weights found without it, does not beat it by `SURE` standard errors.

    Examples
    --------
    >>> same = np.array([10.0, -10, 12, -11, 9, -8, 13, -12])
    >>> stacking_weights(np.column_stack([same, 0.1 * same])).round(2)
    array([0.61, 0.39])
    >>> stacking_weights(np.column_stack([same, 2 * same]))
    array([1., 0.])
    """
    errors = np.asarray(errors, float)
    first = np.eye(errors.shape[1])[0]
    names, group = np.unique(np.arange(len(errors)) if group is None else group, return_inverse=True)
    if len(first) == 1 or len(names) < LEAST_SITES:
        return first
    # Products of errors say all that least squares needs, and add up over groups.
    moments = np.zeros((len(names), len(first), len(first)))
    np.add.at(moments, group, errors[:, :, None] * errors[:, None, :])
    moments /= np.bincount(group)[:, None, None]
    size = float(moments[:, 0, 0].mean())
    if size == 0:
        return first
    moments *= count / size
    total = moments.sum(axis=0)
    without = np.array([_weights(total - one) for one in moments])
    mixed = np.einsum("gi,gij,gj->g", without, moments, without)
    gain = moments[:, 0, 0] - mixed
    return _weights(total) if gain.mean() > SURE * gain.std(ddof=1) / np.sqrt(len(names)) else first


def _weights(moments: np.ndarray) -> np.ndarray:
    """Return the weights of least squared error by the candidates' (k, k) summed products of errors, in the first's mean square."""
    k = len(moments)
    values, vectors = np.linalg.eigh(moments)
    rows = np.sqrt(np.maximum(values, 0.0))[:, None] * vectors.T
    lead = np.sqrt(DOUBTED_SITES / 2.0) * np.eye(k)
    # One row of great weight holds the sum at 1.
    together = 1e3 * np.sqrt(np.trace(moments) + 1.0) * np.ones((1, k))
    target = np.concatenate([np.zeros(k), lead[0], together[0, :1]])
    found = nnls(np.vstack([rows, lead, together]), target)[0]
    found = np.where(found < LEAST_WEIGHT * found.sum(), 0.0, found)
    return found / found.sum()


def error_factor(error: np.ndarray, se: np.ndarray, noise: np.ndarray) -> float:
    """Return the factor on standard errors with which held-out errors have the spread that they claim.

    Parameters
    ----------
    error, se : (n,) held-out errors and the standard errors claimed for the map, one unit.
    noise : (n,) what the observation itself errs by: it is no part of the map's error and is not scaled.

    Notes
    -----
    The most likely factor under t errors with a log-normal prior, held within `FACTOR_LIMITS`; without an error 1.

    >>> 0.95 <= error_factor(np.array([-9.0, 3, -8, 8, 1, 2, -4, 7]), np.full(8, 6.0), np.zeros(8)) <= 1.1
    True
    """
    known = np.isfinite(error) & np.isfinite(se) & np.isfinite(noise) & (np.hypot(se, noise) > 0)
    if not known.any():
        return 1.0
    error, se, noise = error[known], se[known], noise[known]
    logs = np.linspace(*np.log(FACTOR_LIMITS), 77)
    scale = NORMAL_SCALE * np.hypot(np.exp(logs)[:, None] * se, noise)
    likely = -np.log(scale) - (HEAVY + 1.0) / 2.0 * np.log1p((error / scale) ** 2 / HEAVY)
    total = likely.sum(axis=1) * min(FACTOR_SITES / len(error), 1.0) - 0.5 * (logs / FACTOR_LOG_SD) ** 2
    return float(np.exp(logs[np.argmax(total)]))
