"""How much more snow a site holds than its cell, from what it said on the days of earlier seasons' flights."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

import numpy as np
import pandas as pd

from snowtally.model.ground import GroundRecord
from snowtally.snow.carry import UNOBSERVED_MM_PER_DAY
from snowtally.snow.site_values import SITE_VARIATION, site_values
from snowtally.snow.sturm import MIDDLING_KG_M3
from snowtally.snow.terrain_regression import LOCAL_SHARE
from snowtally.statistics.regression import BayesianLine, doubt

SITE_OFFSET = 0.12
"""Error common to all sites, as a share of SWE: whether places chosen for measuring hold more or less than their surroundings
cannot be told without a flight (training worlds: 0.9 to 1.5 times their cells). Nothing is taken off for it: with 5 % taken off
the map of real nights was 12 % too low."""

SEASON_LOG_SD, SEASON_COMMON_LOG_SD = 0.15, 0.1
"""How far the gain of a season strays from the lasting one, in logarithms: a site's own, and that of all sites with the flights' error,
since winds are never quite the same (training worlds). Half of the latter's variance is the flights' and none of this season's."""

PAIR_M = 0.1
"""Error of a pair in thin snow, m: a decimetre of a laser's cell and of where in its cell a site stands."""


@dataclass(frozen=True)
class SiteGains:
    """How much more snow sites hold than their cells, in logarithms.

    Parameters
    ----------
    log : by site_id.
    own_se : the error of each one's lasting gain by itself, by site_id.
    common_se : the error that all of them share this season.
    pairs : how many pairs tell them.
    """

    log: pd.Series
    own_se: pd.Series
    common_se: float
    pairs: int

    def parameters(self) -> dict:
        """Return what the record keeps of them: factors by site."""
        return {
            "pairs": self.pairs,
            "common_log_se": round(self.common_se, 4),
            "gain": {name: round(float(np.exp(log)), 3) for name, log in self.log.items()},
        }


def with_seasons(pairs: pd.DataFrame, season_start: dt.date) -> pd.DataFrame:
    """Return the pairs with their `season`.

    Counted from the one that begins on `season_start`.
    """
    return pairs.assign(season=(pairs["date"] - pd.Timestamp(season_start)) // pd.Timedelta(days=365.25))


def site_gains(sites: pd.Index, pairs: pd.DataFrame) -> SiteGains | None:
    """Return the gains of sites from pairs of depths.

    A mean over seasons with a prior; None without a pair.

    Parameters
    ----------
    sites : site_id of the sites of the basin.
    pairs : site_id, date (of the flight), season, depth_m (the site's), cell_depth_m (the flight's) and days_apart.

    Notes
    -----
    Of a site's pairs of a season the one in the deepest cell counts: they err alike. The logarithm of its ratio is a basin's common
    gain, the site's own, what the season has in common, and chance: a linear model with normal priors (Gelman et al., Bayesian Data
    Analysis, ch. 15). A site without a pair has the basin's gain. What a season strays from the lasting gain is an error of this
    season too.
    """
    if pairs.empty:
        return None
    paired = pairs.assign(mean_m=pairs[["depth_m", "cell_depth_m"]].mean(axis=1))
    paired = paired[paired["site_id"].isin(sites) & (paired["mean_m"] >= PAIR_M)]
    if paired.empty:
        return None
    paired = paired.sort_values(["cell_depth_m", "date"]).drop_duplicates(["site_id", "season"], keep="last")
    of_site = np.eye(len(sites))[sites.get_indexer(paired["site_id"])]
    season, seasons = pd.factorize(paired["season"], sort=True)
    columns = np.column_stack([np.ones(len(paired)), of_site, np.eye(len(seasons))[season]])
    prior = np.concatenate([[SITE_OFFSET], np.repeat([LOCAL_SHARE, SEASON_COMMON_LOG_SD], [len(sites), len(seasons)])])
    ratio = np.log(np.maximum(paired["depth_m"], PAIR_M) / np.maximum(paired["cell_depth_m"], PAIR_M)).to_numpy()
    # What fell or melted between a visit and the flight the one saw and the other not.
    moved_m = UNOBSERVED_MM_PER_DAY * paired["days_apart"].abs() / MIDDLING_KG_M3
    spread = np.hypot(SEASON_LOG_SD, (PAIR_M + moved_m) / paired["mean_m"]).to_numpy()
    line, raised = BayesianLine(prior), np.ones(len(ratio))
    for _ in range(4):
        line.fit(columns, ratio, spread**2 * raised)
        raised = doubt((ratio - line.predict(columns)[0]) / spread)
    of_sites = np.column_stack([np.ones(len(sites)), np.eye(len(sites)), np.zeros((len(sites), len(seasons)))])
    covariance = of_sites @ line.covariance_ @ of_sites.T
    others = ~np.eye(len(sites), dtype=bool)
    common = float(covariance[others].mean()) if others.any() else float(line.covariance_[0, 0])
    own = np.sqrt(np.maximum(np.diag(covariance) - common, 0.0))
    return SiteGains(
        pd.Series(of_sites @ line.coefficients_, sites),
        pd.Series(own, sites),
        float(np.sqrt(max(common, 0.0) + 0.5 * SEASON_COMMON_LOG_SD**2)),
        len(paired),
    )


def gains_of(ground: GroundRecord) -> SiteGains | None:
    """Return the gains of a record's sites by its pairs.

    Of a record without some sites theirs tell nothing.
    """
    return ground.once("site gains", lambda: site_gains(ground.sites.index, ground.earlier_pairs))


def gain_log(ground: GroundRecord, sites: pd.Index) -> np.ndarray:
    """Return the logarithm of each site's gain.

    0 where no pair informs it.
    """
    gains = gains_of(ground)
    return np.zeros(len(sites)) if gains is None else gains.log[sites].to_numpy()


def cell_values(ground: GroundRecord, date: dt.date) -> pd.DataFrame:
    """Return `site_values` as the sites' cells would have them.

    SWE over the site's gain, its error with the gain's own.

    Who uses them counts `SITE_VARIATION` beside, for a site against its cell: of the gain's error what goes beyond it.
    """
    values, gains = site_values(ground, date), gains_of(ground)
    if gains is None:
        return values
    gain = np.exp(gains.log[values.index])
    beyond = np.sqrt(np.maximum(gains.own_se[values.index] ** 2 + SEASON_LOG_SD**2 - SITE_VARIATION**2, 0.0))
    swe = values["swe_mm"] / gain
    return values.assign(swe_mm=swe, swe_se_mm=np.hypot(values["swe_se_mm"] / gain, beyond * swe))


def sites_offset(ground: GroundRecord) -> float:
    """Return the error common to all sites, as a share of SWE."""
    gains = gains_of(ground)
    return SITE_OFFSET if gains is None else gains.common_se
