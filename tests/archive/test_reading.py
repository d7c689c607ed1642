"""What downstream Python gets: the values published, lazily, and errors that name what there is."""

from __future__ import annotations

import datetime as dt
import shutil
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import netCDF4
import numpy as np
import pandas as pd
import pytest
import xarray as xr
from made_day import made_day

from snowtally import reading
from snowtally.archive.revisions import RevisionId, asked_revision
from snowtally.cli.past import revision_of
from snowtally.model.problems import ArchiveError, SettingsError
from snowtally.model.variables import VARIABLES
from snowtally.publishing.estimate_nc import rounded_fields
from snowtally.publishing.publish import publish, rebuild_derived


def test_what_was_published_is_what_is_opened(archive):
    stored = rounded_fields(made_day("2031-03-05", extra_mm=20))
    with reading.open_day(archive, "larkmoor", "2031-03-05") as day:
        for name in VARIABLES:
            values = day[name].to_numpy()
            if name in {"source", "zone", "elevation_band"}:
                values = np.nan_to_num(values, nan=0.0)
            np.testing.assert_array_equal(values, stored[name], err_msg=name)
            assert day[name].attrs["units"] == VARIABLES[name].units
        assert day.attrs["revision"] == 1
        assert day["time"].to_numpy() == np.datetime64("2031-03-05T14:00")


def test_the_revision_that_stands_is_opened_unless_another_is_asked_for(archive):
    with (
        reading.open_day(archive, "larkmoor", dt.date(2031, 3, 1)) as new,
        reading.open_day(archive, "larkmoor", "2031-03-01", 1) as old,
    ):
        assert (new.attrs["revision"], old.attrs["revision"]) == (2, 1)
        snow = old["swe"] > 0
        # Ten millimetres more, each side rounded to a tenth.
        np.testing.assert_allclose((new["swe"] - old["swe"]).where(snow).max(), 10.0, atol=0.1001)


def test_a_day_is_opened_lazily(archive):
    with reading.open_day(archive, "larkmoor", "2031-03-05") as day:
        assert not any(day[name].variable._in_memory for name in VARIABLES)


def test_days_are_opened_along_time(archive):
    with reading.open_days(archive, "larkmoor", "2031-03-01", dt.date(2031, 3, 31)) as days:
        assert days["swe"].dims == ("time", "y", "x")
        assert days["time"].dt.day.to_numpy().tolist() == [1, 5]
        assert days["revision"].to_numpy().tolist() == [2, 1]
        assert days["cell_area"].dims == ("time", "y", "x")
        assert days["lat"].dims == ("y", "x")
        assert days["swe"].chunks is not None
        with reading.open_day(archive, "larkmoor", "2031-03-05") as day:
            xr.testing.assert_equal(
                days["swe"].isel(time=1).drop_vars(["time", "revision"]), day["swe"].drop_vars("time")
            )


def test_days_put_together_say_what_each_says(archive):
    with reading.open_days(archive, "larkmoor", "2031-03-01", "2031-03-05") as days:
        for number, date in enumerate(("2031-03-01", "2031-03-05")):
            with reading.open_day(archive, "larkmoor", date) as day:
                assert set(days.data_vars) == set(day.data_vars)
                for name in VARIABLES:
                    one = days[name].isel(time=number)
                    np.testing.assert_array_equal(one.to_numpy(), day[name].to_numpy(), err_msg=name)
                    assert one.dtype == day[name].dtype
                    told = [{k: np.asarray(v).tolist() for k, v in side.attrs.items()} for side in (one, day[name])]
                    assert told[0] == told[1]
                assert days["time"][number] == day["time"]
                xr.testing.assert_equal(
                    days["lat"].drop_vars("crs", errors="ignore"), day["lat"].drop_vars(["time", "crs"])
                )
    # What differs from day to day is said of none, what is the same of all.
    assert not {"title", "date", "id", "history"} & set(days.attrs)
    assert days.attrs["basin_id"] == "larkmoor"
    assert days["zone"].attrs["zone_ids"]
    assert "spatial_ref" in days["crs"].attrs


def test_days_on_two_grids_are_not_put_together(tmp_path, provenance):
    publish(tmp_path, made_day("2031-03-01"), provenance("a"))
    publish(tmp_path, made_day("2031-03-02", width=41), provenance("b"))
    with pytest.raises(ArchiveError, match="from 2031-03-01 to 2031-03-02 do not share one grid: open them one by one"):
        reading.open_days(tmp_path, "larkmoor", "2031-03-01", "2031-03-02")


def test_the_days_that_stand_are_listed(archive):
    days = reading.list_days(archive, "larkmoor")
    assert days["date"].tolist() == [pd.Timestamp("2031-03-01"), pd.Timestamp("2031-03-05")]
    assert days["revision"].tolist() == [2, 1]
    assert [Path(path).is_dir() for path in days["path"]] == [True, True]


def test_totals_of_a_span(archive):
    totals = reading.read_totals(archive, "larkmoor")
    assert list(totals.columns)[:3] == ["basin_id", "date", "revision"]
    assert totals.query("level == 'basin'")["revision"].tolist() == [2, 1]
    assert set(reading.read_totals(archive, "larkmoor", start="2031-03-02")["date"]) == {pd.Timestamp("2031-03-05")}
    assert set(reading.read_totals(archive, "larkmoor", end="2031-03-01")["date"]) == {pd.Timestamp("2031-03-01")}
    with pytest.raises(ArchiveError, match=r"larkmoor has no day from 2031-04-01 in .*Nearest: "):
        reading.read_totals(archive, "larkmoor", start="2031-04-01")


@pytest.mark.parametrize("damage", ["missing", "broken", "behind"])
def test_totals_do_not_depend_on_what_is_derived(tmp_path, provenance, damage):
    path = tmp_path / "larkmoor" / "totals.parquet"
    publish(tmp_path, made_day("2031-03-01"), provenance("a"))
    behind = path.read_bytes()
    publish(tmp_path, made_day("2031-03-01", extra_mm=10), provenance("b"))
    publish(tmp_path, made_day("2031-03-02"), provenance("c"))
    whole = reading.read_totals(tmp_path, "larkmoor")
    path.unlink() if damage == "missing" else path.write_bytes(b"PAR1" if damage == "broken" else behind)
    pd.testing.assert_frame_equal(reading.read_totals(tmp_path, "larkmoor"), whole, check_dtype=False)


def test_sites_keep_their_names(archive):
    sites = reading.read_sites(archive, "larkmoor", "2031-03-05")
    assert sites["site_id"].tolist() == ["NA", "007"]
    assert sites["used"].tolist() == [True, False]
    assert sites["swe_mm"].isna().tolist() == [False, True]


@pytest.mark.parametrize(
    ("date", "told"),
    [
        ("2031-03-03", "has no day 2031-03-03. Nearest: 2031-03-01 and 2031-03-05."),
        ("2031-02-01", "has no day 2031-02-01. Nearest: 2031-03-01."),
        ("2032-01-01", "has no day 2032-01-01. Nearest: 2031-03-05."),
        ("March 1st", "'March 1st' is no date. Write it as 2031-03-01."),
    ],
)
def test_a_date_that_is_not_held_is_told_with_the_nearest(archive, date, told):
    with pytest.raises(ArchiveError, match=told.replace(".", r"\.")):
        reading.open_day(archive, "larkmoor", date)


def test_other_things_that_are_not_there_are_told(archive, tmp_path):
    with pytest.raises(ArchiveError, match=r"has no basin larkmor\. It has: larkmoor\."):
        reading.list_days(archive, "larkmor")
    with pytest.raises(ArchiveError, match=r"larkmoor 2031-03-01 has no revision 3\. There is: 1, 2\."):
        reading.read_record(archive, "larkmoor", "2031-03-01", 3)
    with pytest.raises(ArchiveError, match="There is no archive at"):
        reading.list_days(tmp_path / "nowhere", "larkmoor")
    with pytest.raises(ArchiveError, match=r"'\.\./larkmoor' is no basin identifier"):
        reading.list_days(archive, "../larkmoor")


def test_a_decision_that_cannot_be_read_is_told_with_its_line(tmp_path, provenance):
    publish(tmp_path, made_day(), provenance("a"))
    (tmp_path / "larkmoor" / "decisions.jsonl").write_text('{"decision": "withdraw"}\n', "utf-8")
    with pytest.raises(ArchiveError, match=r"decisions.jsonl, line 1 cannot be read"):
        reading.open_day(tmp_path, "larkmoor", "2031-03-01")


def test_basins_of_one_archive_do_not_meet(tmp_path, provenance):
    publish(tmp_path, made_day(), provenance("a"))
    publish(tmp_path, replace(made_day(basin="hallow"), title="Hallow"), provenance("a"))
    assert reading.read_totals(tmp_path, "hallow")["basin_id"].unique().tolist() == ["hallow"]
    assert len(reading.list_days(tmp_path, "larkmoor")) == 1


def test_reading_brings_in_no_model_no_scheduler_and_no_raster_library():
    script = "import sys, snowtally.reading; print(*sys.modules)"
    root = Path(__file__).parents[2]
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True, cwd=root)
    heavy = {
        "sklearn", "pykrige", "prefect", "rioxarray", "rasterio", "scipy", "numba", "dask", "geopandas", "matplotlib", "xarray",
    }  # fmt: skip
    found = done.stdout.split()
    assert not heavy & {name.split(".")[0] for name in found}
    # Losses are told in the words of the table of rules, which needs nothing else.
    own = {name for name in found if name.startswith("snowtally.") and not name.startswith("snowtally.model.rules")}
    assert own <= {
        "snowtally.archive",
        "snowtally.model",
        "snowtally.reading",
        "snowtally.storage",
        "snowtally.archive.records",
        "snowtally.archive.columns",
        "snowtally.archive.current",
        "snowtally.archive.held",
        "snowtally.archive.layout",
        "snowtally.archive.revisions",
        "snowtally.storage.csv_text",
        "snowtally.storage.json_text",
        "snowtally.storage.parquet",
        "snowtally.storage.cache",
        "snowtally.storage.paths",
        "snowtally.model.problems",
        "snowtally.model.reasons",
        "snowtally.model.variables",
    }


NEEDED = ("xarray", "netCDF4", "pyarrow", "pandas", "numpy", "dateutil", "six", "packaging", "cftime", "certifi")
"""What a reader installs (xarray, netCDF4, pyarrow), and what these bring along."""

READER = """
import sys
from snowtally import reading
day = (sys.argv[1], "larkmoor", "2031-03-05")
print(len(reading.list_days(*day[:2])), len(reading.read_sites(*day)), len(reading.read_totals(*day[:2])),
      reading.series(*day[:2], "zone").sizes["unit"], reading.open_day(*day)["swe"].shape)
"""


def test_a_reader_needs_xarray_netcdf4_and_pyarrow_alone(archive, tmp_path):
    for path in (path for name in NEEDED for path in Path(np.__file__).parents[1].glob(f"{name}*")):
        (tmp_path / path.name).symlink_to(path)
    (tmp_path / "snowtally").symlink_to(Path(__file__).parents[2] / "pipeline")
    # Without site-packages: nothing is there but what was linked above.
    done = subprocess.run(
        [sys.executable, "-S", "-c", READER, archive],
        capture_output=True, text=True, check=False, env={"PYTHONPATH": str(tmp_path), "PATH": ""},
    )  # fmt: skip
    assert done.stdout.splitlines() == ["2 2 20 2 (30, 40)"], done.stderr


WITHDRAWN = (
    b'{"decision": "withdraw", "date": "2031-03-01", "revision": %s, "reason": "%s", "made": "2031-03-03T00:00:00Z"}\n'
)


@pytest.mark.parametrize("line", [WITHDRAWN % (b"2", b"\xe9"), WITHDRAWN % (b"Infinity", b"tare"), b"\xff\n"])
def test_a_decision_that_is_no_text_is_told_by_its_line(archive, tmp_path, line):
    root = Path(shutil.copytree(archive, tmp_path / "archive"))
    (root / "larkmoor" / "decisions.jsonl").write_bytes(WITHDRAWN % (b"1", "Øvre".encode()) + line)
    told = r"decisions\.jsonl, line 2 cannot be read\. Put the file back from a copy"
    for read in (reading.list_days, reading.read_totals, rebuild_derived):
        with pytest.raises(ArchiveError, match=told):
            read(root, "larkmoor")
    # A last line that was cut off within a letter is cut off as any other.
    (root / "larkmoor" / "decisions.jsonl").write_bytes(WITHDRAWN % (b"1", b"tare") + b'{"reason": "\xc3')
    assert list(reading.withdrawals(root, "larkmoor")) == [RevisionId(dt.date(2031, 3, 1), 1)]


@pytest.mark.parametrize("date", ["2031-3-5", "soon", "2031-03", "", 5, 20310305])
def test_what_is_no_date_is_told_wherever_a_range_is_asked_for(archive, date):
    told = f"'{date}' is no date. Write it as 2031-03-01"
    with pytest.raises(ArchiveError, match=told):
        reading.open_days(archive, "larkmoor", date, "2031-03-05")
    with pytest.raises(ArchiveError, match=told):
        reading.open_days(archive, "larkmoor", "2031-03-01", date)
    with pytest.raises(ArchiveError, match=told):
        reading.read_totals(archive, "larkmoor", start=date)
    with pytest.raises(ArchiveError, match=told):
        reading.read_totals(archive, "larkmoor", end=date)


def test_a_range_takes_dates_of_either_kind(archive):
    for start in ("2031-03-02", dt.date(2031, 3, 2), pd.Timestamp("2031-03-02")):
        assert set(reading.read_totals(archive, "larkmoor", start)["date"]) == {pd.Timestamp("2031-03-05")}


@pytest.mark.parametrize(
    "text", ["2031-03-05@\u00b2", "2031-03-05@", "2031-03-05@-1", "2031-03-05@1@1", f"2031-03-05@{'9' * 5000}"]
)
def test_what_is_no_revision_is_told(text):
    with pytest.raises(ArchiveError, match=r"is no revision\. Write a date such as 2031-03-01, or 2031-03-01@2"):
        asked_revision(text)
    with pytest.raises(SettingsError, match="is no revision"):
        revision_of(text)


def test_a_command_on_a_revision_needs_its_number():
    assert revision_of("2031-03-05@2") == RevisionId(dt.date(2031, 3, 5), 2)
    with pytest.raises(
        SettingsError, match=r"'2031-03-05' is not a revision\. Write its date and number as 2031-03-01@2"
    ):
        revision_of("2031-03-05")


@pytest.mark.parametrize("fuller", ["2031-03-01", "2031-03-05"])
def test_a_variable_that_one_day_lacks_is_missing_there(archive, tmp_path, fuller):
    root = Path(shutil.copytree(archive, tmp_path / "archive"))
    path = reading.current_revision(root, "larkmoor", fuller).path / "estimate.nc"
    path.chmod(0o644)
    with netCDF4.Dataset(path, "a") as file:
        file.createVariable("rain", "f4", ("y", "x"), fill_value=np.float32(np.nan))[:] = 2.5
    with reading.open_days(root, "larkmoor", "2031-03-01", "2031-03-05") as days:
        has = [str(time)[:10] == fuller for time in days["time"].to_numpy()]
        assert sorted(has) == [False, True]
        assert days["rain"].isel(time=has.index(True)).to_numpy().min() == 2.5
        assert np.isnan(days["rain"].isel(time=has.index(False)).to_numpy()).all()
        assert np.isfinite(days["swe"].to_numpy()).any(axis=(1, 2)).all()
