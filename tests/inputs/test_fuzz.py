"""Tables as they arrive on a bad day: whatever happens to the bytes, no line vanishes and no value is another one's."""

import re

import numpy as np
import pytest
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

from snowtally.inputs.known_tables import COURSES
from snowtally.inputs.read_courses import read_courses
from snowtally.inputs.read_stations import read_stations
from snowtally.inputs.source import Source
from snowtally.model.problems import FINDING_COLUMNS, findings_table
from snowtally.settings.blocks import Column

QUIET = settings(
    max_examples=30, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow]
)
COURSE_HEADER = ["site_id", "date", "point", "depth_cm", "swe_mm", "remark"]
STATION_HEADER = ["site_id", "time", "swe_mm", "depth_cm", "air_temperature_c"]
MISSING = ["", "-9999", "M"]


@st.composite
def course_lines(draw):
    """Lines of a sound course table, each with the values it stands for."""
    lines = {}
    for n in range(draw(st.integers(1, 12))):
        depth, swe = draw(st.integers(1, 400)), draw(st.integers(1, 1500))
        remark = draw(st.sampled_from(["", "ice", '"soft, wet"', '"said ""ice"""', "Föhn", '"two\nlines"']))
        lines[f"A{n % 3},2031-03-{n + 1:02d},{n},{depth},{swe},{remark}"] = (f"A{n % 3}", depth / 100, float(swe))
    return lines


@st.composite
def station_lines(draw):
    lines = {}
    for n in range(draw(st.integers(1, 12))):
        depth, swe = draw(st.integers(1, 400)), draw(st.integers(1, 1500))
        lines[f"B{n % 3},2031-03-{n + 1:02d}T06:00-02:00,{swe},{depth},-3.5"] = (f"B{n % 3}", depth / 100, float(swe))
    return lines


junk = st.one_of(
    st.binary(max_size=40),
    st.sampled_from(
        [b"\x00\x01\x02PK\x03\x04", b'"', b'"\n"', b",,,,,,,,", b"\r", b"\n\n", b" ", b"\xff\xfe", b"\xe9"]
    ),
    st.just(b"x" * 200_000),
    st.text(alphabet="0123456789,.;\"'\t -eE+nafi\n", max_size=60).map(str.encode),
)


@st.composite
def harmed(draw, lines):
    """Bytes of a table with junk put in, pieces taken out, the end cut off."""
    data = b"".join(line.encode() + b"\n" for line in lines)
    for _ in range(draw(st.integers(0, 4))):
        place = draw(st.integers(0, len(data)))
        match draw(st.sampled_from(["put in", "take out", "cut off", "write over", "whole line"])):
            case "put in":
                data = data[:place] + draw(junk) + data[place:]
            case "take out":
                data = data[:place] + data[place + draw(st.integers(1, 30)) :]
            case "cut off":
                data = data[:place]
            case "write over":
                more = draw(junk)
                data = data[:place] + more + data[place + len(more) :]
            case "whole line":
                at = data.rfind(b"\n", 0, place) + 1
                data = data[:at] + draw(junk) + b"\n" + data[at:]
    return data


def told_lines(findings):
    """Return the lines that findings name, as the evidence and the line say."""
    told = set()
    for finding in findings:
        told.add(finding.line)
        for first, last in re.findall(r"lines (\d+) to (\d+)", finding.evidence):
            told |= set(range(int(first), int(last) + 1))
    return told


def check_nothing_lost(data, rows, findings, sound):
    """Every line with something in it is a row, or told, or the rest of a row in quotes; sound lines keep their values."""
    assert all(finding.rule.name != "unreadable file" for finding in findings)
    lines = re.split(rb"\r\r+\n|\r\n|\r|\n", b"\n" + data)  # line 1 is the header
    told = told_lines(findings)
    at = {int(line): row for line, row in zip(rows["line"], rows.to_dict("records"), strict=True)}
    open_quote = False
    for number, raw in enumerate(lines[1:], start=2):
        if number in at or number in told:
            open_quote = raw.count(b'"') % 2 == 1
        elif open_quote:
            # Within quotes that the row above opened.
            open_quote ^= raw.count(b'"') % 2 == 1
        else:
            assert not raw.replace(b'"', b"").strip(b" \t\r,"), f"line {number} vanished: {raw[:80]}"
        text = raw.decode("utf-8", "replace").rstrip("\r")
        if number in at and text in sound:
            site, depth, swe = sound[text]
            row = at[number]
            assert (row["site_id"], row["depth_m"], row["swe_mm"]) == (site, pytest.approx(depth), swe)
    assert set(at) <= set(range(2, len(lines) + 1))


@QUIET
@given(data=st.data())
def test_a_harmed_course_table_loses_no_line(tmp_path, data):
    sound = data.draw(course_lines())
    body = data.draw(harmed(list(sound)))
    path = tmp_path / "courses.csv"
    path.write_bytes(",".join(COURSE_HEADER).encode() + b"\n" + body)
    rows, findings = read_courses(Source([path], {}, MISSING))
    check_nothing_lost(body, rows, findings, sound)
    assert list(findings_table(findings).columns) == FINDING_COLUMNS


@QUIET
@given(data=st.data())
def test_a_harmed_station_table_loses_no_line(tmp_path, data):
    sound = data.draw(station_lines())
    body = data.draw(harmed(list(sound)))
    path = tmp_path / "stations.csv"
    path.write_bytes(",".join(STATION_HEADER).encode() + b"\n" + body)
    rows, findings = read_stations(Source([path], {}, MISSING), -2.0)
    # A row sent again is told with its first line and count: take such lines as told.
    again = sum(int(f.evidence.split()[0]) for f in findings if f.rule.name == "duplicate")
    if again == sum(f.rule.name == "duplicate" for f in findings):
        check_nothing_lost(body, rows, findings, sound)


@settings(QUIET, max_examples=20)
@given(data=st.data())
def test_whatever_a_file_holds_is_read_or_told(tmp_path, data):
    """Files that are no table at all: a finding on the file, never a traceback."""
    content = data.draw(st.one_of(st.binary(max_size=300), junk, st.just(b""), st.text(max_size=200).map(str.encode)))
    path = tmp_path / data.draw(st.sampled_from(["x.csv", "x.xlsx", "x.nc", "x.txt"]))
    path.write_bytes(content)
    for rows, findings in (read_courses(Source([path], {}, MISSING)), read_stations(Source([path], {}, MISSING), 0.0)):
        assert rows.empty
        assert [f.rule.name for f in findings][:1] == ["unreadable file"]
        assert str(path) in findings[0].detail
        assert findings[0].detail.isprintable()


@settings(QUIET, max_examples=20)
@given(
    order=st.permutations(range(len(COURSE_HEADER))),
    separator=st.sampled_from([",", ";", "\t", "|"]),
    encoding=st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "utf-16-le-bom"]),
    style=st.tuples(st.sampled_from(["\n", "\r\n", "\r"]), st.booleans()),
)
def test_order_of_columns_separator_encoding_and_line_ends_change_nothing(tmp_path, order, separator, encoding, style):
    end, quoted = style
    sound = [["A", "2031-03-01", "1", "120", "350", "Föhn"], ["B", "2031-03-02", "2", "80.5", "", "ice"]]
    quote = (lambda value: f'"{value}"') if quoted else str
    lines = [separator.join(quote(row[place]) for place in order) for row in [COURSE_HEADER, *sound]]
    text = end.join(lines) + end
    path = tmp_path / "courses.csv"
    path.write_bytes(("﻿" + text).encode("utf-16-le") if encoding == "utf-16-le-bom" else text.encode(encoding))
    rows, findings = read_courses(Source([path], {}, MISSING))
    assert findings == []
    assert rows["site_id"].tolist() == ["A", "B"]
    assert rows["remark"].tolist() == ["Föhn", "ice"]
    assert rows["line"].tolist() == [2, 3]
    np.testing.assert_allclose(rows["depth_m"], [1.2, 0.805])
    np.testing.assert_allclose(rows["swe_mm"], [350.0, np.nan])


@settings(QUIET, max_examples=20)
@given(
    unit=st.sampled_from(["mm", "cm", "inch", "foot", "m"]),
    declared=st.sampled_from(["mm", "cm", "inch", "foot", "m"]),
    density=st.floats(150, 500),
)
def test_a_wrong_unit_of_depth_is_never_silent(tmp_path, unit, declared, density):
    """Depth written in one unit and declared in another: the densities give it away, or the units nearly agree."""
    metres = {"mm": 0.001, "cm": 0.01, "inch": 0.0254, "foot": 0.3048, "m": 1.0}
    apparent = density * metres[unit] / metres[declared]
    assume(min(abs(apparent - 60), abs(apparent - 650)) > 0.1)  # six decimals are not enough to tell
    depths = np.linspace(0.8, 1.9, 8)
    lines = [f"A,2031-03-01,{n},{d / metres[unit]:.6f},{density * d:.6f}" for n, d in enumerate(depths)]
    path = tmp_path / "courses.csv"
    path.write_text("site_id,date,point,depth_cm,swe_mm\n" + "\n".join(lines) + "\n")
    setting = Column(unit=declared)
    rows, findings = read_courses(Source([path], {"depth": setting}, MISSING))
    wrong = [finding for finding in findings if finding.rule.name == "unit looks wrong"]
    if unit == declared:
        assert wrong == []
        np.testing.assert_allclose(rows["depth_m"], depths, rtol=1e-5)
    else:
        # A factor as small as 2.54 can leave a density that some snow has; that is left to the checks against the season.
        assert bool(wrong) == (not 60 <= apparent <= 650)
        assert wrong == [] or f"depth in {unit}" in wrong[0].evidence


def test_the_tables_columns_are_as_the_fuzz_has_them():
    assert set(COURSE_HEADER) <= {column.header for column in COURSES.columns}
