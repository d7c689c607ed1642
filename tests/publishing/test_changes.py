"""What changed between two revisions' inputs: rows that came, went or changed, by site; grids, settings, code."""

from __future__ import annotations

import pandas as pd
import pytest
import xarray as xr
from made_day import made_day

from snowtally import reading
from snowtally.publishing.archived_inputs import archive_inputs, inputs_folder
from snowtally.publishing.changes import changed_rows, changed_values, changes
from snowtally.publishing.publish import publish


def courses() -> pd.DataFrame:
    rows = [
        (site, date, point, 1.0, 300.0)
        for date in ("2031-02-01", "2031-03-01")
        for site in ("LC1", "LC2")
        for point in ("1", "2")
    ]
    table = pd.DataFrame(rows, columns=["site_id", "date", "point", "depth_m", "swe_mm"])
    return table.assign(date=pd.to_datetime(table["date"]))


def depth(value: float) -> xr.Dataset:
    return xr.Dataset({"depth": (("y", "x"), [[value]])}, {"y": [50.0], "x": [50.0]}, {"crs": "EPSG:32625"})


def published(root, provenance, inputs, rows, grids=None, **more):
    kept = archive_inputs(root, "larkmoor", {"courses": rows}, grids or {})
    return publish(root, made_day(height=8, width=9), provenance(inputs, archived=kept, **more))


def test_the_record_says_which_rows_and_grids_came_went_and_changed(tmp_path, provenance):
    published(tmp_path, provenance, "a", courses(), {"flight A": depth(1), "cover": depth(2), "terrain": depth(5)})
    later = courses()
    later.loc[later["site_id"].eq("LC2") & later["date"].eq("2031-03-01"), "swe_mm"] = [310.0, 320.0]
    later = later.drop(index=0)
    late = pd.DataFrame([("LC3", pd.Timestamp("2031-03-01"), "1", 2.0, 600.0)], columns=later.columns)
    told = published(
        tmp_path, provenance, "b", pd.concat([later, late], ignore_index=True), {"flight B": depth(3), "cover": depth(4), "terrain": depth(5)},
        settings={"basin": {"id": "larkmoor", "season_start": "10-01"}, "grid": {"cell_m": 50}}, code_version="0.2.0",
    ).changes  # fmt: skip
    assert told == reading.read_record(tmp_path, "larkmoor", "2031-03-01", 2)["changes"]
    assert told["rows"]["courses"] == {"came": 1, "went": 1, "changed": 2, "where": [
        {"site_id": "LC1", "start": "2031-02-01", "end": "2031-02-01", "came": 0, "went": 1, "changed": 0},
        {"site_id": "LC2", "start": "2031-03-01", "end": "2031-03-01", "came": 0, "went": 0, "changed": 2},
        {"site_id": "LC3", "start": "2031-03-01", "end": "2031-03-01", "came": 1, "went": 0, "changed": 0},
    ]}  # fmt: skip
    assert told["grids"] == {"came": ["flight B"], "went": ["flight A"], "changed": ["cover"]}
    assert told["settings"] == [{"key": "grid.cell_m", "was": 100, "is": 50}]
    assert told["code"] == {"was": "0.1.0", "is": "0.2.0"}
    assert told["unreadable"] == []
    assert reading.read_record(tmp_path, "larkmoor", "2031-03-01", 1)["changes"] is None


def test_only_the_months_that_differ_are_read(tmp_path, provenance, monkeypatch):
    published(tmp_path, provenance, "a", courses())
    read = []
    monkeypatch.setattr(
        "snowtally.publishing.changes.read_month",
        lambda folder, month: read.append(month) or (folder / month, b"site_id,date,point\n")[1],
    )
    later = courses()
    later.loc[later["date"].eq("2031-03-01"), "swe_mm"] += 1
    published(tmp_path, provenance, "b", later)
    assert len(read) == 2


def test_rows_that_stand_twice_are_told_apart(tmp_path):
    one = courses().iloc[[0, 0, 1]]
    kept = [archive_inputs(tmp_path, "larkmoor", {"courses": t}, {})["courses"] for t in (one, courses().iloc[[0, 1]])]
    rows = changed_rows((tmp_path, tmp_path), "larkmoor", "courses", (kept[0], kept[1]))
    assert rows[["outcome", "site_id", "point"]].to_numpy().tolist() == [["went", "LC1", "1"]]
    back = changed_rows((tmp_path, tmp_path), "larkmoor", "courses", (kept[1], kept[0]))
    assert back["outcome"].tolist() == ["came"]
    assert changed_rows((tmp_path, tmp_path), "larkmoor", "courses", (kept[1], kept[1])).empty


def test_rows_no_longer_kept_are_told(tmp_path, provenance):
    first = published(tmp_path, provenance, "a", courses())
    record = reading.load_record(first.path)
    for path in inputs_folder(tmp_path, "larkmoor").glob("*.gz"):
        path.unlink()
    now = {**record, "kept_inputs": {"courses": "0" * 64}}
    assert changes((tmp_path, tmp_path), "larkmoor", record, now)["unreadable"] == ["courses"]


@pytest.mark.parametrize(
    ("was", "now", "keys"),
    [
        ({}, {}, []),
        ({"a": {"b": 1}}, {"a": {"b": 1, "c": None}}, []),
        ({"a": {"b": 1}}, {"a": 2}, ["a", "a.b"]),
        ({"a": [1, 2]}, {"a": [2, 1]}, ["a"]),
        ({"a": {}}, {}, ["a"]),
    ],
)
def test_values_that_differ(was, now, keys):
    assert [one["key"] for one in changed_values(was, now)] == keys
