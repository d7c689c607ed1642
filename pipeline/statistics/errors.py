"""Errors of sums: what the parts of a map's error add up to over zones and bands.

The map's error is a sum of independent parts, each with its own standard error per cell and its own way of hanging
together in space: common to the basin, correlated over some distance, or independent from cell to cell. A total's error is
decided by what does not average out, so it comes from the covariance of the sums, never from the cells one by one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from scipy.constants import kilo
from scipy.linalg import eigh

from snowtally.statistics.area_sums import Blocks, block_cells, neighbours_covariance
from snowtally.statistics.kriging import Kriging
from snowtally.statistics.tiles import one_blas_thread
from snowtally.statistics.variogram import Variogram

MM_PER_M = kilo
"""Millimetres in a metre: water of 1 m3 on 1 m2."""

SLOPE_REACH_M = 1000.0
"""E-folding distance over which the cells of one slope err alike: a filled void has one level, a cover grid is mistaken for a whole
slope in shade or under trees, and nearer than this two places to measure at tell the same. About the
length of a mountain's side (common practice, no source)."""

FEW_FIELDS = 3
"""So many common fields, and one for the rest, stand for any number: level, height and one more hold nearly all of what they do
together. Accuracy and cost alone: sums over zones are stated no surer with fewer."""


@dataclass(frozen=True)
class ErrorPart:
    """One independent part of the error of SWE.

    Parameters
    ----------
    name : for people and the record.
    error_mm : standard error of each cell with its sign, mm, such as (y, x). Cells of opposite signs err against each other:
        where the one holds too much, the other holds too little.
    correlation_m : e-folding length of its correlation in space, m; infinite for an error common to the basin (each cell
        errs by the same share of its own standard error), 0 for one that is independent from cell to cell.
    shared : whether all sites share it, so that no site left out tells its size and no calibration by them changes it.
    """

    name: str
    error_mm: np.ndarray
    correlation_m: float
    shared: bool = False

    def scaled(self, share: np.ndarray | float) -> ErrorPart:
        """Return the part with its standard error times a share.

        Parameters
        ----------
        share : one for all cells, or one each, shaped as `error_mm`.

        >>> ErrorPart("carry local", np.array([10.0, 20.0]), 500.0).scaled(np.array([0.5, 0.0])).error_mm
        array([5., 0.])
        """
        if np.isscalar(share) and share == 1.0:
            return self
        return replace(self, error_mm=share * self.error_mm)


@dataclass(frozen=True)
class KrigedPart:
    """The error of a kriged field.

    Small near the sites, large far from them, and correlated accordingly.

    Parameters
    ----------
    name : for people and the record.
    scale_mm : (y, x) mm of SWE per unit of the kriged field: 1 for a field in mm, the turnover for a share of turnover.
    kriging : fitted on the sites.
    x, y : coordinates of the columns and rows, m.
    drift : (y, x, k) drift columns, where the kriging has them.
    """

    name: str
    scale_mm: np.ndarray
    kriging: Kriging
    x: np.ndarray
    y: np.ndarray
    drift: np.ndarray | None = None

    def scaled(self, share: np.ndarray | float) -> KrigedPart:
        """Return the part with its standard error times a share."""
        return replace(self, scale_mm=share * self.scale_mm)


def shared_error(parts: Sequence[ErrorPart]) -> np.ndarray:
    """Return the standard error of the parts that all sites share, mm."""
    squares = (np.square(part.error_mm) for part in parts if part.shared)
    return np.sqrt(sum(squares, np.zeros(parts[0].error_mm.shape)))


def few_fields(fields: list[np.ndarray]) -> list[np.ndarray]:
    """Return few common error fields that stand for many.

    Each cell's variance is the same, the covariance of cells nearly.

    The many are turned into as many that are orthogonal over the cells, which changes no covariance; of these the largest are
    kept as they are, with their signs, and the rest go into one that errs everywhere alike, so that no sum is surer for it.

    >>> [field.round(6).tolist() for field in few_fields([np.array([3.0, 0.0]), np.array([4.0, 0.0])])]
    [[5.0, 0.0], [0.0, 0.0]]
    """
    if len(fields) <= 1:
        return fields
    rows = np.stack([field.ravel() for field in fields])
    known = np.isfinite(rows).all(axis=0)
    seen = rows if known.all() else rows[:, known]
    with one_blas_thread():
        _, turned = eigh(seen @ seen.T)
        apart = (turned.T @ seen)[::-1]
    # Which way a field is turned is chance: the first cell that it says most of has it above nothing.
    most = np.abs(apart).argmax(axis=1)[:, None] if apart.size else np.zeros((len(apart), 0), int)
    apart = apart * np.where(np.take_along_axis(apart, most, axis=1) < 0, -1.0, 1.0) + 0.0
    rest = np.sqrt((apart[FEW_FIELDS:] ** 2).sum(axis=0, keepdims=True))
    few = np.concatenate([apart[:FEW_FIELDS], rest]) if len(apart) > FEW_FIELDS + 1 else apart
    whole = np.full((len(few), rows.shape[1]), np.nan)
    whole[:, known] = few
    return [row.reshape(fields[0].shape) for row in whole]


@dataclass(frozen=True)
class VolumeCovariance:
    """Covariance of the errors of volumes, m6.

    Parameters
    ----------
    total : (groups, groups) covariance of all parts together.
    by_part : the same for each part, by name; parts of one name are added.
    """

    total: np.ndarray
    by_part: dict[str, np.ndarray]

    def budget(self, groups: slice = slice(None)) -> dict[str, float]:
        """Return each part's share of the variance.

        Of the summed volumes, largest first; empty without any error.

        Parameters
        ----------
        groups : of which groups, such as those of a zone; all when missing.
        """
        whole = float(self.total[groups, groups].sum())
        if whole <= 0:
            return {}
        shares = {name: float(part[groups, groups].sum()) / whole for name, part in self.by_part.items()}
        return dict(sorted(shares.items(), key=lambda item: -item[1]))


def volume_covariance(
    parts: list[ErrorPart | KrigedPart], cell_area_m2: np.ndarray, group: np.ndarray, n_groups: int, cell_m: float
) -> VolumeCovariance:
    """Return the covariance of the groups' volumes of water, m6, positive semidefinite.

    Parameters
    ----------
    parts : error parts on (y, x), independent of each other.
    cell_area_m2 : (y, x) area of each cell that counts; may be missing outside the groups.
    group : (y, x) number of each cell's group, such as its zone-band; -1 for cells in none.
    n_groups : number of groups; one without a cell has no error.
    cell_m : cell width, m.

    Raises
    ------
    ValueError
        Where a cell of a group lacks its area or error: a total's error over what is unknown would be too small.

    Examples
    --------
    >>> part = ErrorPart("flight bias", np.full((2, 2), 30.0), np.inf)
    >>> volume_covariance([part], np.full((2, 2), 1e4), np.array([[0, 0], [1, -1]]), 2, 100.0).total
    array([[360000., 180000.],
           [180000.,  90000.]])
    """
    groups = _Groups(group, n_groups, cell_m)
    area = cell_area_m2[groups.inside] / MM_PER_M
    by_part: dict[str, np.ndarray] = {}
    for part in parts:
        se = part.error_mm if isinstance(part, ErrorPart) else part.scale_mm
        weight = area * se[groups.inside]
        if not np.isfinite(weight).all():
            raise ValueError(
                f"Error part {part.name!r} is missing in cells of a zone or band. Give every such cell an error."
            )
        with one_blas_thread():
            covariance = _covariance(part, weight, groups)
        by_part[part.name] = by_part.get(part.name, 0.0) + covariance
    total = sum(by_part.values(), np.zeros((n_groups, n_groups)))
    return VolumeCovariance(total, by_part)


@dataclass(frozen=True)
class _Groups:
    """Groups of cells.

    (y, x) number of each cell's group, -1 for none; how many groups; cell width, m.
    """

    number: np.ndarray
    count: int
    cell_m: float

    @cached_property
    def inside(self) -> np.ndarray:
        """Which cells are of a group, (y, x)."""
        return self.number >= 0

    @cached_property
    def _of_each(self) -> np.ndarray:
        return self.number[self.inside]

    def sums(self, values: np.ndarray) -> np.ndarray:
        """Return the (count,) sums of (n,) values of the cells inside over the groups."""
        return np.bincount(self._of_each, values, self.count)

    def on_grid(self, values: np.ndarray) -> np.ndarray:
        """Return (n,) values of the cells inside on (y, x), 0 elsewhere."""
        grid = np.zeros(self.number.shape)
        grid[self.inside] = values
        return grid

    def blocks(self, weight: np.ndarray, correlation: Variogram) -> Blocks:
        """Return the cells as blocks fine enough for a correlation."""
        cells = block_cells(correlation, self.number.shape, self.cell_m)
        return Blocks.gather(self.on_grid(weight), self.number, self.count, cells, self.cell_m)


def _covariance(part: ErrorPart | KrigedPart, weight: np.ndarray, groups: _Groups) -> np.ndarray:
    """Return the covariance of the groups' sums of a part.

    `weight` is (n,) of the cells inside, in m3 per unit of the part's field.
    """
    if isinstance(part, KrigedPart):
        return _kriged_covariance(part, weight, groups)
    if part.correlation_m == 0:
        return np.diag(groups.sums(weight**2))
    if np.isinf(part.correlation_m):
        sums = groups.sums(weight)
        return np.outer(sums, sums)
    correlation = Variogram("exponential", 0.0, 1.0, part.correlation_m)
    # Some forty pairs of neighbours a cell take a quarter of a transform's time, a hundred and more as long.
    if correlation.reach_m <= 5.0 * groups.cell_m:
        return neighbours_covariance(groups.on_grid(weight), groups.number, groups.count, groups.cell_m, correlation)
    return _semidefinite(groups.blocks(weight, correlation).covariance(correlation))


def _kriged_covariance(part: KrigedPart, weight: np.ndarray, groups: _Groups) -> np.ndarray:
    """Return the posterior covariance of the groups' sums.

    Prior and data terms are made of the same points.
    """
    variogram = part.kriging.variogram
    blocks = groups.blocks(weight, variogram)
    prior = variogram.sill * blocks.covariance(variogram)
    corner = (part.x[0] - groups.cell_m / 2, part.y[0] + groups.cell_m / 2)
    with_sites = blocks.sums_of(part.kriging.site_covariance, corner)
    drift = None
    if part.drift is not None:
        drift = np.column_stack([groups.sums(column * weight) for column in part.drift[groups.inside].T])
    return _semidefinite(part.kriging.sums_covariance(prior, with_sites, groups.sums(weight), drift))


def _semidefinite(covariance: np.ndarray) -> np.ndarray:
    """Return the nearest symmetric matrix without negative variances.

    Rounding leaves traces of them.
    """
    covariance = 0.5 * (covariance + covariance.T)
    values, vectors = eigh(covariance)
    if len(values) == 0 or values[0] >= 0:
        return covariance
    repaired = (vectors * np.maximum(values, 0.0)) @ vectors.T
    return 0.5 * (repaired + repaired.T)


def product_variance(first: np.ndarray, first_se: np.ndarray, second: np.ndarray, second_se: np.ndarray) -> np.ndarray:
    """Return the variance of a product of independent quantities.

    Such as depth (m) and density (kg/m3): mm2.

    Exact, m1^2 v2 + m2^2 v1 + v1 v2, whatever their distributions (Goodman 1960, JASA 55, 708-713). The last term is what
    first-order propagation leaves out.

    >>> float(np.sqrt(product_variance(2.0, 0.08, 350.0, 30.0)).round(5))
    66.25526
    """
    return (first * second_se) ** 2 + (second * first_se) ** 2 + (first_se * second_se) ** 2
