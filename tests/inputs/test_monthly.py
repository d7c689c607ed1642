"""Course tables with a row a season and a group of columns a month."""

import datetime as dt

import openpyxl
import pandas as pd
import pytest

from snowtally.inputs.formats import FileFormat
from snowtally.inputs.monthly import date_in_words, month_of
from snowtally.inputs.read_courses import read_courses
from snowtally.inputs.rows import without_lines
from snowtally.inputs.source import Source
from snowtally.settings.blocks import Column, Monthly

MISSING = ["", "-9999", "M"]
GROUP = Monthly(season="Winter", group=["date", "depth", "swe"])
HOW = FileFormat(comment="#", monthly=GROUP)
INCHES = {"depth": Column(unit="inch"), "swe": Column(unit="inch")}
SITE = {"site_id": Column(file_name="{}.txt")}


def written(tmp_path, text, name="C1.txt"):
    path = tmp_path / name
    path.write_text(text, "utf-8")
    return path


def read(path, how=HOW, season_start="10-01", **columns):
    return read_courses(Source([path], SITE | INCHES | columns, MISSING, [how], season_start=season_start))


def visits(rows):
    return [(str(row.date.date()), str(row.nominal_date.date()), row.line) for row in rows.itertuples()]


TABLE = (
    "# a report\n"
    "Winter,Jan,Jan,Jan,Mar,Mar,Mar,Apr,Apr,Apr\n"
    ",Day of visit,Depth (in),SWE (in),Day of visit,Depth (in),SWE (in),Day of visit,Depth (in),SWE (in)\n"
    "2039,Dec 30,40,10,,,,Mar 31,81,29.2\n"
    "2040,,,,Feb 29,42,12.5,,65,16.1\n"
    "2041,28 Dec.,,9,2041-03-02,50,,April 3,M,-9999\n"
)


def test_a_row_a_season_becomes_a_row_a_visit(tmp_path):
    rows, findings = read(written(tmp_path, TABLE))
    assert visits(rows) == [
        ("2038-12-30", "2039-01-01", 4),
        ("2039-03-31", "2039-04-01", 4),
        ("2040-02-29", "2040-03-01", 5),
        ("2040-04-01", "2040-04-01", 5),
        ("2040-12-28", "2041-01-01", 6),
        ("2041-03-02", "2041-03-01", 6),
        ("2041-04-03", "2041-04-01", 6),
    ]
    assert rows["site_id"].unique().tolist() == ["C1"]
    assert rows["depth_m"].tolist()[:3] == pytest.approx([40 * 0.0254, 81 * 0.0254, 42 * 0.0254])
    assert rows["swe_mm"].tolist()[:4] == pytest.approx([254.0, 29.2 * 25.4, 12.5 * 25.4, 16.1 * 25.4])
    assert rows["depth_m"].isna().tolist() == [False, False, False, False, True, False, True]
    # The second line of headers is of the declared form, and no finding.
    assert findings == []


def test_a_line_with_a_number_before_the_first_season_is_told(tmp_path):
    lost = TABLE.replace("2039,Dec 30", "203g,Dec 30")
    rows, findings = read(written(tmp_path, lost))
    assert rows["line"].min() == 5
    assert [(one.rule.name, one.line, one.severity.value) for one in findings] == [("unreadable line", 4, "note")]


def test_a_monthly_table_is_the_long_one(tmp_path):
    """The same visits written line by line, each with its whole dates, give the same samples."""
    rows, _ = read(written(tmp_path, TABLE))
    lines = [
        f"{row.site_id},{row.date.date()},{row.nominal_date.date()},{row.depth_m / 0.0254},{row.swe_mm / 25.4}"
        for row in rows.itertuples()
    ]
    text = "site_id,date,nominal_date,depth_cm,swe_mm\n" + "\n".join(lines).replace("nan", "") + "\n"
    long, _ = read_courses(Source([written(tmp_path, text, "long.csv")], INCHES, MISSING))
    names = ["site_id", "date", "nominal_date", "depth_m", "swe_mm"]
    pd.testing.assert_frame_equal(long[names], rows[names])


@pytest.mark.parametrize(
    ("start", "season", "dates"),
    [
        ("10-01", 2031, ["2030-12-01", "2031-05-01", "2031-09-01"]),
        ("09-01", 2031, ["2030-12-01", "2031-05-01", "2030-09-01"]),
        # A southern winter lies within one year and bears its number.
        ("04-01", 2031, ["2031-12-01", "2031-05-01", "2031-09-01"]),
        ("01-01", 2031, ["2031-12-01", "2031-05-01", "2031-09-01"]),
    ],
)
def test_the_seasons_start_decides_the_calendar_year_of_a_month(tmp_path, start, season, dates):
    path = written(tmp_path, f"Winter,12 depth,05 depth,9 depth\n{season},1,2,3\n")
    rows, findings = read(path, FileFormat(monthly=Monthly(season="Winter", group=["depth"])), start)
    assert rows["date"].astype(str).tolist() == dates
    assert {one.rule.name for one in findings} == {"no such column"}


@pytest.mark.parametrize(
    ("header", "named", "month"),
    [
        ("jan", True, 1), ("swe january", True, 1), ("sept. depth", True, 9), ("1 may", True, 5), ("depth_apr", True, 4),
        ("mars", True, 0), ("decade", True, 0), ("octal", True, 0), ("depth 04", False, 4), ("12", False, 12),
        ("13", False, 0), ("2031", False, 0), ("m3", False, 3), ("1.5", False, 0),
    ],
)  # fmt: skip
def test_a_header_holds_its_month(header, named, month):
    assert month_of(header, named=named) == month


@pytest.mark.parametrize(
    ("text", "dates", "date"),
    [
        ("Apr 28", "year-first", "2031-04-28"), ("28 Apr", "year-first", "2031-04-28"), ("28-apr-", "year-first", "28-apr-"),
        ("APRIL-28", "year-first", "2031-04-28"), ("Sep 01", "year-first", "2031-09-01"), ("Dec 1", "year-first", "2030-12-01"),
        ("Apr 31", "year-first", "Apr 31"), ("Feb 29", "year-first", "Feb 29"), ("31", "year-first", "2031-05-31"),
        ("32", "year-first", "32"), ("28/4", "%d/%m", "2031-04-28"), ("04-28", "%m-%d", "2031-04-28"), ("soon", "%m-%d", "soon"),
        ("28.04.31", "%d.%m.%y", "28.04.31"), (None, "year-first", "2031-05-01"), ("Foo 1", "year-first", "Foo 1"),
    ],
)  # fmt: skip
def test_a_date_without_a_year_is_the_nearest_to_its_month(text, dates, date):
    assert date_in_words(text, dt.date(2031, 5, 1), dates) == date


def test_what_cannot_be_read_is_told_by_line_and_day(tmp_path):
    path = written(
        tmp_path,
        "Winter,Apr,Apr,Apr,May,May,May\n2031,Apr 31,40,10,May 1,4o,9\nabout 2032,,,,,30,8\nMean,,35,9,,30,8\n\n2033,,1,2,,3,4\n",
    )
    rows, findings = read(path)
    assert rows["line"].tolist() == [2, 6, 6]
    assert [(one.rule.name, one.line, one.start, one.evidence) for one in findings] == [
        ("unreadable line", 3, "", "line 3: 'about 2032,,,,,30,8'"),
        ("summary row", 4, "", "line 4: 'Mean,,35,9,,30,8'"),
        ("unreadable value", 2, "", "date = 'Apr 31'"),
        ("unreadable value", 2, "2031-05-01", "depth_cm = '4o'"),
        ("no site or date", 2, "", ""),
    ]


def test_a_finding_on_one_visit_of_a_line_stays_when_a_later_one_is_left_out(tmp_path):
    rows, findings = read(written(tmp_path, "Winter,Apr,Apr,Apr,May,May,May\n2031,Apr 2,4o,10,May 1,4o,9\n"))
    left = without_lines(findings, rows[rows["date"] > "2031-04-30"])
    assert [one.start for one in left] == ["2031-04-02"]


def test_columns_beside_the_months_hold_for_the_season(tmp_path):
    """A file of several courses, flags that are not read, counts of cores by month."""
    path = written(
        tmp_path,
        "Course,Winter,Crew,Apr date,Apr depth,flag,Apr SWE,Apr n\nC1,2031,two,,40,e,10,10\nC2,2031,one,Apr 2,50,,12,5\n",
    )
    how = FileFormat(monthly=Monthly(season="winter", group=["date", "depth", "*", "swe", "cores"]))
    columns = {"site_id": Column(column="Course"), "remark": Column(column="Crew")}
    how = FileFormat(
        monthly=how.monthly, header=["Course", "Winter", "Crew", "Apr", "Apr", "", "Apr", "Apr"], skip_lines=1
    )
    rows, findings = read(path, how, **columns)
    assert findings == []
    assert rows[["site_id", "remark", "cores", "line"]].to_numpy().tolist() == [
        ["C1", "two", 10.0, 2],
        ["C2", "one", 5.0, 3],
    ]


def test_a_month_over_merged_cells(tmp_path):
    book = openpyxl.Workbook()
    for row in (["Winter", "April", None, None, "May"], [2031, dt.date(2031, 4, 2), 40, 10, None, 20, 5]):
        book.active.append(row)
    book.save(tmp_path / "C1.xlsx")
    rows, findings = read(tmp_path / "C1.xlsx", FileFormat(monthly=GROUP), site_id=Column(constant="C1"))
    assert findings == []
    assert visits(rows) == [("2031-04-02", "2031-04-01", 2), ("2031-05-01", "2031-05-01", 2)]


@pytest.mark.parametrize(
    ("header", "words"),
    [
        ("Winter,Apr,Apr,May,May,May", "April has 2 columns, where formats.courses.monthly.group names 3: date, depth, swe"),
        ("Year,Apr,Apr,Apr", "no column 'Winter'. The header has: Year, Apr, Apr, Apr. Name the column under formats.courses.monthly.season"),
        ("Winter,spring,summer,autumn", "no header holds the English name or the number of a month"),
        ("Winter,Winter,Apr,Apr,Apr", "the column 'winter' stands twice"),
    ],
)  # fmt: skip
def test_a_monthly_table_that_is_not_as_declared_is_one_line(tmp_path, header, words):
    _, (lost,) = read(written(tmp_path, header + "\n2031,1,2,3,4,5\n"))
    assert lost.rule.name == "unreadable file"
    assert words in lost.detail
