"""The scales that bring the gauges' snowfall and degree-day melt to what the sites gained and lost, melt's month by month."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.sparse import csr_array

from snowtally.model.ground import GroundRecord
from snowtally.snow.carry import BARE_MM, SPARE_MM, TERRAIN_LOCAL, ScaleError
from snowtally.snow.forcing import LEAST_OBSERVED, Forcing, node_to_sites
from snowtally.snow.site_values import SITE_VARIATION
from snowtally.statistics.regression import ROUNDS, doubt
from snowtally.terrain.canopy import site_exposure

MELT_COMMON = 0.12
"""Error of melt that all sites share, as a share of it: canopy, gauges and the formula's misfit, which no number of sites takes
away (design: 10 to 15 %; on worlds of another make twelve sites agreed on a melt scale within 4 % and the basin was off by 45)."""

WINDOW_DAYS = 30
"""Days of a window of melt, from the flight's day both ways, else from the season's start: degree days make too much of cold snow
and too little of old snow under a high sun (training worlds, nights later than 45 days after a flight: one scale a season leaves the basin 15.5 % off, windows 13.9)."""

SCALE_LOG_SD = 0.35
"""Prior spread of the logarithms of the scales on snowfall and on melt: gauges catch 60 to 95 % of the snow that falls (common
practice, no source), degree-day factors vary by half between basins (Hock 2003, Table 1)."""

MELT_MEMORY = 0.8
"""Correlation of the scales of neighbouring windows beforehand: what is the basin's own, wind and shade and height, stays (training
worlds: 0.6 and 0.9 do no better)."""


SPAN_DAYS = 10
"""A station's series is cut into spans of so many days: readings' noise is small beside the melt of ten days (common practice, no
source). A course's spans are those between its visits."""

SPAN_MM = 10.0
"""Error of what a site gained or lost over some days, mm: two readings of some mm each, and what no daily account of cold snow
knows."""

SPAN_SHARE = 0.1
"""The same as a share of what was gained and lost, beside what is the site's own in all its spans (training worlds: 0.2 leaves nights
later than 45 days after a flight 1.1 points worse, 0.15 is as good)."""


LEAST_ERROR = 0.03
"""Errors smaller than this share of the largest are left out: a thousandth of the variance."""


@dataclass(frozen=True)
class Since:
    """A flight's day, and each site's accumulation factor by it, by site_id."""

    day: pd.Timestamp
    factor: pd.Series


@dataclass(frozen=True)
class Scales:
    """Scales on snowfall since the flight and on melt by window.

    Parameters
    ----------
    log_scales : (1 + windows,) logarithms: snowfall's, then melt's of each window.
    covariance : of these.
    window : (day,) number of each day's window.
    """

    log_scales: np.ndarray
    covariance: np.ndarray
    window: np.ndarray

    @property
    def snowfall(self) -> float:
        """The scale on snowfall since the flight."""
        return float(np.exp(self.log_scales[0]))

    @property
    def melt(self) -> np.ndarray:
        """(day,) the scale on melt."""
        return np.exp(self.log_scales[1:])[self.window]

    def errors(self, melt_mm: np.ndarray, first: int = 0) -> tuple[ScaleError, ...]:
        """Return the errors of gain and loss.

        Over the days from `first` on, by (day, node) melt; the smallest are left out.
        """
        loss = self.melt[first:, None] * melt_mm[first:]
        windows = np.unique(self.window[first:])
        rows = np.stack([loss[self.window[first:] == k].sum(axis=0) for k in windows]) if len(windows) else loss[:0]
        share = rows / np.maximum(rows.sum(axis=0), 1e-9)
        asked = np.concatenate([[0], 1 + windows])
        by_node = np.zeros((len(asked), 1 + melt_mm.shape[1]))
        by_node[0, 0], by_node[1:, 1:] = 1.0, share
        size, turned = np.linalg.eigh(self.covariance[np.ix_(asked, asked)])
        fields = (turned * np.sqrt(np.maximum(size, 0.0))).T @ by_node
        _, size, turned = np.linalg.svd(fields, full_matrices=False)
        large = size > LEAST_ERROR * size.max(initial=0.0)
        return tuple(ScaleError(float(row[0]), row[1:]) for row in size[large, None] * turned[large])

    def parameters(self) -> dict:
        """Return what the record keeps of melt.

        The scale of each window and the standard error of its logarithm.
        """
        return {
            "window_days": WINDOW_DAYS,
            "melt_scales": np.exp(self.log_scales[1:]).round(4).tolist(),
            "melt_log_se": np.sqrt(np.diag(self.covariance))[1:].round(4).tolist(),
        }


def fitted_scales(ground: GroundRecord, forcing: Forcing, since: Since | None = None) -> Scales:
    """Return the scales that fit the sites' changes.

    Parameters
    ----------
    ground : the sites' series.
    forcing : the season's weather.
    since : from its day on a site gains what its factor tells; before, and without, what it caught by itself.

    Notes
    -----
    Each span of a site begins with what it held: w1 = w0 + c S - m sum_k b_k M_k, M_k its potential melt in window k. The
    site's catch c and its own melt m are fitted along, so that what is a site's own, and all its spans share, is not taken for a
    sure scale. Gauss-Newton steps on the logarithms, a wild span doubted. A site that ends a span bare tells that all was
    melted, and no more.
    """
    # A flight begins a window, so that the change since it is asked by itself.
    flown = 0 if since is None else int((forcing.days <= since.day).sum())
    window = (np.arange(len(forcing.days)) - flown) // WINDOW_DAYS
    window -= window.min(initial=0)
    count = int(window[-1]) + 1 if len(window) else 0
    lag = np.abs(np.subtract.outer(np.arange(count), np.arange(count)))
    prior = np.zeros((1 + count, 1 + count))
    prior[0, 0], prior[1:, 1:] = SCALE_LOG_SD**2, SCALE_LOG_SD**2 * MELT_MEMORY**lag
    spans = _Spans.of(ground, forcing, window, None if since is None else since.day)
    if not len(spans.site):
        return Scales(np.zeros(1 + count), prior, window)
    after, factor = np.zeros(len(spans.site), bool), np.ones(len(spans.site))
    if since is not None:
        after = spans.began >= (since.day - forcing.days[0]).days
        factor = since.factor.reindex(spans.names).fillna(1.0).to_numpy()[spans.site]
    # Unknown beside the scales are of each site its catch, its own gain since the flight, its own melt.
    own_sd = np.array([TERRAIN_LOCAL, SITE_VARIATION, SITE_VARIATION])
    fitted, own = np.zeros(1 + count), np.zeros((len(spans.names), len(own_sd)))
    precision, normal = np.linalg.inv(prior), np.linalg.inv(prior)
    for _ in range(ROUNDS):
        off, slopes, sd = spans.against(fitted, own, after, factor)
        # Not every site is drawn to the others: a wild one's own melt is left to itself.
        drawn = own_sd**-2.0 / doubt(own / own_sd)
        sums = spans.squares(np.column_stack([slopes, off]) / sd[:, None], 1.0 / doubt(off / sd))
        # The sites' own unknowns meet those of other sites in the scales alone: eliminated site by site.
        scales, of_site = slice(0, 1 + count), slice(1 + count, -1)
        mixed, towards = sums[:, of_site, scales], sums[:, of_site, -1] - drawn * own
        within = sums[:, of_site, of_site] + drawn[:, :, None] * np.eye(len(own_sd))
        solved = np.linalg.solve(within, np.concatenate([mixed, towards[:, :, None]], axis=2))
        beside = np.einsum("sij,sik->jk", mixed, solved)
        normal = sums[:, scales, scales].sum(axis=0) + precision - beside[:, :-1]
        change = np.linalg.solve(normal, sums[:, scales, -1].sum(axis=0) - precision @ fitted - beside[:, -1])
        own_change = solved[:, :, -1] - solved[:, :, :-1] @ change
        fitted = np.clip(fitted + np.clip(change, -0.5, 0.5), -1.5, 1.5)
        own = np.clip(own + np.clip(own_change, -0.5, 0.5), -1.5, 1.5)
    return Scales(fitted, np.linalg.inv(normal), window)


@dataclass(frozen=True)
class _Spans:
    """Spans of the sites' series.

    Number of the site, row of the first day, SWE at both ends, snowfall, melt by window, mm.
    """

    names: pd.Index
    site: np.ndarray
    began: np.ndarray
    start: np.ndarray
    end: np.ndarray
    snowfall: np.ndarray
    melt: np.ndarray

    @classmethod
    def of(cls, ground: GroundRecord, forcing: Forcing, window: np.ndarray, flown: pd.Timestamp | None) -> _Spans:
        """Return the spans that begin with snow enough.

        At the flight one ends and the next begins.
        """
        names, days = ground.sites.index, forcing.days
        marks = days[::-1][::SPAN_DAYS][::-1]
        marks = marks if flown is None else marks.union([flown])
        stations = ground.station_series.reindex(index=marks, columns=names).reindex(days).to_numpy(float)
        seen = np.where(np.isfinite(stations), stations, ground.course_days.reindex(index=days, columns=names))
        pairs = [np.empty((0, 3), int)]
        for site in range(len(names)):
            rows = np.flatnonzero(np.isfinite(seen[:, site]))
            pairs.append(np.column_stack([np.full(len(rows[1:]), site), rows[:-1], rows[1:]]))
        site, first, last = np.concatenate(pairs).T
        observed = np.concatenate([[0], forcing.observed.cumsum()])
        known = observed[last + 1] - observed[first + 1] >= LEAST_OBSERVED * (last - first)
        snowy = known & (seen[first, site] >= SPARE_MM)
        site, first, last = site[snowy], first[snowy], last[snowy]
        elevation = ground.sites["elevation_m"].to_numpy(float)
        fallen, could = (
            np.vstack([np.zeros(len(names)), node_to_sites(field, forcing.nodes_m, elevation).cumsum(axis=0)])
            for field in (forcing.snowfall_mm, forcing.melt_mm)
        )
        could *= site_exposure(ground.sites, southern=ground.southern)
        edges = np.concatenate([[0], np.flatnonzero(np.diff(window)) + 1, [len(window)]])
        high, low = (np.clip(at[:, None] + 1, edges[:-1], edges[1:]) for at in (last, first))
        melt = could[high, site[:, None]] - could[low, site[:, None]]
        snowfall = fallen[last + 1, site] - fallen[first + 1, site]
        return cls(names, site, first, seen[first, site], seen[last, site], snowfall, melt)

    def squares(self, columns: np.ndarray, weight: np.ndarray) -> np.ndarray:
        """Return each site's weighted sums of products of (span, k) columns, (site, k, k)."""
        products = columns[:, :, None] * (weight[:, None] * columns)[:, None, :]
        at = self.site, np.arange(len(self.site))
        of_site = csr_array((np.ones(len(self.site)), at), shape=(len(self.names), len(self.site)))
        return (of_site @ products.reshape(len(products), -1)).reshape(len(self.names), *products.shape[1:])

    def against(
        self, scales: np.ndarray, own: np.ndarray, after: np.ndarray, factor: np.ndarray
    ) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Return the innovation of each span, mm.

        SWE at its end less the modelled one; then the latter's slopes by the scales and by what is its site's own, and its error.

        Parameters
        ----------
        scales, own : logarithms of the scales, and (site, 3) of each site's own catch, gain since the flight and melt.
        after, factor : (span,) whether it lies after the flight; the site's factor by the flight.
        """
        catch, since, melts = own[self.site].T
        gained = self.snowfall * np.where(after, factor * np.exp(scales[0] + since), np.exp(catch))
        lost = self.melt * np.exp(scales[1:] + melts[:, None])
        melted, whole = lost.sum(axis=1), self.start + gained
        fresh, caught = np.where(after, gained, 0.0), np.where(after, 0.0, gained)
        slopes = np.column_stack([fresh, -lost, caught, fresh, -melted])
        # Where it is bare as modelled more melt would change nothing; one that was seen not bare has not run out.
        informative = (self.end > BARE_MM) | (melted < whole)
        sd = np.hypot(SPAN_MM, SPAN_SHARE * (gained + np.minimum(melted, whole)))
        return np.where(informative, self.end - whole + melted, 0.0), informative[:, None] * slopes, sd
