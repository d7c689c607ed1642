"""Snow carried from one day to another by what the stations gained and lost in between. docs/method.md tells what was tried."""

from __future__ import annotations

import itertools
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from snowtally.model.ground import GroundRecord
from snowtally.snow.melting import Carried, Spells, carried
from snowtally.snow.terrain_regression import REACH_M
from snowtally.statistics.regression import BayesianLine

STEP_DAYS = 3
"""Gains and losses are told apart over steps of three days: daily pillow noise of some mm would count as both, and
would drown a day's melt at a station. A station missing on a day may stand in with its
nearest value within so many days, carried like a course."""

NODE_M = 100.0
"""Elevation step of the tables of gain and loss, m."""

SPARE_MM = 30.0
"""So little snow tells hardly anything of a place. Added to both sides of a place's snow over its elevation's mean and over what fell: where
hardly any has fallen or was seen, new snow falls as on average. At so much snowfall half of a place's factor is told by it. Added to what
was turned over, so that instrument noise over a quiet week is not taken for a large share (no source; with 40 in place of 80 for the
pattern and 30 in place of 60 for the snowfall nothing changes on the demo, with 15 for the turnover its error is 2 % less)."""

BARE_MM = 5.0
"""Below this a station counts as bare: the zero of a weighing instrument wanders by so much."""

UNOBSERVED_MM_PER_DAY = 5.0
"""Error for each day that no station tells of: what a day of an ordinary storm or of melt brings or takes
(common practice, no source)."""

SLOPE_SHARE_PER_KM = 0.6
"""Prior spread of a step's change with height, as a share of the change per km: snowfall and melt of a day differ by about half
between the foot and the top of a kilometre (common practice, no source)."""

TERRAIN_LOCAL = 0.5
"""Spread of a cell's SWE about what its terrain tells, as a share of SWE: variation near peak is 0.6 to 1.0 in mountain
basins, of which elevation explains a part (common practice, no source). Between cells of like terrain accumulation varies as much: it
adds to the variation within a cell, and decides how patchily ground of one height melts out. Sites spread as much in what they catch of the gauges' snowfall."""


@dataclass(frozen=True)
class Pattern:
    """The flight's mean SWE by elevation.

    Accumulation is measured against it.

    Parameters
    ----------
    nodes_m : rising elevations.
    mean_mm : mean SWE about each node.
    """

    nodes_m: np.ndarray
    mean_mm: np.ndarray

    @classmethod
    def of(cls, swe_mm: np.ndarray, elevation_m: np.ndarray, area_m2: np.ndarray) -> Pattern:
        """Return the pattern of a flight.

        From (n,) SWE, elevation and area of its cells.
        """
        low, high = np.floor(elevation_m.min() / NODE_M), np.ceil(elevation_m.max() / NODE_M)
        nodes = np.arange(low, high + 1) * NODE_M
        # Triangular weights between nodes: a mean that has no steps.
        position = np.clip(elevation_m / NODE_M - low, 0, len(nodes) - 1)
        left = np.minimum(position.astype(int), max(len(nodes) - 2, 0))
        share = position - left
        right = np.minimum(left + 1, len(nodes) - 1)
        weight = np.bincount(left, area_m2 * (1 - share), len(nodes)) + np.bincount(right, area_m2 * share, len(nodes))
        total = np.bincount(left, area_m2 * (1 - share) * swe_mm, len(nodes)) + np.bincount(
            right, area_m2 * share * swe_mm, len(nodes)
        )
        known = weight > 0
        return cls(nodes, np.interp(nodes, nodes[known], total[known] / weight[known]))

    def factor(self, swe_mm: np.ndarray, elevation_m: np.ndarray) -> np.ndarray:
        """Return the accumulation of a place relative to its elevation's mean."""
        return (np.asarray(swe_mm, float) + SPARE_MM) / (self.at(elevation_m) + SPARE_MM)

    def at(self, elevation_m: np.ndarray | float) -> np.ndarray:
        """Return the mean SWE at elevations, mm.

        Constant beyond the nodes.
        """
        return np.interp(elevation_m, self.nodes_m, self.mean_mm)


@dataclass(frozen=True)
class ScaleError:
    """An independent error of gain, and of loss by node."""

    gain: float
    loss: np.ndarray


@dataclass(frozen=True)
class Turnover:
    """What the snow gained and lost between two days, by elevation.

    Parameters
    ----------
    nodes_m : rising elevations.
    gain_mm, loss_mm : snow gained by a place of average accumulation, and potential loss, at the nodes.
    unobserved_days : days that no site tells of.
    later : gain and loss since some days in between, (gain_mm, loss_mm) each at the nodes: snow that fell after the ground had
        gone bare owes nothing to the melt before.
    scale_errors : how gain and loss may be off in all places together.
    """

    nodes_m: np.ndarray
    gain_mm: np.ndarray
    loss_mm: np.ndarray
    unobserved_days: int = 0
    later: tuple[tuple[np.ndarray, np.ndarray], ...] = ()
    scale_errors: tuple[ScaleError, ...] = ()

    def at(self, elevation_m: np.ndarray, exposure: np.ndarray | float = 1.0) -> tuple[np.ndarray, np.ndarray]:
        """Return gain and loss at elevations, mm.

        Constant beyond the nodes; loss times melt exposure.
        """
        gain, loss = (np.interp(elevation_m, self.nodes_m, nodes) for nodes in (self.gain_mm, self.loss_mm))
        return gain, exposure * loss

    def carry(
        self,
        start_mm: np.ndarray,
        factor: np.ndarray,
        elevation_m: np.ndarray,
        variation: float,
        exposure: np.ndarray | float = 1.0,
    ) -> Carried:
        """Return the snow at the end.

        From SWE at the start (mm), factor, elevation (m) and melt exposure.
        """
        gain = np.array([self.gain_mm, *(since for since, _ in self.later)])
        loss = np.array([self.loss_mm, *(since for _, since in self.later)])
        return carried((start_mm, factor, elevation_m, exposure), Spells(self.nodes_m, gain, loss), variation)

    def errors_at(self, elevation_m: np.ndarray) -> list[tuple[ScaleError, np.ndarray]]:
        """Return the scales' errors, with those of loss at elevations."""
        return [(one, np.interp(elevation_m, self.nodes_m, one.loss)) for one in self.scale_errors]

    def with_loss(self, share: float) -> Turnover:
        """Return the same gain with a share of the loss."""
        later = tuple((gain, share * loss) for gain, loss in self.later)
        return replace(self, loss_mm=share * self.loss_mm, later=later)

    def following(self, pattern: Pattern, lowest_m: float) -> Turnover:
        """Return the turnover with less gain below the stations.

        It falls off as the flight's snow does: rain takes over down there.
        """
        base = float(pattern.at(lowest_m))
        share = np.clip(pattern.at(self.nodes_m) / base, 0.0, 1.0) if base > 0 else np.ones(len(self.nodes_m))
        return replace(self, gain_mm=np.where(self.nodes_m < lowest_m, share, 1.0) * self.gain_mm)


def site_turnover(
    ground: GroundRecord, factor: pd.Series, start: pd.Timestamp, end: pd.Timestamp, nodes_m: np.ndarray
) -> Turnover:
    """Return gain and loss by elevation between two days.

    Parameters
    ----------
    ground : sites, station days and course visits.
    factor : each site's accumulation relative to its elevation's mean, by site_id; 1 where a site is not named.
    nodes_m : elevations of the tables.

    Notes
    -----
    In each step of three days the stations' changes are fitted by a Bayesian line on elevation; gains are divided by the
    station's own accumulation factor first, so that a drifted or sheltered station does not stand for its surroundings. A
    station's gap is bridged evenly: what it gained over the gap is known, when is not. Where no station tells of a step,
    courses with a visit before and after it do. A step that nobody tells of counts as unheard. A site that is bare throughout
    a step tells nothing of what snow would have lost there, and is left out.
    """
    days = (end - start).days
    kinds = []
    for series in ground.once("site series", lambda: _site_series(ground)):
        own = np.ones(len(series.sites)) if factor.empty else factor.reindex(series.sites).fillna(1.0).to_numpy()
        kinds.append((series.between(start, days), series.elevation_m, own))
    gain, loss, unobserved = np.zeros(len(nodes_m)), np.zeros(len(nodes_m)), 0
    for first, last in itertools.pairwise([*range(0, days, STEP_DAYS), days]):
        changes = [
            (swe[[first, last]][:, known], height[known], own[known])
            for swe, height, own in kinds
            if (known := np.isfinite(swe[first]) & np.isfinite(swe[last])).any()
        ]
        if not changes:
            unobserved += last - first
            continue
        swe, height, own = changes[0]
        snowy = (swe > BARE_MM).any(axis=0)
        if not snowy.any():
            continue
        change = (swe[1] - swe[0])[snowy]
        at_nodes = _line_on_elevation(np.where(change > 0, change / own[snowy], change), height[snowy], nodes_m)
        gain += np.maximum(at_nodes, 0.0)
        loss += np.maximum(-at_nodes, 0.0)
    return Turnover(nodes_m, gain, loss, unobserved)


@dataclass(frozen=True)
class SiteSeries:
    """SWE of some sites day by day, mm.

    (day, site) from `first` on, elevation (m) and names of the sites.

    Plain arrays: a night asks for hundreds of spans, and a table's own bookkeeping took most of its time.
    """

    first: pd.Timestamp
    swe_mm: np.ndarray
    elevation_m: np.ndarray
    sites: pd.Index

    def between(self, start: pd.Timestamp, days: int) -> np.ndarray:
        """Return the rows from `start` on.

        To `days` later, missing where the series do not reach.
        """
        rows = (start - self.first).days + np.arange(days + 1)
        values = np.full((days + 1, len(self.sites)), np.nan)
        there = (rows >= 0) & (rows < len(self.swe_mm))
        values[there] = self.swe_mm[rows[there]]
        return values


def _site_series(ground: GroundRecord) -> list[SiteSeries]:
    """Return the stations' and the courses' series."""
    elevation = ground.sites["elevation_m"].astype(float)
    return [
        SiteSeries(series.index[0], series.to_numpy(float), elevation[series.columns].to_numpy(), series.columns)
        for series in (ground.station_series, ground.course_series)
        if len(series)
    ]


def _line_on_elevation(values: np.ndarray, elevation_m: np.ndarray, nodes_m: np.ndarray) -> np.ndarray:
    """Return a shrunk line through values at elevations, at the nodes.

    Noise is judged from the values' own spread.
    """
    centre = float(elevation_m.mean())
    size = float(np.abs(values).mean()) + 2.0
    noise = (0.3 * size + 3.0) ** 2
    line = BayesianLine(np.array([10.0 * size, SLOPE_SHARE_PER_KM * size]))
    line.fit(
        np.column_stack([np.ones(len(values)), (elevation_m - centre) / 1000.0]), values, np.full(len(values), noise)
    )
    reached = np.clip(nodes_m, elevation_m.min() - REACH_M, elevation_m.max() + REACH_M)
    return line.predict(np.column_stack([np.ones(len(nodes_m)), (reached - centre) / 1000.0]))[0]
