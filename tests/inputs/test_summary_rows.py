"""Rows that sum up the others of their visit are told, and are no samples."""

import pytest

from snowtally.inputs.read_courses import read_courses
from snowtally.inputs.source import Source
from snowtally.settings.blocks import Column

HEADER = "site_id,date,point,depth_cm,swe_mm\n"
POINTS = "A,2031-03-01,1,120,350\nA,2031-03-01,2,110,330\nA,2031-03-01,3,100,310\nA,2031-03-01,4,90,290\n"


def read(tmp_path, text, **columns):
    path = tmp_path / "A.csv"
    path.write_text(text, "utf-8")
    return read_courses(Source([path], columns, ["", "-9999", "M"]))


def told(findings):
    return [(one.rule.name, one.line, one.site_id, one.severity.value, one.action.value) for one in findings]


@pytest.mark.parametrize("word", ["Average", "mean:", " TOTAL ", "Mittel", "Summe", "Moyenne", "Médiane", "Medelvärde"])
def test_a_summary_in_the_points_column_is_no_sample(tmp_path, word):
    rows, findings = read(tmp_path, HEADER + POINTS + f"A,2031-03-01,{word},105,320\n")
    assert rows["point"].tolist() == ["1", "2", "3", "4"]
    assert told(findings) == [("summary row", 6, "A", "note", "set aside")]
    assert findings[0].evidence == f"line 6: '{word.strip()}'"
    assert (findings[0].start, findings[0].end) == ("2031-03-01", "2031-03-01")


@pytest.mark.parametrize(
    "foot",
    [
        "Average,,,105,320",
        "A,,Average,105,320",
        ",,Mean,105,320",
        "Total,2031-03-01,,420,1280",
        "Average,105,320",
        '"Average",,,105,x',
    ],
)
def test_a_foot_row_without_site_or_date_sums_up_the_files_rows(tmp_path, foot):
    """It is no row that was lost: three such in ten would else degrade the night."""
    rows, findings = read(tmp_path, HEADER + POINTS + f"{foot}\n" * 3)
    assert len(rows) == 4
    assert {one.rule.name for one in findings} == {"summary row"}


def test_the_first_cell_counts_whatever_column_it_is(tmp_path):
    """The course and the day stand elsewhere, and the first column is not read."""
    columns = {"site_id": Column(constant="A"), "date": Column(constant="2031-03-01")}
    rows, findings = read(tmp_path, "No,depth_cm,swe_mm\n1,120,350\n2,110,330\nMean,115,340\n", **columns)
    assert rows["swe_mm"].tolist() == [350.0, 330.0]
    assert told(findings) == [("summary row", 4, "A", "note", "set aside")]


def test_the_date_column_may_hold_the_word(tmp_path):
    columns = {"site_id": Column(file_name="{}.csv")}
    rows, findings = read(tmp_path, "date,depth_cm,swe_mm\n2031-03-01,120,350\nAverage,115,340\n", **columns)
    assert len(rows) == 1
    assert [(one.rule.name, one.line) for one in findings] == [("summary row", 3)]


def test_a_visit_with_its_mean_alone_is_what_was_published(tmp_path):
    rows, findings = read(
        tmp_path, HEADER + "A,2031-03-01,Mean,120,350\nB,2031-03-01,Mean,100,300\n" + POINTS.replace("03-01", "04-01")
    )
    assert len(rows) == 6
    assert findings == []


def test_a_site_or_point_that_begins_like_one_is_a_sample(tmp_path):
    rows, findings = read(
        tmp_path, HEADER + "Mean Peak,2031-03-01,Total station,120,350\nMean Peak,2031-03-01,2,120,350\n"
    )
    assert (len(rows), findings) == (2, [])
