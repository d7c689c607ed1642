"""Checks on course samples, in order: what is used, what is set aside, and why."""

from __future__ import annotations

import pandas as pd

from snowtally.courses.context import Neighbours
from snowtally.courses.findings import row_findings
from snowtally.courses.limits import CourseLimits
from snowtally.courses.sample_checks import FINE_CHECKS, GROSS_CHECKS, Breach
from snowtally.courses.shared_unit import files_in_another_unit
from snowtally.courses.sheets import superseded
from snowtally.courses.visit_checks import (
    compared_visits,
    courses_against_others,
    notes_on_visits,
    points_against_their_course,
    sheets_with_a_slip,
)
from snowtally.model.problems import Finding
from snowtally.model.rules import courses as rules
from snowtally.model.rules.rule import Action


def check_courses(
    samples: pd.DataFrame, limits: CourseLimits, around: Neighbours | None = None
) -> tuple[pd.DataFrame, list[Finding]]:
    """Return the samples with marks of use, and the findings.

    `used` marks samples whose depth counts. `swe_used` marks samples whose SWE counts.

    Parameters
    ----------
    samples : one row a sample point with the columns that `read_courses` gives.
    around : what else is known of the season; without it each course is judged by itself.
    """
    samples = samples.reset_index(drop=True)
    samples["used"] = samples["depth_m"].notna() | samples["swe_mm"].notna()
    samples["swe_used"] = samples["swe_mm"].notna()
    if samples.empty:
        return samples, []
    findings = row_findings(
        samples,
        ~samples["used"],
        rules.EMPTY_SAMPLE,
        samples["remark"].map("remark '{}'".format),
    )
    gone, repeated = superseded(samples)
    samples.loc[gone, ["used", "swe_used"]] = False
    findings += repeated
    for check in GROSS_CHECKS:
        findings += _followed(samples, check(samples, limits))
    findings += files_in_another_unit(samples, around or Neighbours())
    context = compared_visits(samples, limits, around or Neighbours())
    findings += sheets_with_a_slip(samples, context, limits)
    findings += points_against_their_course(samples, limits)
    for check in FINE_CHECKS:
        findings += _followed(samples, check(samples, limits))
    context = compared_visits(samples, limits, around or Neighbours())
    findings += courses_against_others(samples, context, limits)
    findings += notes_on_visits(samples, context, limits)
    return samples, findings


def _followed(samples: pd.DataFrame, breach: Breach) -> list[Finding]:
    """Apply the rule of a breach and return its findings.

    Each sample that breaks the rule gets one finding.
    """
    wrong = breach.wrong.fillna(value=False).astype(bool) & samples["used"]
    if breach.rule.action is Action.SET_ASIDE:
        samples.loc[wrong, ["swe_used"] if breach.rule.swe_alone else ["used", "swe_used"]] = False
    return row_findings(samples, wrong, breach.rule, breach.evidence, breach.detail)
