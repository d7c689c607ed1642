"""Bulk density: a published relation, corrected by what this season's courses and stations weighed."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pandas as pd

from pipeline.methods.regression import BayesianLine
from pipeline.methods.settling import Settling

STURM_2010 = {
    "alpine": (0.5975, 0.2237, 0.0012, 0.0038),
    "maritime": (0.5979, 0.2578, 0.0010, 0.0038),
    "prairie": (0.5940, 0.2332, 0.0016, 0.0031),
    "tundra": (0.3630, 0.2425, 0.0029, 0.0049),
    "taiga": (0.2170, 0.2170, 0.0000, 0.0000),
}
"""Largest and first density (g/cm3), k1 (1/cm) and k2 (1/day) by snow class: Sturm et al. 2010, J. Hydrometeor. 11,
1380-1394, Table 4."""

LEAST_PRIOR = 0.6
"""The relation falls below its own first density in autumn; it is held at this share of it (new snow of two thirds of the
seasonal pack's first density), since it was fitted to winter and spring snow."""

SETTLING_SHARE = 0.5
"""Share of the settling model in the prior, in logarithms, beside the published relation: neither is known to be the better
until the season's records have spoken (trial worlds: 0.4 to 0.6 are alike, docs/method.md)."""

PRIOR_SD = {"level": 0.15, "per_m": 0.08, "per_km": 0.08, "settling_share": 0.3}
"""Prior standard deviations of the correction, in natural logarithms of density: the relation is off by some 15 % at a
single place and time (spread of the classes' densities in Sturm et al. 2010, Table 3, from memory), and a metre of depth or a
kilometre of height may change that by 8 % (chosen). The share of the settling model may be anything from none to all."""

RECORD_SD = 0.12
"""Spread of one site's density about its surroundings, as a share: 5 to 10 % within like terrain (common practice, no source),
and what a sampler or pillow and depth sensor add to that."""

FADE_DAYS = 30.0
"""A record's error variance grows by a factor e in so many days: densities of last month still tell of today, since the
settling model moves them on (trial worlds: 14 days are 0.2 % worse on flight days, 45 the same)."""

THIN_M = 1.0
"""Records of snow thinner than this count less: it is a crust here and new snow there, and little water lies in it (trial
worlds: 0.6 m is 0.3 % worse on flight days)."""

DEPTH_REACH_M = 2.0
"""The line on depth is carried this far beyond the records' mean depth, m (demo basin: half of the water lies deeper than most
records; stopping at 1 m made snow of 3 m some 7 % too dense, at 3 m early snow of 4 m much too light)."""

COMMON_FLOOR = 0.03
"""What no number of records takes away, as a share of density: samplers and clearings err alike (docs/method.md)."""


def autumn_origin(season_start: dt.date, southern: bool) -> dt.date:
    """Return the 1 October (1 April in southern basins) nearest to the season's first day: where the day count begins.

    >>> autumn_origin(dt.date(2030, 9, 1), southern=False)
    datetime.date(2030, 10, 1)
    """
    month = 4 if southern else 10
    years = (season_start.year - 1, season_start.year, season_start.year + 1)
    return min((dt.date(year, month, 1) for year in years), key=lambda day: abs((day - season_start).days))


def sturm_day(date: dt.date, origin: dt.date) -> int:
    """Return the day number of Sturm et al. 2010: 1 October is -92, 31 December -1, 1 January 1; there is no day 0.

    Parameters
    ----------
    origin : the season's 1 October, or 1 April in southern basins, so that their seasons count alike.

    Examples
    --------
    >>> sturm_day(dt.date(2024, 2, 29), dt.date(2023, 10, 1)), sturm_day(dt.date(2022, 12, 31), dt.date(2022, 10, 1))
    (60, -1)
    """
    day = (date - origin).days - 92
    return day if day < 0 else day + 1


def sturm_density(depth_m: np.ndarray, day: int, snow_class: str) -> np.ndarray:
    """Return the climatological bulk density in kg/m3 at depths in m (Sturm et al. 2010, eq. 6).

    rho = (rho_max - rho_0) (1 - exp(-k1 h - k2 d)) + rho_0, with h in cm and d by `sturm_day`.

    >>> sturm_density(np.array([1.0]), 1, "alpine").round(2)
    array([267.23])
    """
    largest, first, per_cm, per_day = STURM_2010[snow_class]
    rise = 1.0 - np.exp(-per_cm * 100.0 * np.asarray(depth_m, float) - per_day * day)
    return 1000.0 * ((largest - first) * rise + first)


def prior_density(depth_m: np.ndarray, day: int, snow_class: str) -> np.ndarray:
    """Return `sturm_density` held above its floor outside the season it was fitted to, kg/m3."""
    return np.maximum(sturm_density(depth_m, day, snow_class), 1000.0 * LEAST_PRIOR * STURM_2010[snow_class][1])


class BulkDensity:
    """Bulk density about a prior: log(rho / prior) is a Bayesian line on depth and elevation.

    The prior is the geometric mean of a published relation and the season's settling model where there is one. How far the
    model is believed is one more coefficient of the line, so that the records tell it where they stand on different heights.

    Parameters
    ----------
    snow_class : class of Sturm et al. 2010 whose relation is used.
    origin : the season's 1 October, or 1 April in southern basins.
    settling : the season's modelled density by day and elevation, None where the weather is not known.

    Attributes
    ----------
    line_ : the fitted correction.
    centre_ : depth (m), elevation (m) and logarithm of the settling model over the relation at which the correction's level is
        meant.
    records_ : number of sites it was fitted to.
    spread_ : standard deviation of the sites about the line, as a share of density.
    """

    def __init__(self, snow_class: str, origin: dt.date, settling: Settling | None = None) -> None:
        """Keep what the prior is made of."""
        self.snow_class = snow_class
        self.origin = origin
        self.settling = settling

    def fit(self, records: pd.DataFrame, date: dt.date) -> BulkDensity:
        """Fit to the records nearest in time to `date`, one a site.

        Parameters
        ----------
        records : site_id, date, depth_m, density_kg_m3, elevation_m; may be empty.
        date : the day the density is wanted for.
        """
        self.date_ = date
        near = nearest_records(records, date)
        self.records_ = len(near)
        depth, elevation = near["depth_m"].to_numpy(float), near["elevation_m"].to_numpy(float)
        age = near["age_days"].abs().to_numpy(float)
        thin = 1.0 + (THIN_M / np.maximum(depth, 0.05)) ** 2
        variance = RECORD_SD**2 * np.exp(age / FADE_DAYS) * thin
        told = [
            self._prior(np.array(h), np.array(z), pd.Timestamp(day).date())
            for h, z, day in zip(depth, elevation, near["date"], strict=True)
        ]
        prior, apart = np.array(told, float).reshape(-1, 2).T
        self.centre_ = (1.0, 2000.0, 0.0)
        if len(near):
            self.centre_ = (
                float(depth.mean()),
                float(elevation.mean()),
                float(np.average(apart, weights=1.0 / variance)),
            )
        excess = np.log(near["density_kg_m3"].to_numpy(float) / prior)
        columns = self._columns(depth, elevation, apart)
        self.line_ = BayesianLine(np.array(list(PRIOR_SD.values()))).fit(columns, excess, variance)
        left = excess - self.line_.predict(columns)[0]
        # Two pseudo-records at the assumed spread keep a handful of records from claiming certainty.
        self.spread_ = float(np.sqrt((np.sum(left**2) + 2 * RECORD_SD**2) / (len(near) + 2)))
        return self

    def predict(self, depth_m: np.ndarray, elevation_m: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Return density (kg/m3), its error common to all cells and its local error, each shaped as `depth_m`."""
        depth, elevation = np.asarray(depth_m, float), np.asarray(elevation_m, float)
        prior, apart = self._prior(depth, elevation, self.date_)
        excess, line_se = self.line_.predict(self._columns(depth.ravel(), elevation.ravel(), apart.ravel()))
        density = prior * np.exp(excess.reshape(depth.shape))
        common = density * np.hypot(line_se.reshape(depth.shape), COMMON_FLOOR)
        return density, common, density * self.spread_

    def _prior(self, depth_m: np.ndarray, elevation_m: np.ndarray, date: dt.date) -> tuple[np.ndarray, np.ndarray]:
        """Return the density before any record has a say, kg/m3, and the logarithm of the settling model over the relation."""
        relation = prior_density(depth_m, sturm_day(date, self.origin), self.snow_class)
        if self.settling is None:
            return relation, np.zeros(np.shape(relation))
        settled = self.settling.at(pd.Timestamp(date), elevation_m)
        apart = np.log(np.where(np.isfinite(settled), settled, relation) / relation)
        return relation * np.exp(SETTLING_SHARE * apart), apart

    def predict_from_swe(
        self, swe_mm: np.ndarray, elevation_m: np.ndarray
    ) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Return as `predict`, where SWE and not depth is known: depth and density are solved for together."""
        depth = np.asarray(swe_mm, float) / 300.0
        for _ in range(4):  # the relation is flat in depth: each round takes the error down tenfold
            density = self.predict(depth, elevation_m)[0]
            depth = swe_mm / density
        return self.predict(depth, elevation_m)

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
        }

    def _columns(self, depth_m: np.ndarray, elevation_m: np.ndarray, apart: np.ndarray) -> np.ndarray:
        depth, elevation, level = self.centre_
        # The relation alone makes drifts too dense, since what is blown there is no older than the rest: the line on depth
        # reaches into them. Beyond a kilometre of height from the records it is not carried further.
        deep = np.clip(depth_m - depth, -DEPTH_REACH_M, DEPTH_REACH_M)
        high = np.clip((elevation_m - elevation) / 1000.0, -1.0, 1.0)
        return np.column_stack([np.ones_like(deep), deep, high, apart - level])


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
    rows = []
    for site in near.itertuples():
        without = BulkDensity(model.snow_class, model.origin, model.settling).fit(
            records[records["site_id"] != site.site_id], site.date.date()
        )
        mean, common, local = without.predict(np.array([site.depth_m]), np.array([site.elevation_m]))
        rows.append((site.site_id, site.density_kg_m3, float(mean[0]), float(np.hypot(common[0], local[0]))))
    return pd.DataFrame(rows, columns=["site_id", "observed", "predicted", "predicted_se"])
