"""Reasons that several files share are said once, with their number, in all that people read."""

import pytest

from snowtally.archive.current import Loss, words_of
from snowtally.cli.findings import by_site, findings_by_site
from snowtally.inputs.read_courses import read_courses
from snowtally.inputs.source import Source
from snowtally.model.problems import Finding, findings_table
from snowtally.model.reasons import Reason, in_words
from snowtally.model.rules import files as rules
from snowtally.report.notices import lacking

MISSING = "is named by inputs.courses in the settings but is not there: put it there or take it out"


def unread(tmp_path, *contents):
    paths = []
    for number, content in enumerate(contents):
        paths.append(tmp_path / f"crew_{number:02d}.csv")
        paths[-1].write_text(content)
    return read_courses(Source(paths))[1]


@pytest.mark.parametrize(
    ("reasons", "said"),
    [
        ([("a.csv", "a.csv: no column 'Pt'")], ["a.csv: no column 'Pt'"]),
        ([("a.csv", "a.csv: no column 'Pt'")] * 2, ["a.csv: no column 'Pt'"]),
        ([(f"in/{n}.csv", f"in/{n}.csv is empty") for n in range(5)], ["5 files (0.csv, 1.csv, 2.csv and 2 more): is empty"]),
        ([(f"in/{n}.csv", f"missing file (x): in/{n}.csv {MISSING}") for n in range(2)],
         [f"2 files (0.csv, 1.csv): missing file (x): {MISSING}"]),
        ([("a.csv", "look at it"), ("b.csv", "look at it")], ["look at it"]),
        ([("", "no site"), ("a.csv", "a.csv: no row"), ("b.csv", "b.csv: no line")], ["no site", "a.csv: no row", "b.csv: no line"]),
    ],
)  # fmt: skip
def test_reasons_of_several_files_are_one(reasons, said):
    assert in_words(Reason(*reason) for reason in reasons) == said


def test_files_without_a_column_are_one_line_of_check(tmp_path):
    """Twenty sheets lack one column and one lacks another: two lines, each with its number."""
    findings = unread(tmp_path, *["date,point,depth_cm\n2031-03-01,1,2\n"] * 20, "site_id,point\nA,1\n")
    table = findings_table(findings)
    grouped = by_site(table)
    assert grouped["count"].tolist() == [20, 1]
    lines = findings_by_site(table).splitlines()
    (shared,) = [line for line in lines if "no column 'site_id'" in line]
    assert shared.strip().startswith(
        "20 files (crew_00.csv, crew_01.csv, crew_02.csv and 17 more): no column 'site_id'. The header has"
    )
    (alone,) = [line for line in lines if "no column 'date'" in line]
    assert f"{tmp_path}/crew_20.csv: no column 'date'" in alone


def test_findings_that_name_no_file_stay_one_row_a_rule():
    findings = [Finding(rules.UNREADABLE_LINE, "courses", "a.csv", n, detail=f"it has {n} fields") for n in (3, 4)]
    assert by_site(findings_table(findings))["count"].tolist() == [2]


def test_a_page_tells_files_with_one_reason_in_one_line(tmp_path):
    findings = unread(tmp_path, *["a,b\n1,2\n"] * 8, "")
    losses = [Loss.of(one, f"{one.rule.name}: {one.detail}") for one in findings]
    record = {"losses": [loss.plain() for loss in losses], "degraded_reasons": [loss.reason for loss in losses]}
    many, one = lacking(record)
    assert many["words"].startswith("8 files cannot be read: crew_00.csv, crew_01.csv")
    assert many["words"].endswith("crew_05.csv, 2 more")
    (detail,) = many["details"]
    assert detail.startswith(
        "8 files (crew_00.csv, crew_01.csv, crew_02.csv and 5 more): unreadable file: no columns 'site_id', 'date'"
    )
    assert one["words"] == "crew_08.csv cannot be read"
    assert words_of(losses) == ["9 files cannot be read"]
    assert words_of(losses[:1]) == ["crew_00.csv cannot be read"]
