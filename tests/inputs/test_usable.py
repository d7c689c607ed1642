"""A file's own rows: none or clearly fewer usable is a finding; slips of the pen, notes and declared gaps are none."""

import numpy as np
import pandas as pd
import pytest

from snowtally.inputs.decoding import with_line_feeds
from snowtally.inputs.formats import FileFormat
from snowtally.inputs.read_courses import read_courses
from snowtally.inputs.read_overrides import read_overrides
from snowtally.inputs.read_sites import read_sites
from snowtally.inputs.read_stations import Window, read_stations
from snowtally.inputs.read_weather import read_weather
from snowtally.inputs.source import Source
from snowtally.inputs.usable import clearly_fewer
from snowtally.model.rules import files

NO_USABLE_ROW, FEW_USABLE_ROWS = files.NO_USABLE_ROW.name, files.FEW_USABLE_ROWS.name
MISSING = ["", "-9999", "M"]
COURSES = "site_id,date,point,depth_cm,swe_mm\n" + "".join(
    f"A,2031-03-01,{n},{100 + n}.5,{300 + n}.5\n" for n in range(15)
)
STATIONS = "site_id,time,swe_mm,depth_cm\n" + "".join(f"A,2031-03-{n:02d},{n}.5,{n}.5\n" for n in range(1, 21))
SITES = "site_id,kind,longitude,latitude\n" + "".join(f"S{n},course,-32.{n},44.{n}\n" for n in range(5))


def written(tmp_path, text, name="table.csv"):
    path = tmp_path / name
    path.write_bytes(text if isinstance(text, bytes) else text.encode("utf-8"))
    return path


def lost(findings):
    return [(f.rule.name, f.evidence) for f in findings if f.rule.name in (NO_USABLE_ROW, FEW_USABLE_ROWS)]


def courses(tmp_path, text, **more):
    return lost(read_courses(Source([written(tmp_path, text)], {}, MISSING, **more))[1])


def stations(tmp_path, text):
    return lost(read_stations(Source([written(tmp_path, text)], {}, MISSING), 0.0)[1])


@pytest.mark.parametrize(
    ("there", "usable", "fewer"), [(20, 18, False), (20, 17, True), (10, 8, False), (100, 90, False), (100, 89, True), (3, 0, True)]
)  # fmt: skip
def test_clearly_fewer_is_three_and_a_tenth(there, usable, fewer):
    assert clearly_fewer(there, usable, 0.9) is fewer


def test_whole_files_lose_nothing(tmp_path):
    assert courses(tmp_path, COURSES) == []
    assert stations(tmp_path, STATIONS) == []
    assert lost(read_sites(Source([written(tmp_path, SITES)], {}, MISSING))[1]) == []


def test_a_header_alone_is_no_table_but_one_of_overrides(tmp_path):
    header = [(NO_USABLE_ROW, "a header and no row")]
    assert courses(tmp_path, COURSES.split("\n")[0] + "\n") == header
    assert stations(tmp_path, STATIONS.split("\n")[0] + "\n") == header
    assert lost(read_sites(Source([written(tmp_path, SITES.split("\n")[0] + "\n")], {}, MISSING))[1]) == header
    weather = written(tmp_path, "date,elevation_m,solar_mj_m2,air_temperature_c,issued\n")
    assert lost(read_weather(Source([weather], {}, MISSING))[1]) == header
    overrides = written(tmp_path, "site_id,start,end,variable,action,value,who,when,why\n")
    assert (
        read_overrides(Source([overrides], {}, MISSING), 0.0, (pd.Timestamp(2031, 1, 1), pd.Timestamp(2031, 2, 1)))[1]
        == []
    )


def test_a_decimal_comma_that_is_not_declared_loses_every_site(tmp_path):
    rows = [line.split(",") for line in SITES.strip().split("\n")]
    text = "\n".join(";".join(cell.replace(".", ",") for cell in row) for row in rows) + "\n"
    read, findings = read_sites(Source([written(tmp_path, text)], {}, MISSING))
    assert len(read) == 0
    assert lost(findings) == [(NO_USABLE_ROW, "none of 5 rows can be used")]
    assert "decimal" in next(f.detail for f in findings if f.rule.name == NO_USABLE_ROW)
    text = "\n".join(";".join(cell.replace(".", ",") for cell in line.split(",")) for line in STATIONS.split("\n"))
    assert stations(tmp_path, text) == [
        (FEW_USABLE_ROWS, "swe_mm: 0 of 20 values can be read"),
        (FEW_USABLE_ROWS, "depth_cm: 0 of 20 values can be read"),
    ]


def test_sites_whose_coordinates_are_empty_are_all_lost(tmp_path):
    text = "site_id,kind,longitude,latitude\n" + "".join(f"S{n},course,,\n" for n in range(5))
    assert lost(read_sites(Source([written(tmp_path, text)], {}, MISSING))[1]) == [
        (NO_USABLE_ROW, "none of 5 rows can be used")
    ]


def test_single_slips_declared_gaps_and_notes_are_no_loss(tmp_path):
    assert courses(tmp_path, COURSES.replace("101.5", "1o1.5").replace("302.5", "3O2.5")) == []
    assert courses(tmp_path, COURSES + "Measured in fog.\nSigned by two\nand by a third\n") == []
    gaps = "".join(f"A,2031-03-{n:02d},M,{n}\n" for n in range(1, 21))
    assert stations(tmp_path, STATIONS.split("\n")[0] + "\n" + gaps) == []


def test_lines_that_are_cut_or_run_together_are_counted(tmp_path):
    lines = COURSES.strip().split("\n")
    cut = [line if n % 3 else line[: line.rfind(",")] for n, line in enumerate(lines[1:])]
    assert courses(tmp_path, "\n".join([lines[0], *cut]) + "\n") == [(FEW_USABLE_ROWS, "10 of 15 rows can be used")]


def test_less_may_be_wanted(tmp_path):
    text = COURSES.replace(",30", ",x3")
    assert courses(tmp_path, text) == [(FEW_USABLE_ROWS, "swe_mm: 5 of 15 values can be read")]
    assert courses(tmp_path, text, least_share=0.3) == []


def test_weighed_cores_without_a_cutter_are_lost_values(tmp_path):
    rows = "".join(f"A,2031-03-01,{n},100,900,500,\n" for n in range(6))
    text = "site_id,date,point,depth_cm,mass_full_g,mass_empty_g,cutter_cm2\n" + rows
    assert courses(tmp_path, text) == [(FEW_USABLE_ROWS, "mass_full_g: 0 of 6 values can be read")]


def test_a_file_of_other_years_is_no_loss(tmp_path):
    path = written(tmp_path, STATIONS)
    since = pd.Timestamp(2035, 10, 1).date()
    findings = read_stations(
        Source([path], {}, MISSING), 0.0, Window(since=since, until=pd.Timestamp(2036, 1, 1).date())
    )[1]
    assert lost(findings) == []


@pytest.mark.parametrize(("old", "new"), [("swe_mm", "SWE"), ("swe_mm", "swe"), ("depth_cm", "Snow depth")])
def test_a_renamed_column_is_recognised_as_such(tmp_path, old, new):
    for text, read in ((COURSES, read_courses), (STATIONS, read_stations)):
        path = written(tmp_path, text.replace(old, new, 1))
        more = (0.0,) if read is read_stations else ()
        rules = [(f.rule.name, f.evidence) for f in read(Source([path], {}, MISSING), *more)[1]]
        assert ("column not recognised", f"no {old}, but {new}") in rules
    other = written(tmp_path, STATIONS.replace("swe_mm", "swe_mm,swe_flag", 1).replace(".5,", ".5,0,"))
    assert "column not recognised" not in [f.rule.name for f in read_stations(Source([other], {}, MISSING), 0.0)[1]]


# --- line ends and workbooks --------------------------------------------------------------------------------------------


@pytest.mark.parametrize("ends", [b"\r", b"\r\n", b"\n", b"\r\r\n"])
def test_any_mixture_of_line_ends_gives_every_row(tmp_path, ends):
    lines = COURSES.encode().strip().split(b"\n")
    for first in (0, 1):
        mixed = b"".join(line + (ends if n % 2 == first else b"\n") for n, line in enumerate(lines))
        rows, findings = read_courses(Source([written(tmp_path, mixed)], {}, MISSING))
        assert (len(rows), findings) == (15, [])
        assert rows["line"].tolist() == list(range(2, 17))
    assert with_line_feeds(b"a\r\nb\n") == b"a\r\nb\n"


def test_lone_returns_far_down_a_large_file_end_lines_too(tmp_path):
    head = "site_id,time,swe_mm,depth_cm\n"
    rows = [
        f"A,2031-03-{d:02d}T{h:02d}:{m:02d}Z,5,50" for d in range(1, 29) for h in range(24) for m in range(0, 60, 5)
    ]
    data = (head + "\n".join(rows[:6000]) + "\n" + "\r".join(rows[6000:]) + "\n").encode()
    assert data.find(b"\r") > 1 << 16
    read, findings = read_stations(Source([written(tmp_path, data)], {}, MISSING), 0.0)
    assert len(read) == len(rows)
    assert lost(findings) == []


def test_a_sheets_stale_size_hides_no_row(tmp_path):
    openpyxl = pytest.importorskip("openpyxl")
    import zipfile  # noqa: PLC0415

    book = openpyxl.Workbook()
    for line in COURSES.strip().split("\n"):
        book.active.append([float(cell) if cell.replace(".", "").isdigit() else cell for cell in line.split(",")])
    book.active["F17"] = "note"
    whole, stale = tmp_path / "whole.xlsx", tmp_path / "stale.xlsx"
    book.save(whole)
    with zipfile.ZipFile(whole) as source, zipfile.ZipFile(stale, "w") as to:
        for name in source.namelist():
            data = source.read(name)
            if name.endswith("sheet1.xml"):
                assert b'<dimension ref="A1:F17"' in data
                data = data.replace(b'<dimension ref="A1:F17"', b'<dimension ref="A1:E3"')
            to.writestr(name, data)
    rows, _ = read_courses(Source([stale], {}, MISSING, [FileFormat()]))
    assert len(rows) == 15
    assert np.isfinite(rows[["depth_m", "swe_mm"]].to_numpy()).all()
