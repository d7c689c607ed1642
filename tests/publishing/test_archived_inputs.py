"""Inputs that days used: kept once each by content, under hashes that anyone can compute again."""

from __future__ import annotations

import datetime as dt
import gzip
import hashlib
import json
import os

import numpy as np
import pandas as pd
import pytest
import xarray as xr
from hypothesis import given
from hypothesis import strategies as st

from snowtally.model.problems import ArchiveError
from snowtally.publishing import archived_rows as kept_rows_module
from snowtally.publishing.archived_grids import as_archived, grids_sha256, read_grids
from snowtally.publishing.archived_inputs import archive_inputs, inputs_folder, read_archived
from snowtally.publishing.archived_rows import read_rows, rows_sha256


def stations(days: int, start: str = "2031-01-20") -> pd.DataFrame:
    dates = pd.date_range(start, periods=days).date
    rows = [
        (site, date, 10.0 * n + 0.1, None if n % 3 else 0.5)
        for n, date in enumerate(dates)
        for site in ("b", 'a "1", x')
    ]
    return pd.DataFrame(rows, columns=["site_id", "date", "swe_mm", "depth_m"])


def depth(shift: float = 0.0) -> xr.Dataset:
    values = np.array([[1.5, np.nan, -0.0], [0.25, 2.0, 3.0]])
    return xr.Dataset(
        {"depth": (("y", "x"), values + shift, {"units": "m"})},
        {"y": [950.0, 850.0], "x": [50.0, 150.0, 250.0]},
        {"crs": "EPSG:32625"},
    )


def test_rows_hash_by_hand():
    # In plain bytes, as another language would write them.
    lines = b'"site_id","date","swe_mm","ok","n"\n"\xc3\x85 ""x""",2031-03-01,12.5,true,3\n"b",,,false,4\n'
    rows = pd.DataFrame({
        "site_id": ['\u00c5 "x"', "b"], "date": [dt.date(2031, 3, 1), None], "swe_mm": [12.5, np.nan], "ok": [True, False], "n": [3, 4],
    })  # fmt: skip
    # The row without a date comes first: its month is empty.
    head, first, second = lines.splitlines(keepends=True)
    assert rows_sha256(rows) == hashlib.sha256(head + second + first).hexdigest()


def test_grids_hash_by_hand():
    header = b'{"crs":"EPSG:32625","name":"depth","shape":[2,3],"x":[50.0,250.0],"y":[950.0,850.0]}\n'
    values = b"\x00\x00\xc0\x3f\x00\x00\xc0\x7f\x00\x00\x00\x00\x00\x00\x80\x3e\x00\x00\x00\x40\x00\x00\x40\x40"
    assert grids_sha256(depth()) == hashlib.sha256(header + values).hexdigest()


@pytest.mark.parametrize("unit", ["s", "ms", "us", "ns"])
def test_how_a_table_was_read_does_not_change_its_hash(unit):
    times = pd.to_datetime(["2031-03-01T12:00Z", "2031-03-01T13:00Z"])
    one = pd.DataFrame({"time": times, "site_id": ["a", "b"], "depth_cm": [1.0, 2.0]})
    two = one.assign(time=one["time"].astype(f"datetime64[{unit}, UTC]"), site_id=one["site_id"].astype("category"),
                     depth_cm=one["depth_cm"].astype("float32"))  # fmt: skip
    assert rows_sha256(one) == rows_sha256(two) == rows_sha256(two.set_index(pd.Index([7, 3])))


@pytest.mark.parametrize(
    "change",
    [
        lambda t: t.assign(swe_mm=t["swe_mm"] + 1e-9),
        lambda t: t.iloc[::-1],
        lambda t: t.iloc[:-1],
        lambda t: t.rename(columns={"swe_mm": "swe"}),
        lambda t: t[["date", "site_id", "swe_mm", "depth_m"]],
        lambda t: t.assign(site_id=t["site_id"].str.upper()),
    ],
)
def test_any_change_of_rows_changes_the_hash(change):
    assert rows_sha256(change(stations(4))) != rows_sha256(stations(4))


@pytest.mark.parametrize(
    "change",
    [
        lambda d: d + 1e-6,
        lambda d: d.isel(y=slice(None, None, -1)),
        lambda d: d.assign_coords(x=d["x"] + 1),
        lambda d: d.assign_attrs(crs="EPSG:32626"),
        lambda d: d.rename(depth="albedo"),
    ],
)
def test_any_change_of_values_or_place_changes_a_grids_hash(change):
    changed = change(depth())
    assert grids_sha256(changed.assign_attrs(crs=changed.attrs.get("crs", "EPSG:32625"))) != grids_sha256(depth())


def test_inputs_are_kept_once_each_and_a_growing_table_adds_only_its_last_month(tmp_path):
    folder = tmp_path / "larkmoor" / "inputs"
    first = archive_inputs(tmp_path, "larkmoor", {"stations": stations(30)}, {"flight LF-1": depth()})
    names = {path.name for path in folder.iterdir()}
    # January, February, the table that lists them, and the grid.
    assert sorted(name.split(".", 1)[1] for name in names) == ["csv.gz", "csv.gz", "json", "nc"]
    times = {path.name: path.stat().st_mtime_ns for path in folder.iterdir()}
    assert archive_inputs(tmp_path, "larkmoor", {"stations": stations(30)}, {"again": depth()}) == {
        "stations": first["stations"], "again": first["flight LF-1"],
    }  # fmt: skip
    assert {path.name: path.stat().st_mtime_ns for path in folder.iterdir()} == times
    second = archive_inputs(tmp_path, "larkmoor", {"stations": stations(31)}, {})
    assert second["stations"] != first["stations"]
    assert sorted(p.name.split(".", 1)[1] for p in folder.iterdir() if p.name not in names) == ["csv.gz", "json"]
    assert list((tmp_path / ".staging" / "larkmoor").iterdir()) == []


def test_kept_files_are_named_for_their_content(tmp_path):
    kept = archive_inputs(tmp_path, "larkmoor", {"stations": stations(60)}, {})
    folder = tmp_path / "larkmoor" / "inputs"
    months = json.loads((folder / f"{kept['stations']}.json").read_text("utf-8"))["months"]
    unpacked = [gzip.decompress((folder / f"{month}.csv.gz").read_bytes()) for month in months]
    assert [hashlib.sha256(data).hexdigest() for data in unpacked] == months
    joined = unpacked[0] + b"".join(data[data.index(b"\n") + 1 :] for data in unpacked[1:])
    assert hashlib.sha256(joined).hexdigest() == kept["stations"] == rows_sha256(stations(60))


def test_kept_rows_come_back(tmp_path):
    rows = stations(60)
    kept = archive_inputs(tmp_path, "larkmoor", {"stations": rows}, {})
    back = read_rows(inputs_folder(tmp_path, "larkmoor"), kept["stations"])
    pd.testing.assert_frame_equal(back, rows, check_dtype=False)


def test_kept_rows_come_back_with_their_types(tmp_path):
    # "007" and "NA" are names, a blank name is not a missing one, and a column may be missing altogether.
    rows = pd.DataFrame({
        "site_id": ["007", "NA", ""], "swe_mm": [0.1, np.nan, 3.0], "n": [1, 2, 3], "used": [True, False, True],
        "time": pd.to_datetime(["2031-03-01T12:00:00.5", None, "2031-03-02T00:00:00.0"]), "remark": ['two\nlines, "x"', "", "-"],
        "since": pd.to_datetime([None, None, None]).astype("datetime64[s]"),
    })  # fmt: skip
    sha256 = archive_inputs(tmp_path, "larkmoor", {"a": rows}, {})["a"]
    back = read_archived(tmp_path, "larkmoor", {"a": sha256})[0]["a"]
    expected = rows.iloc[[1, 0, 2]].reset_index(drop=True)
    pd.testing.assert_frame_equal(back, expected.astype({"time": "datetime64[us]", "since": "datetime64[us]"}))
    assert rows_sha256(back) == sha256


@given(
    st.lists(st.tuples(st.text(max_size=3), st.floats(), st.integers(-9, 9), st.none() | st.booleans()), max_size=6),
)
def test_what_comes_back_has_the_same_hash(tmp_path_factory, rows):
    root = tmp_path_factory.mktemp("kept")
    table = pd.DataFrame(rows, columns=["site_id", "swe_mm", "n", "used"]).astype({"site_id": "str", "swe_mm": float})
    sha256 = archive_inputs(root, "larkmoor", {"a": table}, {})["a"]
    assert rows_sha256(read_rows(inputs_folder(root, "larkmoor"), sha256)) == sha256


@pytest.mark.parametrize(
    "change", [("string", "double"), ("double", "string"), ("date32[day]", "strang"), ('"rows": 6', '"rows": 7')]
)
def test_a_listing_that_does_not_fit_its_rows_is_refused(tmp_path, change):
    sha256 = archive_inputs(tmp_path, "larkmoor", {"stations": stations(3)}, {})["stations"]
    path = inputs_folder(tmp_path, "larkmoor") / f"{sha256}.json"
    assert change[0] in path.read_text("utf-8")
    path.write_text(path.read_text("utf-8").replace(*change, 1), "utf-8")
    with pytest.raises(ArchiveError, match="does not fit its rows"):
        read_rows(path.parent, sha256)


@pytest.mark.parametrize("ending", [".json", ".csv.gz"])
def test_a_pipe_in_place_of_kept_rows_is_not_waited_for(tmp_path, ending):
    kept = archive_inputs(tmp_path, "larkmoor", {"stations": stations(3)}, {})
    for path in inputs_folder(tmp_path, "larkmoor").glob(f"*{ending}"):
        path.unlink()
        os.mkfifo(path)
    with pytest.raises(ArchiveError, match="no plain file"):
        read_rows(inputs_folder(tmp_path, "larkmoor"), kept["stations"])


def test_kept_rows_that_were_changed_are_refused(tmp_path):
    sha256 = archive_inputs(tmp_path, "larkmoor", {"stations": stations(3)}, {})["stations"]
    path = next((tmp_path / "larkmoor" / "inputs").glob("*.csv.gz"))
    path.write_bytes(gzip.compress(gzip.decompress(path.read_bytes()).replace(b"0.1", b"0.2")))
    with pytest.raises(ArchiveError, match="is not what its name says"):
        read_rows(inputs_folder(tmp_path, "larkmoor"), sha256)
    with pytest.raises(ArchiveError, match="keeps no readable rows abc"):
        read_rows(inputs_folder(tmp_path, "larkmoor"), "abc")


@pytest.mark.parametrize("kind", ["text", "date", "time"])
def test_months_are_told_apart_in_dates_times_and_text(tmp_path, kind):
    dates = pd.Series(pd.to_datetime(["2031-03-01", "2030-12-31", None, "2031-03-02"]))
    told = {"text": dates.dt.strftime("%Y-%m-%d"), "date": dates.dt.date, "time": dates.dt.tz_localize("UTC")}[kind]
    kept = archive_inputs(
        tmp_path, "larkmoor", {"a": pd.DataFrame({"n": [1, 2, 3, 4], "time" if kind == "time" else "date": told})}, {}
    )
    assert read_rows(inputs_folder(tmp_path, "larkmoor"), kept["a"])["n"].tolist() == [3, 2, 1, 4]
    assert len(list((tmp_path / "larkmoor" / "inputs").glob("*.csv.gz"))) == 3


def test_kept_grids_open_as_netcdf_with_the_same_hash(tmp_path):
    sha256 = archive_inputs(tmp_path, "larkmoor", {}, {"flight LF-1": depth()})["flight LF-1"]
    with xr.open_dataset(tmp_path / "larkmoor" / "inputs" / f"{sha256}.nc") as kept:
        assert kept["depth"].attrs["units"] == "m"
        assert grids_sha256(kept) == sha256


def test_kept_grids_come_back_as_they_went_with_their_attributes(tmp_path):
    flight = depth().assign_attrs(flight_id="LF-1", date="2031-03-02", depth_bias_se_m=0.1 + 0.2, bands=[(0.0, 200.0)])
    sha256 = archive_inputs(tmp_path, "larkmoor", {}, {"flight LF-1": flight})["flight LF-1"]
    back = read_archived(tmp_path, "larkmoor", {"flight LF-1": sha256})[1]["flight LF-1"]
    xr.testing.assert_identical(back, as_archived(flight))
    assert back.attrs["depth_bias_se_m"] == 0.1 + 0.2
    assert back.attrs["bands"] == [[0.0, 200.0]]
    # What a flight's date or error is belongs to what it says.
    assert grids_sha256(flight.assign_attrs(date="2031-03-03")) != sha256


def test_kept_grids_that_were_changed_are_refused(tmp_path):
    sha256 = archive_inputs(tmp_path, "larkmoor", {}, {"a": depth()})["a"]
    folder = inputs_folder(tmp_path, "larkmoor")
    other = archive_inputs(tmp_path, "larkmoor", {}, {"a": depth(1.0)})["a"]
    (folder / f"{other}.nc").replace(folder / f"{sha256}.nc")
    with pytest.raises(ArchiveError, match="is not what its name says"):
        read_grids(folder, sha256)
    (folder / f"{sha256}.nc").write_bytes(b"no grid")
    with pytest.raises(ArchiveError, match="cannot be read"):
        read_grids(folder, sha256)
    with pytest.raises(ArchiveError, match=f"does not hold the cover {'0' * 64}"):
        read_archived(tmp_path, "larkmoor", {"cover": "0" * 64})


def test_empty_tables_are_kept_too(tmp_path):
    kept = archive_inputs(tmp_path, "larkmoor", {"courses": stations(1).iloc[:0]}, {})
    back = read_rows(inputs_folder(tmp_path, "larkmoor"), kept["courses"])
    assert back.empty
    assert list(back.columns) == list(stations(1).columns)


def test_a_column_of_mixed_types_is_told():
    with pytest.raises(ArchiveError, match="mixed types"):
        rows_sha256(pd.DataFrame({"a": [1, "b"]}))


def test_a_full_disk_keeps_nothing_half(tmp_path, monkeypatch):
    def fails(*_):
        raise OSError(28, os.strerror(28))

    monkeypatch.setattr(kept_rows_module, "replace_file", fails)
    with pytest.raises(ArchiveError, match=r"Cannot keep the inputs of larkmoor in .*: the disk is full"):
        archive_inputs(tmp_path, "larkmoor", {"stations": stations(3)}, {})
    assert list((tmp_path / "larkmoor" / "inputs").iterdir()) == []
    assert list((tmp_path / ".staging" / "larkmoor").iterdir()) == []


@given(st.lists(st.tuples(st.text(max_size=3), st.floats(width=32)), max_size=6))
def test_the_hash_is_of_the_values_alone(rows):
    table = pd.DataFrame(rows, columns=["site_id", "swe_mm"]).astype({"site_id": "str", "swe_mm": float})
    assert rows_sha256(table) == rows_sha256(table.copy())
    zeros = table.assign(swe_mm=table["swe_mm"].where(table["swe_mm"] != 0, 0.0))
    assert rows_sha256(table) == rows_sha256(zeros)
