"""The background of a day's SWE: the last flight carried on, or the sites spread over the terrain.

Both models have one shape: `fit` takes what the ground said, `predict` gives SWE at any place of the basin grid, be it the
whole grid or a handful of sites, with the parts of its error. docs/method.md tells what was tried.
"""

from __future__ import annotations

import datetime as dt

import numpy as np
import pandas as pd
import xarray as xr

from snowtally.model.ground import GroundRecord
from snowtally.snow.balance import FACTOR_MOST, Gathered, balance_turnover, gathered
from snowtally.snow.carry import SPARE_MM, TERRAIN_LOCAL, UNOBSERVED_MM_PER_DAY, site_turnover
from snowtally.snow.cell_error import Prediction, Residual
from snowtally.snow.flight_swe import Flown
from snowtally.snow.forcing import Forcing, season_forcing
from snowtally.snow.melt_windows import MELT_COMMON, Scales, Since, fitted_scales
from snowtally.snow.melting import CELL_VARIATION
from snowtally.snow.past_pattern import expected_pattern, local_variation, past_share
from snowtally.snow.site_gains import cell_values, sites_offset
from snowtally.snow.site_values import site_values, weather_nodes
from snowtally.snow.terrain_regression import BEYOND, NORTHNESS, TerrainRegression
from snowtally.statistics.errors import ErrorPart
from snowtally.statistics.residual import SiteResidual
from snowtally.terrain.canopy import cell_exposure, site_exposure

CARRY_LOCAL = 0.4
"""Error of a single cell's gain and loss, as a share of it (demo basin: 0.25 claims cells too surely)."""

LOCAL_REACH_M = 500.0
"""E-folding distance over which cells err alike beyond what the models know (trial worlds: 400 to 500 m)."""

EXPLAINED_LEAST = 0.2
"""A balance that leaves the sites with less than this share of the snow that they hold has the wrong weather: it is not used."""

FRESH_DAYS = 7
"""A value measured so many days ago is still as good as measured: in melt a week takes 100 mm and more (common practice, no
source). A series is compared with a model once in so many days."""

LITTLE_MM = 10.0
"""Sites that hold less on average do not contradict a model that has none."""

PATCHY_MM = 20.0
"""Mean SWE at which some two thirds of a cell are covered (snow depletion curves, common practice, no source)."""


class CarriedFlight:
    """The last flight carried on by gain and loss since.

    Where stations or the weather table tell of temperature and precipitation, gain and loss come from a light mass balance
    scaled to the sites' changes; else from the stations' changes alone.

    Parameters
    ----------
    flown : the basin on the flight's day.
    season_start : first day of the snow season.

    Attributes
    ----------
    by_weather_ : whether gain and loss come from the weather.
    turnover_ : gain and loss by elevation since the flight.
    scales_ : on snowfall since the flight and on melt by window; None where the weather does not tell.
    gathered_ : what fell and could melt before the flight's day; None where the weather does not tell.
    residual_ : each site's own deviation, as a share of turnover, spread over the basin.
    """

    name = "carried flight"

    def __init__(self, flown: Flown, season_start: dt.date) -> None:
        """Keep the flight."""
        self.flown = flown
        self.season_start = season_start

    def anew(self, ground: GroundRecord, date: dt.date) -> CarriedFlight:
        """Return the same model fitted to another record."""
        return CarriedFlight(self.flown, self.season_start).fit(ground, date)

    def fit(self, ground: GroundRecord, date: dt.date) -> CarriedFlight:
        """Fit to the sites' changes since the flight."""
        then = site_values(ground, self.flown.date)
        now = site_values(ground, date)
        start, end = pd.Timestamp(self.flown.date), pd.Timestamp(date)
        # A visit that stands for both days has seen no change.
        both = then.index.intersection(now.index)
        both = both[(now.loc[both, "measured_on"] != then.loc[both, "measured_on"]).to_numpy()]
        sites, swe, held = (
            ground.sites.loc[both],
            then.loc[both, "swe_mm"].to_numpy(),
            now.loc[both, "swe_mm"].to_numpy(),
        )
        self.southern_ = ground.southern
        elevation, exposure = sites["elevation_m"].to_numpy(float), site_exposure(sites, southern=ground.southern)
        forcing = season_forcing(ground, pd.Timestamp(self.season_start), end, weather_nodes(ground))
        self.by_weather_ = False
        if forcing is not None and forcing.since(start).enough_days:
            factor = self._by_balance(ground, forcing, then)
            carried = self.turnover_.carry(swe, factor[both].to_numpy(), elevation, 0.0, exposure).swe_mm
            self.by_weather_ = explains(carried, held, now.loc[both, "age_days"].to_numpy())
        if not self.by_weather_:
            factor, exposure = self._by_stations(ground, end, then), np.ones(len(both))
            carried = self.turnover_.carry(swe, factor[both].to_numpy(), elevation, 0.0).swe_mm
        then, now, own = then.loc[both], now.loc[both], factor[both].to_numpy()
        size = turnover_mm(swe, own, *self.turnover_.at(elevation, exposure)) + SPARE_MM
        share = (held - carried) / size
        # The instrument's fixed offset cancels in a change; its noise does not, and counts twice.
        noise = np.hypot(now["swe_se_mm"], then["swe_se_mm"]).to_numpy() / size
        self.residual_ = SiteResidual(least_sd=0.05, most_sd=0.5).fit(sites[["x", "y"]].to_numpy(float), share, noise)
        return self

    def _by_balance(self, ground: GroundRecord, forcing: Forcing, then: pd.DataFrame) -> pd.Series:
        """Take gain and loss from the weather, scaled to the sites.

        Return each site's factor.
        """
        start = pd.Timestamp(self.flown.date)
        before = forcing.until(start)
        # Weather that begins in mid-season knows not what a place has gathered; the flight alone tells where more lies.
        self.gathered_: Gathered | None = gathered(before, self.flown.pattern) if before.enough_days else None
        factor = self._site_factors(ground, then)
        scales = fitted_scales(ground, forcing, Since(start, factor))
        self.scales_: Scales | None = scales
        self.turnover_ = balance_turnover(forcing, scales, start)
        return factor

    def _by_stations(self, ground: GroundRecord, end: pd.Timestamp, then: pd.DataFrame) -> pd.Series:
        """Take gain and loss from the sites' changes alone.

        Return each site's factor.
        """
        self.gathered_, self.scales_ = None, None
        factor = self._site_factors(ground, then)
        turnover = site_turnover(ground, factor, pd.Timestamp(self.flown.date), end, weather_nodes(ground))
        stations = ground.sites.loc[ground.sites.index.isin(ground.daily["site_id"]), "elevation_m"]
        if len(stations):
            turnover = turnover.following(self.flown.pattern, float(stations.min()))
        self.turnover_ = turnover
        return factor

    def _site_factors(self, ground: GroundRecord, then: pd.DataFrame) -> pd.Series:
        """Return each site's accumulation factor.

        From its SWE on the flight's day, its cell's where it has none of its own.
        """
        sites = ground.sites
        cell = pd.Series(self.flown.swe_mm[sites["row"].to_numpy(), sites["column"].to_numpy()], sites.index)
        swe = then["swe_mm"].reindex(sites.index).fillna(cell).fillna(0.0)
        where = sites["elevation_m"].to_numpy(float), site_exposure(sites, southern=self.southern_)
        return pd.Series(self._factor(swe.to_numpy(), *where), sites.index).fillna(1.0)

    def _factor(self, swe_mm: np.ndarray, elevation_m: np.ndarray, exposure: np.ndarray) -> np.ndarray:
        """Return the accumulation factor of cells or sites."""
        if self.gathered_ is None:
            factor = self.flown.pattern.factor(swe_mm, elevation_m)
        else:
            factor = self.gathered_.factor(swe_mm, elevation_m, exposure)
        return np.clip(factor, 0.0, FACTOR_MOST)

    def predict(self, cells: xr.Dataset) -> Prediction:
        """Return SWE at places of the grid.

        Elevation (m), canopy, northness, east and north (m), flown (mm), of one shape.
        """
        elevation, flown = cells["elevation"].to_numpy(), cells["flown"].to_numpy()
        # What the stations lost is their own exposure's already.
        exposure = cell_exposure(cells, southern=self.southern_) if self.by_weather_ else np.ones(flown.shape)
        factor = self._factor(flown, elevation, exposure)
        there = self.turnover_.carry(flown, factor, elevation, CELL_VARIATION, exposure)
        # Whether snow that is all but gone is gone is only as sure as the loss: slopes are those with a loss smaller by its error.
        live = self.turnover_.with_loss(1 - MELT_COMMON).carry(flown, factor, elevation, CELL_VARIATION, exposure)
        size = live.gained_mm + live.lost_mm + live.remaining * SPARE_MM
        share, share_se = self.residual_.predict(cells["east"].to_numpy(), cells["north"].to_numpy())
        swe = np.where(there.covered > 0, np.maximum(there.swe_mm + share * size, 0.0), 0.0)
        # A mm more at the flight is a mm more of old snow, and a greater factor of what fell since.
        more = self._factor(flown + 1.0, elevation, exposure) - factor
        by_start = np.where(live.old, live.remaining, 0.0) + live.gained_mm * more / np.maximum(factor, 1e-6)
        parts = [
            ErrorPart(part.name, at(part.error_mm, cells) * by_start, part.correlation_m) for part in self.flown.parts
        ]
        parts += [
            ErrorPart("melt common", MELT_COMMON * live.lost_mm, np.inf, shared=True),
            *(
                ErrorPart("carry scales", one.gain * live.gained_mm - loss * live.lost_mm, np.inf)
                for one, loss in self.turnover_.errors_at(elevation)
            ),
            ErrorPart("carry local", CARRY_LOCAL * np.hypot(live.gained_mm, live.lost_mm), LOCAL_REACH_M),
            ErrorPart("unheard change", live.covered * UNOBSERVED_MM_PER_DAY * self.turnover_.unobserved_days, np.inf),
        ]
        return Prediction(swe, there.covered, parts, Residual(self.residual_.kriging_, share_se, size))

    def parameters(self) -> dict:
        """Return what the record keeps of the model."""
        return {
            "flight_date": str(self.flown.date),
            "flight_level": {} if self.flown.level is None else self.flown.level.parameters(),
            "elevation_m": self.turnover_.nodes_m.tolist(),
            "gain_mm": self.turnover_.gain_mm.round(2).tolist(),
            "loss_mm": self.turnover_.loss_mm.round(2).tolist(),
            "scales": {}
            if self.scales_ is None
            else self.scales_.parameters() | {"snowfall_scale": round(self.scales_.snowfall, 4)},
            "unheard_days": self.turnover_.unobserved_days,
            "residual": self.residual_.parameters(),
        }


class TerrainBackground:
    """The sites' SWE spread by elevation, exposure and canopy."""

    name = "terrain regression"

    def anew(self, ground: GroundRecord, date: dt.date) -> TerrainBackground:
        """Return the same model fitted to another record."""
        return TerrainBackground().fit(ground, date)

    def fit(self, ground: GroundRecord, date: dt.date) -> TerrainBackground:
        """Fit to the sites' SWE on `date`."""
        values = cell_values(ground, date)
        sites = ground.sites.loc[values.index]
        swe, se = values["swe_mm"].to_numpy(), values["swe_se_mm"].to_numpy()
        # Sites stand on level ground whatever their cell is: they tell nothing of slopes, which stay in the error. Their cells'
        # northness made the line worse (real nights of four seasons: RMSE 117 mm in place of 114).
        terrain = sites.assign(northness=0.0)[["elevation_m", "northness", "canopy"]].to_numpy(float)
        gathers = _gathers(sites)
        self.past_share_ = past_share(sites)
        self.offset_ = sites_offset(ground)
        self.regression_ = TerrainRegression().fit(swe / gathers, terrain, (se / gathers) ** 2)
        background = gathers * self.regression_.predict(terrain)[0]
        self.scale_mm_ = max(float(np.mean(swe)), 1.0)
        # The line doubts what few sites hold; that it may be wrong to do so stands in the error.
        self.unexplained_mm_ = max(float(np.mean(swe) - np.mean(background)), 0.0)
        size = background + 0.2 * self.scale_mm_
        self.residual_ = SiteResidual(least_sd=0.1, most_sd=0.6).fit(
            sites[["x", "y"]].to_numpy(float), (swe - background) / size, se / size
        )
        return self

    def predict(self, cells: xr.Dataset) -> Prediction:
        """Return SWE at places of the grid.

        Elevation (m), northness, canopy, east and north (m), each of the same shape.
        """
        elevation = cells["elevation"].to_numpy()
        terrain = np.column_stack([cells[name].to_numpy().ravel() for name in ("elevation", "northness", "canopy")])
        gathers = _gathers(cells)
        mean, line_fields = self.regression_.predict(terrain)
        background = gathers * mean.reshape(elevation.shape)
        share, share_se = self.residual_.predict(cells["east"].to_numpy(), cells["north"].to_numpy())
        size = np.where(
            background > 0, background + 0.2 * self.scale_mm_ * np.clip(background / self.scale_mm_, 0, 1), 0.0
        )
        swe = np.maximum(background + share * size, 0.0)
        parts = [
            *(
                ErrorPart(
                    "terrain line",
                    gathers * field.reshape(elevation.shape),
                    np.inf,
                    shared=column in (NORTHNESS, *BEYOND),
                )
                for column, field in enumerate(line_fields)
            ),
            ErrorPart("sites doubted", np.full(swe.shape, self.unexplained_mm_), np.inf),
            ErrorPart("site offset", self.offset_ * swe, np.inf, shared=True),
            ErrorPart("terrain local", local_variation(cells, TERRAIN_LOCAL) * swe, LOCAL_REACH_M),
        ]
        covered = 1.0 - np.exp(-swe / PATCHY_MM)
        return Prediction(swe, covered, parts, Residual(self.residual_.kriging_, share_se, size))

    def parameters(self) -> dict:
        """Return what the record keeps of the model."""
        return {
            "coefficients": self.regression_.line_.coefficients_.round(4).tolist(),
            "columns": ["level mm", "mm per km of elevation", "mm per northness", "mm per canopy", "above", "below"],
            "centre_elevation_m": round(self.regression_.columns_.centre_m, 1),
            "earlier_seasons_share": self.past_share_,
            "residual": self.residual_.parameters(),
        }


def _gathers(locations: xr.Dataset | pd.DataFrame) -> np.ndarray | float:
    """Return the factor on SWE by earlier seasons' flights.

    On what the terrain says; 1 without flights.
    """
    pattern = expected_pattern(locations)
    return 1.0 if pattern is None else np.exp(pattern)


def explains(modelled_mm: np.ndarray, held_mm: np.ndarray, age_days: np.ndarray) -> bool:
    """Return whether modelled SWE explains the sites' snow.

    Sites measured longer than `FRESH_DAYS` ago are asked only where no other can be: what they are said to hold was carried here
    by stations that may have melted out meanwhile.

    >>> explains(np.array([0.0, 0.0]), np.array([120.0, 40.0]), np.zeros(2)), explains(np.array([0.0]), np.array([4.0]), np.zeros(1))
    (False, True)
    >>> explains(np.array([0.0, 0.0]), np.array([0.0, 300.0]), np.array([0, 20]))
    True
    """
    fresh = np.abs(age_days) <= FRESH_DAYS
    if fresh.any():
        modelled_mm, held_mm = modelled_mm[fresh], held_mm[fresh]
    return bool(
        len(held_mm) == 0 or np.mean(held_mm) < LITTLE_MM or np.sum(modelled_mm) >= EXPLAINED_LEAST * np.sum(held_mm)
    )


def turnover_mm(start_mm: np.ndarray, factor: np.ndarray, gain_mm: np.ndarray, loss_mm: np.ndarray) -> np.ndarray:
    """Return the snow gained plus the snow lost, mm.

    No more can be lost than there was.
    """
    whole = start_mm + factor * gain_mm
    return factor * gain_mm + np.minimum(loss_mm, whole)


def at(field: np.ndarray, cells: xr.Dataset) -> np.ndarray:
    """Return a field of the whole grid at the places.

    Itself for the grid, a pick of its cells for sites.
    """
    return field if "row" not in cells else field[cells["row"].to_numpy(), cells["column"].to_numpy()]
