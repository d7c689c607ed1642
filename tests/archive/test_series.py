"""Time series of units, and the tables of a day, as a program reads them."""

import json
import subprocess
import sys
from pathlib import Path
from types import SimpleNamespace

import netCDF4
import numpy as np
import pandas as pd
import pytest
import xarray as xr
from pyproj import Transformer
from typer.testing import CliRunner

from snowtally import reading
from snowtally.cli.main import app
from snowtally.model.problems import ArchiveError, SettingsError

PRIORITIES = ("high_priorities", "medium_priorities", "low_priorities")


@pytest.mark.parametrize(("of", "units"), [
    ("basin", ["larkmoor"]), ("zone", ["north", "south"]), ("band", ["1800-2000", "2000-2200", "2200-2400"]),
])  # fmt: skip
def test_a_series_has_the_published_totals(archive, of, units):
    series = reading.series(archive, "larkmoor", of)
    assert set(series["unit"].to_numpy()) == set(units)
    totals = reading.read_totals(archive, "larkmoor")
    for column in ("volume_m3", "swe_se_mm"):
        published = totals.loc[totals["level"] == of, column].to_numpy().reshape(2, -1)
        np.testing.assert_array_equal(series[column], published)
    assert (
        series["time"].to_numpy().tolist()
        == pd.to_datetime(["2031-03-01T14:00", "2031-03-05T14:00"]).as_unit("ns").asi8.tolist()
    )
    assert series["revision"].to_numpy().tolist() == [2, 1]


def test_a_sites_series_has_what_its_tables_say(archive):
    series = reading.series(archive, "larkmoor", "site", start="2031-03-02")
    assert series["unit"].to_numpy().tolist() == ["NA", "007"]
    assert series["swe_mm"].sel(unit="NA").to_numpy().tolist() == [255.6]
    assert np.isnan(series["swe_mm"].sel(unit="007").to_numpy()).all()
    assert series["elevation_m"].sel(unit="007") == 2011.3
    with pytest.raises(ArchiveError, match=r"no day from 2031-04-01 in .*Nearest: 2031-03-0"):
        reading.series(archive, "larkmoor", "site", start="2031-04-01")
    with pytest.raises(ValueError, match="of basin, zone, band, zone_band, site; not of 'zoone'"):
        reading.series(archive, "larkmoor", "zoone")


def test_a_series_bears_units_and_the_local_days_as_bounds(archive, tmp_path):
    reading.series(archive, "larkmoor", "band").to_netcdf(tmp_path / "series.nc")
    with xr.open_dataset(tmp_path / "series.nc") as series:
        assert series["time"].attrs["bounds"] == "time_bounds"
        hours = (series["time_bounds"] - series["time"]) / np.timedelta64(1, "h")
        np.testing.assert_array_equal(hours, [[-12, 12]] * 2)
        assert series["band_low_m"].to_numpy().tolist() == [1800, 2000, 2200]
        assert {name: series[name].attrs["units"] for name in ("volume_m3", "density_mean_kg_m3", "swe_mean_mm")} == {
            "volume_m3": "m3", "density_mean_kg_m3": "kg m-3", "swe_mean_mm": "mm"}  # fmt: skip


def test_every_revision_is_listed_with_what_became_of_it(archive):
    table = reading.list_revisions(archive, "larkmoor")
    assert table[["revision", "current", "degraded"]].to_numpy().tolist() == [
        [1, False, True], [2, True, True], [1, True, False]]  # fmt: skip
    assert table[["withdrawn", "held_back"]].eq("").all(axis=None)


def test_the_other_tables_of_a_day(archive):
    day = (archive, "larkmoor", "2031-03-05")
    assert reading.read_checks(*day)["site_id"].tolist() == ["007"]
    assert reading.read_skill(*day)[["model", "rmse"]].to_numpy().tolist() == [["kriging", 33.333]]
    # No normals were given, and no forecast reached past the day.
    assert reading.read_normals(*day).empty
    assert "melt_m3" in reading.read_outlook(*day)


@pytest.fixture
def command(archive, monkeypatch):
    """Runs `snowtally series` on the archive and returns what it prints."""
    chosen = SimpleNamespace(archive_root=archive, basin=SimpleNamespace(id="larkmoor"))
    monkeypatch.setattr("snowtally.cli.base.read", lambda _: chosen)
    return lambda *words: CliRunner().invoke(app, ["series", "basin.yaml", *map(str, words)])


def test_the_command_gives_a_row_a_date_and_a_column_a_unit(archive, command):
    done = command("--of", "zone", "--from", "2031-03-02", "--csv")
    totals = reading.read_totals(archive, "larkmoor", "2031-03-02").query("level == 'zone'").set_index("zone_id")
    north, south = totals.loc[["north", "south"], "volume_m3"]
    assert done.stdout == f"date,north,south\n2031-03-05,{north},{south}\n"
    told = json.loads(command("--of", "site", "--column", "swe_mm", "--json").stdout)
    assert told["series"] == [
        {"date": "2031-03-01", "NA": 255.6, "007": None}, {"date": "2031-03-05", "NA": 255.6, "007": None}]  # fmt: skip
    assert [line.split()[0] for line in command().stdout.splitlines() if "2031" in line] == ["│", "│"]


def test_the_command_writes_all_columns_as_a_time_series(command, archive, tmp_path):
    assert command("--of", "band", "--netcdf", tmp_path / "season.nc").exit_code == 0
    with netCDF4.Dataset(tmp_path / "season.nc") as file:
        assert file["time"].bounds == "time_bounds"
        assert file["volume_m3"].dimensions == ("unit", "time")
        assert "units" not in file["time_bounds"].ncattrs() or file["time_bounds"].units == file["time"].units
    with pytest.raises(SettingsError, match=r"--column melt: there is no such column\. There is: .*volume_m3"):
        raise command("--column", "melt").exception
    with pytest.raises(SettingsError, match="--netcdf"):
        raise command("--netcdf", archive / "larkmoor" / "season.nc").exception
    with pytest.raises(ArchiveError, match=r"no such file or folder .*make it or name another"):
        raise command("--netcdf", tmp_path / "nowhere" / "season.nc").exception


@pytest.mark.parametrize("of", ["basin", "zone", "band", "site"])
def test_the_checker_finds_nothing_wrong_with_a_series(command, tmp_path, of):
    path, report = tmp_path / "series.nc", tmp_path / "report.json"
    assert command("--of", of, "--netcdf", path).exit_code == 0
    checker = Path(sys.executable).with_name("compliance-checker")
    command = [checker, "--test=cf:1.11", "--criteria=strict", "--format=json", f"--output={report}", path]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    found = json.loads(report.read_text("utf-8"))["cf:1.11"]
    messages = [message for priority in PRIORITIES for check in found[priority] for message in check["msgs"]]
    assert (messages, done.returncode) == ([], 0), done.stderr


def test_a_sites_series_is_one_of_stations_with_their_positions(command, archive, tmp_path):
    assert command("--of", "site", "--netcdf", tmp_path / "sites.nc").exit_code == 0
    sites = reading.read_sites(archive, "larkmoor", "2031-03-05").set_index("site_id")
    with xr.open_dataset(tmp_path / "sites.nc") as series:
        assert series.attrs["featureType"] == "timeSeries"
        assert series["unit_name"].attrs["cf_role"] == "timeseries_id"
        back = Transformer.from_crs("EPSG:4326", 32625, always_xy=True).transform(series["lon"], series["lat"])
        np.testing.assert_allclose(np.transpose(back), sites.loc[series["unit_name"].to_numpy(), ["x", "y"]], atol=0.01)
        assert {"lon", "lat"} <= set(series["swe_mm"].coords)
    assert "featureType" not in reading.series(archive, "larkmoor", "zone").attrs
