"""Checks on station readings: what is used, what is set aside, and why. docs/checks.md lists the rules."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from pipeline.problems import Finding


@dataclass(frozen=True)
class StationLimits:
    """Thresholds of the station checks; docs/checks.md gives the reason and source of each.

    Parameters
    ----------
    swe_high_mm, depth_high_m : more than any snowpack of the basin.
    spike_mm, spike_m : a reading further than this from both neighbours, which agree with each other.
    flat_line_days : a winter reading that does not move at all for longer than this is a stuck sensor.
    density_low, density_high : believable bulk density, kg/m3, where depth exceeds `density_least_depth_m`.
    """

    swe_high_mm: float
    depth_high_m: float
    spike_mm: float
    spike_m: float
    flat_line_days: float
    density_low: float
    density_high: float
    density_least_depth_m: float


ZERO_WANDERS = {"swe_mm": -25.0, "depth_m": -0.10}
"""Readings down to this are a sensor's wandering zero, not faults; daily values show them as none (common practice, no source)."""

UNIT_FACTORS = {"inches for millimetres": 25.4, "centimetres for millimetres": 10.0}
"""Unit mix-ups that show as a sudden step by a known factor (common practice, no source)."""

UNIT_TOLERANCE = 0.12
"""A step counts as a unit mix-up when the factor is met within 12 %: daily change of SWE on 100 mm of snow rarely exceeds it."""

LEVEL_READINGS = 5
"""Good readings whose median is the level that a step is measured from."""

UNIT_LEAST_MM = 50.0
"""Below this much SWE a step by a factor is within the noise of thin snow."""


def check_stations(records: pd.DataFrame, limits: StationLimits) -> tuple[pd.DataFrame, list[Finding]]:
    """Return the records with readings set aside made missing, and the findings.

    Parameters
    ----------
    records : site_id, time (UTC), date, swe_mm, depth_m, air_temperature_c, file, line; sorted by site and time.
    """
    records = records.reset_index(drop=True)
    findings: list[Finding] = []
    for _, one in records.groupby("site_id", sort=True):
        for name, high, spike, unit in (
            ("swe_mm", limits.swe_high_mm, limits.spike_mm, "mm"),
            ("depth_m", limits.depth_high_m, limits.spike_m, "m"),
        ):
            findings += _range(records, one.index, name, (ZERO_WANDERS[name], high, unit))
            findings += _spikes(records, one.index, name, (spike, unit))
            findings += _mixed_units(records, one.index, name, unit)
            findings += _flat_line(records, one.index, name, (limits.flat_line_days, unit))
        findings += _range(records, one.index, "air_temperature_c", (-60.0, 50.0, "C"))
        findings += _contradiction(records, one.index, limits)
    return records, findings


def _range(records: pd.DataFrame, rows: pd.Index, name: str, limits: tuple[float, float, str]) -> list[Finding]:
    low, high, unit = limits
    values = records.loc[rows, name]
    wrong = (values < low) | (values > high)
    return _set_aside(
        records,
        rows[wrong],
        name,
        rule="out of range",
        evidence=lambda v: f"{v.min():.0f} to {v.max():.0f} {unit}, allowed {low:.0f} to {high:.0f} {unit}",
        detail="the sensor or its code for no value is at fault; list the code under missing: in the settings",
    )


def _spikes(records: pd.DataFrame, rows: pd.Index, name: str, limits: tuple[float, str]) -> list[Finding]:
    size, unit = limits
    values = records.loc[rows, name].dropna()
    before, after = values.diff(), -values.diff(-1)
    # Up and down again (or the reverse) within one reading, to about the same level: snow does neither.
    wrong = (before * -after > 0) & (before.abs() > size) & (after.abs() > size) & ((before + after).abs() < size)
    return _set_aside(
        records,
        values.index[wrong],
        name,
        rule="spike",
        evidence=lambda v: f"{v.iloc[0]:.2f} {unit}, neighbours more than {size:g} {unit} away",
        detail="a single reading far from the one before and the one after",
    )


def _mixed_units(records: pd.DataFrame, rows: pd.Index, name: str, unit: str) -> list[Finding]:
    if name != "swe_mm":
        return []
    values = records.loc[rows, name].dropna()
    findings: list[Finding] = []
    for words, factor in UNIT_FACTORS.items():
        # The level before the step is what the series said while its unit was right: the median of its last good readings, so
        # that a few wild ones do not become the level themselves.
        good, wrong = [], []
        for index, value in values.items():
            level = float(np.median(good[-LEVEL_READINGS:])) if good else np.nan
            if level > UNIT_LEAST_MM and abs(value * factor / level - 1.0) < UNIT_TOLERANCE:
                wrong.append(index)
            else:
                good.append(value)
        findings += _set_aside(
            records,
            pd.Index(wrong, dtype=rows.dtype),
            name,
            rule="unit mix-up",
            evidence=lambda v, factor=factor: (
                f"{v.iloc[0]:.1f} {unit} where about {v.iloc[0] * factor:.0f} {unit} stood before"
            ),
            detail=f"the readings look like {words}; declare the unit under columns.stations or have the logger mended",
        )
        values = values.drop(wrong)
    return findings


def _flat_line(records: pd.DataFrame, rows: pd.Index, name: str, limits: tuple[float, str]) -> list[Finding]:
    days, unit = limits
    values = records.loc[rows, name].dropna()
    if values.empty:
        return []
    times = records.loc[values.index, "time"]
    # Two equal readings on either side of a gap are two readings, not a line.
    broken = times.diff() > pd.Timedelta(days=GAP_DAYS)
    run = ((values != values.shift()) | broken).cumsum()
    length_days = times.groupby(run).transform(lambda t: (t.iloc[-1] - t.iloc[0]).total_seconds() / 86400.0)
    # Bare ground reads zero for months, and rightly; and in a cold dry week the snow of every station keeps still.
    suspect = (length_days > days) & (values.abs() > _SUMMER_ZERO[name])
    still = [run_of for run_of in run[suspect].unique() if not _others_moved(records, rows, name, times[run == run_of])]
    wrong = suspect & ~run.isin(still)
    return _set_aside(
        records,
        values.index[wrong],
        name,
        rule="flat line",
        evidence=lambda v: f"{v.iloc[0]:.2f} {unit}, not one step for more than {days:g} days",
        detail="a sensor on snow moves; this one is stuck",
    )


GAP_DAYS = 1.5
"""Readings further apart than this have a gap between them: stations report at least daily."""


def _others_moved(records: pd.DataFrame, rows: pd.Index, name: str, times: pd.Series) -> bool:
    """Tell whether the other stations' readings moved while one stood still; with no other to ask, they count as moved."""
    others = records.drop(index=rows)
    others = others[(others["time"] >= times.iloc[0]) & (others["time"] <= times.iloc[-1]) & others[name].notna()]
    if others.empty:
        return True
    span = others.groupby("site_id")[name].agg(lambda values: values.max() - values.min())
    return float(span.median()) > _MOVED[name]


_MOVED = {"swe_mm": 8.0, "depth_m": 0.08}
"""A median span of the other stations above this is more than noise: snow fell, settled or melted meanwhile."""

_SUMMER_ZERO = {"swe_mm": 5.0, "depth_m": 0.03}


def _contradiction(records: pd.DataFrame, rows: pd.Index, limits: StationLimits) -> list[Finding]:
    one = records.loc[rows]
    density = one["swe_mm"] / one["depth_m"].where(one["depth_m"] > limits.density_least_depth_m)
    wrong = (density < limits.density_low) | (density > limits.density_high)
    low, high = limits.density_low, limits.density_high
    # The depth is taken out, not the SWE: a pillow's SWE is what the estimate stands on, and depth serves density alone.
    return _set_aside(
        records,
        rows[wrong],
        "depth_m",
        rule="depth against SWE",
        evidence=lambda v: f"density outside {low:.0f} to {high:.0f} kg/m3 at depths {v.min():.2f} to {v.max():.2f} m",
        detail="depth and SWE contradict each other; one of the two sensors is wrong",
    )


def _set_aside(  # noqa: PLR0913  one rule's row of the table of rules
    records: pd.DataFrame, wrong: pd.Index, name: str, *, rule: str, evidence: object, detail: str
) -> list[Finding]:
    """Make the wrong readings missing and return a finding for each unbroken stretch of them."""
    if len(wrong) == 0:
        return []
    stretch = np.concatenate([[0], np.cumsum(np.diff(wrong.to_numpy()) > 1)])
    findings = []
    for number in np.unique(stretch):
        part = records.loc[wrong[stretch == number]]
        findings.append(
            Finding(
                table="stations",
                file=part["file"].iloc[0],
                line=int(part["line"].iloc[0]),
                site_id=part["site_id"].iloc[0],
                start=f"{part['time'].iloc[0]:%Y-%m-%dT%H:%MZ}",
                end=f"{part['time'].iloc[-1]:%Y-%m-%dT%H:%MZ}",
                rule=rule,
                severity="error",
                evidence=f"{name.rsplit('_', 1)[0]}: {evidence(part[name])} ({len(part)} readings)",
                action="set aside",
                detail=detail,
            )
        )
    records.loc[wrong, name] = np.nan
    return findings
