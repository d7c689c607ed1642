"""Kriging: a field known at some sites, each with its own error, spread over all cells with an honest variance.

Model: observation z_i = field(x_i) + e_i. The field is a mean (known, or a constant, or a constant and drift columns with
unknown coefficients) plus a stationary part with the variogram's sill and correlation. The noise e_i is independent from
site to site with variance nugget + the observation's own error variance. One rule for the nugget, then: it belongs to the
OBSERVATION (a point against its cell), so maps are filtered, not exact, and their variance is that of the noise-free field.
PyKrige and GSTools return the variance of a new observation, which exceeds it by the nugget; PyKrige is exact by default.

Formulas: Cressie 1993, Statistics for Spatial Data, sections 3.2 to 3.4 (universal kriging as generalised least squares).
"""

from __future__ import annotations

import threading

import numpy as np
from scipy.linalg import cholesky, solve_triangular
from scipy.spatial.distance import cdist

from snowtally.statistics.drift import NO_NEWS, Drift, drift_columns
from snowtally.statistics.far_sites import TILE, DataTerms
from snowtally.statistics.tiles import AT_A_TIME, in_threads, one_blas_thread, tiles
from snowtally.statistics.variogram import Variogram


class Kriging:
    """Simple, ordinary or universal kriging with each observation's own error variance.

    Parameters
    ----------
    variogram : of the field (sill, range) and of the points' own variation (nugget).
    mean : the field's known mean (simple kriging), in the values' unit; None for an unknown constant, estimated from the
        sites (ordinary kriging). Drift columns given to `fit` come on top of either (universal kriging).
    threads : threads for `predict`; default: the cores that the process may use. The result does not depend on it.

    Attributes
    ----------
    used_ : (n,) which sites are used; a missing value, place, drift or error (or an endless one) sets a site aside.
    coefficients_ : (p,) coefficients of the constant (if unknown) and of the drift columns kept, which are centred on
        `drift_.centre` (where there is a constant) and divided by `drift_.scale`.

    Notes
    -----
    Never fails on few, duplicate or collinear sites. Without a site the mean is the known mean or 0, with the sill as
    variance. Drift columns that the sites cannot tell apart are left out, the later ones first.

    Examples
    --------
    >>> xy = np.array([[0.0, 0.0], [1000.0, 0.0]])
    >>> model = Kriging(Variogram("exponential", 0.0, 4.0, 500.0), mean=0.0).fit(xy, np.array([1.0, -1.0]), np.zeros(2))
    >>> mean, variance = model.predict(np.array([[0.0, 0.0], [500.0, 0.0], [1e6, 0.0]]))
    >>> mean.round(6) + 0.0, variance.round(3)
    (array([1., 0., 0.]), array([0.   , 3.046, 4.   ]))
    """

    def __init__(self, variogram: Variogram, mean: float | None = None, threads: int | None = None) -> None:
        """Keep the constants."""
        self.variogram = variogram
        self.mean = mean
        self.threads = threads

    def fit(
        self,
        xy: np.ndarray,
        values: np.ndarray,
        error_variance: np.ndarray | None = None,
        drift: np.ndarray | None = None,
    ) -> Kriging:
        """Fit to the sites; there may be none.

        Parameters
        ----------
        xy : (n, 2) coordinates, m.
        values : (n,) observations, any unit u.
        error_variance : (n,) each observation's own error variance beyond the nugget, u2; none when missing.
        drift : (n, k) columns that the mean depends on, such as elevation; none when missing.
        """
        values = np.asarray(values, float).ravel()
        xy = np.asarray(xy, float).reshape(len(values), 2)
        error = np.zeros(len(values)) if error_variance is None else np.asarray(error_variance, float).ravel()
        columns = drift_columns(drift, len(values))
        self.used_ = np.isfinite(values) & np.isfinite(error) & np.isfinite(np.column_stack([xy, columns])).all(axis=1)
        self._given = (xy, values, error, columns)
        self.xy_, columns = xy[self.used_], columns[self.used_]
        # Coordinates in metres run to millions; about their own middle no digit is lost in distances.
        self._origin = self.xy_.mean(axis=0) if len(self.xy_) else np.zeros(2)
        self._sites = self.xy_ - self._origin
        known = values[self.used_] - (self.mean or 0.0)
        self.noise_ = self._noise(self.variogram.nugget + np.maximum(error[self.used_], 0.0), known)
        self.drift_ = Drift.of(columns, constant=self.mean is None)
        self._factor(known, self.drift_.rows(np.ones(len(known)), columns))
        return self

    def predict(self, xy: np.ndarray, drift: np.ndarray | None = None) -> tuple[np.ndarray, np.ndarray]:
        """Return the field's mean and variance at points, (m,) each.

        Noise-free; points are (m, 2), drift columns (m, k).

        A place with a missing coordinate or drift gets a missing mean and variance.
        """
        xy = np.asarray(xy, float).reshape(-1, 2)
        mean, variance = np.empty(len(xy)), np.empty(len(xy))

        # Always in the same memory: new arrays for each tile took twice as long.
        desks = threading.local()

        def work(cells: slice) -> None:
            if not hasattr(desks, "own"):
                desks.own = np.empty((2, min(AT_A_TIME, len(xy)), len(self.xy_)))
            rows = self._rows(xy[cells], None if drift is None else drift[cells])
            mean[cells], variance[cells] = self._predict_part(xy[cells], rows, desks.own)

        list(in_threads(work, tiles(len(xy), AT_A_TIME), self.threads))
        return mean, variance

    def predict_grid(
        self, x: np.ndarray, y: np.ndarray, drift: np.ndarray | None = None
    ) -> tuple[np.ndarray, np.ndarray]:
        """Return the field's mean and variance on a grid, (y, x) each.

        As `predict`, to 1e-9 of the field's size, in a tenth of the time where there are hundreds of sites.

        Parameters
        ----------
        x, y : coordinates of the columns and the rows, m; both run evenly.
        drift : (y, x, k) drift columns.
        """
        if self.variogram.model != "exponential":
            # Any other ends at its range, where it has a kink.
            at_cells = np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)
            flat = None if drift is None else drift.reshape(len(at_cells), -1)
            mean, variance = self.predict(at_cells, flat)
            return mean.reshape(len(y), len(x)), variance.reshape(len(y), len(x))
        mean, variance = np.empty((len(y), len(x))), np.empty((len(y), len(x)))

        def work(tile: tuple[slice, slice]) -> None:
            rows, columns = tile
            own = None if drift is None else drift[tile].reshape(-1, drift.shape[-1])
            summed, squares = self._terms.of_tile(x[columns] - self._origin[0], y[rows] - self._origin[1])
            of_mean = self.drift_.rows(np.ones(squares.size), drift_columns(own, squares.size))
            at = self._posterior_at(of_mean, summed.reshape(len(summed), -1).T, squares.ravel())
            mean[tile], variance[tile] = (field.reshape(squares.shape) for field in at)

        list(in_threads(work, [(r, c) for r in tiles(len(y), TILE) for c in tiles(len(x), TILE)], self.threads))
        return mean, variance

    def leave_one_out(self) -> tuple[np.ndarray, np.ndarray]:
        """Return the field at each site without that site.

        Mean and variance, noise-free, for each site given to `fit`.

        Closed form (Dubrule 1983, Math. Geol. 15, 687-699): with P the upper left block of the inverse of the bordered
        matrix, the error of site i is [P z]_i / P_ii and its variance, noise included, 1 / P_ii. To score against the
        observation itself add `noise_` (nugget and own error) to the variance.
        """
        xy, values, error, columns = self._given
        mean, variance = np.full(len(values), np.nan), np.full(len(values), np.nan)
        used = np.flatnonzero(self.used_)
        inverse = np.einsum("ij,ij->j", self._inverse, self._inverse)
        diagonal = inverse - np.einsum("ij,ij->i", self._gain, self._gain)
        determined = diagonal > NO_NEWS * inverse
        with np.errstate(divide="ignore", invalid="ignore"):
            mean[used] = values[used] - self._weights / diagonal
            variance[used] = np.maximum(1.0 / diagonal - self.noise_, 0.0)
        for site in np.concatenate([used[~determined], np.flatnonzero(~self.used_)]):
            rest = np.arange(len(values)) != site
            without = Kriging(self.variogram, self.mean, 1).fit(xy[rest], values[rest], error[rest], columns[rest])
            mean[site : site + 1], variance[site : site + 1] = without.predict(xy[[site]], columns[[site]])
        return mean, variance

    def covariance(self, xy: np.ndarray, drift: np.ndarray | None = None) -> np.ndarray:
        """Return the posterior covariance of the field, (m, m).

        Noise-free, at a few hundred points at most.
        """
        xy = np.asarray(xy, float).reshape(-1, 2)
        prior = self.variogram.sill * self.variogram.correlation(cdist(xy, xy))
        return self._posterior(prior, self.site_covariance(xy), self._rows(xy, drift))

    def site_covariance(self, xy: np.ndarray, desk: np.ndarray | None = None) -> np.ndarray:
        """Return the prior covariance of points with sites, (m, n).

        Parameters
        ----------
        desk : (2, m or more, n) room to work in; the first layer is returned. Its own when missing.
        """
        xy = np.asarray(xy, float) - self._origin
        desk = np.empty((2, len(xy), len(self.xy_))) if desk is None else desk
        h, across = desk[:, : len(xy)]
        np.subtract(xy[:, :1], self._sites[:, 0], out=h)
        h *= h
        np.subtract(xy[:, 1:], self._sites[:, 1], out=across)
        across *= across
        h += across
        self.variogram.correlate(np.sqrt(h, out=h), across)
        h *= self.variogram.sill
        return h

    def sums_covariance(
        self, prior: np.ndarray, with_sites: np.ndarray, weight: np.ndarray, drift: np.ndarray | None = None
    ) -> np.ndarray:
        """Return the (g, g) posterior covariance of weighted sums of the field.

        Prior less data terms plus drift terms.

        All arguments must stand for the same cells or blocks of cells: with the prior on one discretisation and the data
        terms on another, their small difference is wrong by more than itself, and may be negative.

        Parameters
        ----------
        prior : (g, g) covariance of the sums before any observation.
        with_sites : (g, n) their covariance with the field at the sites used: `site_covariance`, summed.
        weight : (g,) sum of each sum's weights.
        drift : (g, k) weighted sums of the drift columns.
        """
        return self._posterior(prior, with_sites, self.drift_.rows(weight, drift_columns(drift, len(weight))))

    def covariance_with(
        self,
        xy: np.ndarray,
        prior: np.ndarray,
        with_sites: np.ndarray,
        weight: float = 1.0,
        drift: tuple[np.ndarray, np.ndarray] | None = None,
    ) -> np.ndarray:
        """Return the posterior covariance of points with a sum, (m,).

        Parameters
        ----------
        xy : (m, 2) places, m.
        prior : (m,) covariance of the places with the sum before any observation.
        with_sites : (n,) covariance of the sum with the field at the sites used: `site_covariance`, summed.
        weight : sum of the sum's weights, 1 for a single place.
        drift : (m, k) drift columns at the places and their (k,) weighted sums, where the kriging has them.
        """
        at_points, summed = (None, None) if drift is None else (drift[0], drift_columns(drift[1], 1))
        white = self._inverse @ with_sites
        rows = self.drift_.rows(np.array([weight]), drift_columns(summed, 1))
        unsure = self._root @ ((rows[0] - white @ self._whitened) @ self._root)
        solved, mixed = self._inverse.T @ white, self._inverse.T @ self._whitened

        def work(part: slice) -> np.ndarray:
            near = self.site_covariance(xy[part])
            there = self._rows(xy[part], None if at_points is None else at_points[part])
            return prior[part] - near @ solved + (there - near @ mixed) @ unsure

        return np.concatenate([*in_threads(work, tiles(len(xy), AT_A_TIME), self.threads), np.zeros(0)])

    def _noise(self, noise: np.ndarray, values: np.ndarray) -> np.ndarray:
        """Return noise variances that keep the equations regular.

        A trace where several sites are one place.

        Sites nearer than `NO_NEWS` of the range are one place: two of them without noise would make the equations singular.
        """
        sill = self.variogram.sill
        if len(noise) == 0:
            return noise
        if sill == 0:
            # No field at all: equal traces of noise make the mean the plain one.
            return np.maximum(noise, 1e-12 * max(noise.max(), float(np.mean(values**2)), 1e-300))
        apart = cdist(self._sites, self._sites)
        np.fill_diagonal(apart, np.inf)
        doubled = apart.min(axis=1) < NO_NEWS * self.variogram.range_m
        return np.where(doubled, np.maximum(noise, NO_NEWS * sill), noise)

    def _factor(self, known: np.ndarray, rows: np.ndarray) -> None:
        """Factor the sites' covariance once; keep what predictions and leave-one-out need."""
        covariance = self.site_covariance(self.xy_) + np.diag(self.noise_)
        n, p = rows.shape
        with one_blas_thread():
            lower = _cholesky(covariance)
            self._inverse = solve_triangular(lower, np.eye(n), lower=True) if n else np.zeros((0, 0))
            self._whitened = self._inverse @ rows
            # Thin QR of the whitened drift: its R is the Cholesky factor of F' K^-1 F, at half the digits lost.
            triangle = np.asarray(np.linalg.qr(self._whitened, mode="r")) if p else np.zeros((0, 0))
            self._root = np.linalg.inv(triangle) if p else triangle
            white = self._inverse @ known
            self.coefficients_ = self._root @ (self._root.T @ (self._whitened.T @ white))
            residual = white - self._whitened @ self.coefficients_
            self._beside = np.column_stack([self._whitened, residual])
            self._terms = DataTerms(self._sites, self._inverse, self._beside, self.variogram)
            self._weights = self._inverse.T @ residual
            self._gain = self._inverse.T @ (self._whitened @ self._root)

    def _rows(self, xy: np.ndarray, drift: np.ndarray | None) -> np.ndarray:
        return self.drift_.rows(np.ones(len(xy)), drift_columns(drift, len(xy)))

    def _predict_part(self, xy: np.ndarray, rows: np.ndarray, desk: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        covariance, white = self.site_covariance(xy, desk), desk[1, : len(xy)]
        np.matmul(covariance, self._inverse.T, out=white)
        return self._posterior_at(rows, white @ self._beside, np.einsum("ij,ij->i", white, white))

    def _posterior_at(self, rows: np.ndarray, summed: np.ndarray, squares: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Return mean and variance at points, (m,) each.

        From the rows of the mean, the (m, p + 1) whitened covariances times `_beside`, and the sums of their squares.
        """
        mean = (self.mean or 0.0) + rows @ self.coefficients_ + summed[:, -1]
        unsure = (rows - summed[:, :-1]) @ self._root
        explained = squares - np.einsum("ij,ij->i", unsure, unsure)
        return mean, np.maximum(self.variogram.sill - explained, 0.0)

    def _posterior(self, prior: np.ndarray, with_sites: np.ndarray, rows: np.ndarray) -> np.ndarray:
        white = with_sites @ self._inverse.T
        unsure = (rows - white @ self._whitened) @ self._root
        return prior - white @ white.T + unsure @ unsure.T


def _cholesky(covariance: np.ndarray) -> np.ndarray:
    """Return the lower Cholesky factor.

    Should rounding make the matrix indefinite, a growing trace is put on the diagonal.
    """
    size = float(np.trace(covariance)) / max(len(covariance), 1)
    for trace in (0.0, 1e-12, 1e-9, 1e-6):
        try:
            return cholesky(covariance + trace * size * np.eye(len(covariance)), lower=True)
        except np.linalg.LinAlgError:
            continue
    raise np.linalg.LinAlgError("The sites' covariance is not positive definite. Check the error variances.")
