"""Bulk density: what is expected of place and day, corrected by what this season's courses and stations weighed."""

from __future__ import annotations

import datetime as dt
from collections.abc import Collection
from dataclasses import dataclass

import numpy as np
import pandas as pd
import xarray as xr

from pipeline.methods.canopy import poleward
from pipeline.methods.choice import left_out_groups
from pipeline.methods.density_residual import DensityResidual
from pipeline.methods.density_seasons import EarlierSeasons, thinness
from pipeline.methods.errors import ErrorPart
from pipeline.methods.regression import BayesianLine
from pipeline.methods.settling import Settling
from pipeline.methods.sturm import prior_density, sturm_day

SETTLING_SHARE = 0.5
"""Share of the settling model in the prior, in logarithms, beside the published relation: neither is known to be the better
until the season's records have spoken (trial worlds: 0.4 to 0.6 are alike, docs/method.md)."""

EXPOSURE_LOG = -0.1
"""Logarithm of density by sin(slope) x cos(aspect from the pole): a steep slope towards the sun is some 10 % denser than one
turned from it, since sun settles snow (common practice, no source; trial worlds: 0.4 in midwinter, 0.1 in melt; sites stand on
level ground and cannot tell it)."""

PRIOR_SD = {"level": 0.15, "per_m": 0.08, "per_km": 0.08, "settling_share": 0.3}
"""Prior standard deviations of the correction, in natural logarithms of density: the relation is off by some 15 % at a
single place and time (spread of the classes' densities in Sturm et al. 2010, Table 3, from memory), and a metre of depth or a
kilometre of height may change that by 8 % (chosen). The share of the settling model may be anything from none to all."""

RECORD_SD = 0.12
"""Spread of one site's density about its surroundings, as a share, before the season's sites tell it: 5 to 10 % within like
terrain (common practice, no source), and what a sampler or pillow and depth sensor add to that."""

PSEUDO_RECORDS = 4.0
"""So many records at that spread stand beside the sites' own: a handful that happen to agree is no proof of certainty."""

FADE_DAYS = 30.0
"""A record's error variance grows by a factor e in so many days: densities of last month still tell of today, since the
settling model moves them on (trial worlds: 14 days are 0.2 % worse on flight days, 45 the same)."""

DEPTH_REACH_M = 2.0
"""The line on depth is carried this far beyond the records' mean depth, m (demo basin: half of the water lies deeper than most
records; stopping at 1 m made snow of 3 m some 7 % too dense, at 3 m early snow of 4 m much too light)."""

MOST_OWN_SD = 0.1
"""Places of like terrain differ by no more than so much, in natural logarithms (trial worlds: 0.05 to 0.17 from cell to cell);
what sites differ by beyond that is how they are measured."""

DENSITY_REACH_M = 1500.0
"""E-folding distance over which a place's own density deviates alike (density varies with exposure and drifting over some
kilometre; chosen)."""

COMMON_FLOOR = 0.03
"""What no number of records takes away, as a share of density: samplers and clearings err alike (docs/method.md)."""


@dataclass(frozen=True)
class DensityPlaces:
    """Where density is asked for, arrays of one shape.

    Parameters
    ----------
    elevation_m : elevation, m.
    poleward : sin(slope) x cos(aspect from the pole); none at sites, which stand on level ground whatever their cell's slope.
    x, y : m.
    """

    elevation_m: np.ndarray
    poleward: np.ndarray
    x: np.ndarray
    y: np.ndarray

    @classmethod
    def of_terrain(cls, terrain: xr.Dataset, *, southern: bool) -> DensityPlaces:
        """Return the cells of the grid, from their elevation and northness."""
        x, y = np.meshgrid(terrain["x"].to_numpy(), terrain["y"].to_numpy(), copy=False)
        return cls(terrain["elevation"].to_numpy(), poleward(terrain["northness"].to_numpy(), southern=southern), x, y)

    @classmethod
    def of_sites(cls, sites: pd.DataFrame) -> DensityPlaces:
        """Return sites or their records, from their `elevation_m`, `x` and `y`."""
        height, x, y = (sites[name].to_numpy(float) for name in ("elevation_m", "x", "y"))
        return cls(height, np.zeros(len(sites)), x, y)


@dataclass(frozen=True)
class Densities:
    """Densities of some places, kg/m3, arrays of one shape.

    Parameters
    ----------
    mean : mean density.
    common : independent errors common to all places, each with its sign, as `BayesianLine.error_fields` gives them.
    local : standard error of each place by itself.
    pattern : standard error of the sites' own pattern, which hangs together over `pattern_reach_m`; None where none was found.
    """

    mean: np.ndarray
    common: list[np.ndarray]
    local: np.ndarray
    pattern: np.ndarray | None = None
    pattern_reach_m: float = np.inf

    def standard_error(self) -> np.ndarray:
        """Return the standard error, all parts together."""
        fields = [*self.common, self.local, *([] if self.pattern is None else [self.pattern])]
        return np.sqrt(sum(field**2 for field in fields))

    def parts(self, depth_m: np.ndarray) -> list[ErrorPart]:
        """Return the parts of the error of SWE that snow of this depth (m) has of its density."""
        parts = [ErrorPart("density common", depth_m * field, np.inf) for field in self.common]
        if self.pattern is not None:
            parts.append(ErrorPart("density pattern", depth_m * self.pattern, self.pattern_reach_m))
        return [*parts, ErrorPart("density local", depth_m * self.local, DENSITY_REACH_M)]


Kriged = tuple[np.ndarray, np.ndarray] | None
"""The sites' own pattern at places and its standard error, in natural logarithms; None where it does not help."""


class BulkDensity:
    """Bulk density about a prior: log(rho / prior) is a Bayesian line on depth and elevation.

    The prior is the geometric mean of a published relation, moved by what earlier seasons' courses say of it, and the season's
    settling model where there is one; slopes towards the sun are denser. How far the model is believed is one more coefficient
    of the line, so that the records tell it where they stand on different heights.

    Parameters
    ----------
    snow_class : class of Sturm et al. 2010 whose relation is used.
    origin : the season's 1 October, or 1 April in southern basins.
    settling : the season's modelled density by day and elevation, None where the weather is not known.
    earlier : what earlier seasons' courses say beside the relation, None where they are too few.

    Attributes
    ----------
    line_ : the fitted correction.
    centre_ : depth (m), elevation (m) and logarithm of the settling model over the relation at which the correction's level is
        meant.
    records_ : number of sites it was fitted to.
    spread_ : standard deviation of the sites about the line, as a share of density.
    sure_ : that of fresh records of deep snow, over `RECORD_SD`.
    own_variance_ : variance of places about the line, in natural logarithms.
    residual_ : what the line leaves, kriged; None where it does not help.
    """

    def __init__(
        self,
        snow_class: str,
        origin: dt.date,
        settling: Settling | None = None,
        earlier: EarlierSeasons | None = None,
    ) -> None:
        """Keep what the prior is made of."""
        self.snow_class = snow_class
        self.origin = origin
        self.settling = settling
        self.earlier = earlier

    def fit(self, records: pd.DataFrame, date: dt.date, without: Collection[str] = ()) -> BulkDensity:
        """Fit to the records nearest in time to `date`, one a site.

        Parameters
        ----------
        records : site_id, date, depth_m, density_kg_m3, elevation_m, x, y; may be empty.
        date : the day the density is wanted for.
        without : sites that shall have no say, neither this season nor by earlier ones.
        """
        self.without_ = without
        records = records[~records["site_id"].isin(without)]
        self.date_ = date
        near = nearest_records(records, date)
        self.records_ = len(near)
        depth, elevation = near["depth_m"].to_numpy(float), near["elevation_m"].to_numpy(float)
        # Old and thin records by how much wider they spread than a fresh one of deep snow.
        wider = np.exp(near["age_days"].abs().to_numpy(float) / FADE_DAYS) * thinness(depth)
        moved = np.zeros(len(near))
        if self.earlier is not None:
            moved = self.earlier.excess(depth, elevation, [day.date() for day in near["date"]], without)
        prior, apart = np.ones(len(near)), np.zeros(len(near))
        for day, rows in near.groupby("date").indices.items():
            there = DensityPlaces.of_sites(near.iloc[rows])
            prior[rows], apart[rows] = self._prior(depth[rows], there, pd.Timestamp(day).date(), moved[rows])
        self.centre_ = (1.0, 2000.0, 0.0)
        if len(near):
            self.centre_ = (
                float(depth.mean()),
                float(elevation.mean()),
                float(np.average(apart, weights=1.0 / wider)),
            )
        excess = np.log(near["density_kg_m3"].to_numpy(float) / prior)
        columns = self._columns(depth, elevation, apart)
        self.line_ = BayesianLine(np.array(list(PRIOR_SD.values()))).fit(columns, excess, RECORD_SD**2 * wider)
        left = excess - self.line_.predict(columns)[0]
        self.spread_ = _shrunk(left**2, 2.0)
        # How sure the line is, is told by records of fresh deep snow: the others are known to spread more.
        self.sure_ = _shrunk(left**2 / wider, PSEUDO_RECORDS) / RECORD_SD
        self.own_variance_ = min(float(np.mean(left**2 / wider)), MOST_OWN_SD**2) if len(left) else 0.0
        self.residual_ = DensityResidual().fit(near[["x", "y"]].to_numpy(float), left, wider)
        return self

    def predict(self, depth_m: np.ndarray, places: DensityPlaces) -> Densities:
        """Return the density of snow of a depth (m) at places."""
        return self._with_errors(np.asarray(depth_m, float), places, self._kriged(places))

    def _with_errors(self, depth: np.ndarray, places: DensityPlaces, kriged: Kriged) -> Densities:
        density, columns = self._mean(depth, places, kriged)
        fields = [field.reshape(depth.shape) for field in self.line_.error_fields(columns, self.sure_)]
        common = [density * field for field in (*fields, COMMON_FLOOR)]
        if kriged is None:
            return Densities(density, common, density * self.spread_)
        # The sites' spread about the line holds that of the pattern, which has an error of its own.
        own = np.sqrt(max(self.spread_**2 - self.residual_.sd_**2, 0.0))
        return Densities(density, common, density * own, density * kriged[1], self.residual_.reach_m_)

    def _mean(self, depth: np.ndarray, places: DensityPlaces, kriged: Kriged) -> tuple[np.ndarray, np.ndarray]:
        """Return the mean density, and the line's columns at the places: a few one by one, or a grid of them."""
        moved = 0.0
        if self.earlier is not None and depth.ndim == 1:
            moved = self.earlier.excess(depth, places.elevation_m, [self.date_] * len(depth), self.without_)
        elif self.earlier is not None:
            moved = self.earlier.excess_on(depth, places.elevation_m, self.date_, self.without_)
        prior, apart = self._prior(depth, places, self.date_, moved)
        columns = self._columns(depth.ravel(), places.elevation_m.ravel(), apart.ravel())
        excess = (columns @ self.line_.coefficients_).reshape(depth.shape)
        if kriged is not None:
            excess = excess + kriged[0]
        # The line tells the middle of places that spread log-normally: their mean is what weighs (Duan 1983, JASA 78, 605-610).
        return prior * np.exp(excess + 0.5 * self.own_variance_), columns

    def _kriged(self, places: DensityPlaces) -> Kriged:
        return None if self.residual_ is None else self.residual_.predict(places.x, places.y)

    def _prior(
        self, depth_m: np.ndarray, places: DensityPlaces, date: dt.date, moved: np.ndarray | float
    ) -> tuple[np.ndarray, np.ndarray]:
        """Return the density before any record has a say, kg/m3, and the logarithm of the settling model over the relation.

        `moved` is the logarithm by which earlier seasons move the relation.
        """
        relation = prior_density(depth_m, sturm_day(date, self.origin), self.snow_class) * np.exp(moved)
        apart = np.zeros(np.shape(relation))
        if self.settling is not None:
            settled = self.settling.at(pd.Timestamp(date), places.elevation_m)
            apart = np.log(np.where(np.isfinite(settled), settled, relation) / relation)
        return relation * np.exp(SETTLING_SHARE * apart + EXPOSURE_LOG * places.poleward), apart

    def predict_from_swe(self, swe_mm: np.ndarray, places: DensityPlaces) -> Densities:
        """Return as `predict`, where SWE and not depth is known: depth and density are solved for together."""
        depth, kriged = np.asarray(swe_mm, float) / 300.0, self._kriged(places)
        for _ in range(4):  # the relation is flat in depth: each round takes the error down tenfold
            depth = swe_mm / self._mean(depth, places, kriged)[0]
        return self._with_errors(depth, places, kriged)

    def parameters(self) -> dict:
        """Return what the record keeps of the model."""
        return {
            "relation": "Sturm et al. 2010",
            "snow_class": self.snow_class,
            "records": self.records_,
            "correction": dict(zip(PRIOR_SD, self.line_.coefficients_.round(5).tolist(), strict=True)),
            "centre_depth_m": round(self.centre_[0], 3),
            "centre_elevation_m": round(self.centre_[1], 1),
            "spread": round(self.spread_, 4),
        } | {
            name: model.parameters()
            for name, model in (("earlier_seasons", self.earlier), ("residual", self.residual_))
            if model is not None
        }

    def _columns(self, depth_m: np.ndarray, elevation_m: np.ndarray, apart: np.ndarray) -> np.ndarray:
        depth, elevation, level = self.centre_
        # The relation alone makes drifts too dense, since what is blown there is no older than the rest: the line on depth
        # reaches into them. Beyond a kilometre of height from the records it is not carried further.
        deep = np.clip(depth_m - depth, -DEPTH_REACH_M, DEPTH_REACH_M)
        high = np.clip((elevation_m - elevation) / 1000.0, -1.0, 1.0)
        return np.column_stack([np.ones_like(deep), deep, high, apart - level])


def _shrunk(squares: np.ndarray, pseudo: float) -> float:
    return float(np.sqrt((np.sum(squares) + pseudo * RECORD_SD**2) / (len(squares) + pseudo)))


def nearest_records(records: pd.DataFrame, date: dt.date) -> pd.DataFrame:
    """Return for each site its record nearest in time to `date`, with `age_days` (negative when later)."""
    age = (np.datetime64(date, "D") - records["date"].to_numpy("datetime64[D]")).astype(float)
    aged = records.assign(age_days=age, distance=np.abs(age))
    return (
        aged.sort_values(["site_id", "distance", "date"])
        .drop_duplicates("site_id")
        .drop(columns="distance")
        .reset_index(drop=True)
    )


def leave_one_out(model: BulkDensity, records: pd.DataFrame, date: dt.date) -> pd.DataFrame:
    """Return each site's density as measured and as predicted by the other sites, with the error of the prediction.

    Returns
    -------
    DataFrame : site_id, observed, predicted, predicted_se (kg/m3).
    """
    near = nearest_records(records, date)
    told = []
    for group in left_out_groups(near.set_index("site_id")["elevation_m"]):
        for day, left_out in near[near["site_id"].isin(group)].groupby("date"):
            without = BulkDensity(model.snow_class, model.origin, model.settling, model.earlier)
            without.fit(records, day.date(), without=list(group))
            found = without.predict(left_out["depth_m"].to_numpy(float), DensityPlaces.of_sites(left_out))
            told.append(left_out.assign(predicted=found.mean, predicted_se=found.standard_error()))
    table = pd.concat(told) if told else near.assign(predicted=np.nan, predicted_se=np.nan)
    table = table.rename(columns={"density_kg_m3": "observed"}).sort_values("site_id", ignore_index=True)
    return table[["site_id", "observed", "predicted", "predicted_se"]]
