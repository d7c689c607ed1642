"""The background of a season without a flight: the season's mass balance, and how much each place gathers by its terrain."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
import xarray as xr

from snowtally.model.ground import GroundRecord
from snowtally.snow.background import FRESH_DAYS, LOCAL_REACH_M, CarriedFlight, TerrainBackground, explains
from snowtally.snow.balance import FACTOR_MOST, march, turnover_of
from snowtally.snow.carry import BARE_MM, TERRAIN_LOCAL, UNOBSERVED_MM_PER_DAY, Turnover
from snowtally.snow.cell_error import Prediction, Residual
from snowtally.snow.forcing import Forcing, node_to_sites, season_forcing
from snowtally.snow.melt_windows import MELT_COMMON, SCALE_LOG_SD
from snowtally.snow.melting import CELL_VARIATION
from snowtally.snow.past_pattern import expected_pattern, known_variation, local_variation, past_share
from snowtally.snow.site_gains import cell_values, gain_log, sites_offset
from snowtally.snow.site_values import weather_nodes
from snowtally.snow.terrain_regression import BEYOND, BEYOND_SD, LOCAL_SHARE, TerrainColumns
from snowtally.statistics.errors import ErrorPart
from snowtally.statistics.regression import BayesianLine, doubt, doubt_wild
from snowtally.statistics.residual import SiteResidual
from snowtally.terrain.canopy import CANOPY_LOG, CLEARING, cell_exposure, site_exposure

TERRAIN_SD = (0.5, 0.8, 0.4, 0.4, BEYOND_SD, BEYOND_SD)
"""Prior spread of the logarithm of a place's accumulation factor: its level, with a kilometre of height, from a south to a north
face, from open to closed canopy (trial worlds), and a kilometre above and below the sites."""

FACTOR_LEAST, POOR_FACTOR = 1e-3, 0.05
"""Factors are sought down to the first; below the second a site is as good as bare, and how far below is noise."""

SMEARING_LIMITS = (0.8, 1.3)
"""Limits of the factor that brings the line's mean to that of the factors. A log-normal spread of 0.6, more than cells of one height
have, asks for 1.2; beyond these one wild site would fill a nearly bare basin (four sites of 0.05 and one of 4 ask for 4)."""

MOST_AT_LIMIT = 0.5
"""Where this share of the sites would need more than the greatest factor, the gauges have missed the snow."""

MELT_LOG_SCALES = np.linspace(-0.9, 0.9, 13)
"""Scales on degree-day melt that are weighed against the sites' series."""

SITE_MM = 8.0
"""Error of a site's modelled SWE, mm: what instruments add."""


@dataclass(frozen=True)
class SiteHistories:
    """What the sites said through the season.

    SWE (day, site) in mm, missing where unknown, elevation in m, melt exposure.
    """

    swe_mm: np.ndarray
    elevation_m: np.ndarray
    exposure: np.ndarray
    sites: pd.Index

    @classmethod
    def of(cls, ground: GroundRecord, days: pd.DatetimeIndex) -> SiteHistories:
        """Return the histories of the sites that said anything.

        Stations day by day, courses on their visits.
        """
        observed = ground.station_series, ground.course_days
        series = [part.reindex(index=days, columns=ground.sites.index) for part in observed]
        swe = series[0].fillna(series[1])
        swe = swe.loc[:, swe.notna().any()]
        sites = ground.sites.loc[swe.columns]
        exposure = site_exposure(sites, southern=ground.southern)
        return cls(swe.to_numpy(float), sites["elevation_m"].to_numpy(float), exposure, swe.columns)


@dataclass(frozen=True)
class LocalTerrain:
    """What decides how much a place gathers and loses.

    Parameters
    ----------
    predictors : (n, 3) elevation (m), northness, canopy.
    exposure : (n,) melt exposure.
    pattern : (n,) logarithm of what it is expected to gather beyond its terrain by earlier seasons' flights, 0 where none saw
        it; None without any.
    local : (n,) coefficient of variation of accumulation between places that are expected to gather alike.
    """

    predictors: np.ndarray
    exposure: np.ndarray
    pattern: np.ndarray | None
    local: np.ndarray

    @classmethod
    def of_sites(cls, sites: pd.DataFrame, *, southern: bool) -> LocalTerrain:
        """Return sites, in their clearings, with what is known of their cells."""
        clearings = sites.assign(canopy=CLEARING * sites["canopy"])
        predictors = clearings[["elevation_m", "northness", "canopy"]].to_numpy(float)
        exposure = site_exposure(sites, southern=southern)
        return cls(predictors, exposure, expected_pattern(sites), local_variation(sites, TERRAIN_LOCAL))

    @classmethod
    def of_grid(cls, cells: xr.Dataset, *, southern: bool) -> LocalTerrain:
        """Return places of the grid, flat."""
        predictors = np.column_stack([cells[name].to_numpy().ravel() for name in ("elevation", "northness", "canopy")])
        pattern = expected_pattern(cells)
        exposure = cell_exposure(cells, southern=southern).ravel()
        local = local_variation(cells, TERRAIN_LOCAL).ravel()
        return cls(predictors, exposure, None if pattern is None else pattern.ravel(), local)

    def expected(self) -> np.ndarray:
        """Return the expected logarithm of the factor beside the line."""
        wooded = CANOPY_LOG * self.predictors[:, 2]
        return wooded if self.pattern is None else wooded + self.pattern

    @property
    def within(self) -> float:
        """Coefficient of variation about what is expected.

        Of another cell or within one.
        """
        return float(
            np.hypot(CELL_VARIATION, TERRAIN_LOCAL if self.pattern is None else known_variation(TERRAIN_LOCAL))
        )


class TerrainBalance:
    """SWE from snowfall, melt and a factor by terrain.

    The factor is fitted to the sites.

    Parameters
    ----------
    season_start : first day of the snow season.

    Attributes
    ----------
    line_ : logarithm of the factor on elevation, northness and canopy.
    past_share_ : how far the pattern of earlier seasons' flights is believed, 0 where there is none.
    melt_scale_, melt_log_se_ : scale on degree-day melt and the standard error of its logarithm.
    residual_ : the sites' deviation, spread over the basin.
    sound_ : whether the balance can make the snow that the sites hold: most of them within the factors' limits, and not
        molten away where they have snow.
    """

    name = "terrain balance"

    def __init__(self, season_start: dt.date) -> None:
        """Keep the season's start."""
        self.season_start = season_start

    def anew(self, ground: GroundRecord, date: dt.date) -> TerrainBalance | TerrainBackground:
        """Return the same model fitted to another record.

        Or what replaces it where that record lacks the weather.
        """
        return fitted_on_terrain(self.season_start, ground, date)

    def fit(self, ground: GroundRecord, date: dt.date, forcing: Forcing, histories: SiteHistories) -> TerrainBalance:
        """Fit to the sites' values up to `date`."""
        factor, informative = self._melt_and_factors(forcing, histories)
        self.turnover_ = replace(
            season_turnover(forcing, self.melt_scale_), unobserved_days=unobserved_days_at_end(forcing)
        )
        self.southern_ = ground.southern
        self.past_share_ = past_share(ground.sites)
        all_terrain = LocalTerrain.of_sites(ground.sites.loc[histories.sites], southern=ground.southern)
        # A bare site among others says that there is little, not by how much; where all are bare there is none.
        poor = POOR_FACTOR if (factor > POOR_FACTOR).any() else FACTOR_LEAST
        self.offset_ = sites_offset(ground)
        of_cells = np.log(np.maximum(factor, poor)) - gain_log(ground, histories.sites)
        self._fit_line(all_terrain, of_cells, informative)
        values = cell_values(ground, date)
        sites = ground.sites.loc[values.index]
        swe, se = values["swe_mm"].to_numpy(), values["swe_se_mm"].to_numpy()
        terrain = LocalTerrain.of_sites(sites, southern=ground.southern)
        expected = self._background(terrain, 0.0)[0]
        # Asked of ground like the sites' and not of points: late in melt a few drifts hold all the snow, and a point none.
        like = self._background(terrain, terrain.within)[0]
        self.sound_ = bool(np.mean(factor > 0.98 * FACTOR_MOST) < MOST_AT_LIMIT) and explains(
            like, swe, values["age_days"].to_numpy()
        )
        self.scale_mm_ = max(float(np.mean(swe)), 1.0)
        size = expected + 0.2 * self.scale_mm_
        self.residual_ = SiteResidual(least_sd=0.1, most_sd=0.6).fit(
            sites[["x", "y"]].to_numpy(float), (swe - expected) / size, se / size
        )
        return self

    def _melt_and_factors(self, forcing: Forcing, histories: SiteHistories) -> tuple[np.ndarray, np.ndarray]:
        """Set the scale on melt and its error.

        Return each site's factor with it, and which sites tell of theirs.

        A bare site that would be bare even if it had gathered next to nothing less than others tells of rain and melt alone.
        """
        snowfall = node_to_sites(forcing.snowfall_mm, forcing.nodes_m, histories.elevation_m)
        melt = node_to_sites(forcing.melt_mm, forcing.nodes_m, histories.elevation_m) * histories.exposure
        rows = factor_rows(histories.swe_mm)
        days = np.arange(0, len(forcing.days), FRESH_DAYS)
        # The scales side by side, (day, scale, site): marched together they take a tenth of the time.
        seen = histories.swe_mm[days][:, None]
        scales = np.exp(MELT_LOG_SCALES)[:, None]
        loss, fallen = (
            scales * melt[:, None],
            np.broadcast_to(snowfall[:, None], (len(melt), len(scales), melt.shape[1])),
        )
        factor = site_factors(fallen, loss, histories.swe_mm[:, None], rows)
        modelled = march(np.zeros(factor.shape), factor * fallen, loss)[days]
        sd = np.hypot(2 * SITE_MM, 0.2 * np.maximum(modelled, np.nan_to_num(seen)))
        # A series errs alike from week to week: its marks together count as about three.
        count = np.maximum(np.isfinite(seen).sum(axis=0), 1)
        off = np.log1p(((seen - modelled) / sd) ** 2 / 4.0) * np.minimum(3.0 / count, 1.0)
        cost = 2.5 * np.nansum(off, axis=(0, 2)) + 0.5 * (MELT_LOG_SCALES / SCALE_LOG_SD) ** 2
        weight = np.exp(np.min(cost) - cost)
        weight /= weight.sum()
        mean = float(weight @ MELT_LOG_SCALES)
        self.melt_scale_ = float(np.exp(mean))
        # Between two scales that were tried the best may lie anywhere.
        step = MELT_LOG_SCALES[1] - MELT_LOG_SCALES[0]
        self.melt_log_se_ = float(np.sqrt(weight @ (MELT_LOG_SCALES - mean) ** 2 + step**2 / 12.0))
        loss = self.melt_scale_ * melt
        factor = site_factors(snowfall, loss, histories.swe_mm, rows)
        sites = np.arange(len(factor))
        least = march(np.zeros(len(factor)), snowfall / FACTOR_MOST, loss)[rows, sites]
        return factor, (least > 0) | (histories.swe_mm[rows, sites] > BARE_MM)

    def _fit_line(self, terrain: LocalTerrain, log_factor: np.ndarray, informative: np.ndarray) -> None:
        """Fit the logarithm of the factor to the (m,) sites `informative`.

        The prior alone where there are none.
        """
        # The line reaches as far as sites tell it; where none does, its prior is about their middle.
        self.columns_ = TerrainColumns(terrain.predictors[informative if informative.any() else slice(None), 0])
        self.line_ = BayesianLine(np.array(TERRAIN_SD))
        columns, log_factor = (
            self.columns_.of(terrain.predictors[informative]),
            (log_factor - terrain.expected())[informative],
        )
        raised, off = np.ones(len(log_factor)), np.zeros(len(log_factor))
        for _ in range(6):
            self.line_.fit(columns, log_factor, LOCAL_SHARE**2 * raised)
            off = log_factor - self.line_.predict(columns)[0]
            raised = doubt(off / LOCAL_SHARE)
        # The mean of the factors, not of their logarithms, is what fills a basin (Duan 1983, JASA 78, 605-610). Only wild sites
        # are doubted in it: with the line's weights, which doubt all high ones, it was 1.02 on real nights in place of 1.1.
        weights = 1.0 / doubt_wild(off / LOCAL_SHARE)
        mean = np.average(np.exp(off), weights=weights) if len(off) else np.exp(0.5 * LOCAL_SHARE**2)
        self.smearing_ = float(np.clip(mean, *SMEARING_LIMITS))

    def _background(self, terrain: LocalTerrain, variation: float) -> tuple[np.ndarray, ...]:
        """Return SWE, covered share, and SWE's slopes, (m,) each.

        Slopes are by the logarithms of the factor and of melt.
        """
        log_factor = self.line_.predict(self.columns_.of(terrain.predictors))[0]
        factor = np.minimum(self.smearing_ * np.exp(log_factor + terrain.expected()), FACTOR_MOST)
        # Towards more snow, by about as much as factor and melt are unsure of: ground that is all but bare may not be.
        bare, elevation, step = np.zeros(len(factor)), terrain.predictors[:, 0], 0.3
        carried = self.turnover_.carry(bare, factor, elevation, variation, terrain.exposure)
        more = self.turnover_.carry(bare, factor * np.exp(step), elevation, variation, terrain.exposure)
        less_melt = self.turnover_.with_loss(np.exp(-step))
        colder = less_melt.carry(bare, factor, elevation, variation, terrain.exposure)
        by_factor, by_melt = ((one.swe_mm - carried.swe_mm) / step for one in (more, colder))
        return carried.swe_mm, carried.covered, by_factor, by_melt

    def predict(self, cells: xr.Dataset) -> Prediction:
        """Return SWE at places of the grid.

        Elevation (m), northness, canopy, east and north (m), each of the same shape.
        """
        shape = cells["elevation"].shape
        terrain = LocalTerrain.of_grid(cells, southern=self.southern_)
        background, covered, by_factor, by_melt = (v.reshape(shape) for v in self._background(terrain, terrain.within))
        line_fields = self.line_.error_fields(self.columns_.of(terrain.predictors))
        share, share_se = self.residual_.predict(cells["east"].to_numpy(), cells["north"].to_numpy())
        size = background + 0.2 * self.scale_mm_ * np.clip(background / self.scale_mm_, 0, 1)
        swe = np.maximum(background + share * size, 0.0)
        parts = [
            *(
                ErrorPart("terrain line", field.reshape(shape) * by_factor, np.inf, shared=column in BEYOND)
                for column, field in enumerate(line_fields)
            ),
            ErrorPart("melt scale", self.melt_log_se_ * by_melt, np.inf),
            ErrorPart("melt common", MELT_COMMON * by_melt, np.inf, shared=True),
            ErrorPart("site offset", self.offset_ * swe, np.inf, shared=True),
            ErrorPart("terrain local", terrain.local.reshape(shape) * by_factor, LOCAL_REACH_M),
            ErrorPart("unheard change", covered * UNOBSERVED_MM_PER_DAY * self.turnover_.unobserved_days, np.inf),
        ]
        return Prediction(swe, covered, parts, Residual(self.residual_.kriging_, share_se, size))

    def parameters(self) -> dict:
        """Return what the record keeps of the model."""
        return {
            "coefficients": self.line_.coefficients_.round(4).tolist(),
            "columns": ["log factor", "per km of elevation", "per northness", "per canopy", "above", "below"],
            "centre_elevation_m": round(self.columns_.centre_m, 1),
            "smearing": round(self.smearing_, 4),
            "earlier_seasons_share": self.past_share_,
            "melt_scale": round(self.melt_scale_, 4),
            "melt_log_se": round(self.melt_log_se_, 4),
            "residual": self.residual_.parameters(),
        }


Background = CarriedFlight | TerrainBalance | TerrainBackground


def fitted_on_terrain(season_start: dt.date, ground: GroundRecord, date: dt.date) -> TerrainBalance | TerrainBackground:
    """Return the background without a flight, fitted to `date`.

    The season's balance, where its weather is known, some site has said something of SWE by the date, and the balance can make
    the snow that the sites hold; else the sites spread by the terrain alone.
    """
    forcing = season_forcing(ground, pd.Timestamp(season_start), pd.Timestamp(date), weather_nodes(ground))
    if forcing is not None and forcing.enough_days and len((histories := SiteHistories.of(ground, forcing.days)).sites):
        balance = TerrainBalance(season_start).fit(ground, date, forcing, histories)
        if balance.sound_:
            return balance
    return TerrainBackground().fit(ground, date)


def unobserved_days_at_end(forcing: Forcing) -> int:
    """Return how many days at the end have no report.

    Of what is missing before, the sites have reported since.
    """
    return int(np.argmax(forcing.observed[::-1])) if forcing.observed.any() else len(forcing.observed)


def season_turnover(forcing: Forcing, melt_scale: float) -> Turnover:
    """Return the season's gain and loss by elevation, mm."""
    return turnover_of(forcing.nodes_m, forcing.snowfall_mm, melt_scale * forcing.melt_mm)


def factor_rows(swe_mm: np.ndarray) -> np.ndarray:
    """Return for each site the day (row) whose SWE tells its factor.

    The last with at least half of its most, (site,).

    Thin late snow says more of melt than of what the place gathers.
    """
    most = np.nanmax(swe_mm, axis=0)
    enough = np.nan_to_num(swe_mm, nan=-1.0) >= np.maximum(0.5 * most, 0.0)
    return len(swe_mm) - 1 - np.argmax(enough[::-1], axis=0)


def site_factors(snowfall_mm: np.ndarray, loss_mm: np.ndarray, swe_mm: np.ndarray, day: np.ndarray) -> np.ndarray:
    """Return the factor that fits each site's SWE, (..., site).

    Parameters
    ----------
    snowfall_mm, loss_mm : (day, ..., site).
    swe_mm : the same, or of a shape that broadcasts to it.
    day : (site,) row of the day.

    Notes
    -----
    SWE rises with the factor, so that halving the interval finds it, between `FACTOR_LEAST` and `FACTOR_MOST`.
    """
    sites, shape = np.arange(swe_mm.shape[-1]), snowfall_mm.shape[1:]
    low, high = np.full(shape, np.log(FACTOR_LEAST)), np.full(shape, np.log(FACTOR_MOST))
    held = np.moveaxis(swe_mm, -1, 0)[sites, day].T
    for _ in range(12):
        middle = (low + high) / 2
        modelled = march(np.zeros(shape), np.exp(middle) * snowfall_mm, loss_mm)
        less = held > np.moveaxis(modelled, -1, 0)[sites, day].T
        low, high = np.where(less, middle, low), np.where(less, high, middle)
    return np.exp((low + high) / 2)
