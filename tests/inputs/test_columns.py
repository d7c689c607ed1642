"""From users' tables to canonical columns: every row kept, every unreadable value named by file and line."""

import numpy as np
import pytest

from snowtally.inputs.columns import check_declared
from snowtally.inputs.known_tables import COURSES, STATIONS
from snowtally.inputs.read_courses import read_courses
from snowtally.inputs.read_stations import read_stations
from snowtally.inputs.rows import local_days
from snowtally.inputs.source import Source
from snowtally.inputs.tables import read_table
from snowtally.model.problems import InputError, SettingsError
from snowtally.settings.blocks import Column


def written(tmp_path, text, name="table.csv"):
    path = tmp_path / name
    path.write_bytes(text.encode("utf-8") if isinstance(text, str) else text)
    return path


def test_canonical_units_inside_are_metres(tmp_path):
    path = written(tmp_path, "site_id,date,point,depth_cm,swe_mm\nA,2031-03-01,1,120,350\n")
    rows, findings = read_table(path, COURSES, Source([path], {}, []))
    assert rows.loc[0, ["depth_m", "swe_mm"]].tolist() == [1.2, 350.0]
    assert findings == []


def test_headers_and_units_are_as_declared(tmp_path):
    path = written(tmp_path, "Loc,Day,Depth (in),Water (in)\nA,2031-03-01,40,12\n")
    settings = {
        "site_id": Column(column="Loc"),
        "date": Column(column="Day"),
        "depth": Column(column="Depth (in)", unit="inch"),
        "swe": Column(column="Water (in)", unit="inch"),
    }
    rows, _ = read_table(path, COURSES, Source([path], settings, []))
    assert rows.loc[0, "depth_m"] == pytest.approx(1.016)
    assert rows.loc[0, "swe_mm"] == pytest.approx(304.8)


@pytest.mark.parametrize(
    ("text", "line", "value"),
    [
        ("site_id,date,depth_cm\nA,2031-03-01,12o\n", 2, "depth_cm = '12o'"),
        ("site_id,date,depth_cm\n\nA,2031-13-01,120\n", 3, "date = '2031-13-01'"),
        ("site_id,date,depth_cm\nA,2031-03-01,1\nA,01/03/2031,1\n", 3, "date = '01/03/2031'"),
    ],
)
def test_unreadable_values_are_named_by_line(tmp_path, text, line, value):
    _, findings = read_table(written(tmp_path, text), COURSES, Source())
    findings = [f for f in findings if f.rule.name not in ("no such column", "no usable row")]
    assert [(f.line, f.evidence, f.action) for f in findings] == [(line, value, "set aside")]


def test_missing_codes_are_no_values(tmp_path):
    path = written(tmp_path, "site_id,date,depth_cm,swe_mm\nA,2031-03-01,-9999,M\n")
    rows, findings = read_table(path, COURSES, Source([path], {}, ["-9999", "M", ""]))
    assert rows[["depth_m", "swe_mm"]].isna().all(axis=None)
    assert findings == []


def test_a_code_that_is_a_word_is_a_name_where_names_stand(tmp_path):
    path = written(tmp_path, "site_id,date,point,depth_cm,swe_mm\nM,2031-03-01,M,M,350\n-9999,2031-03-01,2,120,350\n")
    rows, findings = read_table(path, COURSES, Source([path], {}, ["M", "-9999"]))
    assert rows.loc[0, ["site_id", "point"]].tolist() == ["M", "M"]
    assert np.isnan(rows.loc[0, "depth_m"])
    assert rows.loc[1, "site_id"] == ""
    assert findings == []


def test_byte_order_mark_and_spaces_in_headers_do_no_harm(tmp_path):
    path = written(tmp_path, b"\xef\xbb\xbfsite_id, Date ,DEPTH_CM\nA,2031-03-01, 50 \n")
    assert read_table(path, COURSES, Source([path], {}, []))[0].loc[0, "depth_m"] == 0.5


@pytest.mark.parametrize(
    ("content", "words"),
    [
        ("", "is empty: a header line is wanted"),
        ("a,b\n1,2\n", "no columns 'site_id', 'date'. The header has: a, b. Name the columns under"),
        (b"\xff\xfe\x00\x01binary\x80", "is not UTF-16 text"),
    ],
)
def test_a_file_that_is_no_table_is_one_clear_line(tmp_path, content, words):
    path = written(tmp_path, content)
    with pytest.raises(InputError, match=words):
        read_table(path, COURSES, Source([path], {}, []))
    rows, findings = read_courses(Source([path], {}, []))
    assert rows.empty
    assert findings[0].rule.name == "unreadable file"
    assert str(path) in findings[0].detail


@pytest.mark.parametrize(
    ("declared", "words"),
    [
        (
            {"course": {"depth": Column(unit="inch")}},
            "columns.course: there is no such table. Known: courses, stations",
        ),
        ({"courses": {"depht": Column(unit="inch")}}, "columns.courses.depht is not a canonical column"),
        ({"courses": {"depth": Column(unit="furlongs per pint")}}, "'furlongs per pint' cannot be turned into cm"),
        ({"stations": {"swe": Column(unit="parsec")}}, "which no crew writes down"),
        ({"courses": {"site_id": Column(unit="inch")}}, "site_id has no unit"),
    ],
)
def test_what_is_declared_of_columns_is_checked(declared, words):
    with pytest.raises(SettingsError, match=words):
        check_declared(declared, [COURSES, STATIONS])


def test_sound_declarations_pass():
    check_declared(
        {"stations": {"air_temperature": Column(unit="degF"), "swe": Column(unit="inch")}}, [COURSES, STATIONS]
    )


def test_a_table_without_what_it_is_for_is_told(tmp_path):
    path = written(tmp_path, "site_id,date,Depth,swe_mm\nA,2031-03-01,120,300\n")
    _, findings = read_table(path, COURSES, Source([path], {}, []))
    assert [(f.rule.name, f.evidence) for f in findings] == [
        ("column not recognised", "no depth_cm, but Depth"),
        ("no such column", "no depth_cm"),
    ]


def test_times_with_offsets_bare_dates_and_times_without(tmp_path):
    times = ["2031-03-01T06:00-02:00", "2031-03-01T08:00Z", "2031-03-01", "2031-03-01T06:00", "soon"]
    path = written(tmp_path, "site_id,time,swe_mm\n" + "".join(f"S{i},{t},5\n" for i, t in enumerate(times)))
    rows, findings = read_stations(Source([path], {}, []), -2.0)
    assert rows["time"].astype(str).tolist() == ["2031-03-01 08:00:00", "2031-03-01 08:00:00", "2031-03-01 14:00:00"]
    lost = [(f.rule.name, f.line, f.site_id) for f in findings if f.rule.name != "no such column"]
    assert sorted(lost) == [("no site or time", 5, "S3"), ("no site or time", 6, "S4")]


def test_local_days_by_the_fixed_offset():
    instants = np.array(["2031-03-01T01:59", "2031-03-01T02:00"], "datetime64[s]")
    assert local_days(instants, -2.0).astype(str).tolist() == ["2031-02-28", "2031-03-01"]


def test_a_reading_sent_again_replaces_the_earlier_and_both_are_told(tmp_path):
    path = written(tmp_path, "site_id,time,swe_mm\nA,2031-03-01T06:00Z,5\nA,2031-03-01T06:00Z,7\n")
    rows, findings = read_stations(Source([path], {}, []), 0.0)
    assert rows["swe_mm"].tolist() == [7.0]
    assert (2, "duplicate", "set aside") in [(f.line, f.rule.name, f.action) for f in findings]
