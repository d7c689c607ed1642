"""Checks that compare a visit with its own points, with other courses, with stations and with its last visit."""

from __future__ import annotations

import numpy as np
import pandas as pd

from snowtally.courses.context import READING_SWE_MM, Context, Expected, Neighbours, Visit
from snowtally.courses.findings import row_findings, sheet_finding
from snowtally.courses.limits import CourseLimits
from snowtally.courses.mixups import Points, Slip, explain_sheet
from snowtally.courses.odd_points import odd_points
from snowtally.courses.sample_checks import density_kg_m3, long_core
from snowtally.courses.station_days import THIN_M
from snowtally.model.problems import Finding
from snowtally.model.rules import courses as rules
from snowtally.model.rules.rule import Rule
from snowtally.sites.seasons import seasonal_range

TUBE_DIFFERENCE_G = 50.0
"""A tube's empty weight that differs by more from that of the visit's other cores was misread: ice on the tube weighs less
(common practice, no source)."""


def compared_visits(samples: pd.DataFrame, limits: CourseLimits, around: Neighbours) -> Context:
    """Return the visits that are compared with each other and stations.

    Their values come from the samples in use now.
    """
    weighed = samples["swe_used"] & samples["used"]
    used = pd.DataFrame(
        {
            "site_id": samples["site_id"],
            "date": samples["date"],
            "log_density": np.log(density_kg_m3(samples).where(weighed & (samples["swe_mm"] > 0))),
            "depth_m": samples["depth_m"].where(samples["used"]),
            "swe_mm": samples["swe_mm"].where(weighed),
        }
    )
    used.loc[samples["used"] & (samples["depth_m"] == 0) & samples["swe_mm"].isna(), "swe_mm"] = 0.0
    visits = used.groupby(["site_id", "date"]).agg(
        log_density=("log_density", "median"), depth_m=("depth_m", "mean"), swe_mm=("swe_mm", "mean")
    )
    visits = visits.sort_values(["date", "site_id"]).reset_index()
    return Context(visits, around, limits.neighbour_elevation_m, limits.neighbour_days)


def _points_of(samples: pd.DataFrame) -> dict[tuple, tuple[np.ndarray, Points]]:
    """Return the rows in use, and their points, by course and day."""
    used = np.flatnonzero(samples["used"])
    depth = samples["depth_m"].to_numpy(float)
    swe = samples["swe_mm"].where(samples["swe_used"]).to_numpy(float)
    core, cores = samples["core_m"].to_numpy(float), samples["cores"].to_numpy(float)
    groups = samples.iloc[used].groupby(["site_id", "date"], sort=True).indices
    return {
        key: (used[rows], Points(depth[used[rows]], swe[used[rows]], core[used[rows]], cores[used[rows]]))
        for key, rows in groups.items()
    }


def sheets_with_a_slip(samples: pd.DataFrame, context: Context, limits: CourseLimits) -> list[Finding]:
    """Set aside whole sheets with wrong units or wrong tare.

    A sheet that is set aside no longer serves to judge other visits. A wrong tare sets aside the SWE alone.
    """
    findings = []
    points_of = _points_of(samples)
    believable = limits.density_low_kg_m3, limits.density_high_kg_m3
    for position, visit in enumerate(context.each_visit()):
        if (visit.site_id, visit.date) not in points_of:
            continue
        rows, points = points_of[visit.site_id, visit.date]
        expected = context.expected(position)
        slip = explain_sheet(points, expected, believable)
        if slip is None or slip.odds < np.log(limits.mix_up_odds):
            continue
        context.set_aside(position)
        findings.append(_sheet_with_a_slip(samples.loc[rows], visit, expected, slip))
        # What a tare spoils is the weight; a depth is read on the stake all the same.
        samples.loc[rows, ["swe_used"] if slip.rule.swe_alone else ["used", "swe_used"]] = False
    return findings


def _sheet_with_a_slip(rows: pd.DataFrame, visit: Visit, expected: Expected, slip: Slip) -> Finding:
    by = f"{expected.density_sites} other places" if expected.density_sites else "season and last visit"
    swe, _ = expected.swe()
    level = f", SWE {visit.swe_mm:.0f} mm where {np.exp(swe):.0f} mm is expected" if np.isfinite(swe) else ""
    return sheet_finding(
        rows,
        slip.rule,
        f"density {np.exp(visit.log_density):.0f} kg/m3 where {np.exp(expected.density):.0f} kg/m3 is expected by "
        f"{by}{level}; {slip.words}",
    )


def points_against_their_course(samples: pd.DataFrame, limits: CourseLimits) -> list[Finding]:
    """Set aside points that do not fit their visit's other points.

    Each finding says what probably happened.
    """
    findings = []
    usual = _usual_depth(samples)
    for rows, points in _points_of(samples).values():
        for position, slip, figures_of_point in odd_points(points, usual[rows], limits.point_outlier_mad):
            visit = samples.loc[rows]
            row, said = visit.iloc[[position]], figures_of_point
            rule = rules.SAMPLE_AGAINST_COURSE if slip is None else slip.rule
            tare = _tare_of_another_tube(visit, position)
            if tare is not None:
                rule, said = rules.TARE_OF_ANOTHER_TUBE, f"{tare}; {said}"
            soil = rule == rules.SAMPLE_AGAINST_COURSE and bool(long_core(row, limits).iloc[0])
            if soil and row["swe_mm"].iloc[0] / row["depth_m"].iloc[0] > density_kg_m3(visit).median():
                rule = rules.SOIL_IN_ODD_CORE
            # What a tare or a plug of soil spoils is the weight; a depth is read on the stake all the same.
            samples.loc[row.index, ["swe_used"] if rule.swe_alone else ["used", "swe_used"]] = False
            detail = rule.says(slip=slip.words) if slip is not None else rule.message
            wrong, evidence = (pd.Series(value, index=row.index) for value in (True, said))
            findings += row_findings(row, wrong, rule, evidence, detail)
    return findings


def _usual_depth(samples: pd.DataFrame) -> np.ndarray:
    """Return how much deeper each sample's point usually is.

    It is in log depth, relative to its course, at the other visits. It is 0 where unknown.
    """
    depth = np.log(samples["depth_m"].where(samples["used"] & (samples["depth_m"] > 0)))
    off = depth - depth.groupby([samples["site_id"], samples["date"]]).transform("median")
    # One slip of the stake at another visit must not become what is usual.
    off = off.clip(-1.0, 1.0).where(samples["point"].ne(""))
    point = off.groupby([samples["site_id"], samples["point"]])
    others = point.transform("count") - off.notna()
    return ((point.transform("sum") - off.fillna(0.0)) / others.where(others > 0)).fillna(0.0).to_numpy(float)


def _tare_of_another_tube(visit: pd.DataFrame, position: int) -> str | None:
    """Return two empty weights if one explains an odd core.

    The text names the core's own empty weight and that of the other cores. It is None where the other weight does not
    make the core fit.
    """
    row, others = visit.iloc[position], visit.drop(index=visit.index[position])
    usual = others["mass_empty_g"].median()
    if not abs(row["mass_empty_g"] - usual) > TUBE_DIFFERENCE_G or not row["mass_full_g"] > usual:
        return None
    mended = row["swe_mm"] * (row["mass_full_g"] - usual) / (row["mass_full_g"] - row["mass_empty_g"])
    middle = density_kg_m3(others).median()
    now, then = (abs(np.log(swe / row["depth_m"] / middle)) for swe in (row["swe_mm"], mended))
    return f"empty {row['mass_empty_g']:.0f} g, the others' {usual:.0f} g" if then < 0.5 * now else None


def courses_against_others(samples: pd.DataFrame, context: Context, limits: CourseLimits) -> list[Finding]:
    """Report visits that differ from neighbours or their last visit.

    A visit is set aside if two comparisons contradict it in the same direction.
    """
    findings = []
    points_of = _points_of(samples)
    for position, visit in enumerate(context.each_visit()):
        if not np.isfinite(visit.swe_mm):
            # Depths alone, or nothing of it is in use.
            continue
        rows, _ = points_of[visit.site_id, visit.date]
        off = _deviations(visit, context.expected(position))
        high = [one for one in off if one[2] > limits.course_outlier_sd]
        low = [one for one in off if one[2] < -limits.course_outlier_sd]
        both = max(high, low, key=len)
        aside = len(both) > 1
        findings += [
            sheet_finding(samples.loc[rows], _TWICE[rule] if aside else rule, words) for rule, words, _ in both
        ]
        if aside:
            context.set_aside(position)
            samples.loc[rows, ["used", "swe_used"]] = False
    return findings


_TWICE = {
    rules.COURSE_AGAINST_NEIGHBOURS: rules.COURSE_AGAINST_NEIGHBOURS_TWICE,
    rules.COURSE_AGAINST_LAST_VISIT: rules.COURSE_AGAINST_LAST_VISIT_TWICE,
}
"""The rules where two yardsticks agree."""


def _deviations(visit: Visit, expected: Expected) -> list[tuple[Rule, str, float]]:
    """Return how far a visit is off in each comparison.

    Each entry holds the rule, the figures as text, and the deviation in standard deviations.
    """
    off = []
    density, swe = visit.log_density, visit.swe_mm
    fresh = density < expected.density and expected.may_be_fresh(visit.depth_m, density)
    if expected.density_sites > 1 and np.isfinite(density) and visit.depth_m > THIN_M and not fresh:
        words = f"density {np.exp(density):.0f} kg/m3 where {np.exp(expected.density):.0f} kg/m3 is expected by "
        off.append(
            (
                rules.COURSE_AGAINST_NEIGHBOURS,
                words + f"{expected.density_sites} other places",
                (density - expected.density) / expected.density_sd_at(visit.depth_m),
            )
        )
    if np.isfinite(expected.near) and swe > 0:
        off_by = np.log(swe) - expected.near
        # In melt one position is bare before its neighbour of like elevation has lost a third.
        melt = 2 * expected.lost_mm / np.exp(expected.near) if off_by < 0 else 0.0
        z = off_by / np.sqrt(expected.near_sd**2 + (2 * READING_SWE_MM / swe) ** 2 + melt**2)
        words = f"SWE {swe:.0f} mm where {np.exp(expected.near):.0f} mm is expected by places of like elevation"
        off.append((rules.COURSE_AGAINST_NEIGHBOURS, words, z))
    if np.isfinite(expected.last_mm):
        words = f"SWE {swe:.0f} mm where {expected.last_mm:.0f} mm is expected by its last visit and the stations' change since"
        off.append((rules.COURSE_AGAINST_LAST_VISIT, words, (swe - expected.last_mm) / expected.last_sd_mm))
    return off


def notes_on_visits(samples: pd.DataFrame, context: Context, limits: CourseLimits) -> list[Finding]:
    """Return notes on visits in use.

    They name few points, thin snow, cores too light to weigh singly, and a density unusual for the season.
    """
    findings = []
    points_of = _points_of(samples)
    cores, weighed = samples["cores"].fillna(1.0).to_numpy(float), samples["swe_used"].to_numpy(bool)
    for visit in context.each_visit():
        if (visit.site_id, visit.date) not in points_of:
            continue
        rows, _ = points_of[visit.site_id, visit.date]
        points = int(np.maximum(cores[rows], 1.0).sum())
        few_points = rules.FEW_POINTS if len(rows) > 1 else rules.FEW_POINTS_IN_ONE_ROW
        depth, swe = visit.depth_m, visit.swe_mm
        low, high = seasonal_range(visit.date, southern=context.around.southern)
        density = np.exp(visit.log_density)
        single = weighed[rows].any() and not (cores[rows] > 1).any()
        notes = (
            (points < limits.few_points, few_points, f"{points} point{'s' * (points > 1)}"),
            (0 < depth < limits.thin_snow_m, rules.THIN_SNOW, f"mean depth {100 * depth:.1f} cm"),
            (
                single and 0 < swe < limits.bulk_swe_mm,
                rules.BULK_SAMPLE_ADVISED,
                f"mean SWE {swe:.0f} mm, weighed point by point",
            ),
            (
                depth > THIN_M and (density < low or density > high),
                rules.DENSITY_AGAINST_SEASON,
                f"density {density:.0f} kg/m3, usual {low:.0f} to {high:.0f} kg/m3",
            ),
        )
        findings += [
            sheet_finding(
                samples.loc[rows], rule, evidence, rule.says(least=limits.few_points, least_mm=limits.bulk_swe_mm)
            )
            for wrong, rule, evidence in notes
            if wrong
        ]
    return findings
