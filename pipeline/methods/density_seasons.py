"""What earlier seasons' courses say of density by depth, height and day: trees beside the published relation."""

from __future__ import annotations

import datetime as dt
from collections.abc import Collection, Iterable
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.interpolate import RegularGridInterpolator
from sklearn.ensemble import ExtraTreesRegressor

from pipeline.methods.choice import left_out_groups
from pipeline.methods.scores import scores
from pipeline.methods.sturm import origin_of, prior_density, sturm_day

LEAST_RECORDS, LEAST_SITES, LEAST_SEASONS = 40, 2, 3
"""Fewer visits, courses or seasons teach trees nothing that the season's own records do not (chosen): a course is weighed some
six times a season."""

EARLIER_SHARE = 0.5
"""Share of what the trees say beyond the relation's own bias, in logarithms, before the season's records have a say (trial worlds,
docs/method.md; real visits: 0.5 to 1 are alike, docs/method.md)."""

TREES, LEAF = 100, 4
"""Trees, and records that a leaf holds at least: the spread of single visits is 10 %, of four 5."""

HELD_OUT = 4
"""Courses and seasons are each held out in so many groups, every group of the one with every group of the other."""

DEPTHS_M = np.concatenate([np.linspace(0.1, 2.0, 20), np.linspace(2.2, 6.0, 20)])
HEIGHTS = 40
"""Over a grid, what the trees say is looked up in a table of depths and of so many elevations, even ones over the courses' range:
beyond their records trees say what they say at the edge, and a table between its nodes goes evenly where trees go in steps."""


THIN_M = 1.0
"""Records of snow thinner than this count less: it is a crust here and new snow there, and little water lies in it (trial
worlds: 0.6 m is 0.3 % worse on flight days)."""


def thinness(depth_m: np.ndarray) -> np.ndarray:
    """Return by how much the error variance of a density record is raised, from the snow's depth.

    >>> thinness(np.array([1.0, 0.5])).round(1)
    array([2., 5.])
    """
    return 1.0 + (THIN_M / np.maximum(depth_m, 0.05)) ** 2


@dataclass(frozen=True)
class Taught:
    """What some records teach: trees, the records' mean, and how much of that mean is the relation's own bias here.

    Parameters
    ----------
    mean : mean logarithm of density over the relation.
    bias : the part of it that is taken.
    """

    trees: ExtraTreesRegressor
    mean: float
    bias: float

    def excess(self, columns: np.ndarray, share: float) -> np.ndarray:
        """Return the bias and a share of what the trees say beyond the mean, (n,)."""
        return self.bias + share * (self.trees.predict(columns) - self.mean)


def relation_bias(excess: pd.DataFrame, weight: np.ndarray) -> tuple[float, float]:
    """Return the mean of records, and it shrunk towards nothing by its error from course to course and season to season.

    The factor is max(0, 1 - se^2 / mean^2) (James and Stein 1961, positive part, one mean): a few visits of which each course
    and season says something else teach nothing, dozens that agree count whole.

    Parameters
    ----------
    excess : site_id, season, excess (logarithm of density over the relation).
    weight : (n,) weight of each record.
    """
    mean = float(np.average(excess["excess"], weights=weight))
    off = excess["excess"] * weight
    variance = 0.0
    for group in ("site_id", "season"):
        means = off.groupby(excess[group]).sum() / pd.Series(weight, excess.index).groupby(excess[group]).sum()
        variance += float(means.var(ddof=1)) / len(means) if len(means) > 1 else np.inf
    return mean, mean * max(0.0, 1.0 - variance / mean**2) if mean else 0.0


class EarlierSeasons:
    """Logarithm of density over the published relation (Sturm et al. 2010) as earlier seasons had it: its bias, and trees.

    Extremely randomised trees (Geurts et al. 2006, Mach. Learn. 63, 3-42) on depth, elevation and day of the season. Northness
    and canopy are not asked: courses stand on level ground in clearings.

    Parameters
    ----------
    snow_class : class of the published relation.
    season_start : first day of the season that the estimate is for.
    origin : that season's 1 October, or 1 April in southern basins.

    Attributes
    ----------
    bias_ : logarithm of density over the relation that all of the courses have, as far as it is known; taken whole.
    share_ : share of what the trees say beyond it: `EARLIER_SHARE` where courses and seasons that they do not know are told
        better so, by more than a standard error over seasons; else none.
    """

    def __init__(self, snow_class: str, season_start: dt.date, origin: dt.date) -> None:
        """Keep what the trees are about."""
        self.snow_class = snow_class
        self.origin = origin
        self.lead_days = (origin - season_start).days

    def fit(self, records: pd.DataFrame) -> EarlierSeasons | None:
        """Fit to records of earlier seasons; None where they are too few.

        Parameters
        ----------
        records : site_id, date, depth_m, density_kg_m3, elevation_m.
        """
        records = records[(records["depth_m"] >= DEPTHS_M[0]) & np.isfinite(records["elevation_m"])]
        records = records.sort_values(["site_id", "date"], ignore_index=True)
        dates = [date.date() for date in records["date"]]
        origins = [origin_of(date, self.origin, self.lead_days) for date in dates]
        seasons = sorted(set(origins))
        if len(records) < LEAST_RECORDS or records["site_id"].nunique() < LEAST_SITES or len(seasons) < LEAST_SEASONS:
            return None
        day = np.array([sturm_day(date, origin) for date, origin in zip(dates, origins, strict=True)])
        relation = np.array(
            [
                float(prior_density(np.array(h), int(k), self.snow_class))
                for h, k in zip(records["depth_m"], day, strict=True)
            ]
        )
        self._columns = np.column_stack([records["depth_m"], records["elevation_m"], day])
        self._excess = np.log(records["density_kg_m3"].to_numpy(float) / relation)
        self._sites = records["site_id"].to_numpy()
        season = np.array([seasons.index(origin) for origin in origins])
        self._season = season
        # All courses of one height give no range: a metre about it is one.
        low, high = records["elevation_m"].min(), records["elevation_m"].max()
        self._heights = np.linspace(low, max(high, low + 1.0), HEIGHTS)
        self._models: dict[frozenset[str], Taught] = {}
        self._tables: dict[tuple[int, frozenset[str]], RegularGridInterpolator] = {}
        level, whole = self._held_out(records)
        told = level + EARLIER_SHARE * (whole - level)
        gain = (self._excess - level) ** 2 - (self._excess - told) ** 2
        by_season = np.bincount(season, gain) / np.bincount(season)
        sure = by_season.mean() > by_season.std(ddof=1) / np.sqrt(len(seasons))
        self.share_ = EARLIER_SHARE if sure else 0.0
        self.bias_ = self._model(frozenset()).bias
        self._told, self._relation = (told if sure else level), relation
        return self

    def _held_out(self, records: pd.DataFrame) -> tuple[np.ndarray, np.ndarray]:
        """Return what others say who know neither the record's course nor its season: their bias, and all that trees add."""
        group = np.zeros(len(records), int)
        ordered = left_out_groups(records.groupby("site_id")["elevation_m"].first(), alone_up_to=0, groups=HELD_OUT)
        for number, sites in enumerate(ordered):
            group[np.isin(self._sites, sites)] = number
        level, whole = np.zeros((2, len(records)))
        part = self._season % HELD_OUT
        for number, one in np.ndindex(len(ordered), HELD_OUT):
            known = (group != number) & (part != one)
            asked = (group == number) & (part == one)
            if known.any() and asked.any():
                taught = self._taught(known)
                level[asked], whole[asked] = taught.bias, taught.excess(self._columns[asked], 1.0)
        return level, whole

    def excess(
        self, depth_m: np.ndarray, elevation_m: np.ndarray, dates: Iterable[dt.date], without: Collection[str] = ()
    ) -> np.ndarray:
        """Return the logarithm of density over the relation to be taken at (n,) depths and elevations on (n,) dates.

        Parameters
        ----------
        without : sites whose own records shall have no say.
        """
        depth = np.asarray(depth_m, float)
        if not self.taken or depth.size == 0:
            return np.zeros(depth.shape)
        day = [sturm_day(date, self.origin) for date in dates]
        columns = np.column_stack([depth, elevation_m, day])
        return self._model(self._named(without)).excess(columns, self.share_)

    @property
    def taken(self) -> bool:
        """Whether earlier seasons move the relation at all."""
        return bool(self.bias_ or self.share_)

    def excess_on(
        self, depth_m: np.ndarray, elevation_m: np.ndarray, date: dt.date, without: Collection[str] = ()
    ) -> np.ndarray:
        """Return as `excess`, for many places on one date, shaped as `depth_m`; missing where the elevation is, unless none is taken."""
        depth = np.clip(np.asarray(depth_m, float), DEPTHS_M[0], DEPTHS_M[-1])
        if not self.taken:
            return np.zeros(depth.shape)
        height = np.clip(elevation_m, self._heights[0], self._heights[-1])
        table = self._table(sturm_day(date, self.origin), self._named(without))
        return table(np.stack([depth, height], axis=-1)).reshape(depth.shape)

    def _named(self, without: Collection[str]) -> frozenset[str]:
        return frozenset(without) & set(self._sites)

    def _table(self, day: int, without: frozenset[str]) -> RegularGridInterpolator:
        if (day, without) not in self._tables:
            depth, height = np.meshgrid(DEPTHS_M, self._heights, indexing="ij")
            columns = np.column_stack([depth.ravel(), height.ravel(), np.full(depth.size, day)])
            values = self._model(without).excess(columns, self.share_).reshape(depth.shape)
            self._tables[day, without] = RegularGridInterpolator((DEPTHS_M, self._heights), values, bounds_error=False)
        return self._tables[day, without]

    def _model(self, without: frozenset[str]) -> Taught:
        if without not in self._models:
            self._models[without] = self._taught(~np.isin(self._sites, list(without)))
        return self._models[without]

    def _taught(self, known: np.ndarray) -> Taught:
        if not known.any():
            # Nobody is left to tell: the relation stands as it is.
            return Taught(ExtraTreesRegressor(1, random_state=0).fit(self._columns[:1], np.zeros(1)), 0.0, 0.0)
        weight = 1.0 / thinness(self._columns[known, 0])
        trees = ExtraTreesRegressor(TREES, min_samples_leaf=LEAF, random_state=0)
        trees.fit(self._columns[known], self._excess[known], sample_weight=weight)
        names = {"site_id": self._sites, "season": self._season, "excess": self._excess}
        records = pd.DataFrame({name: values[known] for name, values in names.items()})
        return Taught(trees, *relation_bias(records, weight))

    def skill(self) -> pd.DataFrame:
        """Return two rows of `skill.csv`: the records told by the relation, and by it with trees of other courses and seasons."""
        rows = []
        for name, log_excess, weight in (
            ("relation, earlier seasons", np.zeros(len(self._told)), 0.0 if self.taken else 1.0),
            ("relation and trees, earlier seasons", self._told, 1.0 if self.taken else 0.0),
        ):
            left = self._excess - log_excess
            observed, predicted = self._relation * np.exp(self._excess), self._relation * np.exp(log_excess)
            figures = scores(observed, predicted, predicted * np.sqrt(np.mean(left**2)))
            rows.append({"model": name, "part": "density", "weight": weight} | figures)
        return pd.DataFrame(rows)

    def parameters(self) -> dict:
        """Return what the record keeps."""
        return {"records": len(self._told), "bias": round(self.bias_, 4), "share": self.share_}
