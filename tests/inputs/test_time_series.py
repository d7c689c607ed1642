"""NetCDF time series of stations by the CF conventions, in each of the layouts that they allow."""

import numpy as np
import pandas as pd
import pytest
import xarray as xr

from snowtally.inputs.read_stations import read_stations
from snowtally.inputs.source import Source
from snowtally.settings.blocks import Column

TIMES = pd.date_range("2031-03-01T06:00", periods=3, freq="6h")
SWE_M = np.array([[0.300, 0.302, np.nan], [0.500, 0.501, 0.503]])
DEPTH_M = np.array([[1.0, 1.01, 1.02], [1.5, np.nan, 1.52]])
KELVIN = np.array([[263.15, 264.15, 265.15], [270.15, 271.15, 272.15]])

SWE = {"standard_name": "lwe_thickness_of_surface_snow_amount", "units": "m"}
DEPTH = {"standard_name": "surface_snow_thickness", "units": "m"}
AIR = {"standard_name": "air_temperature", "units": "K"}


def stations_by_times():
    return xr.Dataset(
        {
            "station_name": ("station", ["A", "B"], {"cf_role": "timeseries_id"}),
            "swe": (("station", "time"), SWE_M, SWE),
            "hs": (("station", "time"), DEPTH_M, DEPTH),
            "ta": (("station", "time"), KELVIN, AIR),
        },
        {"time": ("time", TIMES, {"standard_name": "time"})},
        {"featureType": "timeSeries", "Conventions": "CF-1.11"},
    )


def contiguous():
    whole = stations_by_times()
    flat = {name: ("obs", whole[name].to_numpy().ravel(), whole[name].attrs) for name in ("swe", "hs", "ta")}
    return xr.Dataset(
        {
            "station_name": ("station", ["A", "B"], {"cf_role": "timeseries_id"}),
            "row_size": ("station", [3, 3], {"sample_dimension": "obs"}),
            "time": ("obs", np.tile(TIMES, 2), {"standard_name": "time"}),
            **flat,
        },
        attrs={"featureType": "timeSeries"},
    )


def indexed():
    flat = contiguous().drop_vars("row_size")
    flat["which"] = ("obs", np.repeat([0, 1], 3), {"instance_dimension": "station"})
    return flat.isel(obs=[3, 0, 4, 1, 5, 2])


def times_by_stations():
    return stations_by_times().transpose("time", "station")


@pytest.mark.parametrize("made", [stations_by_times, times_by_stations, contiguous, indexed])
def test_every_layout_gives_the_same_rows(tmp_path, made):
    path = tmp_path / "stations.nc"
    made().to_netcdf(path)
    rows, findings = read_stations(Source([path], {}, []), 0.0)
    assert findings == []
    assert rows["site_id"].tolist() == ["A"] * 3 + ["B"] * 3
    assert rows["time"].tolist() == [*TIMES, *TIMES]
    np.testing.assert_allclose(rows["swe_mm"], SWE_M.ravel() * 1000)
    np.testing.assert_allclose(rows["depth_m"], DEPTH_M.ravel())
    np.testing.assert_allclose(rows["air_temperature_c"], KELVIN.ravel() - 273.15)


def test_one_station_and_a_mass_per_area(tmp_path):
    path = tmp_path / "one.nc"
    one = stations_by_times().isel(station=0)
    one["swe"] = ("time", SWE_M[0] * 1000, {"standard_name": "surface_snow_amount", "units": "kg m-2"})
    one.to_netcdf(path)
    rows, findings = read_stations(Source([path], {}, []), 0.0)
    assert findings == []
    np.testing.assert_allclose(rows["swe_mm"], SWE_M[0] * 1000)


def test_variables_and_units_may_be_declared(tmp_path):
    path = tmp_path / "own.nc"
    own = stations_by_times()
    own["swe"].attrs = {}
    own.to_netcdf(path)
    _, findings = read_stations(Source([path], {"swe": Column(column="swe")}, []), 0.0)
    assert "the variable for swe has no units" in findings[0].detail
    rows, _ = read_stations(Source([path], {"swe": Column(column="swe", unit="m")}, []), 0.0)
    np.testing.assert_allclose(rows["swe_mm"], SWE_M.ravel() * 1000)
    _, findings = read_stations(Source([path], {"swe": Column(column="sve", unit="m")}, []), 0.0)
    assert "no variable 'sve'" in findings[0].detail


def without(name):
    return stations_by_times().drop_vars(name)


def with_attribute(name, key, value):
    made = stations_by_times()
    made[name].attrs[key] = value
    return made


@pytest.mark.parametrize(
    ("made", "words"),
    [
        (without("station_name"), "no variable with cf_role timeseries_id"),
        (without("time"), "no time variable"),
        (without(["swe", "hs", "ta"]), "no variable with one of the standard names"),
        (with_attribute("ta", "units", "m"), "'m' cannot be turned into degC"),
        (with_attribute("hs", "standard_name", "air_temperature"), "hs, ta all have the standard name air_temperature"),
    ],
)
def test_a_file_that_does_not_say_enough_is_refused_in_one_line(tmp_path, made, words):
    path = tmp_path / "stations.nc"
    made.to_netcdf(path)
    rows, findings = read_stations(Source([path], {}, []), 0.0)
    assert rows.empty
    assert [finding.rule.name for finding in findings] == ["unreadable file"]
    assert words in findings[0].detail
    assert str(path) in findings[0].detail


def test_netcdf_and_csv_stand_side_by_side(tmp_path):
    made, table = tmp_path / "stations.nc", tmp_path / "stations.csv"
    stations_by_times().to_netcdf(made)
    table.write_text("site_id,time,swe_mm\nA,2031-03-01T06:00Z,310\nC,2031-03-01,200\n")
    rows, findings = read_stations(Source([made, table], {}, []), 0.0)
    assert [(f.rule.name, f.site_id) for f in findings if f.rule.name != "no such column"] == [("duplicate", "A")]
    first = rows.iloc[0]
    assert (first["swe_mm"], first["depth_m"]) == (310.0, 1.0)


def test_names_of_stations_may_be_declared(tmp_path):
    path = tmp_path / "logger.nc"
    stations_by_times().to_netcdf(path)
    rows, _ = read_stations(Source([path], {"site_id": Column(values={"a": "ft01"})}, []), 0.0)
    assert sorted(rows["site_id"].unique()) == ["B", "ft01"]
