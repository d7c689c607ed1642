"""The sites' SWE kriged over the basin about a trend with elevation, without a balance."""

from __future__ import annotations

import datetime as dt

import numpy as np
import xarray as xr

from snowtally.model.ground import GroundRecord
from snowtally.snow.background import LOCAL_REACH_M, PATCHY_MM
from snowtally.snow.carry import TERRAIN_LOCAL
from snowtally.snow.site_gains import cell_values, sites_offset
from snowtally.snow.site_values import SITE_VARIATION
from snowtally.snow.terrain_regression import TerrainColumns
from snowtally.statistics.errors import ErrorPart, KrigedPart, shared_error
from snowtally.statistics.kriging import Kriging
from snowtally.statistics.pykrige_engine import PykrigeKriging
from snowtally.statistics.variogram import VariogramLimits, site_variogram

PYKRIGE_PAIRS = 4_000_000
"""Up to so many pairs of a site and a place PyKrige predicts; beyond, our own solver, which is the same to 1e-6 and takes a
quarter of the time."""

PYKRIGE_SITES = 4
"""PyKrige needs more sites than the mean has unknowns, and some to tell them by."""

LEAST_SHARE = 0.1
"""Least standard deviation of the kriged field, as a share of the sites' mean: a few sites that agree prove nothing."""


LEAST_RELIEF_KM = 1e-3
"""Sites within a metre of height tell of no trend."""


class KrigedSites:
    """Universal kriging of the sites' SWE.

    With a trend on elevation, level `terrain_regression.REACH_M` beyond the sites.

    Attributes
    ----------
    variogram_ : robust, bounded; of what the trend leaves.
    kriging_ : our own solver's fit.
    engine_ : PyKrige's fit of the same; None where there are too few sites for it, or all are at one place.
    """

    name = "universal kriging"

    def anew(self, ground: GroundRecord, date: dt.date) -> KrigedSites:
        """Return the same model fitted to another record."""
        return KrigedSites().fit(ground, date)

    def fit(self, ground: GroundRecord, date: dt.date) -> KrigedSites:
        """Fit to the sites' SWE on `date`."""
        values = cell_values(ground, date)
        self.offset_ = sites_offset(ground)
        sites = ground.sites.loc[values.index]
        xy, swe = sites[["x", "y"]].to_numpy(float), values["swe_mm"].to_numpy(float)
        self.columns_ = TerrainColumns(sites["elevation_m"].to_numpy(float))
        drift = self._drift(sites["elevation_m"].to_numpy(float))
        left = swe - np.polyval(np.polyfit(drift[:, 0], swe, 1), drift[:, 0]) if _varies(drift) else swe - swe.mean()
        # PyKrige knows one error for all sites; theirs differ little among places of like snow.
        noise = float(np.median(values["swe_se_mm"] ** 2)) + (SITE_VARIATION * float(np.mean(swe))) ** 2
        level = max(float(np.mean(swe)), 1.0)
        limits = VariogramLimits(least_sill=(LEAST_SHARE * level) ** 2)
        self.variogram_ = site_variogram(xy, left, np.full(len(swe), noise), "exponential", limits)
        error = np.full(len(swe), noise)
        self.kriging_ = Kriging(self.variogram_).fit(xy, swe, error, drift)
        self.engine_ = None
        apart = len(np.unique(xy, axis=0)) >= PYKRIGE_SITES and _varies(drift)
        if apart:
            self.engine_ = PykrigeKriging(self.variogram_).fit(xy, swe, error, drift)
        return self

    def predict(self, cells: xr.Dataset) -> KrigedPrediction:
        """Return SWE at places of the grid.

        Elevation (m), east and north (m), each of the same shape.
        """
        x, y, elevation = (cells[name].to_numpy() for name in ("east", "north", "elevation"))
        drift = self._drift(elevation.ravel()).reshape(*elevation.shape, -1)
        known = np.isfinite(x) & np.isfinite(y) & np.isfinite(elevation)
        mean, variance = np.full(known.shape, np.nan), np.full(known.shape, np.nan)
        pairs = int(known.sum()) * len(self.kriging_.xy_)
        engine = self.kriging_ if self.engine_ is None or pairs > PYKRIGE_PAIRS else self.engine_
        if engine is self.kriging_ and known.ndim > 1:
            mean, variance = self.kriging_.predict_grid(x[0], y[:, 0], drift)
        elif known.any():
            mean[known], variance[known] = engine.predict(np.column_stack([x[known], y[known]]), drift[known])
        return KrigedPrediction(np.maximum(mean, 0.0), np.sqrt(variance), self, drift)

    def parameters(self) -> dict:
        """Return what the record keeps of the model."""
        return {
            "sill_mm2": round(self.variogram_.sill, 2),
            "nugget_mm2": round(self.variogram_.nugget, 2),
            "range_m": round(self.variogram_.range_m, 1),
            "coefficients": self.kriging_.coefficients_.round(4).tolist(),
        }

    def _drift(self, elevation_m: np.ndarray) -> np.ndarray:
        """Return the trend's column, (n, 1).

        Elevation in km about the sites' mean, level beyond their reach.
        """
        return (np.clip(elevation_m, *self.columns_.reach_m)[:, None] - self.columns_.centre_m) / 1000.0


def _varies(drift: np.ndarray) -> bool:
    return len(drift) > 1 and float(np.ptp(drift)) > LEAST_RELIEF_KM


class KrigedPrediction:
    """SWE from kriged sites, with its error; mm.

    Parameters
    ----------
    swe_mm, kriged_se_mm : mean and the kriging's standard error, of one shape.
    model, drift : what predicted, and the places' drift columns, for the covariance of totals.
    """

    def __init__(self, swe_mm: np.ndarray, kriged_se_mm: np.ndarray, model: KrigedSites, drift: np.ndarray) -> None:
        """Keep what was predicted."""
        self.swe_mm = swe_mm
        self.kriged_se_mm = kriged_se_mm
        self.model = model
        self.drift = drift
        self.covered = 1.0 - np.exp(-swe_mm / PATCHY_MM)

    def _own_parts(self) -> list[ErrorPart]:
        return [
            ErrorPart("site offset", self.model.offset_ * self.swe_mm, np.inf, shared=True),
            ErrorPart("terrain local", TERRAIN_LOCAL * self.swe_mm, LOCAL_REACH_M),
        ]

    def shared_error(self) -> np.ndarray:
        """Return the shared standard error, mm."""
        return shared_error(self._own_parts())

    def standard_error(self) -> np.ndarray:
        """Return the standard error in mm, all parts together."""
        return np.sqrt(sum(part.error_mm**2 for part in self._own_parts()) + self._scale() ** 2 * self.kriged_se_mm**2)

    def all_parts(self, x: np.ndarray, y: np.ndarray) -> list[ErrorPart | KrigedPart]:
        """Return every error part of a prediction for the grid.

        With columns at `x` and rows at `y`, m.
        """
        return [*self._own_parts(), KrigedPart("site residual", self._scale(), self.model.kriging_, x, y, self.drift)]

    def _scale(self) -> np.ndarray:
        """Return by how much the kriging's error counts.

        Where the trend has run down to bare ground, it has nothing to err by.
        """
        return np.clip(self.swe_mm / PATCHY_MM, 0.0, 1.0)
