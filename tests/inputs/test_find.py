"""Which files a path or a glob of the settings names."""

import datetime as dt
import os
from pathlib import Path

import pytest

from snowtally.inputs.find import find_tables, matching
from snowtally.inputs.read_flights import read_flights
from snowtally.inputs.source import Source

SEASON = dt.date(2030, 10, 1), dt.date(2031, 4, 1)


@pytest.fixture
def folder(tmp_path):
    """A folder with brackets in its name, and beside it the one that it would match as a glob."""
    for name in ("snow [2031]", "snow 2"):
        (tmp_path / name).mkdir()
        for file in ("b.csv", "a.csv", ".hidden.csv", "[1].csv"):
            (tmp_path / name / file).write_text("x")
    return tmp_path / "snow [2031]"


def names(paths):
    return [path.name for path in paths]


def test_brackets_in_a_folder_or_file_are_its_name(folder):
    assert matching(folder / "a.csv") == [folder / "a.csv"]
    assert matching(folder / "[1].csv") == [folder / "[1].csv"]
    assert names(matching(folder / "*.csv")) == ["[1].csv", "a.csv", "b.csv"]
    assert {path.parent for path in matching(folder / "*.csv")} == {folder}
    assert names(matching(folder / "[bc].csv")) == ["b.csv"]
    assert matching(folder.parent / "snow [0-9]" / "a.csv") == [folder.parent / "snow 2" / "a.csv"]
    assert matching(folder / "absent.csv") == []
    found, findings = find_tables({"courses": [folder / "a.csv", folder / "*.csv"], "stations": [folder / "gone.csv"]})
    assert names(file.path for file in found["courses"]) == ["a.csv", "[1].csv", "b.csv"]
    assert [finding.rule.name for finding in findings] == ["missing file"]


def test_a_folder_that_may_not_be_looked_into_is_a_finding(folder, monkeypatch):
    def denied(self):
        raise PermissionError(13, "Permission denied", str(self))

    for name in ("is_file", "open"):
        monkeypatch.setattr(Path, name, lambda self, *_words: denied(self))
    found, findings = find_tables({"courses": [folder / "*.csv"]})
    assert found == {"courses": []}
    assert [(finding.rule.name, finding.detail) for finding in findings] == [
        ("unreadable file", f"{folder}/*.csv: Permission denied")
    ]


def test_tiles_of_a_flight_in_such_a_folder(folder):
    (folder / "flights.csv").write_text("flight_id,date,depth\nF1,2031-03-01,[ab].csv\n")
    (entry,), _ = read_flights(Source([folder / "flights.csv"], {}, [""])).between(*SEASON)
    assert names(entry.files["depth"]) == ["a.csv", "b.csv"]


@pytest.fixture
def misspelt(tmp_path):
    path = os.fsencode(tmp_path) + b"/course_\xe9t\xe9.csv"
    try:
        with open(path, "wb") as file:  # noqa: PTH123  a name that is bytes
            file.write(b"x")
    except OSError:
        pytest.skip("this file system takes no such name")
    (tmp_path / "course_a.csv").write_text("x")
    return tmp_path


def test_a_name_that_is_not_utf_8_is_a_finding_that_can_be_written_down(misspelt):
    found, findings = find_tables({"courses": [misspelt / "course_*.csv"]})
    assert names(file.path for file in found["courses"]) == ["course_a.csv"]
    assert [(finding.rule.name, finding.file) for finding in findings] == [
        ("unreadable file", f"{misspelt}/course_\\udce9t\\udce9.csv")
    ]
    assert findings[0].detail.endswith("is not UTF-8: give the file or folder another")


def test_a_tile_of_such_a_name_is_left_out_and_told(misspelt):
    table = misspelt / "flights.csv"
    table.write_text("flight_id,date,depth\nF1,2031-03-01,course_*.csv\nF2,2031-03-01,absent.csv\n")
    (entry,), findings = read_flights(Source([table], {}, [""])).between(*SEASON)
    assert names(entry.files["depth"]) == ["course_a.csv"]
    assert [(finding.rule.name, finding.line) for finding in findings] == [("unreadable file", 2), ("missing file", 3)]
    assert all(finding.detail.isascii() for finding in findings)
