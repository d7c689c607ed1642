"""An archive in an object store: a local server that speaks S3 stands in for one."""

import datetime as dt
import json
import logging
import multiprocessing
import os
import time

import duckdb
import fsspec
import numpy as np
import pandas as pd
import pytest
import rasterio
import xarray as xr
from made_basin import changed, snowtally, write_basin
from made_day import made_day
from made_provenance import make_provenance

from snowtally import reading
from snowtally.inspection.status import status
from snowtally.inspection.verify import verify
from snowtally.model.problems import ArchiveError
from snowtally.publishing import publish as archive_module
from snowtally.publishing import staging as staging_module
from snowtally.publishing.archived_inputs import archive_inputs, inputs_folder, read_archived
from snowtally.publishing.prune import prune
from snowtally.publishing.publish import publish, rebuild_derived, withdraw
from snowtally.publishing.staging import left_behind, staged
from snowtally.report.pages import remake
from snowtally.storage.paths import path_of, put_new, send

moto_server = pytest.importorskip("moto.server", reason="moto is not installed: no local object store to try")
DATE = dt.date(2031, 3, 1)


@pytest.fixture(scope="module")
def store(tmp_path_factory):
    """Return the address of an empty bucket, with the environment that leads every client to it."""
    logging.getLogger("werkzeug").setLevel(logging.ERROR)
    server = moto_server.ThreadedMotoServer(port=0, verbose=False)
    server.start()
    _, port = server.get_host_and_port()
    told = {
        "AWS_ENDPOINT_URL": f"http://127.0.0.1:{port}", "AWS_ACCESS_KEY_ID": "tests", "AWS_SECRET_ACCESS_KEY": "tests",
        "AWS_DEFAULT_REGION": "us-east-1", "XDG_CACHE_HOME": str(tmp_path_factory.mktemp("cache")),
        "AWS_S3_ENDPOINT": f"127.0.0.1:{port}", "AWS_HTTPS": "NO", "AWS_VIRTUAL_HOSTING": "FALSE",
    }  # fmt: skip
    with pytest.MonkeyPatch.context() as patch:
        for name, value in told.items():
            patch.setenv(name, value)
        path_of("s3://snow/").fs.mkdir("snow")
        yield "s3://snow"
    server.stop()


@pytest.fixture(scope="module")
def archive(store):
    """Two dates, the first with two revisions."""
    root = f"{store}/read"
    publish(root, made_day("2031-03-01"), make_provenance("first"))
    publish(root, made_day("2031-03-01", extra_mm=10), make_provenance("second"))
    publish(root, made_day("2031-03-05", extra_mm=20), make_provenance("third"))
    return root


@pytest.fixture
def copied(store, archive):
    """Return the maker of copies of that archive: a store copies its objects faster than they are published."""

    def copy(name):
        path_of(archive).fs.copy(archive, f"{store}/{name}", recursive=True)
        return f"{store}/{name}"

    return copy


def test_what_is_published_is_read_as_from_a_folder(archive, tmp_path):
    folder = tmp_path / "archive"
    publish(folder, made_day("2031-03-01"), make_provenance("first"))
    publish(folder, made_day("2031-03-01", extra_mm=10), make_provenance("second"))
    publish(folder, made_day("2031-03-05", extra_mm=20), make_provenance("third"))
    days = reading.list_days(archive, "larkmoor")
    assert days["revision"].tolist() == [2, 1]
    pd.testing.assert_frame_equal(reading.read_totals(archive, "larkmoor"), reading.read_totals(folder, "larkmoor"))
    pd.testing.assert_frame_equal(
        reading.read_sites(archive, "larkmoor", DATE), reading.read_sites(folder, "larkmoor", DATE)
    )
    with reading.open_day(archive, "larkmoor", DATE, 1) as one, reading.open_day(folder, "larkmoor", DATE, 1) as other:
        xr.testing.assert_identical(one.load(), other.load())
    with reading.open_days(archive, "larkmoor", DATE, "2031-03-05") as season:
        assert season.sizes["time"] == 2
    held = status(archive, "larkmoor", dt.date(2031, 3, 6), "10-01")
    assert held.days["revisions"].tolist() == [2, 1]
    assert held.size_bytes > 100_000
    with pytest.raises(ArchiveError, match="Nearest: 2031-03-01 and 2031-03-05"):
        reading.open_day(archive, "larkmoor", "2031-03-03")
    with pytest.raises(ArchiveError, match="no basin elsewhere"):
        reading.list_days(archive, "elsewhere")


def test_the_same_night_again_publishes_nothing(archive):
    again = publish(archive, made_day("2031-03-05", extra_mm=20), make_provenance("third"))
    assert again.unchanged
    assert len(reading.revisions(archive, "larkmoor", "2031-03-05")) == 1


def test_basins_of_one_store_count_their_revisions_apart(archive):
    assert len(reading.revisions(archive, "larkmoor", DATE)) == 2
    published = publish(archive, made_day("2031-03-01", basin="westfell"), make_provenance("first"))
    assert published.revision == 1
    assert len(reading.revisions(archive, "larkmoor", DATE)) == 2


@pytest.mark.long
def test_it_is_sound_and_its_derived_files_can_be_made_again(store):
    root = f"{store}/sound"
    publish(root, made_day("2031-03-01"), make_provenance("first"))
    publish(root, made_day("2031-03-01", extra_mm=10), make_provenance("second"))
    withdraw(root, "larkmoor", DATE, 2, "wrong sheet")
    with pytest.raises(ArchiveError, match="withdrawn before"):
        withdraw(root, "larkmoor", DATE, 2, "again")
    assert reading.current_revision(root, "larkmoor", DATE).number == 1
    assert verify(root, "larkmoor", lambda _: None).troubles == []
    latest = path_of(f"{root}/larkmoor/latest.json")
    assert json.loads(latest.read_text())["revision"] == 1
    latest.write_text("{}")
    assert [t.path for t in verify(root, "larkmoor", lambda _: None).troubles] == ["larkmoor/latest.json"]
    rebuild_derived(root, "larkmoor")
    assert verify(root, "larkmoor", lambda _: None).troubles == []
    damaged = path_of(f"{root}/larkmoor/2031-03-01/r001/swe.tif")
    data = bytearray(damaged.read_bytes())
    data[len(data) // 2] ^= 1
    damaged.write_bytes(bytes(data))
    assert [t.path for t in verify(root, "larkmoor", lambda _: None).troubles] == ["larkmoor/2031-03-01/r001/swe.tif"]


def test_an_object_that_is_there_is_never_put_over(store):
    put_new(path_of(f"{store}/once/a"), b"first")
    with pytest.raises(FileExistsError):
        put_new(path_of(f"{store}/once/a"), b"second")
    assert path_of(f"{store}/once/a").read_bytes() == b"first"


@pytest.mark.long
@pytest.mark.parametrize("objects", [0, 11])
def test_a_writer_that_dies_leaves_nothing_to_be_seen_and_the_next_goes_on(copied, objects, monkeypatch):
    root, done = copied(f"crash{objects}"), []

    def cut_off(file, path):
        if len(done) == objects:
            raise OSError("the line is cut")
        done.append(path)
        send(file, path)

    monkeypatch.setattr(archive_module, "send", cut_off)
    with pytest.raises(ArchiveError, match="the line is cut"):
        publish(root, made_day("2031-03-01", extra_mm=20), make_provenance("fourth"))
    monkeypatch.setattr(archive_module, "send", send)
    assert [r.number for r in reading.revisions(root, "larkmoor", DATE)] == [1, 2]
    assert float(reading.read_totals(root, "larkmoor")["revision"].max()) == 2
    after = publish(root, made_day("2031-03-01", extra_mm=20), make_provenance("fourth"))
    assert after.revision > 2
    assert reading.current_revision(root, "larkmoor", DATE).number == after.revision
    assert not [t for t in verify(root, "larkmoor", lambda _: None).troubles if "is no revision" not in t.what]


@pytest.mark.long
def test_what_a_night_at_work_has_put_is_no_stray(store):
    root = f"{store}/at_work"
    publish(root, made_day("2031-03-01"), make_provenance("first"))
    with staged(path_of(root), "larkmoor", "2031-03-01"):
        archive_inputs(root, "larkmoor", {"sites": pd.DataFrame({"site_id": ["new"]})}, {})
        path_of(f"{root}/larkmoor/2031-03-01/r002/swe.tif").write_bytes(b"the record comes last")
        assert verify(root, "larkmoor", lambda _: None).troubles == []
    # It ended without its record.
    found = verify(root, "larkmoor", lambda _: None)
    assert [(t.path, t.what) for t in found.troubles] == [
        ("larkmoor/2031-03-01/r002", "is no revision: it has no record.json")
    ]
    assert (len(found.leftovers), found.unknown) == (2, ["2031-03-01@2"])


def test_a_decision_whose_writer_died_is_taken_along(copied):
    root = copied("decisions")
    line = {
        "decision": "withdraw",
        "date": "2031-03-01",
        "revision": 1,
        "reason": "cut off",
        "made": "2031-03-02T00:00:00Z",
    }
    put_new(path_of(f"{root}/.locks/larkmoor/decisions/000001"), json.dumps(line).encode() + b"\n")
    withdraw(root, "larkmoor", DATE, 2, "whole")
    assert set(reading.withdrawals(root, "larkmoor").values()) == {"cut off", "whole"}


def _publish_some(root, start):
    for number in range(2):
        publish(
            root,
            made_day("2031-03-01", extra_mm=10 * start + number),
            make_provenance(f"{start}-{number}", command="rerun"),
        )


@pytest.mark.long
def test_writers_at_once_never_take_one_number(store):
    root = f"{store}/race"
    publish(root, made_day("2031-03-01"), make_provenance("first"))
    context = multiprocessing.get_context("spawn")
    writers = [context.Process(target=_publish_some, args=(root, start)) for start in (1, 2)]
    for writer in writers:
        writer.start()
    for writer in writers:
        writer.join(120)
        assert writer.exitcode == 0
    held = reading.revisions(root, "larkmoor", DATE)
    assert [r.number for r in held] == list(range(1, 6))
    hashes = {reading.load_record(r.path)["input_hash"] for r in held}
    assert hashes == {"first"} | {f"{start}-{number}" for start in (1, 2) for number in range(2)}
    rebuild_derived(root, "larkmoor")
    assert verify(root, "larkmoor", lambda _: None).troubles == []


def test_others_read_it_in_place(archive):
    day = f"{archive}/larkmoor/2031-03-05/r001"
    with reading.open_day(archive, "larkmoor", "2031-03-05") as ours:
        swe = ours["swe"].load().to_numpy()
    with fsspec.open(f"{day}/estimate.nc").open() as file, xr.open_dataset(file, engine="h5netcdf") as theirs:
        np.testing.assert_array_equal(theirs["swe"].to_numpy()[0], swe)
    with rasterio.open(f"{day}/swe.tif") as raster:
        np.testing.assert_array_equal(raster.read(1), swe.astype("f4"))
    connection = duckdb.connect()
    connection.register_filesystem(fsspec.filesystem("s3"))
    query = f"select count(*) from read_parquet('{archive}/larkmoor/*/r*/totals.parquet')"  # noqa: S608  our own address
    assert connection.sql(query).fetchall()[0][0] > 10


def test_an_address_of_a_store_that_nothing_here_reads_is_one_line():
    with pytest.raises(ArchiveError, match=r"nowhere://bucket' cannot be opened .*fsspec package"):
        reading.list_days("nowhere://bucket", "larkmoor")


def test_a_night_from_the_command_line(store, tmp_path):
    basin = write_basin(tmp_path)
    settings = changed(basin, "store", lambda text: text.replace("archive: archive_store", f"archive: {store}/night"))
    for words in (
        ("update", settings, "--date", "2031-03-02"),
        ("rerun", settings, "--inputs-of", "2031-03-02@1"),
        ("status", settings),
        ("verify", settings),
    ):
        done = snowtally(*words)
        assert done.returncode in (0, 1 if words[0] == "status" else 0), done.stdout + done.stderr
        assert "Traceback" not in done.stderr
    assert len(reading.list_days(f"{store}/night", "made")) == 1
    assert os.environ["XDG_CACHE_HOME"]


@pytest.mark.long
def test_pages_are_made_in_the_store_and_are_those_of_a_folder(store, tmp_path):
    folder = tmp_path / "archive"
    for root in (f"{store}/pages", folder):
        for number, date in enumerate((DATE, dt.date(2031, 3, 2))):
            publish(root, made_day(str(date), extra_mm=number), make_provenance(str(date)))
            assert remake(root, "larkmoor", date, "metric").troubles == []
    for name in ("2031-03-02/report.html", "season.html"):
        assert (path_of(f"{store}/pages") / "larkmoor" / name).read_bytes() == (folder / "larkmoor" / name).read_bytes()
    withdraw(f"{store}/pages", "larkmoor", DATE, 1, "wrong")
    assert remake(f"{store}/pages", "larkmoor", DATE, "metric").troubles == []
    assert not (path_of(f"{store}/pages") / "larkmoor/2031-03-01/report.html").exists()


@pytest.mark.long
def test_work_in_hand_is_not_taken_for_left_and_what_is_due_is_finished(store, monkeypatch):
    root = f"{store}/due"
    publish(root, made_day("2031-03-01"), make_provenance("first"))
    with staged(path_of(root), "larkmoor", "2031-03-02"):
        assert left_behind(root, "larkmoor") == {}
    assert left_behind(root, "larkmoor") == {}

    def cut_off(*_):
        raise OSError("the line is cut")

    monkeypatch.setattr(archive_module, "refresh", cut_off)
    with pytest.raises(ArchiveError, match=r"is published as .* but not in the index yet"):
        publish(root, made_day("2031-03-05"), make_provenance("second"))
    monkeypatch.undo()
    assert list(left_behind(root, "larkmoor").values()) == ["2031-03-05"]
    publish(root, made_day("2031-03-01", extra_mm=10), make_provenance("third"))
    assert left_behind(root, "larkmoor") == {}
    assert verify(root, "larkmoor", lambda _: None).troubles == []


@pytest.mark.long
def test_prune_frees_what_no_revision_names_in_a_store(store, monkeypatch):
    root = f"{store}/prune"
    courses = {"courses": pd.DataFrame({"site_id": ["NA"], "date": ["2031-03-01"], "swe_mm": [1.5]})}
    other = {"courses": pd.DataFrame({"site_id": ["NA"], "date": ["2031-04-01"], "swe_mm": [2.5]})}
    kept = archive_inputs(root, "larkmoor", courses, {})
    publish(root, made_day("2031-03-01", height=8, width=9), make_provenance("a" * 64, archived=kept))
    left = archive_inputs(root, "larkmoor", other, {})
    assert prune(root, "larkmoor", 30, go=True).inputs == []
    listed = prune(root, "larkmoor", 0, go=False)
    assert sorted(one.path.rsplit(".", 1)[1] for one in listed.inputs) == ["gz", "json"]
    assert listed.bytes == sum(one.bytes for one in listed.inputs) > 0
    prune(root, "larkmoor", 0, go=True)
    inputs = inputs_folder(root, "larkmoor")
    assert not (inputs / f"{left['courses']}.json").exists()
    assert read_archived(root, "larkmoor", kept)[0]["courses"]["swe_mm"].tolist() == [1.5]
    # What a night names anew it writes anew once it is old: no lock tells prune of that night.
    path = inputs / f"{kept['courses']}.json"
    before = path.fs.modified(path.path)
    assert archive_inputs(root, "larkmoor", courses, {}) == kept
    assert path.fs.modified(path.path) == before
    monkeypatch.setattr(staging_module, "FOREIGN_S", -1)
    time.sleep(1.1)
    assert archive_inputs(root, "larkmoor", courses, {}) == kept
    assert path.fs.modified(path.path) > before
