"""A made-up season as the files of a basin, and what the nightly run makes of them."""

from __future__ import annotations

import datetime as dt
import json
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
import rasterio
from affine import Affine
from pyproj import Transformer
from trial_season import CELL, HEIGHT, LEFT, READINGS, TOP, UTC_OFFSET_HOURS, WIDTH, Season, elevation_of

from snowtally.gather.day import Readings, read_inputs
from snowtally.settings.basin import read_settings

TO_DEGREES = Transformer.from_crs("EPSG:32625", "EPSG:4326", always_xy=True)


def write_ground(home: Path) -> None:
    """Write what every made season shares: the elevation and the basin's outline."""
    columns, rows = WIDTH + 20, HEIGHT + 20
    x, y = LEFT - 1000 + (np.arange(columns) + 0.5) * CELL, TOP + 1000 - (np.arange(rows) + 0.5) * CELL
    profile = {"driver": "GTiff", "height": rows, "width": columns, "count": 1, "dtype": "float32", "nodata": -9999}
    transform = Affine(CELL, 0, LEFT - 1000, 0, -CELL, TOP + 1000)
    with rasterio.open(home / "elevation.tif", "w", crs="EPSG:32625", transform=transform, **profile) as to:
        to.write(elevation_of(x[None, :], y[:, None]).astype("f4"), 1)
    right, bottom = LEFT + WIDTH * CELL, TOP - HEIGHT * CELL
    ring = [(LEFT, TOP), (right, TOP), (right, bottom), (LEFT, bottom), (LEFT, TOP)]
    outline = {"type": "Polygon", "coordinates": [[list(TO_DEGREES.transform(*corner)) for corner in ring]]}
    zone = {"type": "Feature", "properties": {"zone_id": "all", "name": "Whole basin"}, "geometry": outline}
    (home / "zones.geojson").write_text(json.dumps({"type": "FeatureCollection", "features": [zone]}))
    (home / "basin.yaml").write_text(
        f"basin: {{id: made, title: Made basin, zones: zones.geojson, utc_offset_hours: {UTC_OFFSET_HOURS}, margin_m: 500}}\n"
        f"grid: {{crs: 'EPSG:32625', cell_m: {CELL:.0f}}}\nterrain: {{elevation: elevation.tif}}\n"
        "inputs: {sites: sites.csv, courses: [course_samples.csv, late_samples.csv], stations: station_records.csv, weather: weather.csv}\n"
        "archive: archive\n"
    )


@dataclass(frozen=True)
class Sent:
    """What was written: the rows of each table in the files' order, with `file`, `line` and `planted`."""

    stations: pd.DataFrame
    courses: pd.DataFrame
    sites: pd.DataFrame


def write_season(home: Path, season: Season) -> Sent:
    """Write a season's tables by the contract; what stands in columns of the truth stays behind."""
    longitude, latitude = TO_DEGREES.transform(season.sites["x"].to_numpy(), season.sites["y"].to_numpy())
    sites = season.sites.assign(name="", longitude=np.round(longitude, 6), latitude=np.round(latitude, 6))
    for site_id, changes in season.site_changes.items():
        for name, value in changes.items():
            sites.loc[sites["site_id"] == site_id, name] = value
    header = ["site_id", "name", "kind", "longitude", "latitude", "elevation_m"]
    sites[header].to_csv(home / "sites.csv", index=False)

    records = pd.concat(season.stations.values(), ignore_index=True)
    stamp = np.datetime_as_string(records["time"].to_numpy("datetime64[m]")).astype(object)
    written = records[["site_id", *READINGS]].copy()
    written.insert(1, "time", stamp + f"{UTC_OFFSET_HOURS:+03d}:00")
    written.to_csv(home / "station_records.csv", index=False)
    records = records.assign(file="station_records.csv", line=np.arange(len(records)) + 2)

    weather = season.weather.assign(issued=season.weather["date"])
    weather[WEATHER].to_csv(home / "weather.csv", index=False)

    parts = []
    for name, sheets in (("course_samples.csv", season.courses.values()), ("late_samples.csv", season.late_courses)):
        kept = [sheet for sheet in sheets if len(sheet)]
        rows = pd.concat(kept, ignore_index=True) if kept else pd.DataFrame(columns=SHEET)
        rows[SHEET].to_csv(home / name, index=False)
        parts.append(rows.assign(file=name, line=np.arange(len(rows)) + 2))
    courses = pd.concat([part for part in parts if len(part)], ignore_index=True)
    return Sent(records, courses, sites.assign(file="sites.csv", line=np.arange(len(sites)) + 2))


WEATHER = ["date", "elevation_m", "solar_mj_m2", "air_temperature_c", "precipitation_mm", "issued"]

SHEET = [
    "site_id",
    "date",
    "point",
    "depth_cm",
    "core_cm",
    "swe_mm",
    "mass_full_g",
    "mass_empty_g",
    "cutter_cm2",
    "sampler",
    "nominal_date",
    "remark",
]


def run_checks(home: Path, date: dt.date) -> Readings:
    """Return what the nightly run reads and finds for a date: the very function that `snowtally update` calls."""
    return read_inputs(read_settings(home / "basin.yaml"), date, lambda _stage: None)


def last_day(season: Season) -> dt.date:
    """Return the season's last day."""
    return dt.date(season.year + 1, 6, 30)
