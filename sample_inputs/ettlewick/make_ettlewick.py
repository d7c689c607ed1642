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
Ettlewick Water, readings of the high stations
Printed 9 October 2031, 06:10 standard time (UTC-7)
Days 1 April 2029 to 8 October 2031

What stands where
  A line is a day of standard time, which is not changed in summer.
  A column is one reading of one station: the reading, its unit in brackets, the station's number and name.
  Nothing between two semicolons: no reading came in.
  Nothing is corrected before the season ends.

The stations
{stations}

The readings
  air temperature, mean      degrees Fahrenheit   of the day's hours
  air temperature, lowest    degrees Fahrenheit   of the day's hours
  air temperature, highest   degrees Fahrenheit   of the day's hours
  gauge total                inches               since 1 April, at the end of the day
  snow depth                 inches               from the mast, at the end of the day
  pillow SWE                 inches               at the end of the day

The instruments
  Pillows are square, of steel, filled each autumn and levelled in May.
  Masts stand a rope's length from the pillow. Their zero is read on bare ground in April.
  Gauges have a wind screen.
  Thermometers hang above the deepest snow, with a fan.

What to mind
  Depths under two inches are often grass.
  A crust carries snow over a pillow: compare with the gauge.
  A mast that is rimed reads too much.

Who goes there
  Every station is visited before the snow and after it.
  A visit is made when the mast is rimed for more than three days.

What was changed
  2019: thermometers at all stations.
  2023: masts raised by three feet.
  2027: this report has one line a day.
  2028: the readings of a station stand in the order of the list above.
  2029: numbers go before names.
""".strip("\n")


def write_report(records: Records) -> None:
    """Write the stations' daily report."""
    stations = records.kind("station")
    names = "\n".join(f"  {number} {name}" for name, number in zip(stations["name"], stations["site_id"], strict=True))
    columns: dict[str, pd.Series] = {}
    days = pd.DatetimeIndex(records.stations["time"].unique()).sort_values()
    for name, number in zip(stations["name"], stations["site_id"], strict=True):
        own = records.stations[records.stations["site_id"] == number].set_index("time")
        air = own["air_temperature_c"] * 1.8 + 32
        for reading, values in (
            ("air temperature, mean (degF)", air),
            ("air temperature, lowest (degF)", air - 9.0),
            ("air temperature, highest (degF)", air + 8.5),
            ("gauge total (in)", own["precipitation_total_mm"] / 25.4),
            ("snow depth (in)", (own["depth_cm"] / 2.54).round(0)),
            ("pillow SWE (in)", own["swe_mm"] / 25.4),
        ):
            columns[f"{reading} - {number} {name}"] = values.round(1)
    table = pd.DataFrame(
        {"Day": days.strftime("%d.%m.%Y"), **{head: own.reindex(days).to_numpy() for head, own in columns.items()}}
    )
    lines = [f"% {line}".rstrip() for line in HEAD.format(stations=names).splitlines()]
    (HERE / "telemetry_daily.csv").write_text(
        "\n".join(lines) + "\n" + table.to_csv(index=False, sep=";", lineterminator="\n"), "utf-8"
    )


def write_histories(records: Records) -> None:
    """Write each course's visits: a row a season, of each month the day, depth and water content."""
    months = ("Jul", "Aug", "Sep", "Oct", "Nov")
    (HERE / "courses").mkdir(exist_ok=True)
    by = records.courses.groupby(["site_id", "date", "nominal_date"], as_index=False)[["depth_cm", "swe_mm"]].mean()
    for course in records.kind("course").itertuples():
        own = by[by["site_id"] == course.site_id]
        rows = [["Season", *(month for month in months for _ in range(3))]]
        rows.append(["", *(word for _ in months for word in ("SWE in", "Depth in", "Visited"))])
        for year, visits in own.groupby(own["nominal_date"].dt.year):
            cells = {f"{visit.nominal_date:%b}": visit for visit in visits.itertuples()}
            row = [str(year)]
            for month in months:
                visit = cells.get(month)
                row += (
                    [f"{visit.swe_mm / 25.4:.1f}", f"{visit.depth_cm / 2.54:.0f}", f"{visit.date:%d %b}"]
                    if visit
                    else [""] * 3
                )
            rows.append(row)
        with (HERE / "courses" / f"{course.site_id}.csv").open("w", encoding="utf-8", newline="") as to:
            to.write(
                f"% Course {course.site_id}\n% Means of the points of a visit, inches. A season bears the year in which it ends.\n"
            )
            csv.writer(to, delimiter=";", lineterminator="\n").writerows(rows)


def write_sites(records: Records) -> None:
    """Write the list of sites: kind, number, longitude, latitude, feet, name; no header."""
    kinds = {"course": "course", "station": "pillow"}
    lines = [
        f"{kinds[kind]}\t{number}\t{longitude:.4f}\t{latitude:.4f}\t{height / 0.3048:.0f}\t{name}"
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
