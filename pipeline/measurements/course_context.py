"""What a course's visit may be expected to find: by its neighbours, by the stations, and by its own last visit."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from pipeline.measurements.seasons import typical_density

READING_DEPTH_M = 0.01
"""A depth is read to the centimetre (common practice, no source)."""

READING_SWE_MM = 6.4
"""A tube's scale is read to half an inch of water at worst: a quarter of an inch either way (common practice, no source)."""

POINT_DENSITY_SD = 0.11
"""Spread of density among the points of a course, in natural logarithms: 8 to 12 % (common practice, no source)."""

COURSES_DENSITY_SD = 0.15
"""Spread of density among the courses and stations of a basin on one day, in natural logarithms (demo basin: 0.09 to 0.13)."""

TYPICAL_SD = 0.35
"""Error of the season's typical density for a single place, in natural logarithms: twice it spans the published ranges."""

THIN_M, THIN_SD = 0.25, 0.35
"""Snow thinner than this may be all new or all crust: its density is known no better than so (common practice, no source)."""

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

NEAREST_STATION_DAYS = 2
"""A station's day this near stands for the visit's."""

LAST_VISIT_DAYS = 75
"""A visit longer ago than two months and a half in reserve tells nothing of today's."""


@dataclass(frozen=True)
class Surroundings:
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
    """What a visit is expected to find, in natural logarithms with standard deviations; missing where nothing tells.

    Parameters
    ----------
    density, density_sd : of bulk density in kg/m3.
    density_told : how many other places tell of the density.
    near, near_sd : of SWE in mm, by places of like elevation.
    last_mm, last_sd_mm : SWE in mm itself, by the last visit and the stations' change since.
    lost_mm : what the stations lost since the last visit, mm.
    """

    density: float
    density_sd: float
    density_told: int
    near: float = np.nan
    near_sd: float = np.nan
    last_mm: float = np.nan
    last_sd_mm: float = np.nan
    lost_mm: float = 0.0

    def swe(self) -> tuple[float, float]:
        """Return the expected natural logarithm of SWE in mm and its standard deviation, both yardsticks together."""
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


class Context:
    """The visits of a season and what surrounds them.

    Parameters
    ----------
    visits : one row a visit: site_id, date, log_density (median of the points), depth_m, swe_mm (means), `sound`: not set
        aside, which the checks keep up to date as they walk through the visits in time.
    around : what is known besides.
    near_m, near_days : places within so many metres of elevation and days are neighbours.
    """

    def __init__(self, visits: pd.DataFrame, around: Surroundings, near_m: float, near_days: float) -> None:
        """Lay the station days out by day and station."""
        self.visits = visits
        self.around = around
        self.near_m, self.near_days = near_m, pd.Timedelta(days=near_days)
        self.swe = _by_day(around.daily, "swe_mm")
        self.depth = _by_day(around.daily, "depth_m")

    def expected(self, visit: pd.Series) -> Expected:
        """Return what a visit (a row of `visits`) is expected to find."""
        density, density_sd, told = self._density(visit)
        return Expected(density, density_sd, told, *self._near(visit), *self._since_last(visit))

    def _others(self, site_id: str, date: pd.Timestamp) -> pd.DataFrame:
        """Return for each other course its sound visit nearest to a day."""
        visits = self.visits
        away = (visits["date"] - date).abs()
        others = visits[visits["sound"] & (visits["site_id"] != site_id) & (away <= self.near_days)]
        return others.assign(away=away).sort_values(["site_id", "away", "date"]).drop_duplicates("site_id")

    def _own(self, visit: pd.Series) -> pd.DataFrame:
        """Return the course's own sound visits before, newest first."""
        visits = self.visits
        before = visits[visits["sound"] & (visits["site_id"] == visit["site_id"]) & (visits["date"] < visit["date"])]
        return before.sort_values("date", ascending=False)

    def _densities(self, site_id: str, date: pd.Timestamp) -> np.ndarray:
        """Return the log densities that other courses and the stations tell of about a day."""
        courses = self._others(site_id, date)
        courses = courses.loc[courses["depth_m"] > THIN_M, "log_density"].dropna().to_numpy()
        swe, depth = _at(self.swe, date), _at(self.depth, date)
        with np.errstate(divide="ignore", invalid="ignore"):
            stations = np.log(swe / depth.reindex(swe.index).where(depth > THIN_M)).to_numpy(float)
        return np.concatenate([courses, stations[np.isfinite(stations)]])

    def _density(self, visit: pd.Series) -> tuple[float, float, int]:
        date = visit["date"]
        others = self._densities(visit["site_id"], date)
        own = self._own(visit).dropna(subset="log_density").head(2)
        typical = np.log(typical_density(date, southern=self.around.southern))
        if len(others) >= LEAST_OTHERS:
            mean = float(np.median(others))
            before = [
                row.log_density - float(np.median(then))
                for row in own.itertuples()
                if len(then := self._densities(row.site_id, row.date)) >= LEAST_OTHERS
            ]
            mean += LASTING * float(np.mean(before)) if before else 0.0
            sd = COURSES_DENSITY_SD * np.sqrt(1 + 1.5 / len(others))
        else:
            means, sds = [typical], [TYPICAL_SD]
            if len(others):
                means.append(float(others[0]))
                sds.append(2 * COURSES_DENSITY_SD)
            if len(own):
                days = (date - own["date"].iloc[0]).days
                means.append(float(own["log_density"].iloc[0]))
                # Between two visits snow settles, ripens or is buried: some 30 % in a month (common practice, no source).
                sds.append(float(np.hypot(COURSES_DENSITY_SD, 0.3 * days / 30)))
            weight = 1.0 / np.square(sds)
            mean, sd = float(np.average(means, weights=weight)), float(1.0 / np.sqrt(weight.sum()))
        thin = THIN_SD if visit["depth_m"] < THIN_M else 0.0
        return mean, float(np.hypot(sd, thin)), len(others)

    def _near_swe(self, site_id: str, date: pd.Timestamp) -> np.ndarray:
        """Return log SWE of the places of like elevation about a day, bare ones left out."""
        height = self.around.elevation_m
        if not np.isfinite(height.get(site_id, np.nan)):
            return np.zeros(0)
        like = height.index[(height - height[site_id]).abs() <= self.near_m]
        courses = self._others(site_id, date).set_index("site_id")["swe_mm"]
        told = pd.concat([courses[courses.index.isin(like)], _at(self.swe, date)[lambda s: s.index.isin(like)]])
        return np.log(told[told > READING_SWE_MM].to_numpy(float))

    def _near(self, visit: pd.Series) -> tuple[float, float]:
        now = self._near_swe(visit["site_id"], visit["date"])
        if len(now) < LEAST_OTHERS:
            return np.nan, np.nan
        before = [
            np.log(row.swe_mm) - float(np.median(then))
            for row in self._own(visit).head(3).itertuples()
            if row.swe_mm > READING_SWE_MM
            and len(then := self._near_swe(row.site_id, row.date)) >= LEAST_OTHERS
        ]
        if not before:
            return float(np.median(now)), SITE_SWE_SD * float(np.sqrt(1 + 1.5 / len(now)))
        share = len(before) / (len(before) + LASTING)
        spread = np.hypot(LASTING_SWE_SD, (1 - share) * SITE_SWE_SD)
        return float(np.median(now) + share * np.mean(before)), float(spread * np.sqrt(1 + 1.5 / len(now)))

    def _since_last(self, visit: pd.Series) -> tuple[float, float, float]:
        """Return SWE by the last visit and what the stations gained and lost since, its standard deviation, and the loss, mm."""
        nothing = np.nan, np.nan, 0.0
        own = self._own(visit).dropna(subset="swe_mm")
        if own.empty or self.swe.empty:
            return nothing
        last = own.iloc[0]
        if (visit["date"] - last["date"]).days > LAST_VISIT_DAYS:
            return nothing
        near = pd.Timedelta(days=NEAREST_STATION_DAYS)
        span = self.swe.loc[last["date"] - near : visit["date"] + near].iloc[::STEP_DAYS]
        heard = span.columns[span.head(2).notna().any() & span.tail(2).notna().any()]
        if not len(heard):
            return nothing
        span = span[heard].interpolate(limit_area="inside")
        gain, loss = span.diff().clip(lower=0).sum(), (-span.diff()).clip(lower=0).sum()
        # Where a course held twice what the stations did it gains twice as much: it lies where the wind leaves snow.
        share = (last["swe_mm"] + SHARE_MM) / (float(span.head(2).bfill().iloc[0].median()) + SHARE_MM)
        share = float(np.clip(share, *SHARE_LIMITS))
        change = share * gain - loss
        spread = 1.4826 * float((change - change.median()).abs().median()) * np.sqrt(1 + 1.5 / len(heard))
        lost = float(loss.median())
        expected = max(float(last["swe_mm"] + change.median()), 0.0)
        # What the snow lost most differs from place to place, and bare stations tell nothing of it.
        sd = np.sqrt(
            spread**2 + (CHANGE_SD * share * gain.median()) ** 2 + lost**2 + (0.1 * last["swe_mm"]) ** 2 + LEAST_SD_MM**2
        )
        return expected, float(sd), lost


STEP_DAYS = 3
"""Gains and losses are told apart over steps of three days: daily noise of some mm would count as both."""

SHARE_MM, SHARE_LIMITS = 50.0, (0.5, 2.5)
"""A course's accumulation against the stations', from SWE at the last visit with so much added to both, held within these."""

CHANGE_SD = 0.4
"""Error of a course's gain told by the stations, as a share of it (chosen: storms differ by place)."""

LEAST_SD_MM = 30.0
"""What a course may differ by in any case, mm: the points are never quite the same ones (common practice, no source)."""


def _by_day(daily: pd.DataFrame, name: str) -> pd.DataFrame:
    """Return a variable by day and station; an empty table where no station tells."""
    known = daily.dropna(subset=name)
    if known.empty:
        return pd.DataFrame(index=pd.DatetimeIndex([]))
    wide = known.pivot_table(index="date", columns="site_id", values=name)
    return wide.reindex(pd.date_range(wide.index[0], wide.index[-1]))


def _at(by_day: pd.DataFrame, date: pd.Timestamp) -> pd.Series:
    """Return each station's value nearest to a day."""
    near = pd.Timedelta(days=NEAREST_STATION_DAYS)
    around = by_day.loc[date - near : date + near]
    if around.empty:
        return pd.Series(dtype=float)
    order = np.argsort(np.abs((around.index - date).days.to_numpy()), kind="stable")
    return around.iloc[order].bfill().iloc[0].dropna()
