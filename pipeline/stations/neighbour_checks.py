"""A station's SWE against what its neighbours make of it, where they have earned a say."""

from __future__ import annotations

from functools import partial

import numpy as np

from snowtally.model.rules import stations as rules
from snowtally.stations.neighbours import Neighbours
from snowtally.stations.series import ALL_ONE, StationSeries, rows_with_readings

SNOW_MM = 40.0
"""Ratios of thinner snow say nothing."""

LEAST_DAYS = 30
"""Days of snow at both that a pair of stations needs for a steady ratio."""

COMPANIONS = 5
"""The neighbours whose ratio to the station is steadiest make the estimate."""

LEAST_COMPANIONS = 3

EARNED = 0.12
"""The estimate has a say while its usual miss stays below this share of the station's SWE."""

MISSES = 6.0
LEAST_MM = 50.0
LEAST_SHARE = 0.25
"""A reading is wrong where it is off by more than so many usual misses, so many mm, and this share of the estimate."""

LASTING_DAYS = 2

STORMS_LUCK = 2.5
"""One storm may leave a station this many times what it left the neighbours, or nothing."""

ROBUST = 0.4
"""A ratio from the season's days stands while fewer of them than this are wrong; else the neighbours are not the same snow."""

MELTED_SHARE = 0.95
MELTED_STATIONS = 0.25
"""Ratios hold while snow gathers: once a quarter of the stations have lost a twentieth of their greatest, melt goes its own way."""

ONSET_DAYS = 3
ONSET_SHARE = 0.6
"""A fault comes or goes within some days: six tenths of the miss must have come within three days, or gone. Snow that the
neighbours did not get adds up storm by storm."""


def against_neighbours(series: StationSeries) -> None:
    """Set aside days of SWE that the steadiest neighbours contradict.

    Each season is checked by itself, while snow gathers. The ratio of SWE of a pair of stations is the median over the
    days of the season on which both lie under snow. The five neighbours whose ratio scatters least make the estimate:
    the median of their SWE times their ratio.
    """
    swe = Neighbours(series).swe
    wrong = np.zeros(series.shape, bool)
    made = np.full(series.shape, np.nan)
    for season in np.unique(series.seasons):
        days = np.flatnonzero(series.seasons == season)
        wrong[days], made[days] = _season(swe[days])
    if not wrong.any():
        return
    marked = series.days_to_readings(wrong) & np.isfinite(series.values["swe_mm"])
    values = series.values["swe_mm"]

    def evidence(rows: np.ndarray) -> str:
        site = int(np.searchsorted(series.bounds, rows[0], side="right")) - 1
        days = np.unique(series.day_of[rows])
        return (
            f"{np.median(values[rows]):.0f} mm where the neighbours make {np.nanmedian(made[days, site]):.0f} mm of it"
        )

    series.tell(
        marked,
        "swe_mm",
        rules.STATION_AGAINST_NEIGHBOURS,
        evidence=evidence,
        near_hours=72.0,
    )


def _season(swe: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return a season's wrong days and the neighbours' estimate.

    Both arrays are (days, stations). The estimate is SWE in mm. It is missing where the neighbours have no say.
    """
    wrong, made = np.zeros(swe.shape, bool), np.full(swe.shape, np.nan)
    gathering = _gathering(swe)
    snow = np.where((swe > SNOW_MM) & gathering, swe, np.nan)
    if swe.shape[1] <= LEAST_COMPANIONS:
        return wrong, made
    for site in np.flatnonzero(np.isfinite(snow).sum(axis=0) >= LEAST_DAYS):
        ratio = snow[:, [site]] / snow
        ratio[:, site] = np.nan
        counts = np.isfinite(ratio).sum(axis=0)
        middle = column_medians(ratio)
        scatter = column_medians(np.abs(ratio / middle - 1.0))
        scatter[counts < LEAST_DAYS] = np.nan
        best = np.argsort(scatter, kind="stable")[:COMPANIONS]
        best = best[np.isfinite(scatter[best])]
        if len(best) < LEAST_COMPANIONS:
            continue
        theirs = snow[:, best] * middle[best]
        estimate = column_medians(theirs.T)
        estimate[np.isfinite(theirs).sum(axis=1) < LEAST_COMPANIONS] = np.nan
        miss = swe[:, site] - estimate
        usual = 1.4826 * float(column_medians(np.abs(miss)[:, None])[0])
        if not usual < EARNED * float(column_medians(snow[:, [site]])[0]):
            continue
        far = np.abs(miss) > np.maximum(np.maximum(MISSES * usual, LEAST_MM), LEAST_SHARE * estimate)
        far = _sudden(far, miss, estimate)
        if far.sum() <= ROBUST * np.isfinite(miss).sum():
            wrong[:, site], made[:, site] = far, estimate
    return wrong, made


def _gathering(swe: np.ndarray) -> np.ndarray:
    """Return the days on which snow still gathers, (days, 1).

    On these days fewer than a quarter of the stations have lost a twentieth of their greatest SWE so far.
    """
    greatest = np.fmax.accumulate(np.where(np.isfinite(swe), swe, -np.inf), axis=0)
    there = np.isfinite(swe) & (greatest > SNOW_MM)
    melted = (there & (swe < MELTED_SHARE * greatest)).sum(axis=1)
    return (melted < MELTED_STATIONS * np.maximum(there.sum(axis=1), 1))[:, None]


def _sudden(far: np.ndarray, miss: np.ndarray, estimate: np.ndarray) -> np.ndarray:
    """Return the stretches of `far` that began or ended suddenly.

    A stretch must last at least `LASTING_DAYS` days. Most of its miss must come or go within `ONSET_DAYS` days, and by
    more than a storm explains.
    """
    edges = np.flatnonzero(np.diff(np.concatenate([[0], far.astype(np.int8), [0]])))
    lasting = np.zeros_like(far)
    for a, b in zip(edges[::2], edges[1::2], strict=True):
        size = float(np.nanmedian(miss[a:b]))
        came = miss[a : a + 2] - miss[max(a - ONSET_DAYS, 0)]
        went = miss[max(b - 2, 0) : b] - miss[min(b + ONSET_DAYS - 1, len(miss) - 1)]
        storm = np.concatenate(
            [
                estimate[a : a + 2] - estimate[max(a - ONSET_DAYS, 0)],
                estimate[max(b - 2, 0) : b] - estimate[min(b + ONSET_DAYS - 1, len(miss) - 1)],
            ]
        )
        changed = np.concatenate([came, went]) * np.sign(size)
        sudden = (changed >= ONSET_SHARE * abs(size)) & (changed > STORMS_LUCK * np.abs(storm))
        lasting[a:b] = b - a >= LASTING_DAYS and bool(sudden.any())
    return lasting


def column_medians(table: np.ndarray) -> np.ndarray:
    """Return the median of each column without its missing values.

    For an even number of values it is the lower of the two middle ones.

    >>> column_medians(np.array([[1.0, np.nan], [5.0, np.nan], [3.0, 2.0]]))
    array([3., 2.])
    """
    ranked = np.sort(table, axis=0)
    middle = np.maximum(np.isfinite(table).sum(axis=0) - 1, 0) // 2
    return ranked[middle, np.arange(table.shape[1])]


def swapped(series: StationSeries) -> None:
    """Set aside days on which two stations' feeds were exchanged.

    Each station then reads the other's level. On the first and after the last of these days both stations jump, in
    opposite directions and to the other's level.
    """
    swe = Neighbours(series).swe
    if swe.shape[1] < 2 or swe.shape[0] < 2:  # noqa: PLR2004  a pair, and a day before
        return
    before = np.vstack([np.full((1, swe.shape[1]), np.nan), swe[:-1]])
    jump = swe - before
    for site in range(swe.shape[1]):
        for day in np.flatnonzero(np.abs(jump[:, site]) > SWAP_LEAST_MM):
            _swapped_from(series, swe, site, int(day))


SWAP_LEAST_MM = 40.0
SWAP_DAYS = 30
SWAP_NEAR = 0.3
"""The exchanged level is met within 30 % of the jump, on the first full day and the day before."""


def _swapped_from(series: StationSeries, swe: np.ndarray, site: int, day: int) -> None:
    if day < 1 or day + 1 >= len(swe):
        return
    size = swe[day + 1, site] - swe[day - 1, site]
    near = SWAP_NEAR * abs(size)
    theirs = (np.abs(swe[day - 1] - swe[day + 1, site]) < near) & (np.abs(swe[day + 1] - swe[day - 1, site]) < near)
    theirs[: site + 1] = False
    for other in np.flatnonzero(theirs):
        for last in range(day + 1, min(day + SWAP_DAYS, len(swe) - 2)):
            both = np.array([site, other])
            pair = swe[last + 2, both] - swe[last, both]
            if pair[0] * size < 0 and np.all(np.abs(np.abs(pair) - abs(size)) < 2 * near):
                _tell_pair(series, (site, int(other)), (day, last + 1))
                return


def _tell_pair(series: StationSeries, pair: tuple[int, int], days: tuple[int, int]) -> None:
    """Set aside the days on which two stations read each other's level."""
    for site, other in (pair, pair[::-1]):
        held = series.station_days[days[0] : days[1] + 1, site]
        held = held[held >= 0]
        rows = rows_with_readings(
            series, "swe_mm", (int(series.day_starts[held[0]]), int(series.day_ends[held[-1]]) - 1)
        )
        series.tell(
            rows,
            "swe_mm",
            rules.STATIONS_EXCHANGED,
            evidence=partial(_level_of, series.names[other]),
            near_hours=ALL_ONE,
        )


def _level_of(other: str, _rows: np.ndarray) -> str:
    return f"read the level of {other}, and that one this station's"
