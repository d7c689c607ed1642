"""How files are written, declared once: separators, decimal marks, dates, encodings, comments, constants, workbooks."""

import datetime as dt
import math

import numpy as np
import openpyxl
import pint
import pytest

from snowtally.inputs.columns import check_declared
from snowtally.inputs.formats import FileFormat, check_formats
from snowtally.inputs.known_tables import COURSES, STATIONS
from snowtally.inputs.read_courses import read_courses
from snowtally.inputs.source import Source
from snowtally.inputs.units import TENTHS_OF_MM, TO_CELSIUS, conversion
from snowtally.model.problems import InputError, SettingsError
from snowtally.settings.blocks import Column, Format, Monthly

HEADER = "site_id,date,point,depth_cm,swe_mm,remark\n"


def written(tmp_path, content, name="courses.csv"):
    path = tmp_path / name
    path.write_bytes(content.encode() if isinstance(content, str) else content)
    return path


def read(path, *, columns=None, formats=(), missing=("", "-9999", "M")):
    return read_courses(Source([path], columns or {}, list(missing), list(formats)))


def rules(findings):
    # A sheet of one row that is lost is a lost sheet too, which has a test of its own.
    return [(finding.rule.name, finding.line) for finding in findings if finding.rule.name != "no usable row"]


# --- numbers and separators -------------------------------------------------------------------------------------------


@pytest.mark.parametrize("separator", [";", "\t", "|"])
def test_a_separator_is_known_by_the_header(tmp_path, separator):
    path = written(tmp_path, (HEADER + "A,2031-03-01,1,120.5,350,\n").replace(",", separator))
    rows, findings = read(path)
    assert findings == []
    assert rows.loc[0, ["depth_m", "swe_mm"]].tolist() == [1.205, 350.0]


def test_any_separator_may_be_declared(tmp_path):
    path = written(tmp_path, (HEADER + "A,2031-03-01,1,120.5,350,\n").replace(",", ":"))
    assert read(path)[1][0].rule.name == "unreadable file"
    assert read(path, formats=[FileFormat(separator=":")])[0].loc[0, "swe_mm"] == 350.0


def test_a_decimal_comma_is_read_where_declared_and_told_where_not(tmp_path):
    path = written(tmp_path, HEADER.replace(",", ";") + "A;2031-03-01;1;120,5;350;\nA;2031-03-01;2;80;1.250;\n")
    rows, findings = read(path, formats=[FileFormat(decimal=",")])
    assert rows["depth_m"].tolist() == [1.205, 0.8]
    # A point is no decimal mark there: 1.250 may be one thousand two hundred and fifty.
    assert [(f.rule.name, f.line, f.evidence) for f in findings] == [("unreadable value", 3, "swe_mm = '1.250'")]
    rows, findings = read(path)
    assert np.isnan(rows.loc[0, "depth_m"])
    assert [(f.rule.name, f.line) for f in findings] == [("unreadable value", 2)]
    assert "declare it as decimal under formats.courses" in findings[0].detail


def test_a_thousands_separator_is_told(tmp_path):
    path = written(tmp_path, HEADER + 'A,2031-03-01,1,120,"1,250",\n')
    rows, findings = read(path)
    assert np.isnan(rows.loc[0, "swe_mm"])
    assert findings[0].evidence == "swe_mm = '1,250'"


@pytest.mark.parametrize("code", ["-9999", "-9999.0", " -9999.00 ", "M", " M"])
def test_a_code_for_no_value_is_one_in_any_spelling(tmp_path, code):
    rows, findings = read(written(tmp_path, HEADER + f"A,2031-03-01,1,120,{code},\n"))
    assert np.isnan(rows.loc[0, "swe_mm"])
    assert findings == []


# --- dates ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("dates", "text"),
    [
        ("year-first", "2031-03-04"),
        ("year-first", "2031/3/4"),
        ("year-first", "2031-03-04 14:30"),
        ("day-first", "04/03/2031"),
        ("day-first", "4.3.2031"),
        ("day-first", "2031-03-04"),
        ("month-first", "3/4/2031"),
        ("excel-serial", "47911"),
        ("excel-serial", "47911.604"),
        ("year-first", "20310304"),
        ("day-first", "20310304"),
        ("year-first", "20310304T0630"),
        ("%d.%m.%y", "04.03.31"),
        ("%d.%m.%y", "2031-03-04"),
        ("%d.%m.%y", "20310304"),
        ("%d %b %Y %H:%M", "4 Mar 2031 06:30"),
        ("%Y-%d-%m", "2031-04-03"),
    ],
)
def test_dates_as_declared(tmp_path, dates, text):
    """47911: 4 March 2031 is 47 911 days after 30 December 1899 (counted by Python's calendar)."""
    assert dt.date(1899, 12, 30) + dt.timedelta(47911) == dt.date(2031, 3, 4)
    rows, findings = read(written(tmp_path, HEADER + f"A,{text},1,120,350,\n"), formats=[FileFormat(dates=dates)])
    assert findings == []
    assert rows["date"].astype(str).tolist() == ["2031-03-04"]


@pytest.mark.parametrize(
    ("dates", "text"),
    [
        ("year-first", "04/03/2031"),
        ("year-first", "47911"),
        ("year-first", "2031-02-29"),
        ("day-first", "04/03/31"),
        ("day-first", "04/13/2031"),
        ("month-first", "13/04/2031"),
        ("year-first", "2031-03-04T05:00Z"),
        ("year-first", "20311304"),
        ("day-first", "04032031"),
        ("%d.%m.%y", "04.13.31"),
        ("%d.%m.%y", "04.03.2031"),
        ("%Y-%d-%m", "2031-03-30"),
        ("%Y-%m-%dT%H:%M%z", "2031-03-04T05:00+0000"),
    ],
)
def test_dates_that_are_not_as_declared_are_told_and_not_guessed(tmp_path, dates, text):
    rows, findings = read(written(tmp_path, HEADER + f"A,{text},1,120,350,\n"), formats=[FileFormat(dates=dates)])
    assert rows.empty
    assert rules(findings) == [("unreadable value", 2), ("no site or date", 2)]
    assert f"date = '{text}'" in findings[0].evidence


# --- lines ------------------------------------------------------------------------------------------------------------


def test_line_numbers_are_the_files_own(tmp_path):
    text = (
        "# made by hand\n\n"
        + HEADER
        + 'A,2031-03-01,1,120,350,"two\nlines"\n'
        + "# a break\n\n"
        + "A,2031-03-01,2,12o,350,\n"
        + "A,2031-03-01,3,120\n"
        + "A,2031-03-01,4,100,300,,,\n"
        + "Measured in fog.\nSigned by two\n"
    )
    rows, findings = read(written(tmp_path, text), formats=[FileFormat(comment="#")])
    assert rows["line"].tolist() == [4, 8, 10]
    assert rows["remark"].tolist() == ["two\nlines", "", ""]
    assert sorted(rules(findings)) == [("unreadable line", 9), ("unreadable line", 11), ("unreadable value", 8)]
    notes = next(f for f in findings if f.line == 11)
    assert notes.evidence == "lines 11 to 12: 'Measured in fog.'"
    assert "1 fields where the header has 6" in notes.detail


def test_line_breaks_within_quotes_are_counted(tmp_path):
    path = written(tmp_path, HEADER + 'A,2031-03-01,1,120,350,"two\nlines"\nA,2031-03-01,2,100,300,x\n')
    rows, findings = read(path)
    assert findings == []
    assert rows["line"].tolist() == [2, 4]
    assert rows["remark"].tolist() == ["two\nlines", "x"]


@pytest.mark.parametrize(
    ("line", "why"),
    [
        (b'A,2031-03-01,2,"120,350,', "quote"),
        (b"A,2031-03-01,2,120,350,Schn\xe9e", "UTF-8"),
        (b"PK\x03\x04\x00\x00", "control characters"),
        (b"A,2031-03-01,2,120,350,,7", "7 fields where the header has 6"),
        (b'A,"2031-03-01"x,2,120,350,', "quote"),
    ],
)
def test_a_bad_line_costs_no_other(tmp_path, line, why):
    path = written(tmp_path, HEADER.encode() + b"A,2031-03-01,1,120,350,\n" + line + b"\nA,2031-03-01,3,100,300,\n")
    rows, findings = read(path)
    assert rows["line"].tolist() == [2, 4]
    assert rows["depth_m"].tolist() == [1.2, 1.0]
    assert rules(findings) == [("unreadable line", 3)]
    assert why in findings[0].detail


def test_inch_marks_are_no_quotes(tmp_path):
    rows, findings = read(written(tmp_path, HEADER + 'A,2031-03-01,1,48",12,\nA,2031-03-01,2,50,300,\n'))
    assert rows["line"].tolist() == [2, 3]
    assert rules(findings) == [("unreadable value", 2)]


def test_a_title_above_the_header_is_told(tmp_path):
    rows, findings = read(written(tmp_path, "Snow survey\n\n" + HEADER + "A,2031-03-01,1,120,350,\n"))
    assert rows["line"].tolist() == [4]
    assert [(f.rule.name, f.line, f.severity) for f in findings] == [("unreadable line", 1, "note")]


def test_a_column_that_stands_twice_is_refused(tmp_path):
    _, findings = read(written(tmp_path, "site_id,date,depth_cm,depth_cm\nA,2031-03-01,120,300\n"))
    assert findings[0].rule.name == "unreadable file"
    assert "'depth_cm' stands twice" in findings[0].detail


# --- encodings --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16"])
def test_byte_order_marks_tell_the_encoding(tmp_path, encoding):
    rows, findings = read(written(tmp_path, (HEADER + "Fön,2031-03-01,1,120,350,\n").encode(encoding)))
    assert findings == []
    assert rows["site_id"].tolist() == ["Fön"]


def test_another_encoding_is_declared(tmp_path):
    path = written(tmp_path, (HEADER + "Fön,2031-03-01,1,120,350,\n").encode("cp1252"))
    assert read(path, formats=[FileFormat(encoding="cp1252")])[0]["site_id"].tolist() == ["Fön"]
    assert rules(read(path)[1]) == [("unreadable line", 2)]


def test_old_line_ends(tmp_path):
    rows, findings = read(written(tmp_path, (HEADER + "A,2031-03-01,1,120,350,\n").replace("\n", "\r")))
    assert findings == []
    assert rows["line"].tolist() == [2]


# --- units, constants, names of files ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("columns", "line"),
    [
        ({"mass_full": "g", "mass_empty": "g", "cutter": "cm**2"}, "1242.737973,850.485694,11.17404001"),
        ({"mass_full": "ounce", "mass_empty": "ounce", "cutter": "inch"}, "43.836292,30,1.485"),
        ({"mass_full": "pound", "mass_empty": "ounce", "cutter": "inch**2"}, "2.73976825,30,1.731979686"),
        ({"mass_full": "kg", "mass_empty": "g", "cutter": "mm"}, "1.242737973,850.485694,37.719"),
    ],
)
def test_a_weighed_core_is_the_same_in_all_units(tmp_path, columns, line):
    path = written(tmp_path, f"site_id,date,depth_cm,mass_full_g,mass_empty_g,cutter_cm2\nA,2031-03-01,120,{line}\n")
    rows, _ = read(path, columns={key: Column(unit=unit) for key, unit in columns.items()})
    # The exact ounce and inch (international yard and pound, 1959).
    grams, cm2 = (43.836292 - 30) * 28.349523125, math.pi / 4 * (1.485 * 2.54) ** 2
    assert rows.loc[0, "swe_mm"] == pytest.approx(10 * grams / cm2, rel=1e-6)


def test_constants_and_the_files_name_stand_for_columns(tmp_path):
    path = written(tmp_path, "date,depth_cm,mass_full_g\n2031-03-01,120,1242\n", "course_A7_2031-03.csv")
    columns = {
        "site_id": Column(file_name="course_{}_*.csv"),
        "cutter": Column(constant=1.485, unit="inch"),
        "mass_empty": Column(constant=30, unit="ounce"),
    }
    rows, findings = read(path, columns=columns)
    assert findings == []
    assert rows["site_id"].tolist() == ["A7"]
    assert rows.loc[0, "swe_mm"] == pytest.approx((1242 - 850.48569375) / 11.17404001 * 10)
    other = written(tmp_path, "date,depth_cm,mass_full_g\n2031-03-01,120,1242\n", "A7.csv")
    assert "does not fit 'course_{}_*.csv', which gives courses.site_id" in read(other, columns=columns)[1][0].detail


def test_files_of_one_table_may_be_written_differently(tmp_path):
    one = written(tmp_path, "site_id,date,depth_cm,swe_mm\nA,2031-03-01,120,350\n", "a.csv")
    other = written(tmp_path, "site_id;date;Tiefe;swe_mm\nB;01.03.2031;47,24409;350\n", "crew_b.csv")
    formats = [
        FileFormat("crew_*", decimal=",", dates="day-first", columns={"depth": Column(column="Tiefe", unit="inch")})
    ]
    rows, findings = read_courses(Source([one, other], {}, [], formats))
    assert findings == []
    assert rows["depth_m"].tolist() == pytest.approx([1.2, 1.2])


@pytest.mark.parametrize(
    ("unit", "to", "value", "expected"),
    [
        ("degF", "degC", 14.0, -10.0),
        ("kelvin", "degC", 263.15, -10.0),
        ("kg m-2", "mm", 300.0, 300.0),
        ("kg/m**2", "mm", 300.0, 300.0),
        ("m", "mm", 0.3, 300.0),
        ("mm", "cm**2", 37.719, 11.17404),
        ("foot", "cm", 10.0, 304.8),
    ],
)
def test_units(unit, to, value, expected):
    assert conversion(unit, to).of(value) == pytest.approx(expected, rel=1e-6)


def test_units_known_without_pint_are_as_pint_has_them():
    registry = pint.UnitRegistry(autoconvert_offset_to_baseunit=True)
    pairs = [(unit, to) for unit in TENTHS_OF_MM for to in TENTHS_OF_MM] + [(unit, "degC") for unit in TO_CELSIUS]
    for unit, to in pairs:
        for value in (0.0, 12.5):
            expected = registry.Quantity(value, unit).to(to).magnitude
            assert conversion(unit, to).of(value) == pytest.approx(expected, rel=1e-14, abs=1e-12), (unit, to)


@pytest.mark.parametrize("unit", ["gram", "second", "nonsense", "", "1", "cm**3", "degC"])
def test_units_of_another_dimension_are_refused(unit):
    with pytest.raises(InputError, match=r"cannot be turned into mm"):
        conversion(unit, "mm")


# --- workbooks --------------------------------------------------------------------------------------------------------


def workbook(tmp_path, sheets, name="courses.xlsx"):
    book = openpyxl.Workbook()
    book.remove(book.active)
    for title, rows in sheets.items():
        sheet = book.create_sheet(title)
        for row in rows:
            sheet.append(row)
    path = tmp_path / name
    book.save(path)
    return path


TITLES = ["site_id", "date", "point", "depth_cm", "swe_mm"]


def test_a_workbook_is_read_as_it_is(tmp_path):
    rows = [["Survey", None, None, None, None], TITLES, ["A", dt.datetime(2031, 3, 1), 1, 120.5, 350]]  # noqa: DTZ001  a sheet's dates have no zone
    rows += [[None] * 5, ["A", dt.date(2031, 3, 1), 2, "=1+1", "n/a"], ["A", "01.03.2031", 3, 90, 300]]
    found, findings = read(workbook(tmp_path, {"Cores": rows}), missing=["n/a"])
    assert found["line"].tolist() == [3, 5]
    assert found["depth_m"].tolist()[0] == 1.205
    # A formula whose value the workbook does not hold is told, not taken for empty.
    told = [(f.rule.name, f.line, f.evidence) for f in findings if f.severity == "error"]
    assert ("unreadable value", 5, "depth_cm = '=1+1'") in told
    assert ("unreadable value", 6, "date = '01.03.2031'") in told


def test_one_of_several_sheets_is_declared(tmp_path):
    path = workbook(tmp_path, {"Notes": [["x"]], "Cores": [TITLES, ["A", "2031-03-01", 1, 120.5, 350]]})
    assert "has several sheets: Notes, Cores" in read(path)[1][0].detail
    assert "has no sheet 'Core'" in read(path, formats=[FileFormat(sheet="Core")])[1][0].detail
    assert read(path, formats=[FileFormat(sheet="Cores")])[0]["swe_mm"].tolist() == [350.0]


def test_numbers_of_a_workbook_have_no_decimal_mark(tmp_path):
    path = workbook(tmp_path, {"Cores": [TITLES, ["A", "2031-03-01", 1, 120.5, "350,5"]]})
    rows, findings = read(path, formats=[FileFormat(decimal=",")])
    assert findings == []
    assert rows.loc[0, ["depth_m", "swe_mm"]].tolist() == [1.205, 350.5]


# --- what is declared is checked --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("role", "entry", "words"),
    [
        ("course", {}, "formats.course: there is no such table. Known: courses"),
        ("courses", {"columns": {"depht": Column(unit="inch")}}, "formats.courses.depht is not a canonical column"),
        ("courses", {"wide": "swe"}, "for station records only"),
        (
            "stations",
            {"wide": "snow"},
            "formats.stations.wide: 'snow' is no reading, and no pattern .*Known: swe, depth",
        ),
        ("stations", {"stations": {"a": "A"}}, "give wide too"),
        ("courses", {"separator": ",", "decimal": ","}, "cannot both be ','"),
        ("courses", {"header": ["", " "]}, "formats.courses.header names no column"),
        ("courses", {"elements": {"swe": "SWE"}}, "for station records only"),
        ("courses", {"columns": {"point": Column(title="Point")}}, r"title: 'Point' must hold \{\} once"),
        ("courses", {"columns": {"depth": Column(values={"deep": "300"})}}, "depth.values: depth_cm is no text"),
        ("stations", {"wide": "{site} {element}"}, "elements must give the text at {element} for each reading"),
        ("stations", {"wide": "{site}", "elements": {"swe": "SWE"}}, "must hold {site} and {element} once each"),
        (
            "stations",
            {"wide": "{*} {site} {element}", "elements": {"swe": "SWE"}},
            "no other braces; \\* is whatever else",
        ),
        ("stations", {"wide": "{site} {element}", "elements": {"snow": "SWE"}}, "elements: 'snow' is no reading"),
        ("stations", {"wide": "swe", "elements": {"swe": "SWE"}}, "elements needs a pattern"),
        ("stations", {"elements": {"swe": "SWE"}}, "give wide too"),
        ("stations", {"monthly": Monthly(season="Year", group=["swe"])}, "monthly is for courses only"),
        (
            "courses",
            {"monthly": Monthly(season="Year", group=["snow"])},
            "'snow' is not of a month. Known: date, point",
        ),
        ("courses", {"monthly": Monthly(season="Year", group=["date", "*"])}, "must hold depth or SWE"),
        ("courses", {"monthly": Monthly(season="Year", group=["swe", "swe"])}, "group: swe is given twice"),
    ],
)
def test_formats_are_checked(role, entry, words):
    with pytest.raises(SettingsError, match=words):
        check_formats({role: [FileFormat(**entry)]}, [COURSES, STATIONS])


@pytest.mark.parametrize(
    ("entry", "words"),
    [
        ({"clock": "Nowhere/Land"}, "neither hours east of UTC nor an IANA time zone"),
        ({"clocks": {"A": 99}}, "from -12 to 14"),
        ({"encoding": "base64"}, "is no text encoding"),
        ({"encoding": "klingon"}, "is no text encoding"),
        ({"separator": '"'}, "must be one character"),
        ({"separator": "ab"}, "at most 1 character"),
        ({"dates": "backwards"}, "none of year-first, day-first, month-first, excel-serial, and no pattern"),
        ({"dates": "%d.%m.%Q"}, "no pattern that a date can be read by"),
        ({"dates": "%d.%m."}, "gives no year"),
        ({"dates": "%Y"}, "gives no month and day"),
        ({"dates": "%d.%m. %H", "monthly": {"season": "Year", "group": []}}, "at least 1"),
        ({"skip_lines": -1}, "greater than or equal to 0"),
        ({"seperator": ";"}, "seperator"),
    ],
)
def test_a_format_in_the_settings_is_checked(entry, words):
    with pytest.raises(ValueError, match=words):
        Format(**entry)


def test_a_sound_format_in_the_settings_passes():
    entry = Format(
        files="*.txt", clock="MST7MDT", clocks={"A": -7}, encoding="cp1252", separator="\t", dates="%d.%m.%y"
    )
    check_formats({"stations": [FileFormat(**dict(entry))]}, [COURSES, STATIONS])
    entry = Format(
        wide="* ({site}) {element}", elements={"swe": "SWE (mm)"}, skip_lines=3, header=["Day", "X (a) SWE (mm)"]
    )
    check_formats({"stations": [FileFormat(**dict(entry))]}, [COURSES, STATIONS])
    entry = Format(monthly={"season": "Year", "group": ["date", "*", "depth", "swe"]}, dates="%d %b")
    check_formats({"courses": [FileFormat(**dict(entry))]}, [COURSES, STATIONS])


def test_only_one_source_of_a_column():
    for both in (Column(column="a", constant="b"), Column(title="Course {}", file_name="{}.csv")):
        with pytest.raises(SettingsError, match="give only one of column, constant, file_name, title, sheet_name"):
            check_declared({"courses": {"site_id": both}}, [COURSES])
    with pytest.raises(SettingsError, match=r"must hold \{\} once"):
        check_declared({"courses": {"site_id": Column(file_name="course")}}, [COURSES])


def test_a_sheet_in_which_no_row_can_be_read_is_told_as_one_loss(tmp_path):
    """Decimal commas that nobody declared: each value is told, and the whole sheet too, since the night goes on without it."""
    path = tmp_path / "sheet.csv"
    path.write_text("site_id;date;depth_cm;swe_mm\nA;2031-03-01;101,5;330,2\nA;2031-03-01;98,5;310,7\n")
    rows, findings = read_courses(Source([path], {}, []))
    assert len(rows) == 2
    (lost,) = [finding for finding in findings if finding.rule.name == "no usable row"]
    assert (lost.file, lost.start, lost.evidence) == (str(path), "2031-03-01", "2 rows")
    path.write_text(path.read_text() + "A;2031-03-01;99;300\n")
    assert "no usable row" not in {finding.rule.name for finding in read_courses(Source([path], {}, []))[1]}


def test_a_count_of_cores_that_is_none_and_weights_without_a_cutter_are_told(tmp_path):
    path = written(
        tmp_path,
        "site_id,date,depth_cm,mass_full_g,mass_empty_g,cutter_cm2,cores\n"
        "A,2031-03-01,100,1500,900,20,0\nA,2031-03-01,100,1500,900,20,1000000\nA,2031-03-01,100,1500,900,,\n",
    )
    rows, findings = read(path)
    assert rules(findings) == [("unreadable value", 2), ("unreadable value", 3), ("no cutter area", 4)]
    assert rows["swe_mm"].tolist()[:2] == [300.0, 300.0]
