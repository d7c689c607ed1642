"""Files that are damaged by chance stop no night, however they are declared to be written."""

import numpy as np
import pytest

from snowtally.inputs.formats import FileFormat
from snowtally.inputs.read_courses import read_courses
from snowtally.inputs.read_stations import read_stations
from snowtally.inputs.source import Source
from snowtally.settings.blocks import Column, Monthly

MONTHLY = "# a report\nWinter,Jan,Jan,Jan,Apr,Apr,Apr\n,day,depth,swe,day,depth,swe\n2039,Dec 30,40,10,Mar 31,81,29\n2040,,,,Apr 2,65,16\nMean,,40,10,,70,20\n"
TITLED = 'Course: Fell Top,,\n"Day: 30.03.31",,\nPt,Depth,SWE\n1,120,350\n2,118,341\nAverage,119,345\n'
WIDE = "# a report\nDay,Fell [f1] SWE,Fell [f1] HS,Hay [h2] SWE\n01.03.31,10,40,20\n02.03.31,11,,21\n"
BARE = "f1;30.03.31;120;350\nf1;31.03.31;118;341\n"

CASES = {
    "monthly": (
        read_courses,
        MONTHLY,
        {"site_id": Column(constant="A")},
        FileFormat(comment="#", monthly=Monthly(season="Winter", group=["date", "depth", "swe"])),
    ),
    "titled": (
        read_courses,
        TITLED,
        {
            "site_id": Column(title="Course: {}"),
            "date": Column(title="Day: {}"),
            "point": Column(column="Pt"),
            "depth": Column(column="Depth"),
            "swe": Column(column="SWE"),
        },
        FileFormat(dates="%d.%m.%y"),
    ),
    "wide": (
        lambda source: read_stations(source, 0.0),
        WIDE,
        {"time": Column(column="Day")},
        FileFormat(comment="#", wide="* [{site}] {element}", elements={"swe": "SWE", "depth": "HS"}, dates="%d.%m.%y"),
    ),
    "bare": (read_courses, BARE, {}, FileFormat(header=["site_id", "date", "depth_cm", "swe_mm"], dates="%d.%m.%y")),
}


@pytest.mark.parametrize("case", CASES)
def test_a_damaged_file_is_told_and_loses_no_row_in_silence(tmp_path, case):
    """Where fewer rows come out, something is told that is not told of the sound file."""
    read, text, columns, how = CASES[case]
    path, rng = tmp_path / "table.csv", np.random.default_rng(len(case))

    def outcome(data):
        path.write_bytes(data)
        rows, findings = read(Source([path], columns, ["", "M"], [how]))
        assert all(one.file == str(path) and one.detail for one in findings)
        return len(rows), {(one.rule.name, one.evidence, one.detail) for one in findings}

    many, told = outcome(text.encode())
    assert many >= 2
    fewer = 0
    for _ in range(40):
        data = damaged(text.encode(), rng)
        left, told_now = outcome(data)
        # A column that no word of a wide header tells of is one that is not read: the coverage of the night misses it.
        if case == "wide" and WIDE.splitlines()[1].encode() not in data:
            continue
        # A line that was cut out whole, or became a comment, is not there.
        if left < many and data.count(b"\n") >= text.count("\n") and data.count(b"#") <= text.count("#"):
            assert told_now - told, data
            fewer += 1
    assert fewer


def damaged(text, rng):
    """Return a file's bytes with one to three changes: a byte, a piece cut out or said twice, a mark that means something."""
    data = bytearray(text)
    for _ in range(rng.integers(1, 4)):
        at = int(rng.integers(len(data)))
        kind = rng.integers(4)
        if kind == 0:
            data[at] = int(rng.integers(256))
        elif kind == 1:
            del data[at : at + int(rng.integers(1, 30))]
        elif kind == 2:
            data[at:at] = data[: int(rng.integers(1, 40))]
        else:
            data[at:at] = rng.choice([b'"', b"\r", b"\n", b"\0", b",", b"\xff\xfe", b"#", b"{}", b"*"])
    return bytes(data)
