"""Make the second sample basin Ettlewick: an invented southern basin in open ocean whose files are as an agency keeps them.

`python make_ettlewick.py` writes them beside this script, the same bytes each time, in some seconds. `small_world.py` draws the
ground and marches the snow; here it is only written down: inches, feet and degrees Fahrenheit, a report with a long head, a
history a course with a row a season, a list of sites without a header, ground in degrees.
"""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pandas as pd
import rasterio
from affine import Affine
from pyproj import Transformer
from small_world import Place, Records, make_records

HERE = Path(__file__).resolve().parent
PLACE = Place("EPSG:32712", -111.2, -45.2, -7, seed=20, middle_m=1750.0, relief_m=1350.0, coldest_c=-7.0)
NUMBERS = {"S": "61", "C": "8"}
"""With what an id's letter is replaced: stations have numbers of four figures, courses of three."""

PIXEL_DEGREES = 0.00125
UNSEEN = 0
"""What the ground holds where it was not seen, as some deliveries do without saying so."""

HEAD = """
Ettlewick Water telemetry
Daily report

How to read this report
  One line a day. Under each station stand its elements, in the order of the list below.
  A heading names the station, its number in brackets, the element, and the unit in brackets.
  The day is a day of standard time. Nothing is shifted in summer.
  Readings of the telemetry are raw. They may be corrected until the end of the season.
  An empty field means that no reading came in.

Stations in this report
{stations}

Elements in this report
  Snow Water Equivalent      inches               weighed by the pillow at the end of the day
  Snow Depth                 inches               from the mast at the end of the day
  Precipitation Total        inches               gauge total since 1 April at the end of the day
  Air Temperature Mean       degrees Fahrenheit   mean of the day's hours
  Air Temperature Highest    degrees Fahrenheit   highest of the day's hours
  Air Temperature Lowest     degrees Fahrenheit   lowest of the day's hours

Instruments
  Pillows are steel, 10 feet by 10 feet, filled each autumn and levelled in May.
  Masts stand 30 feet from the pillow. Their zero is read on bare ground in April.
  Gauges are 12 inches wide and have a wind screen.
  Thermometers hang 15 feet above the ground in a screen with a fan.

Quality
  Level 0: as received. Level 1: looked at once. This report is of level 1.
  Depths under two inches are often grass.
  Pillows bridge when a crust carries the snow: compare with the gauge.

Visits of the stations
  Every station is visited before the snow and after it.
  A storm visit is made when the mast is rimed for more than three days.

Changes
  2019: thermometers replaced at all stations.
  2023: masts raised by three feet.
  2027: the report got one line a day.

Period 1 April 2029 to 8 October 2031
Printed 9 October 2031, 06:10 standard time (UTC-7)
""".strip("\n")


def write_report(records: Records) -> None:
    """Write the stations' daily report."""
    stations = records.kind("station")
    names = "\n".join(
        f"  {name} ({number})" for name, number in zip(stations["name"], stations["site_id"], strict=True)
    )
    columns: dict[str, pd.Series] = {}
    days = pd.DatetimeIndex(records.stations["time"].unique()).sort_values()
    for name, number in zip(stations["name"], stations["site_id"], strict=True):
        own = records.stations[records.stations["site_id"] == number].set_index("time")
        air = own["air_temperature_c"] * 1.8 + 32
        for element, values in (
            ("Snow Water Equivalent (in)", own["swe_mm"] / 25.4),
            ("Snow Depth (in)", (own["depth_cm"] / 2.54).round(0)),
            ("Precipitation Total (in)", own["precipitation_total_mm"] / 25.4),
            ("Air Temperature Mean (degF)", air),
            ("Air Temperature Highest (degF)", air + 8.5),
            ("Air Temperature Lowest (degF)", air - 9.0),
        ):
            columns[f"{name} ({number}) {element}"] = values.round(1)
    table = pd.DataFrame(
        {"Date": days.strftime("%Y-%m-%d"), **{head: own.reindex(days).to_numpy() for head, own in columns.items()}}
    )
    lines = [f"# {line}".rstrip() for line in HEAD.format(stations=names).splitlines()]
    (HERE / "telemetry_daily.csv").write_text(
        "\n".join(lines) + "\n" + table.to_csv(index=False, lineterminator="\n"), "utf-8"
    )


def write_histories(records: Records) -> None:
    """Write each course's visits: a row a season, of each month the day, depth and water content."""
    months = ("Jul", "Aug", "Sep", "Oct", "Nov")
    (HERE / "courses").mkdir(exist_ok=True)
    by = records.courses.groupby(["site_id", "date", "nominal_date"], as_index=False)[["depth_cm", "swe_mm"]].mean()
    for course in records.kind("course").itertuples():
        own = by[by["site_id"] == course.site_id]
        rows = [["Season", *(month for month in months for _ in range(3))]]
        rows.append(["", *(word for _ in months for word in ("Sampled", "Depth (in)", "SWE (in)"))])
        for year, visits in own.groupby(own["nominal_date"].dt.year):
            cells = {f"{visit.nominal_date:%b}": visit for visit in visits.itertuples()}
            row = [str(year)]
            for month in months:
                visit = cells.get(month)
                row += (
                    [f"{visit.date:%b %d}", f"{visit.depth_cm / 2.54:.0f}", f"{visit.swe_mm / 25.4:.1f}"]
                    if visit
                    else [""] * 3
                )
            rows.append(row)
        with (HERE / "courses" / f"{course.site_id}.csv").open("w", encoding="utf-8", newline="") as to:
            to.write(
                f"# Snow course {course.site_id}\n# Mean of the course's points. Seasons are named by the year they end in.\n"
            )
            csv.writer(to, lineterminator="\n").writerows(rows)


def write_sites(records: Records) -> None:
    """Write the list of sites: name, number, kind, feet, latitude, longitude; no header."""
    kinds = {"course": "SNOW COURSE", "station": "PILLOW"}
    lines = [
        f"{name} | {number} | {kinds[kind]} | {height / 0.3048:.0f} | {latitude:.4f} | {longitude:.4f}"
        for number, name, kind, longitude, latitude, height in records.sites.itertuples(index=False, name=None)
    ]
    (HERE / "site_list.txt").write_text("\n".join(lines) + "\n", "utf-8")


def write_ground(records: Records) -> None:
    """Write the ground in degrees and whole metres, with unseen pixels, and the zones."""
    ground = records.elevation
    degrees = Transformer.from_crs(PLACE.crs, 4326, always_xy=True)
    side = ground.pixel_m * len(ground.values)
    x, y = ground.left + np.array([300, side - 300]), ground.top - np.array([300, side - 300])
    west, east = degrees.transform(x[[0, 0]], y)[0].max(), degrees.transform(x[[1, 1]], y)[0].min()
    north, south = degrees.transform(x, y[[0, 0]])[1].min(), degrees.transform(x, y[[1, 1]])[1].max()
    width, height = int((east - west) / PIXEL_DEGREES), int((north - south) / PIXEL_DEGREES)
    longitude, latitude = np.meshgrid(
        west + (np.arange(width) + 0.5) * PIXEL_DEGREES, north - (np.arange(height) + 0.5) * PIXEL_DEGREES
    )
    values = np.round(ground.at(*degrees.transform(longitude, latitude, direction="INVERSE")))
    rng = np.random.default_rng(PLACE.seed)
    for row, column in rng.integers(int(0.35 * height), int(0.65 * height), (6, 2)):
        values[row : row + 3, column : column + 4] = UNSEEN
    profile = {
        "driver": "GTiff",
        "height": height,
        "width": width,
        "count": 1,
        "dtype": "int16",
        "compress": "deflate",
        "predictor": 2,
    }
    transform = Affine(PIXEL_DEGREES, 0, west, 0, -PIXEL_DEGREES, north)
    with rasterio.open(HERE / "ground.tif", "w", crs="EPSG:4326", transform=transform, **profile) as to:
        to.write(values.astype("int16"), 1)
    zones = records.zones.explode(ignore_index=True).rename(columns={"zone_id": "CATCH_NO", "name": "CATCH_NAME"})
    zones.to_file(HERE / "catchments.geojson", driver="GeoJSON", COORDINATE_PRECISION=6)


def main() -> None:
    """Write every file."""
    records = make_records(PLACE, stations=5, courses=6)
    ids = {one: NUMBERS[one[0]] + one[1:] for one in records.sites["site_id"]}
    records = records.renamed(ids)
    write_report(records)
    write_histories(records)
    write_sites(records)
    write_ground(records)
    print(records.sites.to_string())


if __name__ == "__main__":
    main()
