"""Whether one station of a file is in another unit than the others: told by its density and by the other stations."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd

from snowtally.inputs.plausible import LEAST_DEPTH_M, LENGTHS_MM
from snowtally.model.problems import Finding
from snowtally.model.rules import slips as rules

LEAST_DAYS, LEAST_OTHERS = 10, 2
"""Days that a station must share with the others, and how many others it takes (chosen: of two stations nobody knows which is wrong)."""

SURE = 1.25
"""Corrected by the factor between two units, a station's density is no further from the others' than by this (chosen: six real stations
of twelve seasons lay within a factor of 1.96, in thin snow; 2.54 over this is 2.03)."""

CLEARLY = 1.8
"""The reading at fault is further from the others' by so much than the other reading, which may be further for its height alone (chosen)."""

LEAST_FACTOR = 8.0
"""Of SWE alone, or depth alone, only a factor beyond this is told: sites differ by their height (chosen)."""

UNITS = {"swe_mm": ("mm", "cm", "inch", "m"), "depth_m": ("cm", "inch", "mm", "m", "foot")}
"""Units that loggers write SWE and depth in, the usual first."""

LEAST_SWE_MM = 40.0
"""Thinner snow tells little (chosen: 0.15 m of it)."""

KEYS = {"swe_mm": "swe", "depth_m": "depth"}

Declared = Callable[[str, str], str | None]
"""Tells the unit that the settings declare for a file and a key, None where they declare none."""


@dataclass(frozen=True)
class _Against:
    """A station against the others on the same days, as ratios; NaN where there is too little to compare."""

    swe_mm: float
    depth_m: float
    density: float

    def of(self, name: str) -> float:
        return float(getattr(self, name))


@dataclass(frozen=True)
class _Unit:
    """A unit that a reading may be in: true value = `factor` times the one that was read."""

    name: str
    unit: str
    factor: float


@dataclass(frozen=True)
class _Cause:
    """What explains a station: the reading at fault, its likely unit, the figures, and how far off it is (a logarithm)."""

    name: str
    unit: str
    evidence: str
    off: float


def _others(name: str, as_read: str) -> list[_Unit]:
    """Return the units that a reading may be in besides the one that it was read as."""
    known = LENGTHS_MM.get(as_read)
    return (
        []
        if known is None
        else [_Unit(name, unit, LENGTHS_MM[unit] / known) for unit in UNITS[name] if unit != as_read]
    )


def mixed_units(records: pd.DataFrame, heights_m: pd.Series, declared: Declared) -> list[Finding]:
    """Return a finding for each station that is in another unit than the others.

    The furthest off is told first, and the others are compared without it.

    Parameters
    ----------
    records : a season's readings: site_id, date, swe_mm, depth_m and file.
    heights_m : the stations' elevations by site_id.
    """
    files = records.groupby("site_id", observed=True)["file"].first()
    daily = {
        name: records.pivot_table(index="date", columns="site_id", values=name, aggfunc="median", observed=True)
        .reindex(index=records["date"].unique(), columns=files.index)
        .astype(float)
        for name in UNITS
    }
    # Of a station that reads too little by a unit the others tell whether it has snow.
    snow = (daily["swe_mm"].median(axis=1) > LEAST_SWE_MM) | (daily["depth_m"].median(axis=1) > LEAST_DEPTH_M)
    swe, depth = daily["swe_mm"][snow], daily["depth_m"][snow]
    findings: list[Finding] = []
    while True:
        density = (swe / depth).where((swe > 0) & (depth > 0))
        causes = {}
        for site in _suspects(swe, depth, density):
            against = _Against(*(_ratio(values, site) for values in (swe, depth, density)))
            units = [
                unit
                for name in UNITS
                for unit in _others(name, declared(str(files[site]), KEYS[name]) or UNITS[name][0])
            ]
            cause = _by_density(against, units)
            if cause is None and not np.isfinite(against.density):
                cause = _by_amount(site, against, units, (swe, depth), heights_m)
            if cause is not None:
                causes[site] = cause
        if not causes:
            return findings
        worst = max(causes, key=lambda site: causes[site].off)
        cause = causes[worst]
        said = rules.MIXED_UNITS.says(site_id=worst, key=KEYS[cause.name], unit=cause.unit)
        file = str(files[worst])
        findings.append(Finding(rules.MIXED_UNITS, file=file, site_id=str(worst), evidence=cause.evidence, detail=said))
        swe, depth = swe.drop(columns=worst), depth.drop(columns=worst)


def _suspects(swe: pd.DataFrame, depth: pd.DataFrame, density: pd.DataFrame) -> list[str]:
    """Return the stations that are far enough from the median of all to be looked at."""
    far = pd.Series(data=False, index=swe.columns)
    for values, least in ((density, SUSPECT_DENSITY), (swe, SUSPECT_AMOUNT), (depth, SUSPECT_AMOUNT)):
        ratio = values.where(values > 0).div(values.median(axis=1), axis=0).replace(np.inf, np.nan).median()
        far |= np.log(ratio).abs() > np.log(least)
    return list(far.index[far])


SUSPECT_DENSITY, SUSPECT_AMOUNT = 1.3, 3.0
"""Stations nearer to the median of all, by these factors, are not looked at: cost alone."""


def _ratio(values: pd.DataFrame, site: str) -> float:
    """Return the median ratio of a station to the median of the others, on days with `LEAST_OTHERS` of them."""
    others = values.drop(columns=site)
    usual = others.median(axis=1).where(others.notna().sum(axis=1) >= LEAST_OTHERS)
    ratio = (values[site] / usual)[(values[site] > 0) & (usual > 0)]
    return float(ratio.median()) if len(ratio) >= LEAST_DAYS else np.nan


def _by_density(against: _Against, units: list[_Unit]) -> _Cause | None:
    """Return the reading and unit that bring a station's density to the others', None where none does or several do."""
    causes = []
    for one in units:
        mended = against.density * (one.factor if one.name == "swe_mm" else 1.0 / one.factor)
        if abs(np.log(mended)) <= np.log(SURE):
            causes.append((abs(np.log(against.of(one.name))), one, mended))
    causes.sort(key=lambda cause: -cause[0])
    # Of two the one whose reading is clearly further from the others'.
    if not causes or (len(causes) > 1 and not causes[0][0] > causes[1][0] + np.log(CLEARLY)):
        return None
    _, one, mended = causes[0]
    return _Cause(
        one.name,
        one.unit,
        f"density {against.density:.3g} times the other stations', {KEYS[one.name]} {against.of(one.name):.3g} times; with "
        f"{KEYS[one.name]} in {one.unit} density would be {mended:.2f} times theirs",
        abs(np.log(against.density)),
    )


def _by_amount(
    site: str, against: _Against, units: list[_Unit], readings: tuple[pd.DataFrame, pd.DataFrame], heights_m: pd.Series
) -> _Cause | None:
    """Return the unit that brings a station with SWE alone, or depth alone, to the others, None where height may explain it."""
    for one in units:
        ratio = against.of(one.name)
        values = readings[0] if one.name == "swe_mm" else readings[1]
        if max(one.factor, 1.0 / one.factor) < LEAST_FACTOR or not 1.0 / CLEARLY <= ratio * one.factor <= CLEARLY:
            continue
        if _no_height_explains(site, ratio < 1, values, heights_m):
            key = KEYS[one.name]
            return _Cause(
                one.name,
                one.unit,
                f"{key} {ratio:.3g} times the other stations'; in {one.unit} it would be {ratio * one.factor:.2f} times",
                abs(np.log(ratio)),
            )
    return None


def _no_height_explains(site: str, little: bool, values: pd.DataFrame, heights_m: pd.Series) -> bool:
    """Return whether a station that is not higher has far more, or one that is not lower far less."""
    height = heights_m.get(site, np.nan)
    for other in values.columns.drop(site):
        above = heights_m.get(other, np.nan) - height
        ratio = (values[other] / values[site])[(values[site] > 0) & (values[other] > 0)]
        if len(ratio) < LEAST_DAYS or not np.isfinite(above):
            continue
        if (little and above <= 0 and ratio.median() > LEAST_FACTOR) or (
            not little and above >= 0 and ratio.median() < 1 / LEAST_FACTOR
        ):
            return True
    return False
