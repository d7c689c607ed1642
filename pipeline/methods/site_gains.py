"""How much more snow a site holds than its cell, from what it said on the days of earlier seasons' flights."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pandas as pd

from pipeline.ground import GroundRecord, SiteGains
from pipeline.methods.regression import BayesianLine, doubt
from pipeline.methods.site_values import site_values

SITE_OFFSET = 0.12
"""Error common to all sites, as a share of SWE: whether places chosen for measuring hold more or less than their surroundings
cannot be told without a flight (training worlds: 0.9 to 1.5 times their cells). Nothing is taken off for it: with 5 % taken off
the map of real nights was 12 % too low."""

SITE_LOG_SD = 0.25
"""Spread of the logarithm of what single sites gather, about their terrain's or their cell's (15 to 30 %, common practice, no
source)."""

SEASON_LOG_SD = 0.15
"""How far a site's gain on one day strays from its lasting one, in logarithms: winds are never quite the same, and a laser's cell is
known to a decimetre (training worlds)."""

FLIGHT_LOG_SD = 0.1
"""Error common to all pairs of a flight, in logarithms: of its depths, and of that day's snow (training worlds)."""

PAIR_M = 0.1
"""Error of a pair in thin snow, m: a decimetre of a laser's cell and of where in its cell a site stands."""


def site_gains(sites: pd.Index, pairs: pd.DataFrame | None) -> SiteGains | None:
    """Return the gains of sites from pairs of depths, a mean over flights with a prior; None where no pair tells.

    Parameters
    ----------
    sites : site_id of the sites of the basin.
    pairs : site_id, date (of the flight), depth_m (the site's) and cell_depth_m (the flight's).

    Notes
    -----
    The logarithm of a pair's ratio is a basin's common gain, the site's own, the flight's common error, and chance: a linear model
    with normal priors (Gelman et al., Bayesian Data Analysis, ch. 15). A site without a pair has the basin's gain.
    """
    if pairs is None:
        return None
    mean = pairs[["depth_m", "cell_depth_m"]].mean(axis=1)
    told = pairs[pairs["site_id"].isin(sites) & (mean >= PAIR_M)]
    if told.empty:
        return None
    of_site = np.eye(len(sites))[sites.get_indexer(told["site_id"])]
    flight, flights = pd.factorize(told["date"], sort=True)
    of_flight = np.eye(len(flights))[flight]
    columns = np.column_stack([np.ones(len(told)), of_site, of_flight])
    prior = np.repeat([SITE_LOG_SD, FLIGHT_LOG_SD], [1 + len(sites), len(flights)])
    ratio = np.log(np.maximum(told["depth_m"], PAIR_M) / np.maximum(told["cell_depth_m"], PAIR_M)).to_numpy()
    spread = np.hypot(SEASON_LOG_SD, PAIR_M / mean[told.index].to_numpy())
    line, raised = BayesianLine(prior), np.ones(len(ratio))
    for _ in range(4):
        line.fit(columns, ratio, spread**2 * raised)
        raised = doubt((ratio - line.predict(columns)[0]) / spread)
    places = np.column_stack([np.ones(len(sites)), np.eye(len(sites)), np.zeros((len(sites), len(flights)))])
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
