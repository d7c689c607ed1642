"""Checks on course samples: what is used, what is set aside, and why. docs/checks.md lists the rules."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from pipeline.problems import Finding


@dataclass(frozen=True)
class CourseLimits:
    """Thresholds of the course checks; docs/checks.md gives the reason and source of each.

    Parameters
    ----------
    swe_high_mm, depth_high_m : more than any snowpack of the basin.
    density_low, density_high : believable bulk density, kg/m3.
    core_over_depth : a core longer than this multiple of the depth was measured wrongly.
    outlier_mad : a point whose density is further from its course's median than this many robust standard deviations.
    """

    swe_high_mm: float
    depth_high_m: float
    density_low: float
    density_high: float
    core_over_depth: float
    outlier_mad: float


LEAST_DENSITY_SPREAD = 0.10
"""Robust spread of density within a course is taken as at least 10 % of its median (common practice, no source): six points
by chance alike must not make the seventh an outlier."""


def check_courses(samples: pd.DataFrame, limits: CourseLimits) -> tuple[pd.DataFrame, list[Finding]]:
    """Return the samples with `used` (the depth counts) and `swe_used` (the SWE counts), and the findings.

    Parameters
    ----------
    samples : one row a sample point: site_id, date, point, depth_m, core_m, swe_mm, file, line.
    """
    samples = samples.reset_index(drop=True)
    samples["used"] = samples["depth_m"].notna() | samples["swe_mm"].notna()
    samples["swe_used"] = samples["swe_mm"].notna()
    findings: list[Finding] = []
    if samples.empty:
        return samples, findings
    findings += _empty(samples)
    findings += _set_aside(samples, ["used", "swe_used"], **_repeated(samples))
    findings += _set_aside(samples, ["used", "swe_used"], **_negative(samples))
    findings += _set_aside(samples, ["used", "swe_used"], **_too_much(samples, limits))
    findings += _set_aside(samples, ["swe_used"], **_water_without_depth(samples))
    findings += _set_aside(samples, ["used", "swe_used"], **_impossible_density(samples, limits))
    findings += _set_aside(samples, ["swe_used"], **_core_longer_than_depth(samples, limits))
    findings += _set_aside(samples, ["swe_used"], **_against_its_course(samples, limits))
    return samples, findings


def density_kg_m3(samples: pd.DataFrame) -> pd.Series:
    """Return each sample's bulk density in kg/m3, missing without depth or without snow."""
    return samples["swe_mm"] / samples["depth_m"].where(samples["depth_m"] > 0)


def _empty(samples: pd.DataFrame) -> list[Finding]:
    """Return a finding for each row that says neither depth nor SWE."""
    told = "a sample needs a depth, an SWE, or the weights and the cutter's area"
    return [
        Finding(
            table="courses",
            file=row.file,
            line=row.line,
            site_id=row.site_id,
            start=str(row.date.date()),
            end=str(row.date.date()),
            rule="empty sample",
            severity="note",
            action="set aside",
            detail=told,
        )
        for row in samples[~samples["used"]].itertuples()
    ]


def _repeated(samples: pd.DataFrame) -> dict:
    # Only a row that says something can take another's place; without a point's name, only the very same row is the same.
    told = samples[samples["used"]]
    same = told.duplicated(["site_id", "date", "point"], keep="last") & told["point"].ne("")
    same |= told.drop(columns=["file", "line"]).duplicated(keep="last") & told["point"].eq("")
    wrong = same.reindex(samples.index, fill_value=False)
    return {
        "wrong": wrong,
        "rule": "duplicate",
        "severity": "note",
        "evidence": "point " + samples["point"],
        "detail": "the same point of the course stands again further on, and the later one is used",
    }


def _negative(samples: pd.DataFrame) -> dict:
    wrong = (samples["depth_m"] < 0) | (samples["swe_mm"] < 0)
    return {
        "wrong": wrong,
        "rule": "negative",
        "severity": "error",
        "evidence": _figures(samples),
        "detail": "depth and SWE cannot be negative; look for swapped full and empty weights",
    }


def _too_much(samples: pd.DataFrame, limits: CourseLimits) -> dict:
    return {
        "wrong": (samples["swe_mm"] > limits.swe_high_mm) | (samples["depth_m"] > limits.depth_high_m),
        "rule": "out of range",
        "severity": "error",
        "evidence": _figures(samples),
        "detail": f"no snow of the basin is deeper than {limits.depth_high_m:g} m or holds more than {limits.swe_high_mm:g} mm; "
        "look at the unit of the column",
    }


def _water_without_depth(samples: pd.DataFrame) -> dict:
    # A bulk row weighs many thin cores: its depth is often not noted, and its SWE stands by itself.
    wrong = (samples["swe_mm"] > 0) & (samples["depth_m"] == 0)
    return {
        "wrong": wrong,
        "rule": "water without depth",
        "severity": "error",
        "evidence": _figures(samples),
        "detail": "a core with water in it has a depth; look for a missing depth entered as 0",
    }


def _impossible_density(samples: pd.DataFrame, limits: CourseLimits) -> dict:
    density = density_kg_m3(samples)
    wrong = samples["swe_used"] & ((density < limits.density_low) | (density > limits.density_high))
    return {
        "wrong": wrong,
        "rule": "impossible density",
        "severity": "error",
        "evidence": density.map("density {:.0f} kg/m3, ".format) + _figures(samples),
        "detail": f"density must lie from {limits.density_low:.0f} to {limits.density_high:.0f} kg/m3; "
        "look for inches written as centimetres, a wrong cutter area or a tube weighed with its snow as empty",
    }


def _core_longer_than_depth(samples: pd.DataFrame, limits: CourseLimits) -> dict:
    wrong = samples["core_m"] > limits.core_over_depth * samples["depth_m"]
    return {
        "wrong": wrong,
        "rule": "core longer than depth",
        "severity": "warning",
        "evidence": samples["core_m"].map("core {:.2f} m, ".format) + _figures(samples),
        "detail": "a core cannot be longer than the snow is deep: one of the two readings is wrong",
    }


def _against_its_course(samples: pd.DataFrame, limits: CourseLimits) -> dict:
    density = density_kg_m3(samples).where(samples["swe_used"])
    visit = [samples["site_id"], samples["date"]]
    median = density.groupby(visit).transform("median")
    spread = 1.4826 * (density - median).abs().groupby(visit).transform("median")
    spread = np.maximum(spread, LEAST_DENSITY_SPREAD * median)
    enough = density.groupby(visit).transform("count") >= 4  # noqa: PLR2004  a median of three is no yardstick
    wrong = enough & ((density - median).abs() > limits.outlier_mad * spread)
    return {
        "wrong": wrong,
        "rule": "sample against its course",
        "severity": "warning",
        "evidence": density.map("density {:.0f} kg/m3, ".format) + median.map("course median {:.0f} kg/m3".format),
        "detail": "the core is much heavier or lighter than the others of the course; look at tare and cutter",
    }


def _figures(samples: pd.DataFrame) -> pd.Series:
    return samples["depth_m"].map("depth {:.2f} m, ".format) + samples["swe_mm"].map("SWE {:.0f} mm".format)


def _set_aside(  # noqa: PLR0913  one rule's row of the table of rules
    samples: pd.DataFrame,
    columns: list[str],
    *,
    wrong: pd.Series,
    rule: str,
    severity: str,
    evidence: pd.Series,
    detail: str,
) -> list[Finding]:
    """Take the wrong samples out of use and return a finding for each."""
    wrong = wrong.fillna(value=False).astype(bool) & samples["used"]
    samples.loc[wrong, columns] = False
    return [
        Finding(
            table="courses",
            file=row.file,
            line=row.line,
            site_id=row.site_id,
            start=str(row.date.date()),
            end=str(row.date.date()),
            rule=rule,
            severity=severity,
            evidence=evidence[row.Index],
            action="set aside",
            detail=detail,
        )
        for row in samples[wrong].itertuples()
    ]
