"""Made folders whose files are headed in English: reports in inches, sheets, workbooks, loggers, files without units."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import openpyxl
import pandas as pd
import xarray as xr
from canonical import write_field
from own_folder import own_folder
from own_rasters import filled, with_voids, write_in_degrees
from own_records import as_written, hourly, in_unit, means
from pyproj import Transformer
from small_world import Field, Place, Records

REPORT_HEAD = """Daily report of the basin's stations
Readings are preliminary. They may be changed without notice.
{blank}
Columns: name of station (number) element (unit) and what the value stands for
{stations}
Elements
Snow Water Equivalent      in      at midnight
Accumulated Precipitation  in      since 1 October, at midnight
Mean Air Temperature       degF    of the day
Highest Air Temperature    degF    of the day
Lowest Air Temperature     degF    of the day
Snow Depth                 in      at midnight
"""


def _report_head(stations: pd.DataFrame, lines: int) -> str:
    names = "\n".join(
        f"  {site.name_} ({site.site_id})" for site in stations.rename(columns={"name": "name_"}).itertuples()
    )
    head = REPORT_HEAD.format(blank="", stations=names).splitlines()
    head += [f"Note {number}: see the handbook of the network" for number in range(1, lines - len(head) + 1)]
    return "".join(f"# {line}".rstrip() + "\n" for line in head)


def write_wide_report(path: Path, records: Records) -> None:
    """Write all stations and elements side by side in inches and degF, below 68 comment lines."""
    by = {
        site.site_id: records.stations[records.stations["site_id"] == site.site_id]
        for site in records.kind("station").itertuples()
    }
    names = records.sites.set_index("site_id")["name"]
    columns, first = {}, next(iter(by.values()))
    for site_id, rows in by.items():
        to = f"{names[site_id]} ({site_id})"
        own = rows.reset_index(drop=True)
        air = own["air_temperature_c"] * 1.8 + 32
        columns |= {
            f"{to} Snow Water Equivalent (in) at Midnight": in_unit(own["swe_mm"], "mm", "in", 1).map("{:.1f}".format),
            f"{to} Accumulated Precipitation (in) at Midnight": in_unit(
                own["precipitation_total_mm"], "mm", "in", 1
            ).map("{:.1f}".format),
            f"{to} Mean Air Temperature (degF)": air.map("{:.1f}".format),
            f"{to} Highest Air Temperature (degF)": (air + 9).map("{:.1f}".format),
            f"{to} Lowest Air Temperature (degF)": (air - 8).map("{:.1f}".format),
            f"{to} Snow Depth (in) at Midnight": in_unit(own["depth_cm"], "cm", "in", 0).map("{:.0f}".format),
        }
    table = pd.DataFrame({"Date": first["time"].dt.strftime("%Y-%m-%d").to_numpy(), **columns})
    path.write_text(_report_head(records.kind("station"), 68) + table.to_csv(index=False), "utf-8")


def write_month_groups(path: Path, records: Records, site_id: str, months: tuple[str, ...]) -> None:
    """Write a course's visits, a row a season: of each month date, depth and SWE in inches."""
    own = records.courses[records.courses["site_id"] == site_id]
    lines = [
        ["Season", *(month for month in months for _ in range(3))],
        ["", *(word for _ in months for word in ("Date of Visit", "Snow Depth (in)", "Snow Water Equivalent (in)"))],
    ]
    start = records.place.first_day(records.place.last_season)
    ends = own["nominal_date"].map(lambda day: day.year + (0 if start.month == 4 else int(day.month >= 10)))
    for season, visits in own.groupby(ends):
        by_month = {f"{visit.nominal_date:%b}": visit for visit in visits.itertuples()}
        cells = [str(season)]
        for month in months:
            visit = by_month.get(month)
            cells += ["", "", ""] if visit is None else [
                f"{visit.date:%b %d}", f"{visit.depth_cm / 2.54:.0f}", f"{visit.swe_mm / 25.4:.1f}",
            ]  # fmt: skip
        lines.append(cells)
    name = records.sites.set_index("site_id")["name"][site_id]
    with path.open("w", encoding="utf-8", newline="") as to:
        to.write(f"# Snow course {site_id}: {name}\n# Means of ten points\n#\n")
        csv.writer(to, lineterminator="\n").writerows(lines)


@own_folder(
    Place("EPSG:32605", -150.4, 41.5, -10, seed=101),
    "wide report of many elements and stations, inches and degF, below 68 comment lines; a row a season with month groups, dates "
    "'Apr 28', a file a course; site lists without header: courses in feet, stations in metres; ground in degrees; BASIN_NO",
    {
        "stations.swe_mm": "1/25 of the truth: inches taken for mm", "stations.air_temperature_c": "32 to 80: degF taken for C",
        "courses.swe_mm": "1/25 of the truth", "sites.elevation_m": "6,000 for 1,900: feet taken for metres",
        "courses.date": "a year early or late: the season's number taken for the calendar year",
    },
)  # fmt: skip
def inch_report(folder: Path, records: Records) -> Records:
    """Write a network's report of stations, and its courses' histories."""
    records = records.renamed(
        {site_id: {"S": "7", "C": "05Q"}[site_id[0]] + site_id[1:] for site_id in records.sites["site_id"]}
    )
    records = records.but(
        courses=as_written(means(records.courses), depth_cm=("in", 0), swe_mm=("in", 1)).drop(columns="cores"),
        stations=as_written(
            records.stations,
            swe_mm=("in", 1),
            depth_cm=("in", 0),
            precipitation_total_mm=("in", 1),
            air_temperature_c=("F", 1),
        ),
    )
    write_wide_report(folder / "daily_report.csv", records)
    (folder / "histories").mkdir()
    for site_id in records.kind("course")["site_id"]:
        write_month_groups(
            folder / "histories" / f"{site_id}.txt", records, site_id, ("Jan", "Feb", "Mar", "Apr", "May")
        )
    courses = [
        f"{s.name_} |{s.site_id} |CRS |{s.elevation_m / 0.3048:.0f} |{s.latitude:.4f} |{s.longitude:.4f} |1961"
        for s in records.kind("course").rename(columns={"name": "name_"}).itertuples()
    ]
    (folder / "courses_list.txt").write_text("\n".join(courses) + "\n", "utf-8")
    stations = records.kind("station")
    pd.DataFrame({
        "network": "AUT", "station_name": stations["name"].str.lower(), "begin": "10/1/1979", "latitude": stations["latitude"].round(4),
        "longitude": stations["longitude"].round(4), "elev": stations["elevation_m"].astype(int), "station_id": stations["site_id"],
    }).to_csv(folder / "station_list.csv", index=False)  # fmt: skip
    zones = records.zones.explode().rename(columns={"zone_id": "BASIN_NO", "name": "BASIN_NAME"})
    zones.to_file(folder / "basins.geojson", driver="GeoJSON")
    write_in_degrees(folder / "dem.tif", records, dtype="float32", code=-32768)
    return records.but(sites=records.sites.round({"longitude": 4, "latitude": 4}))


@own_folder(
    Place("EPSG:32659", 170.5, 43.0, 11, seed=106),
    "a workbook with a sheet a visit, course and date in title lines, month-first, inches, foot row 'Average'; stations wide under "
    "bare site_ids, days as Excel counts them, unit in a comment alone; sites in a workbook: 'Snow Course', 'Pillow', feet; ground in "
    "feet as its band says",
    {
        "stations.swe_mm": "1/25 or 1/2.54 of the truth: the comment's unit not taken", "courses.depth_m": "0.39 of the truth: inches taken for cm",
        "courses.swe_mm": "the averages counted as samples, or 1/25 of the truth", "courses.date": "day and month exchanged",
        "sites.elevation_m": "6,000 for 1,900", "terrain": "heights of 6,000: feet taken for metres",
    },
)  # fmt: skip
def visit_sheets(folder: Path, records: Records) -> Records:
    """Write visits as sheets of a workbook, readings in inches by Excel's days."""
    records = records.but(
        courses=as_written(records.courses, depth_cm=("in", 1), swe_mm=("in", 1)).drop(columns="nominal_date"),
        stations=as_written(records.stations[["site_id", "time", "swe_mm"]], swe_mm=("in", 2)),
    )
    names = records.sites.set_index("site_id")["name"]
    for season, rows in records.courses.groupby(records.courses["date"].dt.year):
        book = openpyxl.Workbook()
        book.remove(book.active)
        for (site_id, date), visit in rows.groupby(["site_id", "date"]):
            sheet = book.create_sheet(f"{names[site_id]} {date:%b}")
            sheet.append(["Snow survey notes"])
            sheet.append([f"Course: {names[site_id]} ({site_id})"])
            sheet.append([f"Date: {date:%m/%d/%Y}"])
            sheet.append([])
            sheet.append(["Sample", "Depth (in)", "Water Content (in)", "Density (%)"])
            for row in visit.itertuples():
                depth, swe = row.depth_cm / 2.54, row.swe_mm / 25.4
                sheet.append([row.point, round(depth, 1), round(swe, 1), round(100 * swe / depth)])
            depth, swe = visit["depth_cm"].mean() / 2.54, visit["swe_mm"].mean() / 25.4
            sheet.append(["Average", round(depth, 1), round(swe, 1), round(100 * swe / depth)])
        book.save(folder / f"surveys_{season}.xlsx")
    wide = records.stations.pivot_table(index="time", columns="site_id", values="swe_mm").div(25.4).round(2)
    wide.index = [(time - pd.Timestamp("1899-12-30")).days for time in wide.index]
    text = "# Snow pillows, snow water equivalent in inches, daily\n" + wide.rename_axis("Day").to_csv()
    (folder / "pillows.csv").write_text(text, "utf-8")
    book = openpyxl.Workbook()
    book.active.append(["ID", "Name", "Site Type", "Lat", "Long", "Elev (ft)"])
    for s in records.sites.itertuples(name=None, index=False):
        kind = {"course": "Snow Course", "station": "Pillow"}[s[2]]
        book.active.append([s[0], s[1], kind, s[4], s[3], round(s[5] / 0.3048)])
    book.save(folder / "sites.xlsx")
    zones = records.zones.rename(columns={"zone_id": "HYDRO_NO", "name": "HYDRO_NAME"})
    zones.to_file(folder / "areas.geojson", driver="GeoJSON")
    ground = records.elevation
    feet = Field(ground.left, ground.top, ground.pixel_m, ground.values / 0.3048)
    write_field(folder / "ground.tif", feet, records.place.crs, unit="foot")
    return records


@own_folder(
    Place("EPSG:32745", 87.0, -42.0, 6, seed=107),
    "course sheets whose names hold site and day (C02_20310830.csv), title lines, foot rows 'Total' and 'Average'; stations in NetCDF "
    "in m of water and kelvin; sites without a header; whole metres with 0 where the ground was not seen; a zone in many features",
    {
        "stations.swe_mm": "1/1000: metres of water taken for mm", "stations.air_temperature_c": "270: kelvin taken for C",
        "courses.date": "all visits of one day, or none", "courses.swe_mm": "totals counted as samples",
        "terrain": "a sea of 0 m within hills",
    },
)  # fmt: skip
def dated_names(folder: Path, records: Records) -> Records:
    """Write a sheet a visit, named by site and day, and stations as NetCDF."""
    stations = records.stations.assign(
        swe_mm=records.stations["swe_mm"].round(0), depth_cm=records.stations["depth_cm"].round(0),
        air_temperature_c=records.stations["air_temperature_c"].round(2),
    ).drop(columns="precipitation_total_mm")  # fmt: skip
    records = records.but(
        stations=stations, courses=records.courses.drop(columns="nominal_date").round({"depth_cm": 0, "swe_mm": 0})
    )
    names = records.sites.set_index("site_id")["name"]
    (folder / "sheets").mkdir()
    for (site_id, date), visit in records.courses.groupby(["site_id", "date"]):
        lines = [
            ["Field sheet of a snow survey"],
            [f"Place {names[site_id]}", "Crew A and B"],
            ["Pt", "Depth cm", "SWE mm"],
        ]
        lines += [[row.point, f"{row.depth_cm:.0f}", f"{row.swe_mm:.0f}"] for row in visit.itertuples()]
        lines += [["Total", f"{visit.depth_cm.sum():.0f}", f"{visit.swe_mm.sum():.0f}"]]
        lines += [["Average", f"{visit.depth_cm.mean():.0f}", f"{visit.swe_mm.mean():.0f}"]]
        with (folder / "sheets" / f"{site_id}_{date:%Y%m%d}.csv").open("w", encoding="utf-8", newline="") as to:
            csv.writer(to).writerows(lines)
    _write_series(folder / "stations.nc", records)
    rows = [
        f"{s[0]},{s[1]},{s[4]:.5f},{s[3]:.5f},{s[5]:.0f},{s[2]}"
        for s in records.sites.itertuples(name=None, index=False)
    ]
    (folder / "places.csv").write_text("\n".join(rows) + "\n", "utf-8")
    records.zones.explode().to_crs(records.place.crs).to_file(folder / "zones.gpkg", layer="zones")
    ground = filled(with_voids(records.elevation, np.random.default_rng(records.place.seed)), 0.0)
    write_field(folder / "heights.tif", ground, records.place.crs, dtype="int16")
    return records


def _write_series(path: Path, records: Records) -> None:
    """Write stations as time series of the CF conventions, stations by times, noon of each day in UTC."""
    wide = {
        key: records.stations.pivot_table(index="site_id", columns="time", values=key)
        for key in ("swe_mm", "depth_cm", "air_temperature_c")
    }
    times = wide["swe_mm"].columns + pd.Timedelta(hours=12 - records.place.utc_offset)
    names = list(wide["swe_mm"].index)
    units = {"units": "m", "coordinates": "station"}
    out = xr.Dataset(
        {
            "lwe": (("i", "time"), wide["swe_mm"].to_numpy() / 1000, units | {"standard_name": "lwe_thickness_of_surface_snow_amount"}),
            "snd": (("i", "time"), wide["depth_cm"].to_numpy() / 100, units | {"standard_name": "surface_snow_thickness"}),
            "ta": (
                ("i", "time"), wide["air_temperature_c"].to_numpy() + 273.15,
                {"units": "K", "standard_name": "air_temperature", "coordinates": "station"},
            ),
            "station": ("i", names, {"cf_role": "timeseries_id"}),
        },
        {"time": ("time", times, {"standard_name": "time"})},
        {"Conventions": "CF-1.8", "featureType": "timeSeries"},
    )  # fmt: skip
    out.to_netcdf(path)


@own_folder(
    Place("EPSG:32604", -160.0, 46.0, -11, seed=108),
    "month-first dates with the time, hours of a clock that a comment states, a file a station with its name in a title line; units in "
    "a line below the header; inches and degF; missing is -99.9; course means with number of points",
    {
        "stations.time": "11 hours early: local hours taken for UTC", "stations.swe_mm": "1/25: the line of units not taken",
        "stations.air_temperature_c": "degF taken for C, or -99.9 among them", "courses.date": "day and month exchanged",
        "courses.depth_m": "0.39 of the truth",
    },
)  # fmt: skip
def clocked_files(folder: Path, records: Records) -> Records:
    """Write a file of hours a station, units below the header."""
    records = hourly(records, 3)
    stations = as_written(
        records.stations,
        swe_mm=("in", 2),
        depth_cm=("in", 1),
        air_temperature_c=("F", 1),
        precipitation_total_mm=("in", 2),
    )
    gone = np.random.default_rng(records.place.seed).random(len(stations)) < 0.01
    stations.loc[gone, "swe_mm"] = np.nan
    visits = as_written(means(records.courses), depth_cm=("in", 1), swe_mm=("in", 1)).drop(columns="nominal_date")
    records = records.but(stations=stations, courses=visits)
    names = records.sites.set_index("site_id")["name"]
    for site_id, own in stations.groupby("site_id"):
        lines = [f"# Station {site_id} {names[site_id]}", "# Local standard time, UTC-11, all year"]
        lines += [
            "Date and time,Snow water equivalent,Snow depth,Air temperature,Precipitation since October",
            ",in,in,degF,in",
        ]
        for row in own.itertuples():
            swe = -99.9 if np.isnan(row.swe_mm) else row.swe_mm / 25.4
            lines.append(
                f"{row.time:%m/%d/%Y %H:%M},{swe:.2f},{row.depth_cm / 2.54:.1f},{row.air_temperature_c * 1.8 + 32:.1f},"
                f"{row.precipitation_total_mm / 25.4:.2f}"
            )
        (folder / f"hours_{site_id}.csv").write_text("\n".join(lines) + "\n", "utf-8")
    pd.DataFrame({
        "Course": visits["site_id"], "Survey date": visits["date"].dt.strftime("%m/%d/%Y"),
        "Mean depth, inches": (visits["depth_cm"] / 2.54).round(1), "Mean water content, inches": (visits["swe_mm"] / 25.4).round(1),
        "Points": visits["cores"],
    }).to_csv(folder / "survey_means.csv", index=False)  # fmt: skip
    sites = records.sites
    pd.DataFrame({
        "Number": sites["site_id"], "Station name": sites["name"], "Equipment": sites["kind"].map({"course": "Snow course", "station": "Snow pillow"}),
        "Latitude": sites["latitude"], "Longitude": sites["longitude"], "Elevation, feet": (sites["elevation_m"] / 0.3048).round(),
    }).to_csv(folder / "network.csv", index=False)  # fmt: skip
    records.zones.explode().rename(columns={"zone_id": "UNIT", "name": "LABEL"}).to_file(
        folder / "units.geojson", driver="GeoJSON"
    )
    write_field(folder / "elevation.tif", records.elevation, records.place.crs)
    return records


@own_folder(
    Place("EPSG:32727", -20.5, -47.0, -1, seed=110),
    "a logger's table: station and element in each header (S01_SWE_mm), times '01-Aug-31 06:00' of a clock that a title line states, "
    "missing NAN, columns that are no measurement; sites in eastings and northings without a word of the system; sheets with core weights",
    {
        "stations.time": "an hour off: the title's clock not taken, or 1931", "sites.longitude": "outside the basin: another zone's eastings",
        "courses.swe_mm": "off by a share: grams and the tube's weight or bore not taken",
    },
)  # fmt: skip
def logger_table(folder: Path, records: Records) -> Records:
    """Write a logger's wide table and weighed cores."""
    records = hourly(records, 6)
    stations = records.stations.drop(columns="precipitation_total_mm").round({"swe_mm": 0, "depth_cm": 0})
    tube_g, bore_cm = 820.0, 4.2
    area = np.pi * bore_cm**2 / 4
    courses = records.courses.drop(columns="nominal_date").round({"depth_cm": 0})
    full = (courses["swe_mm"] / 10 * area + tube_g).round(0)
    courses = courses.assign(swe_mm=(full - tube_g) * 10 / area)
    records = records.but(stations=stations, courses=courses)
    table, columns = None, {}
    for site_id, own in stations.groupby("site_id"):
        table = own["time"].to_numpy() if table is None else table
        columns |= {f"{site_id}_SWE_mm": own["swe_mm"].to_numpy(), f"{site_id}_Depth_cm": own["depth_cm"].to_numpy()}
        columns |= {f"{site_id}_AirTemp_C": own["air_temperature_c"].to_numpy(), f"{site_id}_Battery_V": 12.6}
    wide = pd.DataFrame(
        {"Timestamp": pd.DatetimeIndex(table).strftime("%d-%b-%y %H:%M"), "Record": range(len(table)), **columns}
    )
    head = "Export of the data logger; clock UTC-1; do not edit\n"
    (folder / "export.csv").write_text(head + wide.to_csv(index=False, na_rep="NAN"), "utf-8")
    sheet = pd.DataFrame({
        "Line": courses["site_id"], "Day": courses["date"].dt.strftime("%d-%b-%y"), "Pt": courses["point"],
        "Snow depth cm": courses["depth_cm"], "Tube and core g": full, "Tube g": tube_g, "Inner diameter cm": bore_cm,
    })  # fmt: skip
    sheet.to_csv(folder / "cores.csv", index=False)
    sites = records.sites
    x, y = Transformer.from_crs(4326, records.place.crs, always_xy=True).transform(
        sites["longitude"], sites["latitude"]
    )
    pd.DataFrame({
        "Code": sites["site_id"], "Place": sites["name"], "What": sites["kind"].map({"course": "snow line", "station": "logger"}),
        "Easting": np.round(x, 0), "Northing": np.round(y, 0), "Height m": sites["elevation_m"],
    }).to_csv(folder / "coordinates.csv", index=False)  # fmt: skip
    records.zones.to_crs(records.place.crs).rename(columns={"zone_id": "ID", "name": "TITLE"}).to_file(
        folder / "catchment.shp"
    )
    write_field(folder / "ground_elevation.tif", records.elevation, records.place.crs, dtype="int16", nodata=-32768)
    return records


@own_folder(
    Place("EPSG:32607", -140.4, 40.0, -9, seed=111),
    "no unit anywhere: depth 20 to 90, water 4 to 30, which are inches and might be centimetres",
    {"stations.swe_mm": "0.39 of the truth: inches taken for cm", "courses.swe_mm": "0.39 of the truth"},
    may_stop="inches or centimetres",
)
def no_units(folder: Path, records: Records) -> Records:
    """Write tables without a word of units."""
    stations = as_written(
        records.stations.drop(columns=["precipitation_total_mm", "air_temperature_c"]),
        swe_mm=("in", 1),
        depth_cm=("in", 0),
    )
    courses = as_written(records.courses.drop(columns="nominal_date"), depth_cm=("in", 0), swe_mm=("in", 1))
    records = records.but(stations=stations, courses=courses)
    pd.DataFrame({
        "Station": stations["site_id"], "Date": stations["time"].dt.strftime("%Y-%m-%d"), "Depth": (stations["depth_cm"] / 2.54).round(),
        "Water": (stations["swe_mm"] / 25.4).round(1),
    }).to_csv(folder / "pillow_days.csv", index=False)  # fmt: skip
    pd.DataFrame({
        "Course": courses["site_id"], "Date": courses["date"].dt.strftime("%Y-%m-%d"), "Point": courses["point"],
        "Depth": (courses["depth_cm"] / 2.54).round(), "Water": (courses["swe_mm"] / 25.4).round(1),
    }).to_csv(folder / "course_points.csv", index=False)  # fmt: skip
    records.sites.drop(columns="elevation_m").to_csv(folder / "sites.csv", index=False)
    records.zones.to_file(folder / "zones.geojson", driver="GeoJSON")
    write_field(folder / "elevation.tif", records.elevation, records.place.crs, unit="m")
    return records.but(sites=records.sites.drop(columns="elevation_m"))
