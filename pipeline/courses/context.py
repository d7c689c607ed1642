"""What a course's visit may be expected to find: by its neighbours, by the stations, and by its own last visit."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
import pandas as pd

from snowtally.courses.station_days import THIN_M, StationDays, days_since_epoch
from snowtally.sites.seasons import typical_density
from snowtally.statistics.few_values import median

READING_DEPTH_M = 0.01
"""A depth is read to the centimetre (common practice, no source)."""

READING_SWE_MM = 6.4
"""A tube's scale is read to half an inch of water at worst: a quarter of an inch either way (common practice, no source)."""

LEAST_READING_SWE_MM = 2.5
"""What a core's weight is unsure of however fine the scale: crumbs, water on the tube (common practice, no source)."""

POINT_DENSITY_SD = 0.11
"""Spread of density among the points of a course, in natural logarithms: 8 to 12 % (common practice, no source)."""

COURSES_DENSITY_SD = 0.15
"""Spread of density among the courses and stations of a basin on one day, in natural logarithms (demo basin: 0.09 to 0.13)."""

TYPICAL_SD = 0.35
"""Error of the season's typical density for a single place, in natural logarithms: twice it spans the published ranges."""

THIN_SD, THIN_FROM_M, THIN_TO_M = 0.35, 0.10, 0.30
"""What that adds to the error of an expected log density: all of it below the one depth, nothing above the other."""

FRESH_KG_M3 = 50.0
"""Least density of new snow: 5 to 20 % water (USDA NRCS, "What is Snow Water Equivalent?")."""

FRESH_CATCH, FRESH_LEAST_MM, FRESH_UNTOLD_MM = 2.0, 10.0, 25.0
"""A place may have had twice what a tenth of the stations exceeded, and 10 mm; without stations an inch of water (common
practice, no source: storms differ by place, and an inch falls somewhere in most weeks)."""

LASTING = 0.5
"""Share of a course's deviation from the others that the next visit still shows (chosen)."""

LEAST_OTHERS = 2
"""Other places that must tell before their median stands for the basin."""

SITE_SWE_SD = 0.5
"""Spread of SWE among places of like elevation, in natural logarithms: wind and canopy decide (common practice, no source)."""

LASTING_SWE_SD = 0.3
"""The same about a course's own lasting deviation: the same place is deep every year (common practice, no source)."""

PATCHY_MM = 20.0
"""Where little is expected, patchy snow and new snow make ratios of it mean little: added to the error, mm (chosen)."""

LEAST_OF_LAST = 4.0
"""The last visit tells a ratio of SWE where so many of its standard deviations are left."""

LAST_VISIT_DAYS = 75
"""A visit longer ago than two months and a half in reserve tells nothing of today's."""


@dataclass(frozen=True)
class Neighbours:
    """What is known besides the course sheets.

    Parameters
    ----------
    elevation_m : the terrain's elevation by site_id.
    daily : station days: site_id, date, swe_mm, depth_m.
    southern : whether the basin's seasons run the other way round.
    """

    elevation_m: pd.Series = field(default_factory=lambda: pd.Series(dtype=float))
    daily: pd.DataFrame = field(
        default_factory=lambda: pd.DataFrame(
            {"site_id": [], "date": pd.to_datetime([]), "swe_mm": [], "depth_m": []}
        ).astype({"swe_mm": float, "depth_m": float})
    )
    southern: bool = False


@dataclass(frozen=True)
class Expected:
    """What a visit is expected to find, with standard deviations.

    Density and SWE are in natural logarithms, except where a name ends in `_mm`. Values are missing where nothing is
    known.

    Parameters
    ----------
    density, density_sd : of bulk density in kg/m3.
    density_sites : number of other sites that tell the density.
    near, near_sd : of SWE in mm, by places of like elevation.
    last_mm, last_sd_mm : SWE in mm itself, by the last visit and the stations' change since.
    lost_mm : what the stations lost since the last visit, mm.
    fresh_mm : most new snow that the place may have had in the last days, mm.
    """

    density: float
    density_sd: float
    density_sites: int
    near: float = np.nan
    near_sd: float = np.nan
    last_mm: float = np.nan
    last_sd_mm: float = np.nan
    lost_mm: float = 0.0
    fresh_mm: float = FRESH_UNTOLD_MM

    def may_be_fresh(self, depth_m: float, log_density: float) -> bool:
        """Return whether new snow may explain so low a density.

        The depth is in m, the density in natural logarithms of kg/m3. The lightest new snow lies on old snow of the
        expected density. There is no more new snow than may have fallen, and no more than all of the snow.
        """
        old, measured = np.exp(self.density), np.exp(log_density)
        if measured >= old:
            return True
        return measured >= FRESH_KG_M3 and bool(
            depth_m * (1 - measured / old) / (1 / FRESH_KG_M3 - 1 / old) <= self.fresh_mm
        )

    def density_sd_at(self, depth_m: float) -> float:
        """Return the standard deviation of the expected log density.

        It depends on the depth, m: thin snow may have any density.
        """
        thin = min(max((THIN_TO_M - depth_m) / (THIN_TO_M - THIN_FROM_M), 0.0), 1.0)
        return float(np.hypot(self.density_sd, THIN_SD * thin))

    def swe(self) -> tuple[float, float]:
        """Return the expected log SWE and its standard deviation.

        It is the natural logarithm of SWE in mm. It combines the places of like elevation with the last visit. Both
        values are missing where neither is known.
        """
        means, variances = [], []
        if np.isfinite(self.near):
            means.append(self.near)
            variances.append(self.near_sd**2)
        # Where the change since could have taken all the snow, the last visit tells no ratio.
        if self.last_mm > LEAST_OF_LAST * self.last_sd_mm:
            means.append(np.log(self.last_mm))
            variances.append((self.last_sd_mm / self.last_mm) ** 2 + LASTING_SWE_SD**2)
        if not means:
            return np.nan, np.nan
        weight = 1.0 / np.array(variances)
        mean = float(np.average(means, weights=weight))
        return mean, float(np.hypot(1.0 / np.sqrt(weight.sum()), PATCHY_MM / np.exp(mean)))


class Visit(NamedTuple):
    """A row of `Context.visits`."""

    site_id: str
    date: pd.Timestamp
    log_density: float
    depth_m: float
    swe_mm: float


class Context:
    """The visits of a season and what surrounds them.

    Parameters
    ----------
    visits : one row a visit, by date and course: site_id, date, log_density (median of the points), depth_m, swe_mm (means).
    around : what is known besides.
    near_m, near_days : places within so many metres of elevation and days are neighbours.

    Attributes
    ----------
    sound : (visits,) whether a visit may be a yardstick for others: `set_aside` takes one out.
    """

    def __init__(self, visits: pd.DataFrame, around: Neighbours, near_m: float, near_days: float) -> None:
        """Lay visits and station days out as arrays."""
        self.visits = visits
        self.around = around
        self.near_m, self.near_days = near_m, near_days
        self.sound = np.ones(len(visits), bool)
        names = sorted(set(visits["site_id"]))
        self._site = pd.Index(names).get_indexer(visits["site_id"])
        self._day = days_since_epoch(visits["date"])
        self._log_density = visits["log_density"].to_numpy(float)
        self._depth = visits["depth_m"].to_numpy(float)
        self._swe = visits["swe_mm"].to_numpy(float)
        self._height = around.elevation_m.reindex(visits["site_id"]).to_numpy(float)
        self._stations = StationDays.of(around.daily, around.elevation_m)
        self._values: dict[tuple[str, int], np.ndarray] = {}
        self._risen = {day: self._stations.risen(day) for day in np.unique(self._day)}

    def each_visit(self) -> list[Visit]:
        """Return the visits in their order."""
        return [Visit(*row) for row in self.visits[list(Visit._fields)].itertuples(index=False)]

    def expected(self, visit: int) -> Expected:
        """Return what a visit is expected to find.

        `visit` is the position of the visit in `visits`.
        """
        density, density_sd, sites = self._density(visit)
        last, last_sd, lost = self._since_last(visit)
        fresh = self._risen[self._day[visit]]
        fresh_mm = FRESH_UNTOLD_MM if np.isnan(fresh) else FRESH_LEAST_MM + FRESH_CATCH * fresh
        return Expected(density, density_sd, sites, *self._near(visit), last, last_sd, lost, fresh_mm)

    def set_aside(self, visit: int) -> None:
        """Stop using a visit to judge other visits."""
        self.sound[visit] = False
        self._values.clear()

    def _others(self, visit: int) -> np.ndarray:
        """Return the nearest sound visit of each other course.

        The visits are positions in `visits`. Nearest means nearest in time, and within `near_days` days.
        """
        day = self._day[visit]
        # Visits stand in the order of their days.
        first, end = (
            np.searchsorted(self._day, day - self.near_days),
            np.searchsorted(self._day, day + self.near_days, "right"),
        )
        sound = first + np.flatnonzero(self.sound[first:end] & (self._site[first:end] != self._site[visit]))
        sound = sound[np.argsort(np.abs(self._day[sound] - day), kind="stable")]
        return sound[np.unique(self._site[sound], return_index=True)[1]]

    def _own(self, visit: int, values: np.ndarray) -> np.ndarray:
        """Return the course's own earlier sound visits, newest first.

        The visits are positions in `visits`. Only those with a value in `values` are returned.
        """
        before = self.sound & (self._site == self._site[visit]) & (self._day < self._day[visit])
        return np.flatnonzero(before & np.isfinite(values))[::-1]

    def _densities(self, visit: int) -> np.ndarray:
        """Return the log densities of other courses and the stations.

        These are natural logarithms of kg/m3, about the day of the visit.
        """
        if ("density", visit) in self._values:
            return self._values["density", visit]
        others = self._others(visit)
        courses = self._log_density[others[self._depth[others] > THIN_M]]
        values = np.concatenate([courses, self._stations.at(self._stations.log_density, self._day[visit])])
        self._values["density", visit] = values = values[np.isfinite(values)]
        return values

    def _density(self, visit: int) -> tuple[float, float, int]:
        others = self._densities(visit)
        own = self._own(visit, self._log_density)
        if len(others) >= LEAST_OTHERS:
            before = [
                self._log_density[before] - median(then)
                for before in own[:2]
                if len(then := self._densities(before)) >= LEAST_OTHERS
            ]
            mean = median(others) + (LASTING * float(np.mean(before)) if before else 0.0)
            sd = COURSES_DENSITY_SD * np.sqrt(1 + 1.5 / len(others))
        else:
            date = self.visits["date"].iloc[visit]
            means, sds = [np.log(typical_density(date, southern=self.around.southern))], [TYPICAL_SD]
            if len(others):
                means.append(float(others[0]))
                sds.append(2 * COURSES_DENSITY_SD)
            if len(own):
                means.append(float(self._log_density[own[0]]))
                months = (self._day[visit] - self._day[own[0]]) / 30
                sds.append(float(np.hypot(COURSES_DENSITY_SD, MONTH_DENSITY_SD * months)))
            weight = 1.0 / np.square(sds)
            mean, sd = float(np.average(means, weights=weight)), float(1.0 / np.sqrt(weight.sum()))
        return mean, sd, len(others)

    def _near_swe(self, visit: int) -> np.ndarray:
        """Return the log SWE of sites of like elevation.

        These are natural logarithms of SWE in mm, about the day of the visit. Bare sites are left out.
        """
        if ("swe", visit) in self._values:
            return self._values["swe", visit]
        others = self._others(visit)
        like = np.abs(self._height[others] - self._height[visit]) <= self.near_m
        stations = self._stations.at(self._stations.swe_mm, self._day[visit])
        stations = stations[np.abs(self._stations.elevation_m - self._height[visit]) <= self.near_m]
        values = np.concatenate([self._swe[others[like]], stations])
        self._values["swe", visit] = values = np.log(values[values > READING_SWE_MM])
        return values

    def _near(self, visit: int) -> tuple[float, float]:
        now = self._near_swe(visit)
        if len(now) < LEAST_OTHERS:
            return np.nan, np.nan
        before = [
            np.log(self._swe[before]) - median(then)
            for before in self._own(visit, np.where(self._swe > READING_SWE_MM, self._swe, np.nan))[:3]
            if len(then := self._near_swe(before)) >= LEAST_OTHERS
        ]
        share = len(before) / (len(before) + LASTING)
        lasting = share * float(np.mean(before)) if before else 0.0
        spread = np.hypot(LASTING_SWE_SD, (1 - share) * SITE_SWE_SD) if before else SITE_SWE_SD
        return median(now) + lasting, float(spread * np.sqrt(1 + 1.5 / len(now)))

    def _since_last(self, visit: int) -> tuple[float, float, float]:
        """Return the SWE expected from the last visit, mm.

        It is the SWE of the last visit, with what the stations gained and lost since. The second value is its standard
        deviation, mm. The third is the loss, mm. Without a recent visit or any station the SWE is missing and the loss
        is 0.
        """
        nothing = np.nan, np.nan, 0.0
        own = self._own(visit, self._swe)
        if not len(own) or self._day[visit] - self._day[own[0]] > LAST_VISIT_DAYS:
            return nothing
        start, gain, loss = self._stations.between(self._day[own[0]], self._day[visit])
        if not len(start):
            return nothing
        last = self._swe[own[0]]
        # Where a course held twice what the stations did it gains twice as much: it lies where the wind leaves snow.
        share = float(np.clip((last + SHARE_MM) / (median(start) + SHARE_MM), *SHARE_LIMITS))
        change = share * gain - loss
        middle, lost = median(change), median(loss)
        spread = 1.4826 * median(np.abs(change - middle)) * np.sqrt(1 + 1.5 / len(start))
        # What the snow lost most differs from place to place, and bare stations tell nothing of it.
        sd = np.sqrt(spread**2 + (CHANGE_SD * share * median(gain)) ** 2 + lost**2 + (0.1 * last) ** 2 + LEAST_SD_MM**2)
        return max(last + middle, 0.0), float(sd), lost


MONTH_DENSITY_SD = 0.3
"""Between two visits a month apart snow settles, ripens or is buried: change of log density (common practice, no source)."""

SHARE_MM, SHARE_LIMITS = 50.0, (0.5, 2.5)
"""A course's accumulation against the stations', from SWE at the last visit with so much added to both, held within these."""

CHANGE_SD = 0.4
"""Error of a course's gain told by the stations, as a share of it (chosen: storms differ by place)."""

LEAST_SD_MM = 30.0
"""What a course may differ by in any case, mm: the points are never quite the same ones (common practice, no source)."""
