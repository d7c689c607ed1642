"""The files of a folder by kind: what is passed over, what is told, and what may be an input."""

import os

import pytest

from snowtally.model.problems import SettingsError
from snowtally.proposals.folder import Kind, folder_of
from snowtally.proposals.names import date_in, has_word


def kinds(folder):
    return {file.path.name: file.kind for file in folder.files}


def put(home, name, content=b"a,b\n1,2\n"):
    (home / name).parent.mkdir(parents=True, exist_ok=True)
    (home / name).write_bytes(content)


def test_files_are_sorted_by_what_they_are(tmp_path):
    put(tmp_path, "a.csv")
    put(tmp_path, "sub/b.TXT")
    put(tmp_path, "grid.txt", b"ncols 4\nnrows 3\nxllcorner 0\n1 2 3 4\n")
    put(tmp_path, "grid.asc", b"ncols 4\nnrows 3\n")
    put(tmp_path, "no_ending", b"site;swe\nA;3\n")
    put(tmp_path, "shapes.json", b'{"type": "FeatureCollection", "features": []}')
    put(tmp_path, "other.json", b'{"a": 1}')
    put(tmp_path, "x.shp", b"\0\0\x27\x0a")
    put(tmp_path, "x.dbf", b"\3")
    put(tmp_path, "y.dbf", b"\3")
    put(tmp_path, "w.xlsx", b"PK")
    put(tmp_path, "old.xls", b"\xd0\xcf")
    put(tmp_path, "all.zip", b"PK")
    put(tmp_path, "blob.bin", b"\0\1\2\3\n\0")
    put(tmp_path, "empty.csv", b"")
    folder = folder_of(tmp_path)
    assert kinds(folder) == {
        "a.csv": Kind.TABLE, "b.TXT": Kind.TABLE, "no_ending": Kind.TABLE, "grid.txt": Kind.RASTER, "grid.asc": Kind.RASTER,
        "shapes.json": Kind.VECTOR, "x.shp": Kind.VECTOR, "x.dbf": Kind.COMPANION, "w.xlsx": Kind.WORKBOOK,
        "other.json": Kind.UNKNOWN, "y.dbf": Kind.UNKNOWN, "old.xls": Kind.UNKNOWN, "all.zip": Kind.UNKNOWN,
        "blob.bin": Kind.UNKNOWN, "empty.csv": Kind.UNKNOWN,
    }  # fmt: skip
    why = {one.path.name: one.why for one in folder.unused}
    assert "Save it as .xlsx" in why["old.xls"]
    assert "Unpack it" in why["all.zip"]
    assert why["empty.csv"] == "it is empty"


def test_archives_hidden_files_and_our_own_are_passed_over(tmp_path):
    put(tmp_path, "sites.csv")
    put(tmp_path, ".hidden.csv")
    put(tmp_path, ".cache/x.csv")
    put(tmp_path, "archive/archive.json", b"{}")
    put(tmp_path, "archive/basin/totals.csv")
    for name in ("settings.yaml", "settings.yaml.1", "settings.yaml.12"):
        put(tmp_path, name, b"basin:\n  id: x\n")
    put(tmp_path, "settings.yaml.bak", b"a\nb\n")
    folder = folder_of(tmp_path, [tmp_path / "settings.yaml"])
    assert sorted(kinds(folder)) == ["settings.yaml.bak", "sites.csv"]


def test_folders_behind_links_are_looked_into_once_and_loops_end(tmp_path):
    put(tmp_path, "elsewhere/courses.csv")
    home = tmp_path / "home"
    put(home, "sites.csv")
    put(home, "real/stations.csv")
    (home / "data").symlink_to(tmp_path / "elsewhere")
    (home / "again").symlink_to(home / "real")
    (home / "loop").symlink_to(home)
    (home / "up").symlink_to(tmp_path)
    files = [str(file.path.relative_to(home)) for file in folder_of(home).files]
    assert files == ["data/courses.csv", "real/stations.csv", "sites.csv"]


def test_a_folder_that_cannot_be_looked_into_is_told(tmp_path, monkeypatch):
    put(tmp_path, "sites.csv")
    put(tmp_path, "closed/courses.csv")
    scandir = os.scandir

    def refusing(path):
        if str(path).endswith("closed"):
            raise PermissionError(13, "Permission denied", str(path))
        return scandir(path)

    monkeypatch.setattr(os, "scandir", refusing)
    (one,) = folder_of(tmp_path).unused
    assert (one.path.name, one.why) == ("closed", "the folder cannot be looked into (Permission denied)")


def test_a_name_that_is_not_utf_8_is_told_and_can_be_written(tmp_path):
    (tmp_path / os.fsdecode(b"c\xff.csv")).write_bytes(b"a,b\n1,2\n")
    (one,) = folder_of(tmp_path).unused
    assert "not UTF-8. Give it another name" in one.why
    assert str(one.path).encode()


def test_an_archive_is_no_folder_of_files(tmp_path):
    put(tmp_path, "archive.json", b"{}")
    with pytest.raises(SettingsError, match="is an archive of this program"):
        folder_of(tmp_path)


def test_a_pipe_in_the_folder_is_not_waited_for(tmp_path):
    os.mkfifo(tmp_path / "pipe.csv")
    (tmp_path / "loop.csv").symlink_to(tmp_path / "loop.csv")
    assert set(kinds(folder_of(tmp_path)).values()) == {Kind.UNKNOWN}


@pytest.mark.parametrize(
    ("name", "date"),
    [
        ("QC02_20260330.csv", "2026-03-30"),
        ("sd-2031-03-27-v2.tif", "2031-03-27"),
        ("sd_2031_03_27.tif", "2031-03-27"),
        ("Mar_27_2031_depth.tif", "2031-03-27"),
        ("depth 5 March 2031.tif", "2031-03-05"),
        ("fsc_2031086.tif", "2031-03-27"),
        ("13.02.2031.tif", "2031-02-13"),
    ],
)
def test_a_date_in_a_name_is_read_where_it_can_be_no_other(name, date):
    assert str(date_in(name)) == date


@pytest.mark.parametrize(
    "name", ["depth.tif", "05.04.2031.tif", "20310227_20310327.tif", "20311345.tif", "id_1234567890.tif"]
)
def test_a_date_that_could_be_another_is_none(name):
    assert date_in(name) is None


def test_short_words_stand_alone():
    assert has_word("lf2_snow_on", "on")
    assert not has_word("station_melton", "on")
    assert has_word("snowCanopy", "canopy")
