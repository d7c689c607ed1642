"""Verify finds what is broken, wherever it is, and says how to mend it; what is derived it can make again."""

from __future__ import annotations

import datetime as dt
import errno
import json
import shutil
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import xarray as xr
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st
from made_day import made_day

from snowtally.cli.verify import VerifyResult
from snowtally.inspection import verify as verify_module
from snowtally.inspection.status import status
from snowtally.inspection.verify import verify
from snowtally.publishing.archived_inputs import archive_inputs
from snowtally.publishing.publish import publish, rebuild_derived, withdraw
from snowtally.publishing.staging import staged
from snowtally.reading import list_days


@pytest.fixture(scope="module")
def sound(tmp_path_factory):
    """A small archive with a bit of everything: kept inputs, two revisions, a withdrawal. Tests copy it or mend it."""
    from made_provenance import make_provenance  # noqa: PLC0415

    root = tmp_path_factory.mktemp("verify") / "archive"
    rows = {"sites": pd.DataFrame({"site_id": ["NA", "007"], "swe_mm": [1.5, None]})}
    # Large and without a pattern, so that most of the file is values.
    cover = np.random.default_rng(7).random((90, 90))
    axis = 50.0 + 100.0 * np.arange(90)
    grids = {"cover": xr.Dataset({"cover": (("y", "x"), cover)}, {"y": axis, "x": axis}, {"crs": "EPSG:32625"})}
    kept = archive_inputs(root, "larkmoor", rows, grids)
    for number, date in enumerate(("2031-03-01", "2031-03-01", "2031-03-05")):
        how = make_provenance(f"{number:064d}", archived=kept)
        publish(root, made_day(date, height=8, width=9, extra_mm=number), how)
    withdraw(root, "larkmoor", dt.date(2031, 3, 1), 2, "wrong tare")
    return root


@pytest.fixture
def mine(sound, tmp_path):
    return Path(shutil.copytree(sound, tmp_path / "archive"))


def troubles(root: Path) -> dict[str, str]:
    return {trouble.path: trouble.what for trouble in verify(root, "larkmoor", lambda _: None).troubles}


def test_a_sound_archive_has_no_trouble(sound):
    found = verify(sound, "larkmoor", lambda _: None)
    assert found.troubles == []
    files = [
        p
        for p in (sound / "larkmoor").rglob("*")
        if p.is_file() and (p.parent.name.startswith("r0") or p.parent.name == "inputs")
    ]
    assert (found.revisions, found.files) == (3, len(files))
    assert found.bytes == sum(path.stat().st_size for path in files)


REVISION_FILES = [
    "checks.csv", "density.tif", "depth.tif", "estimate.nc", "item.json", "record.json", "sites.csv", "sites.geojson", "sites.parquet", "skill.csv",
    "swe.tif", "swe_se.tif", "totals.csv", "totals.parquet", "totals_covariance.parquet", "zones.geojson",
    "zones.parquet",
]  # fmt: skip


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    revision=st.sampled_from(["2031-03-01/r001", "2031-03-01/r002", "2031-03-05/r001"]),
    name=st.sampled_from(REVISION_FILES), place=st.floats(0, 1, exclude_max=True), change=st.integers(1, 255),
)  # fmt: skip
@example(revision="2031-03-01/r001", name="totals.parquet", place=0.4375, change=1)
@example(revision="2031-03-01/r001", name="totals.parquet", place=0.4375, change=128)
def test_one_changed_byte_in_any_file_of_a_revision_is_found(sound, revision, name, place, change):
    path = sound / "larkmoor" / revision / name
    before = path.read_bytes()
    data = bytearray(before)
    data[int(place * len(data))] ^= change
    path.chmod(0o644)
    path.write_bytes(data)
    try:
        found = troubles(sound)
    finally:
        path.write_bytes(before)
    told = found[f"larkmoor/{revision}/{name}"]
    # Its length is right, and is not what is told to be wrong.
    assert (
        name in ("record.json", "item.json") or "is not what the record says (as long, but with another hash)" in told
    )


def test_the_property_names_every_file_there_is(sound):
    assert sorted(p.name for p in (sound / "larkmoor" / "2031-03-05" / "r001").iterdir()) == REVISION_FILES


def remove(path):
    path.unlink()


def rot(path):
    data = bytearray(path.read_bytes())
    data[len(data) // 2] ^= 0x55
    path.chmod(0o644)
    path.write_bytes(data)


@pytest.mark.parametrize(
    ("name", "damage", "where", "what"),
    [
        ("2031-03-05/r001/swe.tif", remove, "2031-03-05/r001/swe.tif", "cannot be read"),
        ("2031-03-05/r001/record.json", remove, "2031-03-05/r001", "is no revision: it has no record.json"),
        ("index.parquet", remove, "index.parquet", "does not say what the revisions say"),
        ("totals.parquet", rot, "totals.parquet", "does not say what the revisions say"),
        ("latest.json", rot, "latest.json", "does not say what the revisions say"),
        ("2031-03-01/current.json", remove, "2031-03-01/current.json", "is missing"),
        ("2030-2031.json", rot, "2030-2031.json", "does not say what the revisions say"),
        ("collection.json", remove, "collection.json", "is missing"),
        ("../catalog.json", rot, "../catalog.json", "does not say what the revisions say"),
    ],
)
def test_what_is_damaged_is_told_by_its_path(mine, name, damage, where, what):
    damage(mine / "larkmoor" / name)
    wanted = where.removeprefix("../") if where.startswith("../") else f"larkmoor/{where}"
    found = troubles(mine)
    assert wanted in found
    assert what in found[wanted]


def test_kept_inputs_that_rot_are_found(mine):
    for path in (mine / "larkmoor" / "inputs").iterdir():
        before = path.read_bytes()
        # The values themselves: half way through.
        rot(path)
        found = troubles(mine)
        assert any("holds no sound" in what for what in found.values()), path.name
        path.write_bytes(before)
    assert troubles(mine) == {}


def test_strays_are_told_and_not_touched(mine):
    strays = ["notes.txt", "larkmoor/notes.txt", "larkmoor/2031-03-01/notes.txt", "larkmoor/2031-03-01/r001/notes.txt",
              "larkmoor/inputs/notes.txt"]  # fmt: skip
    for stray in strays:
        (mine / stray).write_text("hello", "utf-8")
    found = troubles(mine)
    assert sorted(found) == sorted(strays)
    assert all((mine / stray).exists() for stray in strays)


def stop_after(stage: str, act):
    """Return a stage function that acts once, when a stage of that name begins."""
    waiting = [act]

    def told(name: str) -> None:
        if name == stage and waiting:
            waiting.pop()()

    return told


@pytest.mark.parametrize("stage", ["2031-03-05", "inputs", "what is derived"])
@pytest.mark.parametrize("date", ["2031-03-05", "2031-03-08"])
def test_a_night_published_meanwhile_is_no_trouble(mine, provenance, stage, date):
    def night():
        kept = archive_inputs(mine, "larkmoor", {"sites": pd.DataFrame({"site_id": ["new"], "swe_mm": [2.5]})}, {})
        publish(mine, made_day(date, height=8, width=9, extra_mm=7), provenance("7" * 64, archived=kept))

    found = verify(mine, "larkmoor", stop_after(stage, night))
    assert (found.troubles, found.not_judged, found.revisions) == ([], [], 4)


def test_a_withdrawal_meanwhile_is_no_trouble(mine, monkeypatch):
    real, waiting = verify_module.derive, [1]

    def slow(root, basin, tables, dates):
        should = real(root, basin, tables, dates)
        if waiting:
            waiting.pop()
            withdraw(mine, "larkmoor", dt.date(2031, 3, 5), 1, "wrong tare")
        return should

    monkeypatch.setattr(verify_module, "derive", slow)
    assert troubles(mine) == {}
    assert not waiting


def test_inputs_that_no_revision_names_are_left_over_and_no_trouble(mine):
    rows = {"sites": pd.DataFrame({"site_id": ["new"], "swe_mm": [2.5]})}
    archive_inputs(mine, "larkmoor", rows, {})
    found = verify(mine, "larkmoor", lambda _: None)
    assert found.troubles == found.not_judged == []
    assert sorted(path.rsplit(".", 1)[1] for path in found.leftovers) == ["gz", "json"]
    assert (
        "Left over: 2 archived inputs that no revision names"
        in VerifyResult("larkmoor", "Larkmoor", found).to_table()[1]
    )


def test_an_archive_that_cannot_be_locked_is_judged_as_it_lies(mine, monkeypatch):
    (mine / "larkmoor" / "latest.json").write_text("{}", "utf-8")

    @contextmanager
    def refused(*_):
        raise PermissionError(errno.EROFS, "read-only")
        yield

    with staged(mine, "larkmoor", "2031-03-08"):
        monkeypatch.setattr(verify_module, "basin_lock", refused)
        found = verify(mine, "larkmoor", lambda _: None)
        assert found.troubles == []
        assert "files that are derived and do not say what the revisions say, 1 of them, " in found.not_judged[0]
        monkeypatch.undo()
    monkeypatch.setattr(verify_module, "basin_lock", refused)
    assert list(troubles(mine)) == ["larkmoor/latest.json"]


def test_a_file_where_a_date_belongs_is_told_and_nothing_fails(mine):
    (mine / "larkmoor" / "2031-03-04").touch()
    assert troubles(mine) == {"larkmoor/2031-03-04": "is a file where a date's folder belongs"}
    assert len(status(mine, "larkmoor", dt.date(2031, 3, 6), "10-01").days) == 2
    assert len(list_days(mine, "larkmoor")) == 2
    assert rebuild_derived(mine, "larkmoor") == 3


def test_a_withdrawal_of_nothing_and_one_cut_off_are_told(mine):
    path = mine / "larkmoor" / "decisions.jsonl"
    line = {"decision": "withdraw", "date": "2031-03-09", "revision": 1, "reason": "x", "made": "2031-03-03T00:00:00Z"}
    path.write_text(path.read_text("utf-8") + json.dumps(line) + "\n", "utf-8")
    assert troubles(mine)["larkmoor/decisions.jsonl"] == "withdraws 2031-03-09@1, which is not there"
    path.write_text('{"decision": "withdraw"}\n', "utf-8")
    assert troubles(mine)["larkmoor/decisions.jsonl"] == "line 1 cannot be read"
    path.write_text('{"decision": "wi', "utf-8")
    assert "was cut off" in troubles(mine)["larkmoor/decisions.jsonl"]


def test_a_first_withdrawal_that_found_no_room_leaves_no_trouble(sound, tmp_path):
    root = Path(shutil.copytree(sound, tmp_path / "archive"))
    (root / "larkmoor" / "decisions.jsonl").unlink()
    rebuild_derived(root, "larkmoor")
    (root / "larkmoor" / "decisions.jsonl").write_bytes(b"")
    assert troubles(root) == {}


def test_a_revision_in_another_place_is_told(mine):
    (mine / "larkmoor" / "2031-03-05" / "r001").rename(mine / "larkmoor" / "2031-03-05" / "r004")
    found = troubles(mine)
    assert found["larkmoor/2031-03-05/r004/record.json"] == "speaks of larkmoor 2031-03-05@1, not of its own folder"
    assert found["larkmoor/2031-03-05/r004/item.json"] == "does not say what the record says"


def test_what_is_derived_is_mended_by_a_rebuild(mine):
    for name in ("index.parquet", "totals.parquet", "latest.json", "collection.json", "2030-2031.json"):
        (mine / "larkmoor" / name).unlink()
    (mine / "catalog.json").write_text("{}", "utf-8")
    left = mine / ".staging" / "larkmoor" / "4194305-abcd"
    left.mkdir()
    assert len(troubles(mine)) == 7
    rebuild_derived(mine, "larkmoor")
    assert troubles(mine) == {}
    assert not left.exists()
