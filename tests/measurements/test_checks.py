"""The basic checks on course samples: what is planted is found and named, what is clean stays."""

import numpy as np
import pandas as pd
import pytest

from pipeline.measurements.course_checks import CourseLimits, check_courses
from pipeline.measurements.points import course_visits

COURSE = CourseLimits(4000.0, 12.0, 50.0, 600.0, 1.05, 4.0)


def samples(density=300.0, n=8):
    depth = 1.0 + 0.05 * np.arange(n)
    return pd.DataFrame(
        {
            "site_id": "C", "date": pd.Timestamp("2031-03-01"), "point": [str(i) for i in range(n)], "depth_m": depth,
            "core_m": 0.95 * depth, "swe_mm": density * depth, "cores": np.nan, "file": "c.csv", "line": np.arange(n) + 2,
        }
    )  # fmt: skip


def rules(findings):
    return sorted({finding.rule for finding in findings})


def test_clean_measurements_stay_whole():
    checked, findings = check_courses(samples(), COURSE)
    assert checked[["used", "swe_used"]].all(axis=None)
    assert findings == []


@pytest.mark.parametrize(
    ("edit", "rule"),
    [
        (lambda s: s.assign(swe_mm=s["swe_mm"].where(s.index != 3, 2.1 * s["swe_mm"])), "impossible density"),
        (lambda s: s.assign(swe_mm=s["swe_mm"].where(s.index != 3, 1.6 * s["swe_mm"])), "sample against its course"),
        (lambda s: s.assign(core_m=s["core_m"].where(s.index != 3, 1.2 * s["depth_m"])), "core longer than depth"),
        (lambda s: s.assign(swe_mm=s["swe_mm"].where(s.index != 3, -5.0)), "negative"),
        (lambda s: s.assign(depth_m=s["depth_m"].where(s.index != 3, 0.0)), "water without depth"),
        (lambda s: pd.concat([s, s[s.index == 3]], ignore_index=True), "duplicate"),
    ],
)
def test_planted_course_faults_are_named_and_one_sample_is_set_aside(edit, rule):
    faulty = edit(samples())
    checked, findings = check_courses(faulty, COURSE)
    assert rule in rules(findings)
    assert (~checked["swe_used"]).sum() == 1
    value = course_visits(checked).iloc[0]
    assert value["density_kg_m3"] == pytest.approx(300.0, rel=1e-9)


def test_depth_in_inches_sets_the_whole_visit_aside():
    checked, findings = check_courses(samples().assign(depth_m=lambda s: s["depth_m"] / 2.54), COURSE)
    assert rules(findings) == ["impossible density"]
    assert not checked["used"].any()


def test_too_much_snow_is_out_of_range_and_an_empty_row_is_told():
    faulty = samples()
    faulty.loc[2, ["depth_m", "swe_mm"]] = [np.nan, 20_000.0]
    faulty.loc[5, ["depth_m", "swe_mm"]] = np.nan
    checked, findings = check_courses(faulty, COURSE)
    assert rules(findings) == ["empty sample", "out of range"]
    assert (~checked["used"]).sum() == 2


def test_an_empty_row_takes_no_other_rows_place_and_the_same_row_counts_once():
    blank = samples()[3:4].assign(depth_m=np.nan, swe_mm=np.nan, core_m=np.nan, line=99)
    checked, _ = check_courses(pd.concat([samples(), blank], ignore_index=True), COURSE)
    assert checked["used"].sum() == 8
    nameless = samples().assign(point="")
    checked, findings = check_courses(pd.concat([nameless, nameless], ignore_index=True), COURSE)
    assert checked["used"].sum() == 8
    assert rules(findings) == ["duplicate"]
