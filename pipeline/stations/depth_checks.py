"""SWE against depth: where the two contradict each other, which of them is wrong, and whether a unit explains it."""

from __future__ import annotations

import numpy as np

from snowtally.courses.context import FRESH_KG_M3
from snowtally.model.rules import stations as rules
from snowtally.stations.neighbours import Neighbours, others_quantile
from snowtally.stations.series import UNITS, StationSeries
from snowtally.stations.shifts import UNIT_FACTORS, tell_shift
from snowtally.stations.stuck_sensors import BARE

STRETCH_HOURS = 48.0
"""Contradicting readings no further apart than this are one stretch, hours (common practice, no source)."""

LEAST_SWE_MM = 40.0
"""Less SWE says too little of a density that leaps, mm (common practice, no source)."""

THIN_M = 0.08
"""Thinner snow says too little of a density, m (common practice, no source)."""

LEAP_DAYS = 2
"""Days over which a density leaps by the factor of a unit (common practice, no source): a change within them falls between two steady days."""

STEP_M = 0.25
"""A leap of depth beyond what the neighbours did is no snow while SWE rests, m (common practice, no source)."""

STEP_SPREADS = 4.0
"""And it exceeds so many robust spreads of the neighbours' own changes (common practice, no source)."""

REST_MM = 8.0
"""SWE that changes by less rests, mm (common practice, no source)."""

STEP_DAYS = 2
"""Days over which a leap of depth is looked for (common practice, no source)."""

LEAST_OTHERS = 3
"""Other stations that must have moved to say what is usual (common practice, no source)."""

SHARP = 0.6
"""Share of the leap that lies between two readings: settling and storms take longer (common practice, no source)."""

SWE_ERROR_MM = 8.0
DEPTH_ERROR_M = 0.04
"""A contradiction must outlast what the two sensors may be off by: a wandering zero, and a target of grass or a cone of snow."""

USUAL_DENSITY = (120.0, 550.0)
"""Snow that has lain for some days has a density between these, kg/m3; a unit that brings it there explains a contradiction."""

UNIT_DAYS = 3
"""A unit mix-up lasts; a contradiction of a shorter time says nothing of units."""

MIDDLE_DENSITY = 300.0

REMEMBERED_DAYS = 10
"""The last good day before a contradiction tells which sensor moved, if it is not longer ago."""


def contradictions(series: StationSeries, limits: tuple[float, float, float]) -> None:
    """Set aside SWE or depth where their ratio is impossible.

    SWE over depth is then no density of snow. The sensor that moved away from its own last good days is wrong. Where it
    has no good days, the neighbours are the reference. In doubt the depth is set aside, because the estimate rests on
    SWE.

    Parameters
    ----------
    limits : least and greatest density (kg/m3), and the depth (m) that must be exceeded.
    """
    low, high, least_depth = limits
    swe, depth = series.values["swe_mm"], series.values["depth_m"]
    deep = depth > least_depth
    wrong = deep & (swe + SWE_ERROR_MM < low * (depth - DEPTH_ERROR_M))
    wrong |= deep & (swe - SWE_ERROR_MM > high * (depth + DEPTH_ERROR_M))
    if not wrong.any():
        return
    around = Neighbours(series)
    typical = {
        "swe_mm": others_quantile(around.swe, 0.5),
        "depth_m": others_quantile(around.depth, 0.5),
    }
    for rows in _stretches(series, wrong):
        _treat(series, rows, wrong, typical, limits)


def _stretches(series: StationSeries, wrong: np.ndarray) -> list[np.ndarray]:
    """Return the rows of each stretch of contradictions.

    Contradictions of a station that are no more than `STRETCH_HOURS` apart are one stretch.
    """
    rows = np.flatnonzero(wrong)
    site = np.searchsorted(series.bounds, rows, side="right")
    apart = (np.diff(site) != 0) | (np.diff(series.hours[rows]) > STRETCH_HOURS)
    return np.split(rows, np.flatnonzero(apart) + 1)


def _treat(
    series: StationSeries,
    rows: np.ndarray,
    wrong: np.ndarray,
    typical: dict[str, np.ndarray],
    limits: tuple[float, float, float],
) -> None:
    low, high, least_depth = limits
    swe, depth = series.values["swe_mm"], series.values["depth_m"]
    density = swe[rows] / depth[rows]
    culprit = _culprit(series, rows, wrong, typical)
    words = _unit(culprit, float(np.median(density)))
    lasting = series.hours[rows[-1]] - series.hours[rows[0]] >= UNIT_DAYS * 24.0
    if words is not None and lasting:
        rows = _extended(series, culprit, rows, words)
        rule = rules.DENSITY_LEAPS_BY_UNIT
    else:
        rule = rules.DEPTH_AGAINST_SWE
    series.tell(
        rows,
        culprit,
        rule,
        evidence=lambda part: (
            f"{series.values[culprit][part].min():.3g} to {series.values[culprit][part].max():.3g} {UNITS[culprit]}, density "
            f"{density.min():.0f} to {density.max():.0f} kg/m3 where {low:.0f} to {high:.0f} is possible over {least_depth:g} m"
        ),
        detail=rule.says(slip=words),
        near_hours=1e9,
    )


def _extended(series: StationSeries, name: str, rows: np.ndarray, words: str) -> np.ndarray:
    """Return the rows of the whole stretch in a wrong unit.

    Rows before and after are added while their density is nearer to the wrong unit's than to the right one's.
    """
    site = int(np.searchsorted(series.bounds, rows[0], side="right")) - 1
    first, end = int(series.bounds[site]), series.season_end(int(rows[0]), site)
    swe, depth = series.values["swe_mm"][first:end], series.values["depth_m"][first:end]
    thick = (depth > THIN_M) | (depth * UNIT_FACTORS["depth_m"][words] > THIN_M if name == "depth_m" else False)
    there = np.flatnonzero(thick & (swe > 0) & (depth > 0))
    density = swe[there] / depth[there]
    factor = UNIT_FACTORS[name][words] ** (0.5 if name == "swe_mm" else -0.5)
    middle = float(np.median(series.values["swe_mm"][rows] / series.values["depth_m"][rows])) * factor
    off = (density > middle) if factor < 1.0 else (density < middle)
    here = np.searchsorted(there, [rows[0] - first, rows[-1] - first])
    right = np.flatnonzero(~off)
    before, after = right[right < here[0]], right[right > here[1]]
    a = there[before[-1] + 1] if len(before) else there[0]
    b = there[after[0] - 1] if len(after) else there[-1]
    stretch = first + np.arange(min(a, rows[0] - first), max(b, rows[-1] - first) + 1)
    return stretch[np.isfinite(series.values[name][stretch]) & np.isfinite(series.values["swe_mm"][stretch])]


def _unit(name: str, density: float) -> str | None:
    """Return the unit mix-up that explains a density, in words.

    Of several mix-ups it is the one that brings the density nearest to `MIDDLE_DENSITY`. It is None where none brings
    the density within `USUAL_DENSITY`.
    """
    best, nearest = None, np.inf
    for words, factor in UNIT_FACTORS[name].items():
        made = density * factor if name == "swe_mm" else density / factor
        far = abs(np.log(made / MIDDLE_DENSITY)) if made > 0 else np.inf
        if USUAL_DENSITY[0] <= made <= USUAL_DENSITY[1] and far < nearest:
            best, nearest = words, far
    return best


def _culprit(series: StationSeries, rows: np.ndarray, wrong: np.ndarray, typical: dict[str, np.ndarray]) -> str:
    """Return the name of the sensor that is wrong.

    It is SWE if SWE moved clearly more than depth from its last good readings, else depth. Where a sensor has no good
    readings, its neighbours' typical value is the reference.
    """
    site = int(np.searchsorted(series.bounds, rows[0], side="right")) - 1
    first = max(int(series.bounds[site]), int(rows[0]) - LOOKED_BACK)
    before = np.arange(first, rows[0])
    before = before[series.hours[before] >= series.hours[rows[0]] - REMEMBERED_DAYS * 24.0]
    before = before[~wrong[before]]
    day = series.day_of[rows[0]]
    moved = {}
    for name, floor in (("swe_mm", 10.0), ("depth_m", 0.05)):
        values = series.values[name]
        now = max(float(np.median(values[rows])), floor)
        good = values[before][np.isfinite(values[before])]
        reference = float(np.median(good[-REMEMBERED:])) if len(good) else float(typical[name][day, site])
        moved[name] = abs(np.log(now / max(reference, floor))) if np.isfinite(reference) else 0.0
    return "swe_mm" if moved["swe_mm"] > moved["depth_m"] + CLEARLY else "depth_m"


LOOKED_BACK = 3000
"""Readings looked back over: ten days of five-minute steps."""

REMEMBERED = 24
CLEARLY = 0.5
"""SWE must have moved by a factor of 1.6 more than depth to be the one that is wrong."""


LEAPS = {"inches for centimetres": (2.2, 2.9), "centimetres for inches": (0.34, 0.45)}
"""Density after over density before that a unit of depth makes within two days, 2.54 or its inverse give or take the weather."""

SWE_RESTS = 0.1
"""While SWE changed by less than this share: no storm, no melt, no wind made it."""


def density_leaps(series: StationSeries, least_depth_m: float) -> None:
    """Set aside depths after density leaps by a unit's factor.

    SWE must rest over the leap. The depths are set aside until the density leaps back or the season ends. Only the
    first leap of each kind at a station is treated.

    Parameters
    ----------
    least_depth_m : thinner snow has no steady density.
    """
    around = Neighbours(series)
    if series.shape[0] < LEAP_DAYS + 1:
        return
    deep = (around.depth > THIN_M) & (around.swe > LEAST_SWE_MM)
    swe = np.where(deep, around.swe, np.nan)
    density = swe / np.where(deep, around.depth, 1.0)
    leap = density[LEAP_DAYS:] / density[:-LEAP_DAYS]
    rests = np.abs(swe[LEAP_DAYS:] / swe[:-LEAP_DAYS] - 1.0) < SWE_RESTS
    thick = np.fmax(around.depth[LEAP_DAYS:], around.depth[:-LEAP_DAYS]) > least_depth_m
    # New snow of a density of 50 weighs less than a sensor may be off by, and makes thin snow twice as deep.
    fresh_mm = np.maximum(swe[LEAP_DAYS:] - swe[:-LEAP_DAYS], 0.0) + SWE_ERROR_MM
    thick &= ~((leap < 1.0) & (around.depth[LEAP_DAYS:] - around.depth[:-LEAP_DAYS] < fresh_mm / FRESH_KG_M3))
    for words, (low, high) in LEAPS.items():
        wrong = np.zeros(series.shape, bool)
        for site in np.flatnonzero((rests & thick & (leap >= low) & (leap <= high)).any(axis=0)):
            leaps = rests[:, site] & thick[:, site] & (leap[:, site] >= low) & (leap[:, site] <= high)
            first = int(np.flatnonzero(leaps)[0])
            _mark_leap(wrong[:, site], density[:, site], first, series.seasons)
        _tell_leap(series, wrong, words)


def _mark_leap(wrong: np.ndarray, density: np.ndarray, first: int, seasons: np.ndarray) -> None:
    """Mark the days from a leap to its end.

    A day is marked while its density is nearer to the density after the leap than to the one before, or missing. The
    season's end also ends the leap. `wrong` is changed in place.
    """
    before, after = density[first], density[first + LEAP_DAYS]
    middle = np.sqrt(before * after)
    away = (density > middle) if after > before else (density < middle)
    day = first + 1
    while day < len(density) and seasons[day] == seasons[first] and (away[day] or np.isnan(density[day])):
        wrong[day] = True
        day += 1


def _tell_leap(series: StationSeries, wrong: np.ndarray, words: str) -> None:
    depth = series.values["depth_m"]
    series.tell(
        series.days_to_readings(wrong) & np.isfinite(depth),
        "depth_m",
        rules.DENSITY_LEAPS_BY_UNIT,
        evidence=lambda rows: (
            f"{depth[rows[0]]:.2f} m at first, the density leapt by the factor of a unit while SWE rested"
        ),
        detail=rules.DENSITY_LEAPS_BY_UNIT.says(slip=words),
        near_hours=1e9,
    )


def depth_steps(series: StationSeries) -> None:
    """Shift depth back where it leaps without a reason.

    SWE rests meanwhile and the neighbours' depths do not leap: the sensor has moved, or its target. A leap must exceed
    0.25 m plus four robust spreads of the neighbours' own changes over two days. Most of it must lie between two
    successive readings. SWE must be more than 25 mm on both days.
    """
    around = Neighbours(series)
    if series.shape[0] <= STEP_DAYS:
        return
    change, swe = (table[STEP_DAYS:] - table[:-STEP_DAYS] for table in (around.depth, around.swe))
    usual = others_quantile(change, 0.5, LEAST_OTHERS)
    spread = (others_quantile(change, 0.75, LEAST_OTHERS) - others_quantile(change, 0.25, LEAST_OTHERS)) / 1.349
    # Snow that fell or went at the others only is no reason for a depth to leap.
    excess = np.where(change > 0, change - np.maximum(usual, 0.0), change - np.minimum(usual, 0.0))
    wrong = (np.abs(excess) > STEP_M + STEP_SPREADS * spread) & (np.abs(swe) < REST_MM)
    # Where next to no water lies the last snow goes in a day, and grass comes and goes.
    wrong &= np.minimum(around.swe[STEP_DAYS:], around.swe[:-STEP_DAYS]) > BARE["swe_mm"]
    for site in np.flatnonzero(wrong.any(axis=0)):
        marked = np.flatnonzero(wrong[:, site])
        for group in np.split(marked, np.flatnonzero(np.diff(marked) > STEP_DAYS) + 1):
            day = int(group[np.argmax(np.abs(excess[group, site]))])
            size = float(excess[day, site])
            row, leap = series.sharpest("depth_m", int(site), (day, day + STEP_DAYS), np.sign(size))
            if row is not None and leap >= SHARP * abs(size):
                tell_shift(series, "depth_m", (row, series.season_end(row, int(site))), size)
