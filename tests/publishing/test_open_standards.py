"""The archive opens without this program: each file with the ordinary reader of its format. Nothing of ours is imported."""

from __future__ import annotations

import json

import duckdb
import numpy as np
import pandas as pd
import pyarrow.parquet as pq
import pytest
import rasterio
import rioxarray
import xarray as xr
from rio_cogeo import cog_validate


@pytest.fixture(scope="module")
def revision(archive):
    latest = json.loads((archive / "larkmoor" / "latest.json").read_text("utf-8"))
    assert latest == {"date": "2031-03-05", "revision": 1, "path": "2031-03-05/r001"}
    return archive / "larkmoor" / latest["path"]


def test_xarray_reads_the_grid_with_its_time_place_and_units(revision):
    with xr.open_dataset(revision / "estimate.nc", decode_coords="all") as day:
        assert day["swe"].dims == ("time", "y", "x")
        assert (
            day["elevation"].dims
            == day["elevation_band"].dims
            == day["cell_area"].dims
            == day["lat"].dims
            == ("y", "x")
        )
        assert day["swe"].attrs["units"] == "mm"
        assert day["depth"].attrs["units"] == "m"
        assert day["time"].dtype.kind == "M"
        assert (day["time"].to_numpy() == np.array(["2031-03-05T14:00"], "datetime64[ns]")).all()
        assert day.attrs["date"] == "2031-03-05"
        assert day["crs"].attrs["grid_mapping_name"] == "transverse_mercator"
        assert float(day["swe"].max()) > 100
        assert {"swe", "swe_se", "swe_p10", "swe_p90", "depth", "depth_se", "density", "density_se", "snow_cover",
                "source", "elevation", "zone", "elevation_band", "cell_area", "lat", "lon"} <= set(day.variables)  # fmt: skip


def test_days_join_by_default(archive):
    # The glob that people write first. Of a date with two revisions xarray takes the last: docs/archive.md has the current ones.
    with xr.open_mfdataset(f"{archive}/larkmoor/*/r*/estimate.nc") as days:
        assert days["time"].dt.strftime("%Y-%m-%d").to_numpy().tolist() == ["2031-03-01", "2031-03-05"]
        assert days["swe"].dims == days["source"].dims == ("time", "y", "x")
        assert days["lat"].dims == ("y", "x")
        for number, path in enumerate(("2031-03-01/r002", "2031-03-05/r001")):
            with xr.open_dataset(archive / "larkmoor" / path / "estimate.nc") as day:
                np.testing.assert_array_equal(days["swe"][number], day["swe"][0])
                # Today's xarray puts the ground along time too, later ones do not.
                assert (days["elevation"].squeeze() == day["elevation"]).any()


def test_rioxarray_opens_it_as_rasters(revision):
    rasters = rioxarray.open_rasterio(revision / "estimate.nc")
    assert rasters["swe"].dims == ("time", "y", "x")
    assert rasters.rio.crs.to_epsg() == 32625
    with xr.open_dataset(revision / "estimate.nc") as day:
        np.testing.assert_array_equal(rasters["swe"].where(rasters["swe"] != rasters["swe"].rio.nodata), day["swe"])
        np.testing.assert_array_equal(rasters["elevation_band"].squeeze(), day["elevation_band"].fillna(0))


def test_gdal_tells_the_date_of_each_layer(revision):
    # R's terra takes its times from these.
    with rasterio.open(f"netcdf:{revision / 'estimate.nc'}:swe") as raster:
        hours = float(raster.tags(1)["NETCDF_DIM_time"])
        assert raster.tags()["time#units"] == "hours since 1970-01-01 00:00:00"
    assert pd.Timestamp(0) + pd.Timedelta(hours=hours) == pd.Timestamp("2031-03-05T14:00")


def test_no_two_variables_share_a_standard_name(revision):
    with xr.open_dataset(revision / "estimate.nc") as day:
        names = [day[name].attrs["standard_name"] for name in day.variables if "standard_name" in day[name].attrs]
    assert len(names) == len(set(names))
    assert "lwe_thickness_of_surface_snow_amount" in names


def test_latitude_and_longitude_are_those_of_the_projection(revision):
    from pyproj import Transformer  # noqa: PLC0415  the only test that needs it

    with xr.open_dataset(revision / "estimate.nc") as day:
        longitude, latitude = Transformer.from_crs(32625, 4326, always_xy=True).transform(
            *np.meshgrid(day["x"], day["y"])
        )
        # 1e-6 degrees are 0.1 m.
        np.testing.assert_allclose(day["lat"], latitude, atol=1e-6, rtol=0)
        np.testing.assert_allclose(day["lon"], longitude, atol=1e-6, rtol=0)


@pytest.mark.parametrize(("name", "unit"), [("swe", "mm"), ("swe_se", "mm"), ("depth", "m"), ("density", "kg m-3")])
def test_rasterio_reads_each_geotiff_as_the_grid_of_the_netcdf(revision, name, unit):
    with rasterio.open(revision / f"{name}.tif") as raster, xr.open_dataset(revision / "estimate.nc") as day:
        assert raster.units == (unit,)
        assert raster.descriptions == (day[name].attrs["long_name"],)
        assert raster.crs.to_epsg() == 32625
        assert raster.transform.a == 100
        assert (raster.transform.c, raster.transform.f) == (512_000, 4_880_000)
        values = raster.read(1, masked=True)
        np.testing.assert_array_equal(values.filled(np.nan), day[name].to_numpy()[0])
        assert values.mask.any()
        assert raster.tags()["date"] == "2031-03-05"


@pytest.mark.parametrize("name", ["swe", "swe_se", "depth", "density"])
def test_the_geotiffs_are_cloud_optimised(revision, name):
    valid, errors, warnings = cog_validate(revision / f"{name}.tif", strict=True, quiet=True)
    assert valid
    assert errors == []
    assert warnings == []
    with rasterio.open(revision / f"{name}.tif") as raster:
        assert raster.profile["compress"] == "deflate"


def test_gdal_places_the_netcdf_where_xarray_does(revision):
    with rasterio.open(f"netcdf:{revision / 'estimate.nc'}:swe") as raster:
        assert raster.crs.to_epsg() == 32625
        assert (raster.transform.c, raster.transform.f) == (512_000, 4_880_000)
        assert np.isnan(raster.nodata)


def test_files_that_leave_their_folder_say_whose_they_are(revision):
    told = {b"institution": b"Larkmoor Snow Office", b"license": b"CC-BY-4.0 https://example.org/terms"}
    for name in ("totals.parquet", "totals_covariance.parquet"):
        assert told.items() <= pq.read_schema(revision / name).metadata.items()
    with rasterio.open(revision / "swe.tif") as raster, xr.open_dataset(revision / "estimate.nc") as day:
        for key, value in told.items():
            assert raster.tags()[key.decode()] == day.attrs[key.decode()] == value.decode()


def test_pyarrow_and_duckdb_read_the_totals(revision):
    table = pq.read_table(revision / "totals.parquet")
    assert str(table.schema.field("date").type) == "date32[day]"
    basin = next(row for row in table.to_pylist() if row["level"] == "basin")
    query = f"select sum(volume_m3), any_value(date)::varchar from '{revision / 'totals.parquet'}' where level = 'zone_band'"  # noqa: S608  a path of our own making
    assert duckdb.sql(query).fetchall() == [(basin["volume_m3"], "2031-03-05")]


def test_duckdb_follows_a_zone_through_all_dates_in_one_table(archive):
    query = f"""select date::varchar, revision from '{archive / "larkmoor" / "totals.parquet"}'
                where level = 'basin' order by date"""  # noqa: S608  a path of our own making
    assert duckdb.sql(query).fetchall() == [("2031-03-01", 2), ("2031-03-05", 1)]


def test_the_index_tells_every_revision(archive):
    index = pq.read_table(archive / "larkmoor" / "index.parquet").to_pylist()
    told = [(str(row["date"]), row["revision"], row["degraded"], row["withdrawn"], row["input_hash"]) for row in index]
    assert told == [
        ("2031-03-01", 1, True, False, "first"),
        ("2031-03-01", 2, True, False, "second"),
        ("2031-03-05", 1, False, False, "third"),
    ]


def test_a_glob_over_the_archive_meets_revisions_only(archive):
    # What people write first must not meet files in the making.
    found = duckdb.sql(f"select count(*) from glob('{archive}/*/*/r*/totals.parquet')").fetchall()  # noqa: S608  a path of our own making
    assert found == [(3,)]


def test_the_record_names_every_other_file_with_its_sha256(revision):
    import hashlib  # noqa: PLC0415  the only test that needs it

    record = json.loads((revision / "record.json").read_text("utf-8"))
    assert {file["name"] for file in record["files"]} | {"record.json"} == {path.name for path in revision.iterdir()}
    for file in record["files"]:
        data = (revision / file["name"]).read_bytes()
        assert (len(data), hashlib.sha256(data).hexdigest()) == (file["size"], file["sha256"])
