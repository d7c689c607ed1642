"""What earlier seasons' courses say of density by depth, height and day: trees beside the published relation."""

from __future__ import annotations

import datetime as dt
from collections.abc import Collection

import numpy as np
import pandas as pd
from scipy.interpolate import RegularGridInterpolator
from sklearn.ensemble import ExtraTreesRegressor

from pipeline.methods.choice import GROUPS, left_out_groups
from pipeline.methods.scores import scores
from pipeline.methods.sturm import origin_of, prior_density, sturm_day

LEAST_RECORDS, LEAST_SITES, LEAST_SEASONS = 40, 2, 3
"""Fewer visits, courses or seasons teach trees nothing that the season's own records do not (chosen): a course is weighed some
six times a season."""

EARLIER_SHARE = 0.5
"""Share of what the trees say beside the published relation, in logarithms, before the season's records have a say (trial
worlds, docs/method.md: with records of no, two and five sites 0.5 is as good as the whole or better, with all of them as good
as none)."""

TREES, LEAF = 100, 4
"""Trees, and records that a leaf holds at least: the spread of single visits is 10 %, of four 5."""

DEPTHS_M = np.concatenate([np.linspace(0.1, 2.0, 20), np.linspace(2.2, 6.0, 20)])
HEIGHTS = 40
"""What the trees say is looked up in a table of depths and of so many elevations, even ones over the courses' range: beyond their
records trees say what they say at the edge, and a table between its nodes goes evenly where trees go in steps."""


class EarlierSeasons:
    """Logarithm of density over the published relation (Sturm et al. 2010) as earlier seasons had it, by trees.

    Extremely randomised trees (Geurts et al. 2006, Mach. Learn. 63, 3-42) on depth, elevation and day of the season. Northness
    and canopy are not asked: courses stand on level ground in clearings.

    Parameters
    ----------
    snow_class : class of the published relation.
    origin : a season's 1 October, or 1 April in southern basins.

    Attributes
    ----------
    share_ : share of what the trees say that is taken: `EARLIER_SHARE` where held-out courses show that it helps, else none.
    held_out_ : site_id, observed, predicted, predicted_se of each record (kg/m3), told by the other courses with that share.
    """

    def __init__(self, snow_class: str, origin: dt.date) -> None:
        """Keep what the trees are about."""
        self.snow_class = snow_class
        self.origin = origin

    def fit(self, records: pd.DataFrame) -> EarlierSeasons | None:
        """Fit to records of earlier seasons; None where they are too few.

        Parameters
        ----------
        records : site_id, date, depth_m, density_kg_m3, elevation_m.
        """
        records = records[records["depth_m"] >= DEPTHS_M[0]].sort_values(["site_id", "date"], ignore_index=True)
        dates = [date.date() for date in records["date"]]
        origins = [origin_of(date, self.origin) for date in dates]
        if (
            len(records) < LEAST_RECORDS
            or records["site_id"].nunique() < LEAST_SITES
            or len(set(origins)) < LEAST_SEASONS
        ):
            return None
        day = np.array([sturm_day(date, origin) for date, origin in zip(dates, origins, strict=True)])
        relation = self._relation(records["depth_m"].to_numpy(float), day)
        excess = np.log(records["density_kg_m3"].to_numpy(float) / relation)
        self._columns = np.column_stack([records["depth_m"], records["elevation_m"], day])
        self._excess, self._sites = excess, records["site_id"].to_numpy()
        self.heights_ = np.linspace(records["elevation_m"].min(), records["elevation_m"].max(), HEIGHTS)
        self._models: dict[frozenset[str], ExtraTreesRegressor] = {}
        self._tables: dict[tuple[int, frozenset[str]], RegularGridInterpolator] = {}
        told = np.zeros(len(records))
        for group in left_out_groups(records.groupby("site_id")["elevation_m"].first(), GROUPS):
            out = np.isin(self._sites, group)
            told[out] = self._model(frozenset(group)).predict(self._columns[out])
        left = excess - EARLIER_SHARE * told
        self.share_ = EARLIER_SHARE if np.mean(left**2) < np.mean(excess**2) else 0.0
        predicted = relation * np.exp(self.share_ * told)
        self.held_out_ = pd.DataFrame(
            {
                "site_id": records["site_id"],
                "observed": records["density_kg_m3"],
                "predicted": predicted,
                "predicted_se": predicted * np.std(excess - self.share_ * told),
            }
        )
        return self

    def excess(
        self, depth_m: np.ndarray, elevation_m: np.ndarray, date: dt.date, without: Collection[str] = ()
    ) -> np.ndarray:
        """Return the logarithm of density over the relation to be taken, shaped as `depth_m`.

        Parameters
        ----------
        without : sites whose own records shall have no say.
        """
        depth = np.clip(np.asarray(depth_m, float), DEPTHS_M[0], DEPTHS_M[-1])
        if self.share_ == 0.0:
            return np.zeros(depth.shape)
        height = np.clip(elevation_m, self.heights_[0], self.heights_[-1])
        table = self._table(sturm_day(date, self.origin), frozenset(without) & set(self._sites))
        return self.share_ * table(np.stack([depth, height], axis=-1)).reshape(depth.shape)

    def _table(self, day: int, without: frozenset[str]) -> RegularGridInterpolator:
        if (day, without) not in self._tables:
            depth, height = np.meshgrid(DEPTHS_M, self.heights_, indexing="ij")
            columns = np.column_stack([depth.ravel(), height.ravel(), np.full(depth.size, day)])
            values = self._model(without).predict(columns).reshape(depth.shape)
            self._tables[day, without] = RegularGridInterpolator((DEPTHS_M, self.heights_), values)
        return self._tables[day, without]

    def _model(self, without: frozenset[str]) -> ExtraTreesRegressor:
        if without not in self._models:
            kept = ~np.isin(self._sites, list(without))
            trees = ExtraTreesRegressor(TREES, min_samples_leaf=LEAF, random_state=0)
            self._models[without] = trees.fit(self._columns[kept], self._excess[kept])
        return self._models[without]

    def _relation(self, depth_m: np.ndarray, day: np.ndarray) -> np.ndarray:
        each = [prior_density(np.array(h), int(k), self.snow_class) for h, k in zip(depth_m, day, strict=True)]
        return np.array(each, float)

    def skill(self) -> pd.DataFrame:
        """Return the row of `skill.csv`: earlier seasons' records told by the other courses, before this season has a say."""
        columns = ("observed", "predicted", "predicted_se")
        figures = scores(*(self.held_out_[name].to_numpy(float) for name in columns))
        return pd.DataFrame([{"model": "earlier seasons", "part": "density", "weight": self.share_} | figures])

    def parameters(self) -> dict:
        """Return what the record keeps."""
        return {"records": len(self.held_out_), "share": self.share_}
