"""Bulk density: a published relation, corrected by what courses and stations weighed."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

import numpy as np
import pandas as pd
import xarray as xr

from snowtally.snow.density_records import SeasonPrior, density_records
from snowtally.snow.sturm import prior_density, sturm_day
from snowtally.statistics.area_sums import BLOCK_SHARE
from snowtally.statistics.errors import SLOPE_REACH_M, ErrorPart
from snowtally.statistics.regression import PRIOR_COUNTS, doubt
from snowtally.statistics.tiles import one_blas_thread

REGION_SD = {"level": 0.2, "per_log_depth": 0.15, "per_km": 0.1, "per_60_days": 0.05}
"""Standard deviations of the correction from region to region, in natural logarithms of density: for all snow, for depth e
times as great, a kilometre of height, and two months (three real regions lie 0.07 to 0.26 below the relation and 0.04 below to
0.1 above its slope on depth; worlds of two physics are most likely with 0.3 for the slope on depth; docs/method.md)."""

SEASON_SHARE, ROUND_SHARE = 0.25, 0.5
"""A season deviates from its region, and a round of visits from its season, by these shares of `REGION_SD` and `LOCATION_SD` (one
real region: 0.05 and 0.1 where a region's is 0.2; 0.1 for the season is alike, 0.03 for the round 0.9 kg/m3 worse)."""

ROUND_DAYS = 15.0
"""E-folding time over which a round's own deviation lasts, days (one real region: 30 and 60 are 0.3 and 0.8 kg/m3 worse)."""

LOCATION_SD = 0.08
"""Spread of places about the correction that stays from season to season, in natural logarithms: 5 to 10 % within like terrain
(common practice, no source; one real region: 0.05 to 0.1 are alike within 0.8 kg/m3)."""

SHARED, REACH_M = 0.7, 15_000.0
"""Share of the places' variance that they have in common over distance, and its e-folding distance, m (most likely on three real
regions, odd seasons: 0.9 and 22 km; on worlds of two physics 0.2 and 1.5 to 2 km; docs/method.md)."""

RECORD_SD, RECORD_SD_M = 0.05, 0.06
"""Spread of single records in natural logarithms: a sampler's or two sensors' own, and so many metres over the snow's depth, since
what is lost of a core's foot or lies in a crust is the same in thin snow as in deep (the most likely values on one real region,
eight seasons)."""

COMMON_FLOOR = 0.03
"""What no number of records takes away, as a share of density: samplers and clearings err alike (docs/method.md)."""

EVEN_DEPTH_M = 0.3
"""The line on depth is one on the logarithm of depth and so much: thinner snow is a crust, new or a last drift and follows no line, and
a flight over thinner snow shows no pattern (common practice, no source; with half of it thin snow bends the line)."""


@dataclass(frozen=True)
class Locations:
    """Where density is asked for, arrays of one shape.

    Parameters
    ----------
    elevation_m : elevation, m.
    x, y : m.
    some : of a grid, on (y, x), which of its cells; then `elevation_m` is theirs alone, (n,), and so is all that is asked of them.
        All where missing.
    """

    elevation_m: np.ndarray
    x: np.ndarray
    y: np.ndarray
    some: np.ndarray | None = None

    @classmethod
    def of_terrain(cls, terrain: xr.Dataset, some: np.ndarray | None = None) -> Locations:
        """Return the cells of the grid, or some of them, from their elevation."""
        x, y = np.meshgrid(terrain["x"].to_numpy(), terrain["y"].to_numpy(), copy=False)
        elevation_m = terrain["elevation"].to_numpy()
        return cls(elevation_m if some is None else elevation_m[some], x, y, some)

    @classmethod
    def of_sites(cls, sites: pd.DataFrame) -> Locations:
        """Return sites or their records, from their `elevation_m`, `x` and `y`."""
        return cls(*(sites[name].to_numpy(float) for name in ("elevation_m", "x", "y")))


@dataclass(frozen=True)
class Densities:
    """Densities of some places, kg/m3, arrays of one shape.

    Parameters
    ----------
    mean : mean density.
    common : independent errors common to all places, each with its sign, as `BayesianLine.error_fields` gives them.
    local : standard error of each place by itself.
    pattern : standard error of what places have in common over `REACH_M`.
    """

    mean: np.ndarray
    common: list[np.ndarray]
    local: np.ndarray
    pattern: np.ndarray

    def standard_error(self) -> np.ndarray:
        """Return the standard error, all parts together."""
        return np.sqrt(sum(field**2 for field in (*self.common, self.local, self.pattern)))

    def parts(self, depth_m: np.ndarray) -> list[ErrorPart]:
        """Return the error parts of SWE due to density."""
        parts = [ErrorPart("density common", depth_m * field, np.inf) for field in self.common]
        parts.append(ErrorPart("density pattern", depth_m * self.pattern, REACH_M))
        return [*parts, ErrorPart("density local", depth_m * self.local, SLOPE_REACH_M)]


class BulkDensity:
    """Bulk density about a prior.

    What records weigh beyond it is a line on depth, height and day, with random parts.

    The logarithm of a record over the prior is

        y = x' (b_region + b_season + b_round) + p_place + p_season + p_round + e,

    x being 1, logarithm of depth, height and day, each part normal about nothing (a mixed model: Laird and Ware 1982, Biometrics
    38, 963-974). The prior is a published relation; where nothing was ever weighed, its geometric mean with the season's settling
    model. Visits of earlier seasons tell the region's part, this season's the season's, the days about the date the round's. A
    place that is weighed often counts as one place, and places near each other deviate alike: what they share is told between
    the sites as kriging tells it.

    Parameters
    ----------
    prior : the relation, the season and its settling.
    earlier : visits of earlier seasons: site_id, date, depth_m, density_kg_m3, elevation_m, x, y (m, missing where a site's place
        is not known); None where there are none.

    Attributes
    ----------
    coefficients_, covariance_ : (k,) mean of b_region + b_season + b_round on the date, and its (k, k) covariance.
    centre_ : depth (m) and elevation (m) at which the level is meant.
    records_ : what it was fitted to, as `density_records` gives it.
    spread_ : spread of the records over the one expected.
    """

    def __init__(self, prior: SeasonPrior, earlier: pd.DataFrame | None = None) -> None:
        """Keep what is known beforehand."""
        self.prior = prior
        self.earlier = earlier

    def fit(self, records: pd.DataFrame, date: dt.date) -> BulkDensity:
        """Fit to the season's records about `date`, before and after.

        Parameters
        ----------
        records : as `earlier`; may be empty.
        date : the day the density is wanted for.
        """
        with one_blas_thread():
            return self._fit(records, date)

    def _fit(self, records: pd.DataFrame, date: dt.date) -> BulkDensity:
        self.date_ = date
        known = density_records(records, self.earlier, self.prior, date)
        self.records_ = known
        now, later, depth = known["now"].to_numpy(), known["later"].to_numpy(), known["depth_m"].to_numpy()
        of = known[now] if now.any() else known
        self.centre_ = tuple(of[["depth_m", "elevation_m"]].mean()) if len(of) else (1.0, 2000.0)
        columns = self._columns(depth, known["elevation_m"].to_numpy(), later)
        self._excess = known["excess"].to_numpy()
        variance = np.array(list(REGION_SD.values())) ** 2
        season, site = known["season"].to_numpy(), known["site_id"].to_numpy(str)
        shared = (columns * variance) @ columns.T + LOCATION_SD**2 * _alike(site, known[["x", "y"]].to_numpy(float))
        shared *= 1.0 + np.equal.outer(season, season) * _within(np.subtract.outer(later, later))
        own = RECORD_SD**2 + (RECORD_SD_M / depth) ** 2
        self._doubted = _doubted(shared, own, self._excess)
        self._inverse = np.linalg.inv(shared + np.diag(own + self._doubted))
        this = season == self.prior.origin.year
        self._to_date = 1.0 + this * _within(later)
        to_date = columns * variance * self._to_date[:, None]
        weights = self._inverse @ to_date
        self.coefficients_ = weights.T @ self._excess
        self.covariance_ = np.diag(variance) * (1.0 + _within(0.0)) - to_date.T @ weights
        # A handful of records that happen to agree is no proof of certainty.
        squares = float(self._excess @ self._inverse @ self._excess)
        self.spread_ = float(np.sqrt((squares + PRIOR_COUNTS) / (len(known) + PRIOR_COUNTS)))
        return self

    def predict(self, depth_m: np.ndarray, locations: Locations) -> Densities:
        """Return the density of snow of a depth (m) at places."""
        with one_blas_thread():
            return self._densities(np.asarray(depth_m, float), self._beside(locations))

    def _densities(self, depth: np.ndarray, beside: _BesideDepth) -> Densities:
        """Return the density of snow of a depth (m)."""
        density = self._mean(depth, beside)
        columns = np.ones(()), self._deeper(depth), beside.higher
        # Its last column is for days after the date, and on the date says nothing.
        root = self.spread_ * np.linalg.cholesky(self.covariance_)[: len(columns)]
        fields = [sum(root[row, k] * columns[row] for row in range(k, len(columns))) for k in range(len(columns))]
        # Thin snow differs more from place to place, as its records do.
        local = np.hypot(self._local(), self.spread_ * RECORD_SD_M / (depth + EVEN_DEPTH_M))
        common = [density * field for field in (*fields, COMMON_FLOOR)]
        return Densities(density, common, density * local, density * beside.pattern_se)

    def _local(self) -> float:
        """Return the local spread about the line, as a share."""
        return self.spread_ * float(np.sqrt((1.0 - SHARED) * LOCATION_SD**2 * (1.0 + _within(0.0)) + RECORD_SD**2))

    def _spread(self) -> float:
        """Return the whole spread about the line, as a share.

        The part that neighbours have in common included.
        """
        return self.spread_ * float(np.sqrt(LOCATION_SD**2 * (1.0 + _within(0.0)) + RECORD_SD**2))

    def _pattern(self, locations: Locations) -> tuple[np.ndarray, np.ndarray]:
        """Return the pattern beyond the line and its standard error.

        In natural logarithms of density.

        A grid is told at points `BLOCK_SHARE` of the reach apart and taken evenly between them: the pattern is smooth over less.
        """
        if locations.x.ndim == 1 or 1 in locations.x.shape:
            return self._pattern_at(locations.x, locations.y)
        step = max(int(BLOCK_SHARE * REACH_M / abs(locations.x[0, 1] - locations.x[0, 0])), 1)
        rows, columns = (np.unique(np.append(np.arange(0, size, step), size - 1)) for size in locations.x.shape)
        fields = self._pattern_at(locations.x[np.ix_(rows, columns)], locations.y[np.ix_(rows, columns)])
        down, across = (_evenly_between(at) for at in (rows, columns))
        wide = (down @ field @ across.T for field in fields)
        mean, se = wide if locations.some is None else (field[locations.some] for field in wide)
        return mean, se

    def _pattern_at(self, x: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        known = self.records_[["x", "y"]].to_numpy(float)
        away = np.hypot(x.ravel() - known[:, :1], y.ravel() - known[:, 1:])
        shared = SHARED * LOCATION_SD**2 * np.nan_to_num(np.exp(-away / REACH_M)) * self._to_date[:, None]
        whole = SHARED * LOCATION_SD**2 * (1.0 + _within(0.0))
        explained = np.sum(shared * (self._inverse @ shared), axis=0)
        se = np.sqrt(np.maximum(whole - explained, 0.0))
        return (shared.T @ (self._inverse @ self._excess)).reshape(x.shape), se.reshape(x.shape)

    def _beside(self, locations: Locations) -> _BesideDepth:
        """Return what places have in the density beside their depth."""
        pattern, pattern_se = self._pattern(locations)
        higher = self._higher(locations.elevation_m)
        # The line tells the middle of places that spread log-normally: their mean is what weighs (Duan 1983, JASA 78, 605-610).
        level, _, per_km, _ = self.coefficients_
        log_factor = level + per_km * higher + pattern + 0.5 * self._spread() ** 2
        return _BesideDepth(log_factor, higher, self.spread_ * pattern_se, locations.elevation_m)

    def _mean(self, depth: np.ndarray, beside: _BesideDepth) -> np.ndarray:
        """Return the mean density."""
        relation = prior_density(depth, sturm_day(self.date_, self.prior.origin), self.prior.snow_class)
        excess = self.coefficients_[1] * self._deeper(depth) + beside.log_factor
        if self.records_.empty:
            # The geometric mean: the one is too dense in winter and too light in spring, the other too dense throughout (one real
            # region; trial worlds: shares of 0.4 to 0.6 are alike).
            settled = self.prior.settled(self.date_, beside.elevation_m, relation)
            excess = excess + np.mean([settled, np.zeros_like(settled)], axis=0)
        return relation * np.exp(excess, out=excess)

    def predict_from_swe(self, swe_mm: np.ndarray, locations: Locations) -> Densities:
        """Return as `predict`, where SWE and not depth is known.

        Depth and density are solved for together.
        """
        with one_blas_thread():
            depth, beside = np.asarray(swe_mm, float) / 300.0, self._beside(locations)
            for _ in range(6):  # density is flat in depth: each round takes the error down some fivefold
                depth = swe_mm / self._mean(depth, beside)
            return self._densities(depth, beside)

    def left_out(self) -> pd.DataFrame:
        """Return each site's density, measured and predicted.

        The measured one nearest to the date; predicted by the other sites alone.

        Returns
        -------
        DataFrame : site_id, observed, predicted, predicted_se (kg/m3), the error with that of the record.

        Notes
        -----
        Without the rows i of a site, with Q the inverse of all records' covariance, the site is predicted with the error
        Q_ii^-1 (Q y)_i and the covariance Q_ii^-1 (Rasmussen and Williams 2006, Gaussian Processes, eq. 5.12, by blocks).
        """
        off = self._inverse @ self._excess
        rows = []
        for site_id, records in self.records_.reset_index(drop=True).groupby("site_id"):
            this = records[records["now"]]
            if this.empty:
                continue
            own, at = records.index.to_numpy(), records.index.get_loc(this["later"].abs().idxmin())
            with one_blas_thread():
                covariance = np.linalg.inv(self._inverse[np.ix_(own, own)])
            observed = float(records["density_kg_m3"].iloc[at])
            predicted = observed * np.exp(-(covariance @ off[own])[at] + 0.5 * self._spread() ** 2)
            # That the others contradict the record must not make the error wide that it is held against.
            variance = covariance[at, at] - self._doubted[own[at]]
            rows.append((site_id, observed, predicted, predicted * self.spread_ * np.sqrt(variance)))
        return pd.DataFrame(rows, columns=["site_id", "observed", "predicted", "predicted_se"])

    def parameters(self) -> dict:
        """Return what the record keeps of the model."""
        now = self.records_["now"]
        return {
            "relation": "Sturm et al. 2010",
            "snow_class": self.prior.snow_class,
            "records": int(now.sum()),
            "earlier_seasons": {"records": int((~now).sum())},
            "correction": dict(zip(REGION_SD, self.coefficients_.round(5).tolist(), strict=True)),
            "centre_depth_m": round(self.centre_[0], 3),
            "centre_elevation_m": round(self.centre_[1], 1),
            "spread": round(self.spread_, 4),
            "place_spread": round(self._spread(), 5),
        }

    def _columns(self, depth_m: np.ndarray, elevation_m: np.ndarray, later: np.ndarray | float) -> np.ndarray:
        """Return the line's columns, one for each of `REGION_SD`.

        At depths (m) and elevations (m), `later` days after the date.
        """
        deeper = self._deeper(depth_m)
        return np.column_stack(
            [np.ones_like(deeper), deeper, self._higher(elevation_m), later / 60.0 + np.zeros_like(deeper)]
        )

    def _deeper(self, depth_m: np.ndarray) -> np.ndarray:
        return np.log((depth_m + EVEN_DEPTH_M) / (self.centre_[0] + EVEN_DEPTH_M))

    def _higher(self, elevation_m: np.ndarray) -> np.ndarray:
        # Beyond a kilometre of height from the records the line is not carried further.
        return np.clip((elevation_m - self.centre_[1]) / 1000.0, -1.0, 1.0)


@dataclass(frozen=True)
class _BesideDepth:
    """What places have in their density beside the snow's depth.

    Logarithm of the factor on the relation, height about the records' (km), the pattern's standard error, elevation (m).
    """

    log_factor: np.ndarray
    higher: np.ndarray
    pattern_se: np.ndarray
    elevation_m: np.ndarray


def _evenly_between(at: np.ndarray) -> np.ndarray:
    """Return weights that take values at rising numbers to all from the first, 0, to the last.

    (numbers, values), linear.
    """
    numbers = np.arange(at[-1] + 1)
    return np.stack([np.interp(numbers, at, one) for one in np.eye(len(at))], axis=1)


def _alike(site: np.ndarray, xy: np.ndarray) -> np.ndarray:
    """Return the correlation of places, (n, n).

    Of one place all, of others what they share over their distance.
    """
    away = np.hypot(*(np.subtract.outer(values, values) for values in xy.T))
    # A place that nobody knows is near no other.
    near = np.nan_to_num(np.exp(-away / REACH_M))
    return np.where(np.equal.outer(site, site), 1.0, SHARED * near)


def _within(days: np.ndarray | float) -> np.ndarray | float:
    """Return the variance shared within a season and a round.

    As a share of a region's, for records so many days apart.
    """
    return SEASON_SHARE**2 + ROUND_SHARE**2 * np.exp(-np.abs(days) / ROUND_DAYS)


def _doubted(shared: np.ndarray, own: np.ndarray, excess: np.ndarray) -> np.ndarray:
    """Return the added variance of records that others contradict."""
    first = np.linalg.inv(shared + np.diag(own))
    variance = 1.0 / np.diag(first)
    return (doubt((first @ excess) * np.sqrt(variance)) - 1.0) * variance
