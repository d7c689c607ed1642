"""Losses of the tables: sites, courses, stations, weather, normals and overrides."""

from __future__ import annotations

import zipfile
from pathlib import Path

import pandas as pd
from losses import (
    FILE,
    PAST,
    SAID,
    SLIP,
    add,
    cut,
    day_and_month_swapped,
    decimal_commas,
    edited,
    emptied,
    emptied_column,
    first_lines,
    gone,
    header_only,
    lines_of,
    loss,
    mixed_line_ends,
    nul_tail,
    other_spelling,
    read_texts,
    renamed,
    scaled,
    separated_by,
    set_input,
    utf_16_unsaid,
    without_rows,
    workbook,
    write_lines,
)

SITES, COURSES, STATIONS, WEATHER = "sites.csv", "course_samples.csv", "station_records.csv", "weather.csv"
NORMALS, OVERRIDES = "normals.csv", "overrides.csv"
INCH_MM = 25.4

# ---- sites

add("sites-missing", FILE, gone(SITES))
add("sites-empty", FILE, emptied(SITES))
add("sites-header-only", FILE, header_only(SITES))
add("sites-first-half", PAST, first_lines(SITES, 0.5))
add("sites-cut", PAST, cut(SITES), "all but the last line is whole, and that is told as unreadable")
add("sites-decimal-commas", FILE, decimal_commas(SITES))
add("sites-mixed-line-ends", FILE, mixed_line_ends(SITES), "half of the lines follow a carriage return alone")
add("sites-utf16-unsaid", FILE, utf_16_unsaid(SITES))
add(
    "sites-older-copy", PAST, without_rows(SITES, lambda t: t["from"] >= "2014"), "readings of sites not listed show it"
)
add("sites-ids-respelled", FILE, other_spelling(SITES), "no reading has a site")
add("sites-coordinates-swapped", FILE, renamed(SITES, longitude="latitude", latitude="longitude"))
add(
    "sites-west-as-east",
    FILE,
    edited(SITES, lambda t: t.assign(longitude=t["longitude"].str.lstrip("-"))),
    "all sites lie far outside",
)
add(
    "sites-rounded-to-km",
    SLIP,
    edited(
        SITES, lambda t: t.assign(**{n: t[n].astype(float).map("{:.2f}".format) for n in ("longitude", "latitude")})
    ),
    "coordinates of 0.01 degree are what some lists hold",
)
add(
    "sites-rounded-to-10km",
    FILE,
    edited(
        SITES, lambda t: t.assign(**{n: t[n].astype(float).map("{:.1f}".format) for n in ("longitude", "latitude")})
    ),
    "stated elevations contradict the terrain",
)
add("sites-one-lost", PAST, without_rows(SITES, lambda t: t["site_id"] == "LS10"))
add(
    "sites-out-of-service",
    SAID,
    edited(SITES, lambda t: t.assign(until="2030-12-31")),
    "the table says that every site has ended, and readings of later days contradict it",
)

# ---- courses

add("courses-missing", FILE, gone(COURSES))
add("courses-empty", FILE, emptied(COURSES))
add("courses-header-only", FILE, header_only(COURSES))
add("courses-first-half", PAST, first_lines(COURSES, 0.4))
add("courses-last-round-lost", PAST, without_rows(COURSES, lambda t: t["date"] > "2031-03-15"))
add("courses-older-copy", PAST, without_rows(COURSES, lambda t: t["date"] > "2031-01-15"))
add("courses-decimal-commas", FILE, decimal_commas(COURSES))
add("courses-mixed-line-ends", FILE, mixed_line_ends(COURSES))
add("courses-utf16-unsaid", FILE, utf_16_unsaid(COURSES))
add("courses-nul-tail", FILE, nul_tail(COURSES))
add("courses-separator-unknown", FILE, separated_by(COURSES, ":"))
add("courses-swe-header-renamed", FILE, renamed(COURSES, swe_mm="SWE"), "only weighed courses keep their water")
add("courses-depth-header-renamed", FILE, renamed(COURSES, depth_cm="snow depth"))
add("courses-all-headers-renamed", FILE, renamed(COURSES, swe_mm="SWE", depth_cm="Depth", mass_full_g="Full"))
add(
    "courses-swe-empty",
    FILE,
    edited(COURSES, lambda t: t.assign(swe_mm="", mass_full_g="", mass_empty_g="")),
    "a column that was full says nothing",
)
add("courses-swe-in-inches", FILE, scaled(COURSES, "swe_mm", 1 / INCH_MM))
add("courses-swe-in-cm", FILE, scaled(COURSES, "swe_mm", 0.1))
add("courses-depth-in-inches", FILE, scaled(COURSES, "depth_cm", 1 / 2.54))
add("courses-depth-in-mm", FILE, scaled(COURSES, "depth_cm", 10))
add("courses-day-month-swapped", FILE, day_and_month_swapped(COURSES, "date"))
add(
    "courses-day-first-unsaid",
    FILE,
    edited(COURSES, lambda t: t.assign(date=t["date"].str.replace(r"(\d+)-(\d+)-(\d+)", r"\3/\2/\1", regex=True))),
)
add("courses-one-lost", PAST, without_rows(COURSES, lambda t: t["site_id"] == "LC09"))
add("courses-ids-respelled", FILE, other_spelling(COURSES))


@loss("courses-workbook-stale-dimension", FILE, "rows beyond the sheet's stated dimension are there to be read")
def _stale_dimension(home: Path) -> None:
    path = workbook(home, COURSES, {"Cores": read_texts(home / COURSES)})
    with zipfile.ZipFile(path) as old:
        parts = {name: old.read(name) for name in old.namelist()}
    sheet = parts["xl/worksheets/sheet1.xml"].decode()
    stated = sheet[sheet.index('<dimension ref="') :].split('"')[1]
    parts["xl/worksheets/sheet1.xml"] = sheet.replace(stated, "A1:M20").encode()
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as new:
        for name, data in parts.items():
            new.writestr(name, data)
    set_input(home, inputs__courses=path.name)


@loss("courses-workbook-decoy-sheet", FILE, "an older copy stands on the first of two sheets")
def _decoy_sheet(home: Path) -> None:
    table = read_texts(home / COURSES)
    path = workbook(home, COURSES, {"old": table[table["date"] < "2031-01-15"], "Cores": table})
    set_input(home, inputs__courses=path.name)


@loss("courses-workbook-cut", FILE)
def _cut_workbook(home: Path) -> None:
    path = workbook(home, COURSES, {"Cores": read_texts(home / COURSES)})
    path.write_bytes(path.read_bytes()[:4000])
    set_input(home, inputs__courses=path.name)


# ---- stations

add("stations-missing", FILE, gone(STATIONS))
add("stations-empty", FILE, emptied(STATIONS))
add("stations-header-only", FILE, header_only(STATIONS))
add("stations-first-half", PAST, first_lines(STATIONS, 0.5), "the file holds one station after the other")
add("stations-cut", PAST, cut(STATIONS, 0.75))
add("stations-tail-lost", FILE, without_rows(STATIONS, lambda t: t["time"] > "2031-03-31"), "all are silent")
add("stations-older-copy", FILE, without_rows(STATIONS, lambda t: t["time"] > "2031-02-15"), "all are silent")
add("stations-head-lost", PAST, without_rows(STATIONS, lambda t: t["time"] < "2031-03-20"), "rotated away")
add("stations-decimal-commas", FILE, decimal_commas(STATIONS))
add("stations-mixed-line-ends", FILE, mixed_line_ends(STATIONS))
add("stations-utf16-unsaid", FILE, utf_16_unsaid(STATIONS))
add("stations-nul-tail", FILE, nul_tail(STATIONS))
add("stations-swe-header-renamed", FILE, renamed(STATIONS, swe_mm="SWE [mm]"))
add("stations-depth-header-renamed", FILE, renamed(STATIONS, depth_cm="HS"))
add("stations-swe-empty", FILE, emptied_column(STATIONS, "swe_mm"))
add("stations-swe-missing-code", FILE, emptied_column(STATIONS, "swe_mm", "-9999"))
add("stations-swe-all-zero", FILE, emptied_column(STATIONS, "swe_mm", "0"), "depth beside it is not 0")
add("stations-swe-in-inches", FILE, scaled(STATIONS, "swe_mm", 1 / INCH_MM))
add("stations-swe-times-2.54", FILE, scaled(STATIONS, "swe_mm", 2.54))
add("stations-swe-times-10", FILE, scaled(STATIONS, "swe_mm", 10))
add("stations-swe-times-25.4", FILE, scaled(STATIONS, "swe_mm", INCH_MM))
add("stations-swe-in-metres", FILE, scaled(STATIONS, "swe_mm", 0.001))
add("stations-day-month-swapped", FILE, day_and_month_swapped(STATIONS, "time"))
add("stations-one-lost", PAST, without_rows(STATIONS, lambda t: t["site_id"] == "LS10"))
add(
    "stations-three-lost",
    PAST,
    without_rows(STATIONS, lambda t: t["site_id"].isin(["LS01", "LS02", "LS03"])),
)
add("stations-ids-respelled", FILE, other_spelling(STATIONS))
add(
    "stations-no-offset",
    FILE,
    edited(STATIONS, lambda t: t.assign(time=t["time"].str.removesuffix("-02:00"))),
    "local times that nothing tells",
)
add(
    "stations-year-before",
    FILE,
    edited(STATIONS, lambda t: t.assign(time=(t["time"].str[:4].astype(int) - 1).astype("str") + t["time"].str[4:])),
    "a file of another year: nothing of this season",
)


@loss("stations-columns-shifted", FILE, "the header has one column less than the rows")
def _shifted(home: Path) -> None:
    lines = lines_of(home / STATIONS)
    write_lines(home / STATIONS, [lines[0].replace("site_id,", ""), *lines[1:]])


@loss("stations-frozen", FILE, "every reading of the last four weeks is the same one")
def _frozen(home: Path) -> None:
    table = read_texts(home / STATIONS)
    late = (table["time"] > "2031-03-16") & (table["time"] < "2031-04-15")
    values = [name for name in table.columns if name not in ("site_id", "time")]
    first = table[late].groupby("site_id")[values].transform("first")
    table.loc[late, values] = first
    table.to_csv(home / STATIONS, index=False)


# ---- weather, normals, overrides

add("weather-missing", FILE, gone(WEATHER))
add("weather-header-only", FILE, header_only(WEATHER))
add("weather-decimal-commas", FILE, decimal_commas(WEATHER))
add("weather-tail-lost", FILE, without_rows(WEATHER, lambda t: t["date"] > "2031-03-10"), "no day near the date")
add("weather-head-lost", PAST, without_rows(WEATHER, lambda t: t["date"] < "2031-04-01"))
add("weather-header-renamed", FILE, renamed(WEATHER, air_temperature_c="tmean"))


@loss("weather-in-fahrenheit", FILE, "temperatures that no station of the basin read")
def _fahrenheit(home: Path) -> None:
    table = read_texts(home / WEATHER)
    for name in [name for name in table.columns if name.startswith("air_temperature")]:
        table[name] = (pd.to_numeric(table[name]) * 1.8 + 32).map("{:.1f}".format)
    table.to_csv(home / WEATHER, index=False)


add("normals-missing", FILE, gone(NORMALS))
add("normals-header-only", FILE, header_only(NORMALS))
add("normals-decimal-commas", FILE, decimal_commas(NORMALS))
add("overrides-missing", FILE, gone(OVERRIDES))
add("overrides-header-only", PAST, header_only(OVERRIDES), "a table of decisions may well be empty")
add("overrides-row-lost", PAST, first_lines(OVERRIDES, 0.5))
add("overrides-day-month-swapped", PAST, day_and_month_swapped(OVERRIDES, "start"))

# ---- what the settings say

add(
    "settings-stations-line-lost",
    SAID,
    lambda home: set_input(home, inputs__stations=None),
    "the settings name no stations: a choice of the user, recorded with the day",
)
add(
    "settings-swe-unit-wrong",
    FILE,
    lambda home: set_input(home, columns={"stations": {"swe": {"unit": "inch"}}}),
    "said, but no snow has such densities",
)
add("settings-path-mistyped", FILE, lambda home: set_input(home, inputs__stations="station_record.csv"))
