"""Time series of sites, as CF has those of stations. Apart from other series, which need no pyproj."""

from __future__ import annotations

import pandas as pd
import xarray as xr
from pyproj import Transformer

from snowtally.archive.series import UNIT, as_dataset

_STATIONS = {
    UNIT: {"long_name": "station name", "cf_role": "timeseries_id"},
    "elevation_m": {"standard_name": "height_above_mean_sea_level", "positive": "up"},
}
"""What makes a series of sites a CF time series of stations; its positions are added as longitude and latitude."""


def site_series(tables: dict[pd.Timestamp, pd.DataFrame], days: pd.DataFrame, last: xr.Dataset) -> xr.Dataset:
    """Return the sites' tables by day as a CF time series of stations on (time, unit), with longitude and latitude, WGS 84.

    `days` and `last` are as for `as_dataset`.
    """
    rows = [table.assign(date=date, **{UNIT: table["site_id"]}) for date, table in tables.items()]
    series = as_dataset(pd.concat(rows, ignore_index=True), days, last)
    if not series.sizes[UNIT]:
        return series
    for name, attributes in _STATIONS.items():
        series[name].attrs |= attributes
    to_degrees = Transformer.from_crs(last["crs"].attrs["crs_wkt"], "EPSG:4326", always_xy=True)
    lon, lat = to_degrees.transform(series["x"].to_numpy(), series["y"].to_numpy())
    return series.assign_coords(
        lon=(UNIT, lon, {"standard_name": "longitude", "units": "degrees_east"}),
        lat=(UNIT, lat, {"standard_name": "latitude", "units": "degrees_north"}),
    ).assign_attrs(featureType="timeSeries")
