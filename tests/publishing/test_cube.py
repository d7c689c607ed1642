"""A season as one Zarr folder, read by xarray and zarr alone."""

import json
from types import SimpleNamespace

import numpy as np
import pytest
import xarray as xr
import zarr
from pyproj import CRS
from typer.testing import CliRunner

from snowtally import reading
from snowtally.cli import cube as command
from snowtally.cli.main import app
from snowtally.model.problems import SnowtallyError
from snowtally.publishing import cube


@pytest.fixture
def season(archive):
    with reading.open_days(archive, "larkmoor", "2031-03-01", "2031-03-05") as days:
        yield days


def test_it_holds_what_the_files_of_the_days_hold(archive, season, tmp_path):
    cube.write_cube(season, tmp_path / "new" / "season.zarr")
    with xr.open_zarr(tmp_path / "new" / "season.zarr") as told:
        assert told["revision"].to_numpy().tolist() == [2, 1]
        assert told["swe"].attrs["units"] == "mm"
        mapping = told[told["swe"].attrs["grid_mapping"]]
        assert CRS(mapping.attrs["crs_wkt"]) == CRS(season["crs"].attrs["crs_wkt"])
        for number, day in enumerate(("2031-03-01", "2031-03-05")):
            file = reading.find_revision(archive, "larkmoor", day).path / "estimate.nc"
            with xr.open_dataset(file, engine="netcdf4", decode_coords="all") as one:
                for name in ("swe", "swe_se", "zone", "depth"):
                    np.testing.assert_array_equal(
                        told[name].isel(time=number), one[name].isel(time=0, missing_dims="ignore")
                    )
    swe = zarr.open_group(tmp_path / "new" / "season.zarr", mode="r")["swe"]
    assert swe.chunks == tuple(map(min, (64, 64, 64), swe.shape))


def test_an_older_cube_is_replaced_whole_and_nothing_else(season, tmp_path, monkeypatch):
    folder = tmp_path / "season.zarr"
    cube.write_cube(season, folder)
    cube.write_cube(season.isel(time=[1]), folder)
    assert xr.open_zarr(folder).sizes["time"] == 1

    # A run that fails in the midst leaves the old one whole and nothing beside it.
    def cut_off(*_args, **_more):
        raise OSError("no space left")

    monkeypatch.setattr(xr.Dataset, "to_zarr", cut_off)
    with pytest.raises(SnowtallyError, match="Cannot write"):
        cube.write_cube(season, folder)
    assert xr.open_zarr(folder).sizes["time"] == 1
    assert list(tmp_path.iterdir()) == [folder]
    (tmp_path / "other").mkdir()
    with pytest.raises(SnowtallyError, match="is there and no cube"):
        cube.write_cube(season, tmp_path / "other")


def test_the_command_tells_what_it_wrote_and_writes_into_no_archive(archive, tmp_path, monkeypatch):
    settings = SimpleNamespace(archive_root=archive, basin=SimpleNamespace(id="larkmoor", utc_offset_hours=-2.0))
    monkeypatch.setattr(command.base, "read", lambda _path: settings)
    done = CliRunner().invoke(app, ["cube", "x.yaml", str(tmp_path / "c.zarr"), "--from", "2031-03-02", "--json"])
    assert json.loads(done.stdout) | {"written": ""} == {
        "basin": "larkmoor", "written": "", "days": 1, "first": "2031-03-05", "last": "2031-03-05"}  # fmt: skip
    # 14:00 UTC on the 5th is the 6th where clocks are thirteen hours ahead.
    settings.basin.utc_offset_hours = 13.0
    done = CliRunner().invoke(app, ["cube", "x.yaml", str(tmp_path / "c.zarr"), "--json"])
    assert (json.loads(done.stdout)["days"], json.loads(done.stdout)["last"]) == (2, "2031-03-06")
    refused = CliRunner().invoke(app, ["cube", "x.yaml", str(archive / "larkmoor" / "c.zarr")])
    assert "lies in the archive" in str(refused.exception)
