"""Course files, or a round of one, whose depth and SWE are both in another unit than declared.

Density is right then, so that no sheet shows it by itself. Many courses against many other places do.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd

from snowtally.courses.context import Neighbours
from snowtally.model.problems import Finding
from snowtally.model.rules import slips as rules

ROUND_DAYS = 12
"""Visits within so many days are one round (common practice, no source: a round for the first of a month takes up to a week either way)."""

LEAST_MM, MELT_SHARE, MELTING = 60.0, 0.8, 0.25
"""Rounds count while the other places hold so much SWE, and no quarter of the stations has lost a fifth of its most: early snow and melt
differ by place beyond any factor (chosen)."""

LEAST_COURSES, LEAST_OTHERS = 4, 4
"""Courses and other places from which the two are compared (chosen: of three that lie alike nobody can tell)."""

SITES_SD, SITES_WEIGHT = 0.45, 4
"""Spread of SWE among places of one elevation, in natural logarithms, and how many places that knowledge counts as: 0.3 to 0.6 (27 real
courses and six stations, 2000 to 2016)."""

SLOPE_PER_KM, SLOPE_SD = 0.9, 0.9
"""SWE grows with elevation by this much a kilometre, in natural logarithms, before the places themselves tell (common practice, no source)."""

KIND_SD = 0.2
"""Courses and stations are put into other places, on purpose: open against sheltered, in natural logarithms (chosen)."""

VISIT_SD, ROUND_SD = 0.25, 0.2
"""A course's share of the others' SWE differs so much from round to round, by itself and with all its neighbours (chosen on the same records)."""

ODDS = np.log(150.0)
"""A unit must explain the ratio so many times better than the places do, as of a single sheet."""

NEAR = 1.5
"""The ratio must be met within so many standard deviations."""

MOST_COURSES, HALF_WAY = 0.75, 0.5
"""So many of the courses are more than half-way from no ratio to the unit's: a few that are far off say nothing of a file (chosen)."""

INCHES = "inches under centimetres"
FACTORS = {
    1 / 2.54: INCHES,
    2.54: "centimetres taken for inches",
    1 / 10: "centimetres under millimetres",
    10.0: "millimetres under centimetres",
    1 / 25.4: "inches under millimetres",
    25.4: "millimetres taken for inches",
}
"""Ratios of what is read to what is true, and what was done."""


@dataclass(frozen=True)
class _Ratio:
    """How many times the others' values a group's are.

    Parameters
    ----------
    log, sd : natural logarithm of the ratio and its standard deviation.
    of_courses : (courses,) the same of each course.
    others : number of other places.
    """

    log: float
    sd: float
    of_courses: np.ndarray
    others: int

    def unit(self) -> _Unit | None:
        """Return the unit that explains the ratio; None where the places may."""
        for factor in FACTORS:
            miss = self.log - np.log(factor)
            odds = (self.log**2 - miss**2) / (2 * self.sd**2)
            same = np.mean(self.of_courses / np.log(factor) > HALF_WAY)
            if odds >= ODDS and abs(miss) <= NEAR * self.sd and same >= MOST_COURSES:
                return _Unit(factor, float(odds))
        return None


@dataclass(frozen=True)
class _Unit:
    """A factor of `FACTORS`, and the natural logarithm of how many times better than the places it explains a ratio."""

    factor: float
    odds: float


@dataclass(frozen=True)
class _Suspect:
    """Visits that a unit explains, with their ratio to other places."""

    visits: pd.DataFrame
    ratio: _Ratio
    unit: _Unit


def files_in_another_unit(samples: pd.DataFrame, around: Neighbours) -> list[Finding]:
    """Return a finding for each course file, or round of one, in another unit than declared.

    Parameters
    ----------
    samples : a season's samples that passed the checks of single rows: site_id, date, swe_mm, file, used, swe_used.
    around : the stations' days and the places' elevations.
    """
    rows = samples[samples["used"] & samples["swe_used"] & (samples["swe_mm"] > 0)]
    if rows["site_id"].nunique() < LEAST_COURSES:
        return []
    visits = rows.groupby(["file", "site_id", "date"], observed=True)["swe_mm"].mean().reset_index()
    visits["round"] = _rounds(visits["date"])
    stations = _at_rounds(around.daily, visits)
    visits = _before_melt(visits, stations)
    suspects = []
    # The likeliest first; the others are compared without it.
    while (worst := _likeliest(_whole(visits, stations, around.elevation_m))) is not None:
        suspects.append(worst)
        visits = visits[~visits["file"].isin(worst.visits["file"])]
    while (worst := _likeliest(_single_rounds(visits, stations))) is not None:
        suspects.append(worst)
        visits = visits.drop(index=worst.visits.index)
    return [_finding(one) for one in suspects]


def _likeliest(groups: Iterator[tuple[pd.DataFrame, _Ratio]]) -> _Suspect | None:
    """Return the group that a unit explains best; None where none is explained by one."""
    suspects = [_Suspect(visits, ratio, unit) for visits, ratio in groups if (unit := ratio.unit()) is not None]
    return max(suspects, key=lambda one: one.unit.odds, default=None)


def _rounds(dates: pd.Series) -> np.ndarray:
    """Return the number of each visit's round."""
    number, first, numbers = -1, None, {}
    for date in sorted(dates.unique()):
        if first is None or (date - first).days > ROUND_DAYS:
            number, first = number + 1, date
        numbers[date] = number
    return dates.map(numbers).to_numpy(int)


def _at_rounds(daily: pd.DataFrame, visits: pd.DataFrame) -> pd.DataFrame:
    """Return each station's SWE of each round, the mean of the days of its visits: site_id, round, swe_mm, left.

    `left` is the share of the station's most of the season that is left.
    """
    days = visits[["date", "round"]].drop_duplicates()
    daily = daily.dropna(subset=["swe_mm"]).sort_values("date")
    most = daily.groupby("site_id", observed=True)["swe_mm"].cummax()
    rows = daily.assign(left=daily["swe_mm"] / most.where(most > 0)).merge(days, on="date")
    return rows.groupby(["site_id", "round"], observed=True)[["swe_mm", "left"]].mean().reset_index()


def _before_melt(visits: pd.DataFrame, stations: pd.DataFrame) -> pd.DataFrame:
    """Return the visits of rounds before the melt: by then a quarter of the stations has lost a fifth of its most."""
    remains = stations.groupby("round")["left"].quantile(MELTING)
    return visits[~visits["round"].isin(remains.index[remains < MELT_SHARE])]


def _whole(visits: pd.DataFrame, stations: pd.DataFrame, heights_m: pd.Series) -> Iterator[tuple[pd.DataFrame, _Ratio]]:
    """Yield all visits against the stations, then each file against all else; with their ratio where it can be told."""
    files = visits["file"].unique()
    groups = [np.ones(len(visits), bool)]
    groups += [(visits["file"] == file).to_numpy() for file in files] if len(files) > 1 else []
    for inside in groups:
        group, others = visits[inside], pd.concat([visits[~inside], stations])
        if group["site_id"].nunique() < LEAST_COURSES or others["site_id"].nunique() < LEAST_OTHERS:
            continue
        usual = _usual(others)
        ratio = _against(_of_sites(group, usual), _of_sites(others, usual), heights_m)
        if ratio is not None:
            yield group, ratio


def _usual(others: pd.DataFrame) -> pd.Series:
    """Return the median log SWE of the other places by round, without rounds of early snow and of melt."""
    logs = np.log(others["swe_mm"].clip(lower=1.0)).groupby(others["round"])
    usual = logs.median()[logs.size() >= LEAST_OTHERS].sort_index()
    # Without stations the courses' own loss tells of the melt.
    return usual[(usual >= np.log(LEAST_MM)) & (usual >= usual.cummax() + np.log(MELT_SHARE))]


def _of_sites(values: pd.DataFrame, usual: pd.Series) -> pd.Series:
    """Return the log ratio of each place to the usual of its rounds, by site_id."""
    off = np.log(values["swe_mm"].clip(lower=1.0)) - values["round"].map(usual)
    return off.groupby(values["site_id"].astype(str)).median().dropna()


def _against(group: pd.Series, others: pd.Series, heights_m: pd.Series) -> _Ratio | None:
    """Return the ratio of the group's places to the others' of the same elevation.

    It is a regression on elevation, with one step between the two. None where too few places have an elevation.
    """
    ids = [*group.index, *others.index]
    height = heights_m.reindex(ids).to_numpy(float) / 1000.0
    known = np.isfinite(height)
    inside = np.arange(len(ids)) < len(group)
    if (known & inside).sum() < LEAST_COURSES or (known & ~inside).sum() < LEAST_OTHERS:
        return None
    height, inside = height[known], inside[known]
    values = np.concatenate([group.to_numpy(), others.to_numpy()])[known]
    terms = np.column_stack([np.ones(len(values)), height - height.mean(), inside])
    # What is known of the slope beforehand is one more row.
    prior = SITES_SD / SLOPE_SD * np.array([0.0, 1.0, 0.0])
    system = np.vstack([terms, prior])
    inverse = np.linalg.inv(system.T @ system)
    fitted = inverse @ system.T @ np.append(values, SLOPE_PER_KM * SITES_SD / SLOPE_SD)
    left = values - terms @ fitted
    free = max(len(values) - 3, 0)
    spread = (left @ left + SITES_WEIGHT * SITES_SD**2) / (free + SITES_WEIGHT)
    return _Ratio(
        float(fitted[2]),
        float(np.sqrt(spread * inverse[2, 2] + KIND_SD**2)),
        (left + inside * fitted[2])[inside],
        int((~inside).sum()),
    )


def _single_rounds(visits: pd.DataFrame, stations: pd.DataFrame) -> Iterator[tuple[pd.DataFrame, _Ratio]]:
    """Yield each file's rounds against the same courses' other rounds, by what the stations held."""
    if stations["site_id"].nunique() < LEAST_OTHERS:
        return
    usual = _usual(stations)
    visits = visits.assign(off=np.log(visits["swe_mm"].clip(lower=1.0)) - visits["round"].map(usual)).dropna()
    for _, of_file in visits.groupby("file", observed=True):
        off = of_file.pivot_table(index="site_id", columns="round", values="off", observed=True)
        for number in off.columns if len(off) >= LEAST_COURSES else ():
            moved = (off[number] - off.drop(columns=number).median(axis=1)).dropna().to_numpy()
            if len(moved) >= LEAST_COURSES:
                sd = float(np.hypot(max(VISIT_SD, moved.std()) / np.sqrt(len(moved)), ROUND_SD))
                ratio = _Ratio(float(np.median(moved)), sd, moved, stations["site_id"].nunique())
                yield of_file[of_file["round"] == number], ratio


def _finding(suspect: _Suspect) -> Finding:
    visits, ratio, factor = suspect.visits, suspect.ratio, suspect.unit.factor
    files = visits["file"].unique()
    among = f" in {len(files)} files" if len(files) > 1 else ""
    turned = min(FACTORS, key=lambda one: abs(np.log(one * factor)))
    return Finding(
        rules.COURSES_IN_ANOTHER_UNIT,
        file=str(files[0]),
        start=str(visits["date"].min().date()),
        end=str(visits["date"].max().date()),
        evidence=f"SWE of {visits['site_id'].nunique()} courses on {len(visits)} visits{among} is {np.exp(ratio.log):.2g} times what "
        f"{ratio.others} other places make likely, and their density is right",
        detail=rules.COURSES_IN_ANOTHER_UNIT.says(slip=FACTORS[factor], turned=FACTORS[turned]),
    )
