"""How much more snow a site holds than its cell, from what it said on the days of earlier seasons' flights."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pandas as pd

from pipeline.ground import GroundRecord, SiteGains
from pipeline.methods.regression import BayesianLine, doubt
from pipeline.methods.site_values import site_values
from pipeline.methods.terrain_regression import LOCAL_SHARE

SITE_OFFSET = 0.12
"""Error common to all sites, as a share of SWE: whether places chosen for measuring hold more or less than their surroundings
cannot be told without a flight (training worlds: 0.9 to 1.5 times their cells). Nothing is taken off for it: with 5 % taken off
the map of real nights was 12 % too low."""

SEASON_LOG_SD, SEASON_COMMON_LOG_SD = 0.15, 0.1
"""How far the gain of a season strays from the lasting one, in logarithms: a site's own, and that of all sites with the flights' error,
since winds are never quite the same (training worlds)."""

PAIR_M = 0.1
"""Error of a pair in thin snow, m: a decimetre of a laser's cell and of where in its cell a site stands."""


def site_gains(sites: pd.Index, pairs: pd.DataFrame | None, season_start: dt.date) -> SiteGains | None:
    """Return the gains of sites from pairs of depths, a mean over seasons with a prior; None where no pair tells.

    Parameters
    ----------
    sites : site_id of the sites of the basin.
    pairs : site_id, date (of the flight), depth_m (the site's) and cell_depth_m (the flight's).
    season_start : first day of a season.

    Notes
    -----
    Of a site's pairs of a season the one in the deepest snow counts: they err alike. The logarithm of its ratio is a basin's common
    gain, the site's own, what the season has in common, and chance: a linear model with normal priors (Gelman et al., Bayesian Data
    Analysis, ch. 15). A site without a pair has the basin's gain.
    """
    if pairs is None:
        return None
    years = (pairs["date"] - pd.Timestamp(season_start)) // pd.Timedelta(days=365.25)
    told = pairs.assign(season=years, mean_m=pairs[["depth_m", "cell_depth_m"]].mean(axis=1))
    told = told[told["site_id"].isin(sites) & (told["mean_m"] >= PAIR_M)]
    if told.empty:
        return None
    told = told.sort_values(["mean_m", "date"]).drop_duplicates(["site_id", "season"], keep="last")
    of_site = np.eye(len(sites))[sites.get_indexer(told["site_id"])]
    season, seasons = pd.factorize(told["season"], sort=True)
    columns = np.column_stack([np.ones(len(told)), of_site, np.eye(len(seasons))[season]])
    prior = np.concatenate([[SITE_OFFSET], np.repeat([LOCAL_SHARE, SEASON_COMMON_LOG_SD], [len(sites), len(seasons)])])
    ratio = np.log(np.maximum(told["depth_m"], PAIR_M) / np.maximum(told["cell_depth_m"], PAIR_M)).to_numpy()
    spread = np.hypot(SEASON_LOG_SD, PAIR_M / told["mean_m"].to_numpy())
    line, raised = BayesianLine(prior), np.ones(len(ratio))
    for _ in range(4):
        line.fit(columns, ratio, spread**2 * raised)
        raised = doubt((ratio - line.predict(columns)[0]) / spread)
    places = np.column_stack([np.ones(len(sites)), np.eye(len(sites)), np.zeros((len(sites), len(seasons)))])
    covariance = places @ line.covariance_ @ places.T
    common = float(covariance.mean())
    own = np.sqrt(np.maximum(np.diag(covariance) - common, 0.0))
    return SiteGains(pd.Series(places @ line.coefficients_, sites), pd.Series(own, sites), float(np.sqrt(common)))


def gain_log(ground: GroundRecord, sites: pd.Index) -> np.ndarray:
    """Return the logarithm of how much more snow each site holds than its cell, 0 where nothing tells."""
    return np.zeros(len(sites)) if ground.gains is None else ground.gains.log[sites].to_numpy()


def cell_values(ground: GroundRecord, date: dt.date) -> pd.DataFrame:
    """Return `site_values` as the sites' cells would have them: SWE over the site's gain, its error with the gain's own."""
    values = site_values(ground, date)
    if ground.gains is None:
        return values
    swe = values["swe_mm"] / np.exp(ground.gains.log[values.index])
    se = np.hypot(
        swe * values["swe_se_mm"] / values["swe_mm"].where(values["swe_mm"] > 0),
        ground.gains.own_se[values.index] * swe,
    )
    return values.assign(swe_mm=swe, swe_se_mm=se.fillna(values["swe_se_mm"]))


def sites_offset(ground: GroundRecord) -> float:
    """Return the error common to all sites, as a share of SWE."""
    return SITE_OFFSET if ground.gains is None else ground.gains.common_se
