"""The small made basin with every kind of input and format, the same bytes each time."""

from __future__ import annotations

import datetime as dt
import io
import sys
import zipfile
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import rasterio
import xarray as xr

sys.path.append(str(Path(__file__).parents[1] / "made"))

from made_basin import HEIGHT, LEFT, TOP, WIDTH, depth_of, elevation_of, write_basin, write_raster

SETTINGS_TEXT = """basin: {id: made, title: Made basin, zones: zones.geojson, utc_offset_hours: -2, margin_m: 500}
grid: {crs: 'EPSG:32625', cell_m: 200}
bands: {width_m: 200}
terrain: {elevation: elevation.tif, canopy: canopy.tif}
inputs:
  sites: sites.csv
  courses: courses.csv
  stations: stations.csv
  flights: flights.csv
  covers: covers.csv
  weather: weather.csv
  normals: normals.csv
  overrides: overrides.csv
archive: archive
"""


def write_mutated_basin(home: Path) -> Path:
    """Write the basin's files and settings, plain and in other formats, and return the folder."""
    write_basin(home)
    (home / "basin.yaml").write_text(SETTINGS_TEXT, "utf-8")
    _rasters(home)
    _tables(home)
    _workbook(home)
    _station_series(home)
    with rasterio.Env(OGR_CURRENT_DATE="2031-03-01T00:00:00.000Z"):
        gpd.read_file(home / "zones.geojson").to_file(home / "zones.gpkg", layer="zones", driver="GPKG")
    return home


def _rasters(home: Path) -> None:
    rows, columns = HEIGHT + 20, WIDTH + 20
    left, top = LEFT - 1000, TOP + 1000
    write_raster(home / "canopy.tif", np.full((rows, columns), 0.2), 100, left, top)
    write_raster(home / "cover.tif", np.full((rows // 2, columns // 2), 1.0), 200, left, top)
    x, y = left + (np.arange(columns) + 0.5) * 100, top - (np.arange(rows) + 0.5) * 100
    ground = elevation_of(x[None, :], y[:, None])
    write_raster(home / "snow_off.tif", ground, 100, left, top)
    write_raster(home / "snow_on.tif", ground + depth_of(ground), 100, left, top)
    elevation = xr.DataArray(
        ground.astype("f4"), {"y": y, "x": x}, ("y", "x"), "elevation", {"units": "m", "grid_mapping": "crs"}
    )
    crs = xr.DataArray(0, attrs={"crs_wkt": rasterio.crs.CRS.from_epsg(32625).to_wkt()})
    xr.Dataset({"elevation": elevation, "crs": crs}).to_netcdf(home / "elevation.nc")


def _tables(home: Path) -> None:
    (home / "flights.csv").write_text(
        "flight_id,date,depth,snow_on,snow_off\nF1,2031-03-02,depth.tif,,\nF2,2031-03-03,,snow_on.tif,snow_off.tif\n"
    )
    (home / "covers.csv").write_text("date,variable,path\n2031-03-03,snow_cover_fraction,cover.tif\n")
    days = pd.date_range("2030-12-01", "2031-03-15")
    pd.DataFrame(
        {
            "date": days.strftime("%Y-%m-%d"),
            "elevation_m": 2000,
            "solar_mj_m2": 12.0,
            "air_temperature_c": [-8 + 0.05 * n for n in range(len(days))],
            "precipitation_mm": [4.0 * (n % 5 == 0) for n in range(len(days))],
            "issued": (days + pd.Timedelta(days=1)).strftime("%Y-%m-%d").where(days < "2031-03-06", "2031-03-05"),
        }
    ).to_csv(home / "weather.csv", index=False)
    (home / "normals.csv").write_text(
        "site_id,day,swe_mm,period\nmade,03-01,300,2000-2030\nS0,03-01,200,2000-2030\nS0,04-01,250,2000-2030\n"
    )
    (home / "overrides.csv").write_text(
        "site_id,start,end,variable,action,value,who,when,why\nS1,2031-03-03,2031-03-04,swe_mm,set aside,,Desk,2031-03-04,frost\n"
    )


def _workbook(home: Path) -> None:
    """Write the courses' table as a workbook; what a workbook says of its own age is set, so that it is the same each time."""
    written = io.BytesIO()
    with pd.ExcelWriter(written, engine="openpyxl") as writer:
        pd.read_csv(home / "courses.csv").to_excel(writer, sheet_name="Cores", index=False)
        writer.book.properties.created = writer.book.properties.modified = dt.datetime(2031, 3, 1)  # noqa: DTZ001
    with zipfile.ZipFile(written) as old:
        parts = {name: old.read(name) for name in old.namelist()}
    rewrite_zip(home / "courses.xlsx", parts)


def rewrite_zip(path: Path, parts: dict[str, bytes]) -> None:
    """Write the parts of a workbook, all of one age."""
    with zipfile.ZipFile(path, "w") as new:
        for name, data in parts.items():
            body = data
            if name == "docProps/core.xml":
                head, _, tail = data.partition(b"<dcterms:modified")
                body = (
                    head
                    + b'<dcterms:modified xsi:type="dcterms:W3CDTF">2031-03-01T00:00:00Z<'
                    + tail.partition(b"<")[2]
                )
            new.writestr(zipfile.ZipInfo(name, (2031, 3, 1, 0, 0, 0)), body, zipfile.ZIP_DEFLATED)


def _station_series(home: Path) -> None:
    """Write the stations' table as a CF time series, stations by times."""
    table = pd.read_csv(home / "stations.csv")
    wide = table.pivot_table(index="site_id", columns="time", values=["swe_mm", "depth_cm"])
    times = pd.to_datetime(wide["swe_mm"].columns) + pd.Timedelta(hours=14)
    names = wide.index.to_numpy().astype(str)
    xr.Dataset(
        {
            "station_name": ("station", names, {"cf_role": "timeseries_id"}),
            "swe": (
                ("station", "time"),
                wide["swe_mm"].to_numpy() / 1000,
                {"standard_name": "lwe_thickness_of_surface_snow_amount", "units": "m"},
            ),
            "hs": (
                ("station", "time"),
                wide["depth_cm"].to_numpy(),
                {"standard_name": "surface_snow_thickness", "units": "cm"},
            ),
        },
        {"time": times},
        {"featureType": "timeSeries", "Conventions": "CF-1.11"},
    ).to_netcdf(home / "stations.nc")
