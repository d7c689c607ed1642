"""How alike two places are by their distance: the variogram model, the empirical variogram and the fit between them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.optimize import minimize_scalar
from scipy.spatial.distance import pdist

MODELS = ("exponential", "spherical")

REACH_M = 5_000.0
"""Range, an e-folding distance, where the sites are too few to tell: storm and exposure patterns of some kilometres (common practice,
no source; with half of it a site speaks for a quarter of the ground)."""

LEAST_SITES = 30
"""With fewer sites the range is not fitted, only the level. Thirty sites give some 30 pairs in the first classes, the least that is
usually asked for (Journel and Huijbregts 1978, from memory)."""


@dataclass(frozen=True)
class Variogram:
    """A stationary, isotropic variogram.

    Parameters
    ----------
    model : "exponential", 1 - exp(-h / range_m), or "spherical", 1.5 h / range_m - 0.5 (h / range_m)^3 up to range_m.
    nugget : variance at a point that its nearest neighbours do not share, values' unit squared. It is counted as an error of
        the observation (a point against its cell), not as part of the mapped field: see `kriging.py`.
    sill : partial sill, the variance of the mapped field, values' unit squared.
    range_m : the model's own length in metres: the E-FOLDING length of an exponential, as everywhere in this program, and
        the distance at which a spherical model is level. gstat has the same convention. PyKrige takes the practical range
        (3 x the e-folding length) of an exponential: use `pykrige_parameters`; GSTools: `gstools_parameters`.

    Examples
    --------
    >>> v = Variogram("exponential", 1.0, 10.0, 2000.0)
    >>> v.gamma(np.array([0.0, 2000.0])).round(3)
    array([0.   , 7.321])
    >>> v.pykrige_parameters()
    {'psill': 10.0, 'range': 6000.0, 'nugget': 1.0}
    >>> Variogram("cubic", 0.0, 1.0, 500.0)
    Traceback (most recent call last):
    ValueError: Invalid variogram model 'cubic'. Models are exponential, spherical.
    """

    model: str
    nugget: float
    sill: float
    range_m: float

    def __post_init__(self) -> None:
        """Refuse what is no variogram."""
        if self.model not in MODELS:
            raise ValueError(f"Invalid variogram model {self.model!r}. Models are {', '.join(MODELS)}.")
        if not (self.nugget >= 0 and self.sill >= 0 and np.isfinite(self.nugget + self.sill)):
            raise ValueError(
                f"Invalid variogram nugget {self.nugget}, sill {self.sill}. Both are variances, 0 or more."
            )
        if not 0 < self.range_m < np.inf:
            raise ValueError(f"Invalid variogram range_m {self.range_m}. It is a length in metres above 0.")

    def correlation(self, distance_m: np.ndarray) -> np.ndarray:
        """Return the field's correlation at distances in m, 1 at 0.

        Any shape.
        """
        distance = np.array(distance_m, float)
        return self.correlate(distance, np.empty_like(distance))

    def correlate(self, distance_m: np.ndarray, scratch: np.ndarray) -> np.ndarray:
        """Turn distances in m into correlations in place and return them.

        `scratch` is an array of the same shape.
        """
        np.divide(distance_m, self.range_m, out=distance_m)
        if self.model == "exponential":
            return np.exp(np.negative(distance_m, out=distance_m), out=distance_m)
        near = np.minimum(distance_m, 1.0, out=distance_m)
        np.multiply(near, near, out=scratch)
        scratch *= 0.5
        scratch -= 1.5
        near *= scratch
        near += 1.0
        return near

    def gamma(self, distance_m: np.ndarray) -> np.ndarray:
        """Return half the mean squared difference of two observations so far apart.

        0 at 0, nugget + sill far away.
        """
        distance_m = np.asarray(distance_m, float)
        return np.where(distance_m > 0, self.nugget + self.sill * (1.0 - self.correlation(distance_m)), 0.0)

    @property
    def reach_m(self) -> float:
        """Distance beyond which nothing is shared: the correlation is below 2e-7."""
        return self.range_m * (16.0 if self.model == "exponential" else 1.0)

    def pykrige_parameters(self) -> dict[str, float]:
        """Return `variogram_parameters` for PyKrige.

        Its list form takes the full sill, its dictionary the partial one.
        """
        # An exponential reaches 95 % of its sill at three times its e-folding length; PyKrige calls that its range.
        practical = 3.0 if self.model == "exponential" else 1.0
        return {"psill": self.sill, "range": self.range_m * practical, "nugget": self.nugget}

    def gstools_parameters(self) -> dict[str, float]:
        """Return keywords for GSTools' `Exponential` or `Spherical`, whose length scale is ours."""
        return {"var": self.sill, "len_scale": self.range_m, "nugget": self.nugget}


@dataclass(frozen=True)
class EmpiricalVariogram:
    """What pairs of sites say, by distance class.

    Classes without a pair are left out.

    Parameters
    ----------
    pairs : (b,) number of pairs.
    distance_m : (b,) their mean distance.
    gamma : (b,) half their mean squared difference, values' unit squared.
    noise : (b,) the part of `gamma` that the sites' own error variances explain.
    """

    pairs: np.ndarray
    distance_m: np.ndarray
    gamma: np.ndarray
    noise: np.ndarray


def empirical_variogram(
    xy: np.ndarray,
    values: np.ndarray,
    error_variance: np.ndarray | None = None,
    bins: int = 15,
    *,
    robust: bool = False,
) -> EmpiricalVariogram:
    """Return the empirical variogram.

    In classes of equal width up to a third of the sites' box diagonal.

    Classes are open to the left and closed to the right, as gstat's; pairs at one place fall in the first.

    Parameters
    ----------
    xy : (n, 2) coordinates, m.
    values : (n,) values; missing ones are left out.
    error_variance : (n,) error variance of each value; none when missing.
    bins : number of classes.
    robust : take Cressie and Hawkins' estimator (1980, Math. Geol. 12, 115-125), on which a single wild site has little
        hold, in place of Matheron's mean square.
    """
    xy, values = np.asarray(xy, float).reshape(-1, 2), np.asarray(values, float)
    error = np.zeros(len(values)) if error_variance is None else np.asarray(error_variance, float)
    known = np.isfinite(values) & np.isfinite(error) & np.isfinite(xy).all(axis=1)
    xy, values, error = xy[known], values[known], error[known]
    empty = np.zeros(0)
    cutoff = float(np.hypot(*np.ptp(xy, axis=0))) / 3.0 if len(xy) else 0.0
    if cutoff <= 0:
        return EmpiricalVariogram(empty, empty, empty, empty)
    distance = pdist(xy)
    index = np.maximum(np.ceil(distance / (cutoff / bins)).astype(int) - 1, 0)
    first, second = np.triu_indices(len(values), 1)
    near = index < bins
    index, difference = index[near], np.abs(values[first] - values[second])[near]

    def mean(quantity: np.ndarray) -> np.ndarray:
        return np.bincount(index, quantity, bins)[held] / pairs[held]

    pairs = np.bincount(index, minlength=bins)
    held = pairs > 0
    n = pairs[held].astype(float)
    gamma = 0.5 * mean(np.sqrt(difference)) ** 4 / (0.457 + 0.494 / n) if robust else 0.5 * mean(difference**2)
    return EmpiricalVariogram(n, mean(distance[near]), gamma, mean(0.5 * (error[first] + error[second])[near]))


@dataclass(frozen=True)
class VariogramLimits:
    """What stands in where no variogram can be fitted.

    Parameters
    ----------
    default_range_m : range where there are too few pairs to tell.
    least_sill : least variance of the field: a few sites that happen to agree are no proof that all places do.
    """

    default_range_m: float = REACH_M
    least_sill: float = 0.0


def fit_variogram(
    empirical: EmpiricalVariogram, model: str, limits: VariogramLimits, sites: int | None = None
) -> Variogram:
    """Return the model nearest to the empirical variogram.

    Weights are pairs / distance^2.

    For a given range nugget and sill are a non-negative least squares fit in closed form, so that only the range is
    searched for, between the shortest and the longest distance told of: no start value, no failure. Weights as gstat's default (Pebesma 2004, Comput. Geosci. 30, 683-691).

    Parameters
    ----------
    sites : number of sites behind the pairs; below `LEAST_SITES` the range is not fitted.
    """
    distance, pairs = empirical.distance_m, empirical.pairs
    gamma = np.maximum(empirical.gamma - empirical.noise, 0.0)
    if len(gamma) == 0 or not np.any(gamma > 0):
        return Variogram(model, 0.0, limits.least_sill, limits.default_range_m)
    # A pair at one place has no distance to divide by; a tenth of the mean distance is as near as any class is told apart.
    weight = pairs / np.maximum(distance, 0.1 * distance.mean()) ** 2

    def linear(range_m: float) -> tuple[float, float, float]:
        shape = 1.0 - Variogram(model, 0.0, 1.0, range_m).correlation(distance)
        return _nugget_and_sill(shape, gamma, weight)

    few = (sites is not None and sites < LEAST_SITES) or len(gamma) < 3  # noqa: PLR2004  nugget, sill and range are three unknowns
    range_m = limits.default_range_m if few else _best_range(lambda r: linear(r)[2], distance)
    nugget, sill, _ = linear(range_m)
    return Variogram(model, nugget, max(sill, limits.least_sill), range_m)


def site_variogram(
    xy: np.ndarray, values: np.ndarray, error_variance: np.ndarray | None, model: str, limits: VariogramLimits
) -> Variogram:
    """Return the variogram of sites.

    Robust and bounded, whatever the (n, 2) coordinates in m, (n,) values and error variances.
    """
    empirical = empirical_variogram(xy, values, error_variance, robust=True)
    return fit_variogram(empirical, model, limits, sites=int(np.isfinite(values).sum()))


def _best_range(misfit: Callable[[float], float], distance_m: np.ndarray) -> float:
    """Return the range of least misfit within the distances.

    The best of a geometric row, refined between its neighbours.
    """
    row = np.geomspace(distance_m[distance_m > 0].min(), distance_m.max(), 41)
    best = int(np.argmin([misfit(r) for r in row]))
    low, high = np.log(row[max(best - 1, 0)]), np.log(row[min(best + 1, len(row) - 1)])
    refined = minimize_scalar(lambda log_range: misfit(np.exp(log_range)), bounds=(low, high), method="bounded")
    return float(np.clip(np.exp(refined.x), row[0], row[-1]))


def _nugget_and_sill(shape: np.ndarray, gamma: np.ndarray, weight: np.ndarray) -> tuple[float, float, float]:
    """Return nugget, sill and misfit for a given range.

    gamma = nugget + sill * shape, both at least 0.
    """

    def misfit(nugget: float, sill: float) -> float:
        return float(np.sum(weight * (gamma - nugget - sill * shape) ** 2))

    w, s, ss = weight.sum(), np.sum(weight * shape), np.sum(weight * shape**2)
    g, sg = np.sum(weight * gamma), np.sum(weight * shape * gamma)
    tried = [(0.0, sg / ss if ss > 0 else 0.0), (g / w, 0.0)]
    determinant = w * ss - s * s
    if determinant > 1e-12 * w * ss:
        nugget, sill = (ss * g - s * sg) / determinant, (w * sg - s * g) / determinant
        if nugget >= 0 and sill > 0:
            tried.append((nugget, sill))
    nugget, sill = min(tried, key=lambda pair: misfit(*pair))
    return float(nugget), float(sill), misfit(nugget, sill)
