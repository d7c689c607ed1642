"""Course sheets that come more than once: what a later one replaces."""

import numpy as np
import pandas as pd
import pytest
from made_courses import LIMITS, rules, samples

from snowtally.courses.checks import check_courses
from snowtally.courses.sheets import superseded
from snowtally.sites.points import course_visits


def two_sheets(second, **others):
    """The course's sheet, and rows that come after it."""
    later = second.assign(line=second["line"] + 100, **others)
    return pd.concat([samples(), later], ignore_index=True)


def test_a_row_twice_counts_once_and_an_empty_row_takes_no_other_rows_place():
    checked, findings = check_courses(two_sheets(samples()[3:4]), LIMITS)
    assert checked["used"].sum() == 8
    assert rules(findings) == ["duplicate"]
    blank = samples()[3:4].assign(depth_m=np.nan, swe_mm=np.nan, core_m=np.nan)
    assert check_courses(two_sheets(blank), LIMITS)[0]["used"].sum() == 8


@pytest.mark.parametrize("file", ["c.csv", "d.csv"])
def test_a_sheet_sent_again_replaces_the_whole_older_one(file):
    newer = samples(320.0)[:7].assign(point=lambda s: "0" + s["point"])
    checked, findings = check_courses(two_sheets(newer, file=file), LIMITS)
    assert rules(findings) == ["sheet sent again"]
    assert (findings[0].line, findings[0].action) == (2, "set aside")
    assert f"{file}, line 102" in findings[0].evidence
    assert checked.index[checked["used"]].tolist() == list(range(8, 15))
    assert course_visits(checked).iloc[0]["density_kg_m3"] == pytest.approx(320.0)


def test_the_rest_of_a_sheet_in_another_file_joins_it():
    rest = samples().assign(point=lambda s: (s["point"].astype(int) + 8).astype(str))
    checked, findings = check_courses(two_sheets(rest, file="d.csv"), LIMITS)
    assert findings == []
    assert course_visits(checked).iloc[0]["points"] == 16


def test_nameless_points_alike_are_two_points_and_a_nameless_sheet_again_is_one():
    nameless = samples().assign(point="")
    alike = pd.concat([nameless, nameless[:1]], ignore_index=True)
    assert check_courses(alike, LIMITS)[0]["used"].sum() == 9
    checked, findings = check_courses(pd.concat([nameless, nameless], ignore_index=True), LIMITS)
    assert checked["used"].sum() == 8
    assert rules(findings) == ["sheet sent again"]
    checked, _ = check_courses(two_sheets(samples(320.0).assign(point=""), file="d.csv")[8:], LIMITS)
    assert checked["used"].sum() == 8


@pytest.mark.parametrize(("again", "replaced"), [(1, [0]), (3, [0, 1, 2]), (4, range(8)), (5, range(8))])
def test_half_of_a_sheet_again_is_the_sheet_again(again, replaced):
    gone, findings = superseded(two_sheets(samples()[:again], file="d.csv").assign(used=True))
    assert gone.index[gone].tolist() == [*replaced]
    assert len(findings) == (1 if again >= 4 else again)


def test_both_points_of_a_sheet_of_two_make_it_the_sheet_again_and_one_does_not():
    for again, rule in ((1, "duplicate"), (2, "sheet sent again")):
        short = pd.concat([samples(n=2), samples(n=2)[:again].assign(file="d.csv")], ignore_index=True)
        gone, findings = superseded(short.assign(used=True))
        assert gone.sum() == again
        assert rules(findings) == [rule]
    short = pd.concat(
        [samples(n=3)] + [samples(n=3).assign(file=name) for name in ("d.csv", "e.csv")], ignore_index=True
    )
    gone, findings = superseded(short.assign(used=True))
    assert gone.tolist() == [True] * 6 + [False] * 3
    assert len(findings) == 2


def test_other_days_other_courses_and_empty_rows_replace_nothing():
    made = two_sheets(samples(), date=pd.Timestamp("2031-03-02").to_datetime64()).assign(used=True)
    assert not superseded(made)[0].any()
    assert not superseded(two_sheets(samples(), site_id="D").assign(used=True))[0].any()
    assert not superseded(two_sheets(samples()).assign(used=np.arange(16) < 8))[0].any()


@pytest.mark.parametrize(
    ("half", "sheets"), [([1.0, 2.0], 2), ([1.0, 1.0], 1), ([1.0, 1.0, 2.0], 2), ([1.0] * 3, 1), ([1.0], 1)]
)
def test_nameless_rows_are_a_sheet_twice_where_they_vary(half, sheets):
    """More than half of them differ, and there are two at least: else they are points alike."""
    depth = np.array(half * 2)
    made = samples(n=len(depth)).assign(point="", depth_m=depth, swe_mm=300 * depth, core_m=np.nan, used=True)
    assert superseded(made)[0].sum() == (len(half) if sheets > 1 else 0)
    assert not superseded(made[:-1])[0].any()
