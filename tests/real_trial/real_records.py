"""Public records of sites, as their survey's report generator writes them: read, and handed to the pipeline as a basin of its own.

A folder of records holds, below `raw/`:

| file | content |
| --- | --- |
| `stations.csv` | comment lines with #; a column Date and one of each station and element, such as `Name (ID) Snow Depth (in) Start of Day Values` |
| `courses/ID.txt` | comment lines with #; a row a water year, for each month true date ("Mar 28"), depth and SWE in inches |
| `course_sites.txt` | name, site_id, network, elevation in feet, latitude, longitude, divided by a bar |
| `station_sites.csv` | site_id, site_name, latitude, longitude, elev (m) |
| `elevation.tif`, `zones.geojson` | the terrain, and the basin's zones with zone_id and name |
| `density_visits.csv` | region, site_id, lat, lon, elevation_m, date, depth_m, swe_mm |
"""

from __future__ import annotations

import calendar
import csv
import datetime as dt
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pandas as pd
import yaml
from pyproj import CRS
from pyproj.aoi import AreaOfInterest
from pyproj.database import query_utm_crs_info

from snowtally.settings.basin import Settings, read_settings

FOOT_M = 0.3048
MONTHS = {name: number for number, name in enumerate(calendar.month_abbr) if name}
ELEMENTS = {
    "swe": ("Snow Water Equivalent (in) Start of Day Values", "inch"),
    "depth": ("Snow Depth (in) Start of Day Values", "inch"),
    "air_temperature": ("Air Temperature Average (degF)", "degF"),
    "precipitation_total": ("Precipitation Accumulation (in) Start of Day Values", "inch"),
}
"""Columns of the station file that are read, by the end of their heading, and their units."""

SNOW_CLASS = "alpine"
"""Class of the published density relation: mountain sites far from the sea."""

CELL_M, MARGIN_M = 500, 8000
"""Cells as fine as the records' terrain; sites up to so far outside the zones still speak."""


@dataclass(frozen=True)
class Visit:
    """One visit of a course, depth and SWE as text in inches, either may be empty."""

    date: dt.date
    nominal_date: dt.date
    depth_in: str
    swe_in: str


@dataclass(frozen=True)
class Records:
    """The records as the pipeline reads them.

    Parameters
    ----------
    settings : of a basin of all sites; its tables lie in a folder of the trial's own.
    sites : site_id, name, kind, longitude, latitude, elevation_m (as surveyed).
    """

    settings: Settings
    sites: pd.DataFrame


def utm_crs(longitude: float, latitude: float) -> CRS:
    """Return the UTM zone of a place on WGS 84."""
    area = AreaOfInterest(longitude, latitude, longitude, latitude)
    return CRS.from_epsg(query_utm_crs_info(datum_name="WGS 84", area_of_interest=area)[0].code)


def season_day(season: int, month: int, day: int) -> dt.date:
    """Return a day of the water year that ends in the year `season`.

    >>> str(season_day(2011, 12, 28)), str(season_day(2011, 3, 1))
    ('2010-12-28', '2011-03-01')
    """
    return dt.date(season if month < MONTHS["Oct"] else season - 1, month, day)


def course_visits(lines: list[str]) -> Iterator[Visit]:
    """Yield the visits in the lines of a course's file; without a true date the first of the month stands for it."""
    rows = list(csv.reader(line for line in lines if not line.startswith("#")))
    for row in rows[2:]:
        if not row or not row[0].strip().isdigit():
            continue
        season = int(row[0])
        for column in range(1, len(row) - 2, 3):
            said, depth, swe = (cell.strip() for cell in row[column : column + 3])
            if not (depth or swe):
                continue
            nominal = season_day(season, MONTHS[rows[0][column][:3]], 1)
            true = nominal
            if said:
                name, day = said.split()
                true = season_day(season, MONTHS[name[:3]], int(day))
            yield Visit(true, nominal, depth, swe)


def station_days(lines: list[str]) -> pd.DataFrame:
    """Return the days of a station file with all stations and elements side by side: site_id, time and `ELEMENTS`, as text."""
    rows = list(csv.reader(line for line in lines if not line.startswith("#")))
    table = pd.DataFrame(rows[1:], columns=rows[0], dtype=str)
    found: dict[str, dict[str, pd.Series]] = {}
    for name in rows[0]:
        for element, (words, _) in ELEMENTS.items():
            if name.endswith(words):
                found.setdefault(name.split("(")[1].split(")")[0], {})[element] = table[name]
    days = [pd.DataFrame({"site_id": site_id, "time": table["Date"], **columns}) for site_id, columns in found.items()]
    long = pd.concat(days, ignore_index=True).reindex(columns=["site_id", "time", *ELEMENTS])
    long = long.astype(object).fillna("")
    return long[(long[list(ELEMENTS)] != "").any(axis=1)].reset_index(drop=True)


def site_table(raw: Path) -> pd.DataFrame:
    """Return courses and stations: site_id, name, kind, longitude, latitude, elevation_m."""
    sites = []
    for line in (raw / "course_sites.txt").read_text("utf-8").splitlines():
        name, site_id, _, feet, latitude, longitude, *_ = (part.strip() for part in line.split("|"))
        sites.append((site_id, name, "course", float(longitude), float(latitude), round(float(feet) * FOOT_M)))
    stations = pd.read_csv(raw / "station_sites.csv", dtype={"site_id": str})
    sites += [
        (row.site_id, row.site_name.strip(), "station", row.longitude, row.latitude, float(row.elev))
        for row in stations.itertuples()
    ]
    return pd.DataFrame(sites, columns=["site_id", "name", "kind", "longitude", "latitude", "elevation_m"])


def prepare(folder: Path, made: Path) -> Records:
    """Write the records' tables and settings into the folder `made`, and return them."""
    raw = folder.resolve() / "raw"
    sites = site_table(raw)
    sites.to_csv(made / "sites.csv", index=False)
    visits = [
        (file.stem, *vars(visit).values(), "mean")
        for file in sorted((raw / "courses").glob("*.txt"))
        for visit in course_visits(file.read_text("utf-8", errors="replace").splitlines())
    ]
    names = ["site_id", "date", "nominal_date", "depth_in", "swe_in", "point"]
    pd.DataFrame(visits, columns=names).to_csv(made / "courses.csv", index=False)
    station_days((raw / "stations.csv").read_text("utf-8").splitlines()).to_csv(made / "stations.csv", index=False)
    middle = sites[["longitude", "latitude"]].mean()
    settings = {
        "basin": {
            "id": "records", "title": "Real records", "zones": str(raw / "zones.geojson"),
            "utc_offset_hours": round(middle["longitude"] / 15.0), "season_start": "10-01", "margin_m": MARGIN_M,
        },
        "grid": {"crs": utm_crs(*middle).to_string(), "cell_m": CELL_M},
        "terrain": {"elevation": str(raw / "elevation.tif")},
        "inputs": {"sites": "sites.csv", "courses": "courses.csv", "stations": "stations.csv"},
        "columns": {
            "courses": {
                "depth": {"column": "depth_in", "unit": "inch"}, "swe": {"column": "swe_in", "unit": "inch"},
                "cores": {"constant": 10},
            },
            "stations": {name: {"column": name, "unit": unit} for name, (_, unit) in ELEMENTS.items()},
        },
        "density": {"snow_class": SNOW_CLASS},
        "archive": "archive",
    }  # fmt: skip
    file = made / "settings.yaml"
    file.write_text(yaml.safe_dump(settings), "utf-8")
    return Records(read_settings(file), sites)
