"""The tables of flights and cover grids: which row counts, and what its files are."""

import datetime as dt

import pytest

from snowtally.inputs.formats import FileFormat
from snowtally.inputs.read_covers import read_covers
from snowtally.inputs.read_flights import read_flights
from snowtally.inputs.source import Source
from snowtally.settings.blocks import Column

SEASON = dt.date(2030, 10, 1), dt.date(2031, 4, 1)


def flights(tmp_path, *lines, formats=()):
    for name in ("a.tif", "b.tif"):
        (tmp_path / name).write_bytes(b"x")
    file = tmp_path / "flights.csv"
    file.write_text("\n".join(["flight_id,date,depth", *lines]) + "\n", "utf-8")
    return read_flights(Source([file], {}, [""], formats)).between(*SEASON)


def test_a_flight_given_again_replaces_the_earlier_row(tmp_path):
    entries, findings = flights(tmp_path, "F1,2031-03-01,a.tif", "F1,2031-03-02,b.tif")
    assert [(entry.date.day, entry.files["depth"][0].name) for entry in entries] == [(2, "b.tif")]
    assert [(f.line, f.rule.name) for f in findings] == [(2, "duplicate")]


def test_a_later_row_that_cannot_be_used_replaces_nothing(tmp_path):
    entries, findings = flights(tmp_path, "F1,2031-03-01,a.tif", "F1,2031-03-01,absent.tif", "F1,2031-03-01,")
    assert [entry.line for entry in entries] == [2]
    assert sorted((f.line, f.rule.name) for f in findings) == [(3, "missing file"), (4, "incomplete flight")]


def test_a_row_that_a_later_one_mends_is_no_trouble(tmp_path):
    entries, findings = flights(tmp_path, "F1,2031-03-01,absent.tif", "F1,2031-03-01,a.tif")
    assert [entry.line for entry in entries] == [3]
    assert findings == []


def test_one_reading_serves_every_season_and_each_tells_its_own(tmp_path):
    lines = ["F1,2030-03-01,a.tif", "F1,2031-03-01,absent.tif", "F1,2031-03-02,b.tif", "F2,2030-03-05,absent.tif"]
    (tmp_path / "flights.csv").write_text("\n".join(["flight_id,date,depth", *lines]) + "\n", "utf-8")
    for name in ("a.tif", "b.tif"):
        (tmp_path / name).write_bytes(b"x")
    tables = read_flights(Source([tmp_path / "flights.csv"], {}, [""]))
    for _ in range(2):
        entries, findings = tables.between(*SEASON)
        assert ([(entry.flight_id, entry.line) for entry in entries], findings) == ([("F1", 4)], [])
        # The later day of the same season has not come yet: what it mends is trouble still.
        entries, findings = tables.between(SEASON[0], dt.date(2031, 3, 1))
        assert (entries, [(f.line, f.rule.name) for f in findings]) == ([], [(3, "missing file")])
        entries, findings = tables.between(dt.date(2029, 10, 1), dt.date(2030, 9, 30))
        assert [(entry.flight_id, entry.line) for entry in entries] == [("F1", 2)]
        assert [(f.line, f.rule.name) for f in findings] == [(5, "missing file")]


def test_a_unit_declared_for_some_files_counts_for_their_rasters(tmp_path):
    feet = FileFormat(files="flights*", columns={"depth": Column(unit="foot")})
    (entry,), _ = flights(tmp_path, "F1,2031-03-01,a.tif", formats=[feet])
    assert entry.metres_per_unit == pytest.approx({"depth": 0.3048})


def test_covers_likewise(tmp_path):
    (tmp_path / "a.tif").write_bytes(b"x")
    file = tmp_path / "covers.csv"
    file.write_text(
        "date,variable,path\n2031-03-01,snow_albedo,a.tif\n2031-03-01,snow_albedo,absent.tif\n2031-03-02,snow_albedo,absent.tif\n"
        "2031-03-02,snow_albedo,a.tif\n2031-03-03,colour,a.tif\n",
        "utf-8",
    )
    entries, findings = read_covers(Source([file], {}, [""]), SEASON)
    assert [(entry.date.day, entry.line) for entry in entries] == [(1, 2), (2, 5)]
    assert sorted((f.line, f.rule.name) for f in findings) == [(3, "missing file"), (6, "unknown cover")]


def test_tables_without_a_row_of_the_season_are_no_trouble(tmp_path):
    assert flights(tmp_path, "F1,2031-04-02,a.tif") == ([], [])
    # A header alone tells of no flight in any season: rows were lost, or the table is not needed yet.
    entries, findings = flights(tmp_path)
    assert (entries, [(f.rule.name, f.evidence) for f in findings]) == ([], [("no usable row", "a header and no row")])
    file = tmp_path / "covers.csv"
    file.write_text("date,variable,path\n2031-04-02,snow_albedo,absent.tif\n", "utf-8")
    assert read_covers(Source([file], {}, [""]), SEASON) == ([], [])


@pytest.mark.parametrize("declared", ["0", "-0.05"])
def test_an_error_that_cannot_be_is_told_and_not_used(tmp_path, declared):
    (tmp_path / "a.tif").write_bytes(b"x")
    file = tmp_path / "flights.csv"
    file.write_text(f"flight_id,date,depth,depth_se_m\nF1,2031-03-01,a.tif,{declared}\n", "utf-8")
    (entry,), findings = read_flights(Source([file], {}, [""])).between(*SEASON)
    assert entry.depth_se_m is None
    assert [(f.rule.name, f.evidence) for f in findings] == [("impossible value", f"depth_se_m = {float(declared):g}")]
