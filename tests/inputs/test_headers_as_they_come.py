"""Where a table's header stands, and values that stand beside the table: lines passed over, titles, names of files and sheets."""

import datetime as dt

import openpyxl
import pytest

from snowtally.inputs.formats import FileFormat
from snowtally.inputs.known_tables import SITES
from snowtally.inputs.read_courses import read_courses
from snowtally.inputs.read_sites import read_sites
from snowtally.inputs.read_stations import read_stations
from snowtally.inputs.source import Source
from snowtally.inputs.tables import read_table
from snowtally.model.problems import InputError
from snowtally.settings.blocks import Column

MISSING = ["", "-9999", "M"]


def written(tmp_path, text, name="table.csv"):
    path = tmp_path / name
    path.write_text(text, "utf-8")
    return path


def courses(path, how=None, **columns):
    return read_courses(Source([path], columns, MISSING, [how] if how else []))


def told(findings):
    return [(finding.rule.name, finding.line, finding.severity.value) for finding in findings]


# --- where the header stands ------------------------------------------------------------------------------------------


def test_comment_lines_above_the_header_may_be_many(tmp_path):
    """A report with 68 comment lines above its header was once called empty."""
    head = "".join(f"# note {n}\n" for n in range(68))
    path = written(tmp_path, head + "site_id,date,point,depth_cm,swe_mm\nA,2031-03-01,1,120,350\n")
    rows, findings = courses(path, FileFormat(comment="#"))
    assert findings == []
    assert rows["line"].tolist() == [70]


def test_text_above_the_header_is_looked_through_for_fifty_lines(tmp_path):
    table = "site_id,date,point,depth_cm,swe_mm\nA,2031-03-01,1,120,350\n"
    rows, findings = courses(written(tmp_path, "a note\n\n" * 49 + table))
    assert rows["line"].tolist() == [100]
    assert {name for name, *_ in told(findings)} == {"unreadable line"}
    rows, findings = courses(written(tmp_path, "a note\n\n" * 50 + table))
    assert rows.empty
    assert findings[0].rule.name == "unreadable file"
    rows, findings = courses(written(tmp_path, "a note\n\n" * 50 + table), FileFormat(skip_lines=100))
    assert (rows["line"].tolist(), findings) == ([102], [])


def test_lines_that_are_passed_over_may_hold_anything(tmp_path):
    """A quote that is never closed and a line like the header stand above it."""
    path = written(
        tmp_path,
        'Depth 48" and more\nsite_id,date,depth_cm,swe_mm\n\nsite_id,date,depth_cm,swe_mm\nA,2031-03-01,120,350\n',
    )
    rows, findings = courses(path, FileFormat(skip_lines=2))
    assert (rows["line"].tolist(), rows["swe_mm"].tolist(), findings) == ([5], [350.0], [])
    _, findings = courses(path)
    assert [one.line for one in findings if one.rule.name == "unreadable line"] == [1]


def test_a_table_without_a_header_line_has_its_names_from_the_settings(tmp_path):
    path = written(
        tmp_path, "# places\nFell Top |ft01 |course |46.2 |8.5 |2410 |XX\nHay Col |hc02 |station |46.3 |8.6 |1990 |XX\n"
    )
    names = ["name", "site_id", "kind", "latitude", "longitude", "elevation_m"]
    rows, findings = read_table(path, SITES, Source([path], {}, MISSING, [FileFormat(comment="#", header=names)]))
    assert findings == []
    assert rows[["site_id", "name", "line"]].to_numpy().tolist() == [["ft01", "Fell Top", 2], ["hc02", "Hay Col", 3]]
    assert rows["longitude"].tolist() == [8.5, 8.6]
    with pytest.raises(InputError, match=r"its first line has 7 fields, where formats.sites.header names 9"):
        read_table(path, SITES, Source([path], {}, MISSING, [FileFormat(comment="#", header=[*names, "a", "b", "c"])]))


def test_a_table_without_a_header_line_and_without_rows_is_told(tmp_path):
    path = written(tmp_path, "# nothing yet\n")
    how = FileFormat(comment="#", header=["site_id", "date", "depth_cm", "swe_mm"])
    rows, findings = courses(path, how)
    assert rows.empty
    assert [one.evidence for one in findings] == ["a header and no row"]


def test_the_first_line_is_no_header_where_site_and_date_come_from_the_files_name(tmp_path):
    """Nothing is required then: the header is the line with a column that says something."""
    path = written(
        tmp_path,
        "Snow survey of the upper fork\nCrew,two,,\nPoint,Depth (cm),SWE (mm),Remark\n1,120,350,\n2,118,341,\n",
        "QC02_20310330.csv",
    )
    columns = {
        "site_id": Column(file_name="{}_*.csv"),
        "date": Column(file_name="*_{}.csv"),
        "point": Column(column="Point"),
        "depth": Column(column="Depth (cm)"),
        "swe": Column(column="SWE (mm)"),
    }
    rows, findings = courses(path, **columns)
    assert rows["site_id"].unique().tolist() == ["QC02"]
    assert rows["date"].unique().tolist() == [dt.datetime(2031, 3, 30)]  # noqa: DTZ001  a day of the calendar
    assert (rows["line"].tolist(), rows["swe_mm"].tolist()) == ([4, 5], [350.0, 341.0])
    assert told(findings) == [("unreadable line", 1, "note")]
    del columns["depth"], columns["swe"]
    _, findings = courses(path, **columns)
    assert "no line of its first ones is a header with a column that says something" in findings[0].detail


def test_of_two_lines_with_what_is_required_the_one_with_readings_is_the_header(tmp_path):
    path = written(tmp_path, "Date,2031-03-30\nDate,Point,depth_cm,swe_mm\n2031-03-30,1,120,350\n", "A.csv")
    rows, _ = courses(path, site_id=Column(file_name="{}.csv"))
    assert rows["line"].tolist() == [3]


def test_all_missing_columns_are_one_message(tmp_path):
    path = written(tmp_path, "Loc,Day,Depth (in)\nA,2031-03-01,40\n")
    _, findings = courses(path, depth=Column(column="Depth"), swe=Column(column="SWE"))
    assert [one.rule.name for one in findings] == ["unreadable file"]
    assert findings[0].detail.endswith(
        "no columns 'site_id', 'date', 'Depth', 'SWE'. The header has: Loc, Day, Depth (in). Name the columns under "
        "columns.courses.site_id, columns.courses.date, columns.courses.depth, columns.courses.swe in the settings"
    )


# --- values beside the table ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "title",
    [
        "Snow course: Fell Top",
        "Snow  course:  Fell Top,,,",
        "SNOW COURSE:,Fell Top,,",
        "Crew of two,snow course: Fell Top,",
        "# Snow course: Fell Top",
        '"Snow course: Fell Top",,,',
    ],
)
def test_a_title_gives_a_value(tmp_path, title):
    path = written(tmp_path, f"{title}\nSurveyed on 30.03.2031 in fog\n\nPt,depth_cm,swe_mm\n1,120,350\n")
    columns = {
        "site_id": Column(title="Snow course: {}", values={"fell top": "ft01"}),
        "date": Column(title="Surveyed on {} in *"),
        "point": Column(column="Pt"),
    }
    rows, findings = courses(path, FileFormat(comment="#", dates="day-first"), **columns)
    # What gave a value is no stray line.
    assert findings == []
    assert rows[["site_id", "point", "line"]].to_numpy().tolist() == [["ft01", "1", 5]]
    assert str(rows["date"][0].date()) == "2031-03-30"


def test_a_title_that_is_not_there_is_told_with_what_is(tmp_path):
    path = written(tmp_path, "Course Fell Top\ndate,depth_cm,swe_mm\n2031-03-30,120,350\n")
    _, findings = courses(path, site_id=Column(title="Snow course: {}"))
    assert (
        "no line above the header fits 'Snow course: {}', which gives courses.site_id. There stands: Course Fell Top"
        in findings[0].detail
    )


def test_words_of_the_file_have_meanings(tmp_path):
    path = written(
        tmp_path,
        "site_id,kind,longitude,latitude\na, Snow Course ,8.5,46.2\nb,PILLOW,8.6,46.3\nc,station,8.6,46.3\nd,Buoy,8,46\n",
    )
    kinds = Column(values={"Snow course": "course", "Pillow ": "station"})
    rows, findings = read_sites(Source([path], {"kind": kinds}, MISSING))
    assert rows["kind"].tolist() == ["course", "station", "station"]
    assert [(one.rule.name, one.line) for one in findings] == [("unusable site", 5)]


# --- workbooks --------------------------------------------------------------------------------------------------------


def workbook(tmp_path, sheets):
    book = openpyxl.Workbook()
    book.remove(book.active)
    for title, rows in sheets.items():
        sheet = book.create_sheet(title)
        for row in rows:
            sheet.append(row)
    path = tmp_path / "courses.xlsx"
    book.save(path)
    return path


def sheet_of(title, *depths):
    return [[title], ["Pt", "Depth", "SWE"], *([n, depth, 3 * depth] for n, depth in enumerate(depths, start=1))]


COLUMNS = {
    "site_id": Column(sheet_name="Course {}"),
    "date": Column(title="Surveyed {}"),
    "point": Column(column="Pt"),
    "depth": Column(column="Depth"),
    "swe": Column(column="SWE"),
}


def test_a_sheet_a_course(tmp_path):
    """Each sheet is a visit: the site stands in its name, the day above its header."""
    path = workbook(
        tmp_path,
        {
            "Notes": [["two crews"]],
            "Course A1": sheet_of("Surveyed 2031-03-30", 100, 110),
            "Course B2": sheet_of("Surveyed 2031-03-31", 80, "n0"),
            "Course empty": [],
        },
    )
    rows, findings = courses(path, FileFormat(sheet="Course *"), **COLUMNS)
    assert rows["site_id"].tolist() == ["A1", "A1", "B2", "B2"]
    assert rows["date"].astype(str).tolist() == ["2031-03-30"] * 2 + ["2031-03-31"] * 2
    # Rows of the second sheet are numbered from 2001: no two rows of a file have one number.
    assert rows["line"].tolist() == [1003, 1004, 2003, 2004]
    assert [(one.rule.name, one.line, one.evidence) for one in findings] == [
        ("unreadable value", 2004, "depth_cm = 'n0' under 'Depth', sheet 'Course B2' row 4"),
        ("unreadable value", 2004, "swe_mm = 'n0n0n0' under 'SWE', sheet 'Course B2' row 4"),
    ]


def test_a_sheet_that_is_no_table_costs_no_other(tmp_path):
    path = workbook(tmp_path, {"Notes": [["two crews"]], "Course A1": sheet_of("Surveyed 2031-03-30", 100)})
    rows, findings = courses(path, FileFormat(sheet="*"), **COLUMNS)
    assert rows["line"].tolist() == [2003]
    (lost,) = findings
    assert (lost.rule.name, lost.line, lost.evidence) == ("unreadable file", 1001, "sheet 'Notes'")
    assert "no columns 'Depth', 'SWE'" in lost.detail or "no columns 'Pt', 'Depth', 'SWE'" in lost.detail
    _, findings = courses(path, FileFormat(sheet="Visit*"), **COLUMNS)
    assert "has no sheet 'Visit*': Notes, Course A1" in findings[0].detail


def test_one_sheet_that_fits_has_its_own_row_numbers(tmp_path):
    path = workbook(tmp_path, {"Notes": [["two crews"]], "Course A1": sheet_of("Surveyed 2031-03-30", 100)})
    rows, findings = courses(path, FileFormat(sheet="course*"), **COLUMNS)
    assert (rows["line"].tolist(), findings) == ([3], [])


def test_a_sheet_a_station(tmp_path):
    table = [["time", "SWE"], ["2031-03-01", 350], ["2031-03-02", 352]]
    path = workbook(tmp_path, {"ft01": table, "hc02": table[:2]})
    columns = {"site_id": Column(sheet_name="{}"), "swe": Column(column="SWE")}
    rows, findings = read_stations(Source([path], columns, MISSING, [FileFormat(sheet="*")]), 0.0)
    assert rows[["site_id", "line"]].to_numpy().tolist() == [["ft01", 1002], ["ft01", 1003], ["hc02", 2002]]
    assert [(one.rule.name, one.line, one.evidence) for one in findings] == [
        ("no such column", 1001, "no depth_cm, sheet 'ft01' row 1"),
        ("no such column", 2001, "no depth_cm, sheet 'hc02' row 1"),
    ]
