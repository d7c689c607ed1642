"""A check of courses is added by one function and one row of the table of rules."""

import pandas as pd

from snowtally.courses import checks
from snowtally.courses.checks import check_courses
from snowtally.courses.limits import CourseLimits
from snowtally.courses.sample_checks import FINE_CHECKS, Breach
from snowtally.model.problems import findings_table
from snowtally.model.rules.rule import Action, Rule, Severity

WINDY = Rule(
    "wind on the stake",
    ("courses",),
    Severity.NOTE,
    Action.USED,
    "a remark of wind",
    "a stake that shakes is read high",
    message="read the stake again in calm air",
)


def windy(samples, _limits):
    return Breach(samples["remark"].str.contains("wind"), WINDY, samples["remark"])


def sheet(*remarks):
    rows = [
        {"site_id": "C", "date": pd.Timestamp(2031, 3, 1), "point": str(n), "depth_m": 1.0, "swe_mm": 320.0, "remark": remark,
         "nominal_date": pd.NaT, "mass_full_g": None, "mass_empty_g": None, "core_m": None, "cores": None, "sampler": "",
         "file": "c.csv", "line": n + 2}
        for n, remark in enumerate(remarks)
    ]  # fmt: skip
    numbers = dict.fromkeys(("mass_full_g", "mass_empty_g", "core_m", "cores"), float)
    return pd.DataFrame(rows).astype(numbers | {"nominal_date": "datetime64[s]"})


def test_one_function_and_one_row_add_a_check(monkeypatch):
    samples = sheet("", "much wind", "", "", "", "")
    _, before = check_courses(samples, CourseLimits())
    assert "wind on the stake" not in {finding.rule.name for finding in before}
    monkeypatch.setattr(checks, "FINE_CHECKS", (*FINE_CHECKS, windy))
    checked, findings = check_courses(samples, CourseLimits())
    (row,) = findings_table([finding for finding in findings if finding.rule == WINDY]).to_dict("records")
    assert (row["table"], row["line"], row["severity"], row["action"]) == ("courses", 3, "note", "used")
    assert (row["evidence"], row["detail"]) == ("much wind", "read the stake again in calm air")
    assert checked["used"].all()


def test_the_action_of_the_row_decides_what_is_set_aside(monkeypatch):
    def away(samples, _limits):
        rule = Rule("away", ("courses",), Severity.ERROR, Action.SET_ASIDE, "", "", swe_alone=True)
        return Breach(samples["remark"].eq("away"), rule, samples["remark"])

    monkeypatch.setattr(checks, "FINE_CHECKS", (away,))
    checked, _ = check_courses(sheet("", "away", "", ""), CourseLimits())
    assert checked["used"].tolist() == [True] * 4
    assert checked["swe_used"].tolist() == [True, False, True, True]
