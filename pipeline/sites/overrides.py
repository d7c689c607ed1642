"""Overrides applied to readings and samples: an analyst's word stands before the checks and after them."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, fields, replace

import numpy as np
import pandas as pd

from snowtally.model.problems import Finding
from snowtally.model.rules import sites as rules
from snowtally.sites.limits import SnowLimits

COLUMNS = {
    "swe_mm": (("swe_mm",), 1.0),
    "depth_cm": (("depth_m",), 0.01),
    "air_temperature_c": (("air_temperature_c",), 1.0),
    "precipitation_mm": (("precipitation_mm", "precipitation_total_mm"), 1.0),
}
"""The program's columns for each variable of an override, and program value per value written."""

LEAST_C, MOST_C = -90.0, 60.0
"""Air temperatures beyond these have been measured nowhere on earth (values from memory: -89.2 and 56.7 degrees C)."""

MOST_RAIN_MM = 2000.0
"""More precipitation than this has fallen on no day anywhere on earth (value from memory: 1825 mm)."""

NOON = pd.Timedelta(hours=12)
"""A day without a reading is given one at its noon, where the override holds at noon."""

EVERYTHING = tuple(name for names, _ in COLUMNS.values() for name in names)


@dataclass(frozen=True)
class Override:
    """An analyst's decision on the readings of a site.

    Parameters
    ----------
    site_id : the site.
    first, last : its period, UTC, both inclusive; `last` is missing where it has no end yet.
    variable, action, value : what is done to which variable, in the unit of its name.
    who, when, why : the decision's author, day and reason.
    file, line : where it was written.
    """

    site_id: str
    first: pd.Timestamp
    last: pd.Timestamp
    variable: str
    action: str
    value: float
    who: str
    when: pd.Timestamp
    why: str
    file: str
    line: int


_FIELDS = [field.name for field in fields(Override)]


def _each(overrides: pd.DataFrame) -> Iterator[Override]:
    for row in overrides[_FIELDS].to_dict("records"):
        yield Override(**{str(name): value for name, value in row.items()})


def believable(overrides: pd.DataFrame, snow: SnowLimits) -> tuple[pd.DataFrame, list[Finding]]:
    """Return the overrides with believable values, and the findings.

    A value that no snow and no weather can have gets a finding. No check judges a value by hand, so that a slip in it
    would stand as written.

    Parameters
    ----------
    overrides : as `read_overrides`.
    snow : what snow can be; the stations' readings have the same limits.
    """
    limits = {
        "swe_mm": (0.0, snow.swe_high_mm),
        "depth_cm": (0.0, 100.0 * snow.depth_high_m),
        "air_temperature_c": (LEAST_C, MOST_C),
        "precipitation_mm": (0.0, MOST_RAIN_MM),
    }
    low, high = (
        overrides["variable"].map({name: ends[k] for name, ends in limits.items()}).astype(float) for k in (0, 1)
    )
    wrong = overrides["action"].eq("value") & ~overrides["value"].between(low, high)
    findings = [
        replace(
            _finding(override, 0, {override.site_id}),
            rule=rules.OVERRIDE_VALUE_NOT_FOLLOWED,
            evidence=f"{override.variable} = {override.value:g}, believable are {limits[override.variable][0]:g} to {limits[override.variable][1]:g}",
            detail=rules.OVERRIDE_VALUE_NOT_FOLLOWED.message,
        )
        for override in _each(overrides[wrong])
    ]
    return overrides[~wrong].reset_index(drop=True), findings


def without_overridden(
    records: pd.DataFrame, overrides: pd.DataFrame, known: set[str]
) -> tuple[pd.DataFrame, list[Finding]]:
    """Return station records without the overridden readings, and findings.

    Every overridden reading becomes missing, so that no check judges it. Each override gets one finding.

    Parameters
    ----------
    records : station readings: site_id, time (UTC) and the readings.
    overrides : as `read_overrides`, those that concern the day.
    known : every site of the sites table; the finding on an override of another site says that it hits nothing.
    """
    findings = []
    records = records.copy() if len(overrides) else records
    for override in _each(overrides):
        hit = _hit(records, override)
        columns = COLUMNS[override.variable][0] if override.variable else EVERYTHING
        names = [name for name in columns if name in records.columns]
        count = int(records.loc[hit, names].notna().any(axis=1).sum())
        records.loc[hit, names] = np.nan
        findings.append(_finding(override, count, known))
    return records, findings


def samples_without_overridden(
    samples: pd.DataFrame, overrides: pd.DataFrame, utc_offset_hours: float
) -> tuple[pd.DataFrame, list[Finding]]:
    """Return course samples without the overridden ones, and findings.

    An override hits a visit if it holds at local noon of the visit's day. A whole visit set aside is left out. A single
    variable becomes missing. A value by hand is for stations only: a visit's value comes from its samples, which people
    can mend on the sheet.
    """
    findings = []
    noon = pd.Timedelta(hours=12 - utc_offset_hours)
    for override in _each(overrides):
        hit = _hit(samples.assign(time=samples["date"] + noon), override)
        if override.action == "value":
            rule = rules.OVERRIDE_OF_COURSE_NOT_FOLLOWED
            findings.append(replace(_finding(override, 0, {override.site_id}), rule=rule, detail=rule.message))
            continue
        findings.append(_finding(override, int(hit.sum()), {override.site_id}))
        names = [name for name in COLUMNS[override.variable][0] if name in samples] if override.variable else []
        if override.variable:
            samples = samples.copy()
            samples.loc[hit, names] = np.nan
        else:
            samples = samples[~hit]
    return samples.reset_index(drop=True), findings


def with_values(
    records: pd.DataFrame, overrides: pd.DataFrame, utc_offset_hours: float, span: tuple[pd.Timestamp, pd.Timestamp]
) -> pd.DataFrame:
    """Return checked station records with the overrides' values.

    Days that have no reading get one. Where decisions contradict each other the later counts, by `when` and then by
    their place in the files. A value stands until somebody sets it aside.

    Parameters
    ----------
    records : checked readings.
    overrides : as `read_overrides`.
    span : first instant of the season and last of the day asked for, UTC; no value stands outside.
    """
    decided = overrides.sort_values(["when", "file", "line"], kind="stable")
    for override in _each(decided):
        if override.action != "value":
            names = COLUMNS[override.variable][0] if override.variable else EVERYTHING
            records.loc[_hit(records, override), [name for name in names if name in records.columns]] = np.nan
            continue
        within = replace(override, first=max(override.first, span[0]), last=min(override.last, span[1]))
        (name, *_), factor = COLUMNS[within.variable]
        hit = _hit(records, within)
        records.loc[hit, name] = _of_day(records[hit], within.value * factor, name)
        records = _with_days(records, within, utc_offset_hours)
    return records


def _of_day(rows: pd.DataFrame, value: float, name: str) -> np.ndarray:
    """Return an override's value for each reading.

    Precipitation is a day's sum: the day's first reading gets it, and the others get 0.
    """
    if name != "precipitation_mm":
        return np.full(len(rows), value)
    return np.where(rows["date"].duplicated().to_numpy(), 0.0, value)


def _with_days(records: pd.DataFrame, override: Override, utc_offset_hours: float) -> pd.DataFrame:
    """Return the records with readings added at noon.

    They are added on the override's days that have none.
    """
    (name, *_), factor = COLUMNS[override.variable]
    offset = pd.Timedelta(hours=utc_offset_hours)
    days = pd.date_range((override.first + offset).normalize(), (override.last + offset).normalize())
    noons = days[(days + NOON >= override.first + offset) & (days + NOON <= override.last + offset)]
    held = records.loc[_hit(records, override), "date"]
    noons = noons[~noons.isin(held)]
    if len(noons) == 0:
        return records
    added = pd.DataFrame({"site_id": override.site_id, "date": noons.astype("datetime64[s]")})
    added["time"] = (noons + NOON - offset).astype("datetime64[s]")
    added[name] = override.value * factor
    added["file"], added["line"] = override.file, override.line
    columns = list(records.columns)
    text = dict.fromkeys(("site_id", "file"), str)
    return pd.concat([records.astype(text), added.reindex(columns=columns).astype(text)], ignore_index=True)


def switched_off(overrides: pd.DataFrame, instant_utc: pd.Timestamp) -> set[str]:
    """Return the stations that are switched off at an instant.

    They are silent by decision.
    """
    off = overrides[overrides["action"] == "off"]
    now = (off["first"] <= instant_utc) & (off["last"].isna() | (off["last"] >= instant_utc))
    return set(off.loc[now, "site_id"])


def _hit(rows: pd.DataFrame, override: Override) -> np.ndarray:
    time = rows["time"].to_numpy("datetime64[s]")
    within = (rows["site_id"] == override.site_id).to_numpy(bool) & (time >= np.datetime64(override.first, "s"))
    return within if pd.isna(override.last) else within & (time <= np.datetime64(override.last, "s"))


def _finding(override: Override, count: int, known: set[str]) -> Finding:
    what = override.variable or "all readings"
    done = f"{what} = {override.value:g}" if override.action == "value" else f"{override.action}: {what}"
    hit = f"{count} readings" if override.site_id in known else "no such site in the sites table"
    by_value = override.action == "value"
    if override.site_id in known:
        rule = rules.OVERRIDE_VALUE if by_value else rules.OVERRIDE_SET_ASIDE
    else:
        rule = rules.OVERRIDE_VALUE_OF_NO_SITE if by_value else rules.OVERRIDE_OF_NO_SITE
    return Finding(
        rule,
        file=override.file,
        line=int(override.line),
        site_id=override.site_id,
        start=f"{override.first:%Y-%m-%dT%H:%MZ}",
        end="" if pd.isna(override.last) else f"{override.last:%Y-%m-%dT%H:%MZ}",
        evidence=f"{done} ({hit}); {override.who}, {override.when:%Y-%m-%d}",
        detail=override.why,
    )
