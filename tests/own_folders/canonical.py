"""A made basin's data written canonically, with the settings file that reads it: what a folder's own reading is held against."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import rasterio
import yaml
from small_world import Field, Records


def write_field(path: Path, field: Field, crs: str, *, dtype: str = "float32", nodata=None, unit: str = "") -> None:
    """Write a raster; values that are not finite become its nodata."""
    values = field.values if nodata is None else np.where(np.isfinite(field.values), field.values, nodata)
    rows, columns = field.values.shape
    profile = {"driver": "GTiff", "height": rows, "width": columns, "count": 1, "dtype": dtype, "compress": "deflate"}
    if np.issubdtype(np.dtype(dtype), np.integer):
        values = np.round(values)
    with rasterio.open(path, "w", crs=crs, transform=field.transform, nodata=nodata, **profile) as to:
        to.write(values.astype(dtype), 1)
        if unit:
            to.units = (unit,)


def offset_text(hours: int) -> str:
    """Return a UTC offset as ISO 8601 writes it."""
    return f"{'-' if hours < 0 else '+'}{abs(hours):02d}:00"


def write_canonical(records: Records, folder: Path, grid: dict, *, season_start: str) -> Path:
    """Write the data and return the settings file. `grid` is the grid of the folder's own settings."""
    folder.mkdir(parents=True)
    place = records.place
    write_field(folder / "elevation.tif", records.elevation, place.crs, unit="m")
    write_field(folder / "canopy.tif", records.canopy, place.crs)
    records.zones.to_file(folder / "zones.geojson", driver="GeoJSON")
    records.sites.to_csv(folder / "sites.csv", index=False)
    courses = records.courses.assign(date=records.courses["date"].dt.strftime("%Y-%m-%d"))
    if "nominal_date" in courses:
        courses["nominal_date"] = pd.to_datetime(courses["nominal_date"]).dt.strftime("%Y-%m-%d")
    courses.to_csv(folder / "courses.csv", index=False)
    times = records.stations["time"].dt
    text = (
        times.strftime("%Y-%m-%d")
        if records.daily
        else times.strftime("%Y-%m-%dT%H:%M") + offset_text(place.utc_offset)
    )
    records.stations.assign(time=text).to_csv(folder / "stations.csv", index=False)
    content = {
        "basin": {
            "id": "own", "title": "Own", "zones": "zones.geojson", "utc_offset_hours": place.utc_offset, "season_start": season_start,
        },
        "grid": grid,
        "terrain": {"elevation": "elevation.tif", "canopy": "canopy.tif"},
        "inputs": {"sites": "sites.csv", "courses": "courses.csv", "stations": "stations.csv"},
        "archive": "archive",
    }  # fmt: skip
    if records.flight is not None:
        write_field(folder / "flight.tif", records.flight, place.crs, unit="m")
        row = pd.DataFrame({"flight_id": ["F1"], "date": [f"{records.flight_date:%Y-%m-%d}"], "depth": ["flight.tif"]})
        row.to_csv(folder / "flights.csv", index=False)
        content["inputs"]["flights"] = "flights.csv"
    for name, table in records.more.items():
        table.to_csv(folder / f"{name}.csv", index=False)
        content["inputs"][name] = f"{name}.csv"
    if not records.with_canopy:
        del content["terrain"]["canopy"]
    file = folder / "settings.yaml"
    file.write_text(yaml.safe_dump(content, sort_keys=False), "utf-8")
    return file
