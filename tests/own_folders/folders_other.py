"""Made folders whose files are headed in other languages, and two whose peculiarity is in coordinates and days."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import openpyxl
import pandas as pd
from canonical import write_field
from own_folder import own_folder
from own_rasters import with_voids, write_in_degrees, write_tiles
from own_records import hourly, means
from pyproj import Transformer
from small_world import Field, Place, Records


def comma(values: pd.Series, decimals: int) -> pd.Series:
    """Return numbers as text with a decimal comma, empty where there is none."""
    return values.map(lambda value: "" if pd.isna(value) else f"{value:.{decimals}f}".replace(".", ","))


def projected(records: Records, crs: str) -> tuple[np.ndarray, np.ndarray]:
    """Return eastings and northings of the sites, whole metres."""
    sites = records.sites
    x, y = Transformer.from_crs(4326, crs, always_xy=True).transform(sites["longitude"], sites["latitude"])
    return np.round(x), np.round(y)


@own_folder(
    Place("EPSG:32626", -28.2, 44.0, -2, seed=102),
    "German: semicolons, decimal commas, cp1252, 01.03.2031, a file a season with a line 'Mittel' under each visit; hours of a clock "
    "that the header states (UTC-2), a file a station, named by it; Rechtswert and Hochwert of a stated EPSG code",
    {
        "stations.time": "two hours early: local hours taken for UTC", "stations.swe_mm": "ten times: a comma lost",
        "courses.date": "day and month exchanged", "courses.swe_mm": "the means counted as samples",
    },
)  # fmt: skip
def german_office(folder: Path, records: Records) -> Records:
    """Write an office's exports."""
    records = hourly(records, 3)
    records = records.but(courses=records.courses.drop(columns="nominal_date").round({"depth_cm": 0, "swe_mm": 0}))
    x, y = projected(records, records.place.crs)
    sites = records.sites
    table = pd.DataFrame({
        "Kennung": sites["site_id"], "Name": sites["name"], "Art": sites["kind"].map({"course": "Schneekurs", "station": "Schneekissen"}),
        "Rechtswert (EPSG:32626)": x.astype(int), "Hochwert (EPSG:32626)": y.astype(int), "Seehöhe (m ü. M.)": comma(sites["elevation_m"], 1),
    })  # fmt: skip
    table.to_csv(folder / "Messstellen.csv", sep=";", index=False, encoding="cp1252")
    head = "Kennung;Datum;Punkt;Schneehöhe (cm);Wasseräquivalent (mm);Bemerkung\n"
    for season, rows in records.courses.groupby(records.courses["date"].dt.year):
        text = head
        for (site_id, date), visit in rows.groupby(["site_id", "date"]):
            day = f"{date:%d.%m.%Y}"
            for row in visit.itertuples():
                text += f"{site_id};{day};{row.point};{row.depth_cm:.0f};{row.swe_mm:.0f};\n"
            depth, swe = comma(visit[["depth_cm", "swe_mm"]].mean(), 1)
            text += f"{site_id};{day};Mittel;{depth};{swe};\n"
        (folder / f"Schneekurse_{season}.csv").write_text(text, "cp1252")
    for site_id, own in records.stations.groupby("site_id"):
        pd.DataFrame({
            "Zeitpunkt (UTC-2)": own["time"].dt.strftime("%d.%m.%Y %H:%M"), "Wasseräquivalent (mm)": comma(own["swe_mm"], 1),
            "Schneehöhe (cm)": comma(own["depth_cm"], 1), "Lufttemperatur (°C)": comma(own["air_temperature_c"], 1),
            "Niederschlag Summe (mm)": comma(own["precipitation_total_mm"], 1),
        }).to_csv(folder / f"Kissen_{site_id}.csv", sep=";", index=False, encoding="cp1252")  # fmt: skip
    zones = records.zones.explode().rename(columns={"zone_id": "GEBIET_NR", "name": "GEBIET"})
    zones.to_crs(records.place.crs).to_file(folder / "Gebiete.gpkg", layer="gebiete")
    write_field(folder / "Hoehenmodell.tif", records.elevation, records.place.crs, dtype="float32", nodata=-9999)
    return records


@own_folder(
    Place("EPSG:32624", -38.5, 42.0, -3, seed=103),
    "French: a workbook a course with a sheet a visit, course and day in title lines, foot row 'Moyenne'; stations of one line a "
    "station and day, semicolons and decimal commas, 01/03/2031; ground in four tiles of whole metres with -32768 undeclared",
    {
        "courses.date": "day and month exchanged", "courses.swe_mm": "the means counted as samples", "stations.swe_mm": "ten times: a comma lost",
        "stations.time": "day and month exchanged", "terrain": "pits of -32768 m, or a quarter of the basin",
    },
)  # fmt: skip
def french_books(folder: Path, records: Records) -> Records:
    """Write a workbook a course."""
    records = records.but(courses=records.courses.drop(columns="nominal_date").round({"depth_cm": 0, "swe_mm": 0}))
    names = records.sites.set_index("site_id")["name"]
    for site_id, rows in records.courses.groupby("site_id"):
        book = openpyxl.Workbook()
        book.remove(book.active)
        for date, visit in rows.groupby("date"):
            sheet = book.create_sheet(f"{date:%d-%m-%Y}")
            sheet.append([f"Parcours de neige : {names[site_id]} ({site_id})"])
            sheet.append([f"Date du relevé : {date:%d/%m/%Y}"])
            sheet.append([])
            sheet.append(["Point", "Hauteur de neige (cm)", "Équivalent en eau (mm)", "Remarque"])
            for row in visit.itertuples():
                sheet.append([row.point, row.depth_cm, row.swe_mm, None])
            sheet.append(["Moyenne", round(visit["depth_cm"].mean(), 1), round(visit["swe_mm"].mean(), 1), None])
        book.save(folder / f"parcours_{site_id}.xlsx")
    rows = records.stations
    pd.DataFrame({
        "Code": rows["site_id"], "Date": rows["time"].dt.strftime("%d/%m/%Y"), "Équivalent en eau (mm)": comma(rows["swe_mm"], 1),
        "Hauteur de neige (cm)": comma(rows["depth_cm"], 1), "Température de l'air (°C)": comma(rows["air_temperature_c"], 1),
        "Cumul des précipitations (mm)": comma(rows["precipitation_total_mm"], 1),
    }).to_csv(folder / "nivometres.csv", sep=";", index=False)  # fmt: skip
    sites = records.sites
    pd.DataFrame({
        "Code": sites["site_id"], "Nom": sites["name"], "Type": sites["kind"].map({"course": "Parcours de neige", "station": "Nivomètre"}),
        "Longitude": comma(sites["longitude"], 5), "Latitude": comma(sites["latitude"], 5), "Altitude (m)": comma(sites["elevation_m"], 0),
    }).to_csv(folder / "sites.csv", sep=";", index=False, encoding="utf-8-sig")  # fmt: skip
    zones = records.zones.explode().rename(columns={"zone_id": "CODE_ZONE", "name": "NOM_ZONE"})
    zones.to_file(folder / "zones.geojson", driver="GeoJSON")
    ground = with_voids(records.elevation, np.random.default_rng(records.place.seed))
    values = np.where(np.isfinite(ground.values), ground.values, -32768)
    (folder / "mnt").mkdir()
    tiles = Field(ground.left, ground.top, ground.pixel_m, values)
    write_tiles(folder / "mnt", tiles, records.place.crs, dtype="int16", stem="mnt")
    return records


def sexagesimal(degrees: float, marks: str) -> str:
    """Return degrees, minutes and seconds with the letter of the side."""
    whole = abs(degrees)
    seconds = round((whole % 1) * 3600, 1)
    return f"{int(whole)}°{int(seconds // 60):02d}'{seconds % 60:04.1f}\"{marks[int(degrees < 0)]}"


@own_folder(
    Place("EPSG:32712", -111.3, -45.0, -7, seed=104),
    "Spanish, southern hemisphere: places in degrees, minutes and seconds (S, O); means of a visit with number of points, 01-08-2031; "
    "stations in one table, missing 's/d'; decimal commas; ground in degrees, whole metres, -9999 undeclared",
    {
        "sites.longitude": "east for west: 'O' (oeste) not understood", "courses.date": "day and month exchanged",
        "stations.swe_mm": "ten times: a comma lost", "courses.cores": "a visit's mean taken for one core",
    },
)  # fmt: skip
def spanish_south(folder: Path, records: Records) -> Records:
    """Write a southern service's tables."""
    visits = means(records.courses).drop(columns="nominal_date").round({"depth_cm": 1, "swe_mm": 1})
    stations = records.stations.copy()
    gone = np.random.default_rng(records.place.seed).random(len(stations)) < 0.02
    stations.loc[gone, "depth_cm"] = np.nan
    records = records.but(courses=visits, stations=stations)
    sites = records.sites
    pd.DataFrame({
        "Código": sites["site_id"], "Nombre": sites["name"], "Tipo": sites["kind"].map({"course": "Ruta de nieve", "station": "Almohada de nieve"}),
        "Latitud": [sexagesimal(one, "NS") for one in sites["latitude"]], "Longitud": [sexagesimal(one, "EO") for one in sites["longitude"]],
        "Altitud (m s.n.m.)": sites["elevation_m"].astype(int),
    }).to_csv(folder / "estaciones.csv", sep=";", index=False)  # fmt: skip
    pd.DataFrame({
        "Código": visits["site_id"], "Fecha": visits["date"].dt.strftime("%d-%m-%Y"), "Altura de nieve (cm)": comma(visits["depth_cm"], 1),
        "Equivalente en agua (mm)": comma(visits["swe_mm"], 1), "Número de puntos": visits["cores"],
    }).to_csv(folder / "rutas_de_nieve.csv", sep=";", index=False)  # fmt: skip
    pd.DataFrame({
        "Código": stations["site_id"], "Fecha": stations["time"].dt.strftime("%d-%m-%Y"), "Equivalente en agua (mm)": comma(stations["swe_mm"], 1),
        "Altura de nieve (cm)": comma(stations["depth_cm"], 1).replace("", "s/d"), "Temperatura media (°C)": comma(stations["air_temperature_c"], 1),
        "Precipitación acumulada (mm)": comma(stations["precipitation_total_mm"], 1),
    }).to_csv(folder / "registro_diario.csv", sep=";", index=False)  # fmt: skip
    zones = records.zones.explode().rename(columns={"zone_id": "COD_CUENCA", "name": "CUENCA"})
    zones.to_file(folder / "cuencas.geojson", driver="GeoJSON")
    write_in_degrees(folder / "mde.tif", records, dtype="int16", code=-9999)
    # Tenths of a second are three metres.
    tenths = records.sites[["longitude", "latitude"]].mul(36000).round().div(36000)
    return records.but(sites=records.sites.assign(**tenths))


@own_folder(
    Place("EPSG:32631", 1.6, 64.0, 1, seed=105, middle_m=1100.0, relief_m=1100.0, flown=True),
    "Norwegian: tabs, decimal commas, snow depth in metres; hours of a clock in a comment (UTC+1), a file a station; Øst and Nord of a "
    "stated EPSG code; missing is -6999; a flight as a table and a raster of centimetres",
    {
        "stations.depth_m": "1/100: metres taken for cm", "stations.time": "an hour off", "courses.depth_m": "1/100 of the truth",
        "flights.depth": "100 times: centimetres taken for metres",
    },
)  # fmt: skip
def norwegian_coast(folder: Path, records: Records) -> Records:
    """Write tables with tabs, depth in metres, and a flight."""
    records = hourly(records, 6)
    stations = records.stations.round({"depth_cm": 0})
    gone = np.random.default_rng(records.place.seed).random(len(stations)) < 0.01
    stations.loc[gone, "air_temperature_c"] = np.nan
    flight = Field(records.flight.left, records.flight.top, records.flight.pixel_m, np.round(records.flight.values, 2))
    records = records.but(
        stations=stations,
        courses=records.courses.drop(columns="nominal_date").round({"depth_cm": 0, "swe_mm": 0}),
        flight=flight,
    )
    x, y = projected(records, "EPSG:25831")
    sites = records.sites
    pd.DataFrame({
        "Stasjonsnr": sites["site_id"], "Navn": sites["name"], "Type": sites["kind"].map({"course": "Snøstrekk", "station": "Snøpute"}),
        "Øst (EPSG:25831)": x.astype(int), "Nord (EPSG:25831)": y.astype(int), "Høyde (moh)": sites["elevation_m"].astype(int),
    }).to_csv(folder / "stasjoner.txt", sep="\t", index=False)  # fmt: skip
    for site_id, own in stations.groupby("site_id"):
        table = pd.DataFrame({
            "Tidspunkt": own["time"].dt.strftime("%d.%m.%Y %H:%M"), "Snøens vannekvivalent (mm)": comma(own["swe_mm"], 1),
            "Snødybde (m)": comma(own["depth_cm"] / 100, 2), "Lufttemperatur (°C)": comma(own["air_temperature_c"].fillna(-6999), 1),
            "Akkumulert nedbør (mm)": comma(own["precipitation_total_mm"], 1),
        })  # fmt: skip
        text = f"# Stasjon {site_id}\n# Normaltid hele året, UTC+1\n" + table.to_csv(sep="\t", index=False)
        (folder / f"snopute_{site_id}.txt").write_text(text, "utf-8")
    courses = records.courses
    pd.DataFrame({
        "Stasjonsnr": courses["site_id"], "Dato": courses["date"].dt.strftime("%d.%m.%Y"), "Punkt": courses["point"],
        "Snødybde (m)": comma(courses["depth_cm"] / 100, 2), "Vannekvivalent (mm)": comma(courses["swe_mm"], 0),
    }).to_csv(folder / "snostrekk.txt", sep="\t", index=False)  # fmt: skip
    write_field(
        folder / "laser_snodybde.tif", Field(flight.left, flight.top, flight.pixel_m, flight.values * 100), records.place.crs,
        dtype="int16", nodata=-32768, unit="cm",
    )  # fmt: skip
    table = f"flyvning\tdato\tsnødybde\nL1\t{records.flight_date:%d.%m.%Y}\tlaser_snodybde.tif\n"
    (folder / "laserflyvninger.txt").write_text(table, "utf-8")
    zones = records.zones.explode().rename(columns={"zone_id": "FELTNR", "name": "FELTNAVN"})
    zones.to_crs("EPSG:25831").to_file(folder / "nedborfelt.gpkg", layer="felt")
    write_field(folder / "terreng.tif", records.elevation, records.place.crs)
    return records


@own_folder(
    Place("EPSG:32623", -45.4, 50.0, -3, seed=109, flown=True),
    "all lengths in metres under the trade's short signs (HS, SWE [m w.e.]); eastings and northings whose system nothing says but the "
    "zones' file; ground and flight in feet as their bands say; canopy in per cent; workbooks with real dates",
    {
        "stations.swe_mm": "1/1000: metres taken for mm", "courses.depth_m": "1/100: metres taken for cm", "terrain": "6,000 for 1,900: feet",
        "flights.depth": "3.3 times: feet taken for metres", "sites.longitude": "outside the basin",
    },
)  # fmt: skip
def metres_throughout(folder: Path, records: Records) -> Records:
    """Write a research group's workbooks in metres."""
    records = records.but(
        courses=records.courses.drop(columns="nominal_date").round({"depth_cm": 0, "swe_mm": 0}),
        stations=records.stations.drop(columns="precipitation_total_mm").round({"depth_cm": 0, "swe_mm": 0}), with_canopy=True,
    )  # fmt: skip
    book = openpyxl.Workbook()
    book.active.title = "probing"
    book.active.append(["Transect", "Date", "No.", "HS [m]", "SWE [m w.e.]", "Observer"])
    for row in records.courses.itertuples():
        book.active.append(
            [row.site_id, row.date.to_pydatetime(), row.point, row.depth_cm / 100, row.swe_mm / 1000, "field team"]
        )
    book.save(folder / "transects.xlsx")
    stations = records.stations
    pd.DataFrame({
        "station": stations["site_id"], "date": stations["time"].dt.strftime("%Y%m%d"), "SWE [m w.e.]": (stations["swe_mm"] / 1000).map("{:.3f}".format),
        "HS [m]": (stations["depth_cm"] / 100).map("{:.2f}".format), "TA [K]": (stations["air_temperature_c"] + 273.15).map("{:.2f}".format),
    }).to_csv(folder / "aws.dat", sep="\t", index=False)  # fmt: skip
    x, y = projected(records, records.place.crs)
    book = openpyxl.Workbook()
    book.active.append(["Places of measurement"])
    book.active.append([])
    book.active.append(["code", "label", "category", "X", "Y", "Z [m a.s.l.]"])
    for site, east, north in zip(records.sites.itertuples(), x, y, strict=True):
        book.active.append([
            site.site_id, site.name, {"course": "transect", "station": "automatic weather station"}[site.kind], east, north, site.elevation_m,
        ])  # fmt: skip
    book.save(folder / "places.xlsx")
    crs = records.place.crs
    for name, field in (("ground_feet", records.elevation), ("laser_depth", records.flight)):
        feet = Field(field.left, field.top, field.pixel_m, field.values / 0.3048)
        write_field(folder / f"{name}.tif", feet, crs, unit="ft")
    canopy = records.canopy
    per_cent = Field(canopy.left, canopy.top, canopy.pixel_m, canopy.values * 100)
    write_field(folder / "canopy_cover.tif", per_cent, crs, dtype="uint8", unit="%")
    (folder / "flights.csv").write_text(
        f"survey,flown on,depth raster\nA1,{records.flight_date:%Y-%m-%d},laser_depth.tif\n", "utf-8"
    )
    zones = records.zones.explode().rename(columns={"zone_id": "basin_part", "name": "part_name"})
    zones.to_crs(crs).to_file(folder / "outline.gpkg", layer="parts")
    return records


@own_folder(
    Place("EPSG:32751", 120.6, -50.0, 8, seed=112),
    "southern; days of the stations and courses all below 13, so that 03/08/2031 may be either: a table a month of the first of the "
    "month and the days after; otherwise plain, elevations in feet",
    {
        "courses.date": "day and month exchanged: visits of January in midsummer",
        "stations.time": "day and month exchanged",
    },
    may_stop="day first or month first",
)
def first_days(folder: Path, records: Records) -> Records:
    """Write days of which none tells the order of day and month."""
    stations = records.stations[records.stations["time"].dt.day <= 12].reset_index(drop=True)
    courses = records.courses.drop(columns="nominal_date")
    courses = courses.assign(
        date=courses["date"].where(courses["date"].dt.day <= 12, courses["date"] + pd.Timedelta(days=5))
    )
    records = records.but(stations=stations, courses=courses)
    stations.rename(
        columns={
            "swe_mm": "SWE (mm)",
            "depth_cm": "Depth (cm)",
            "air_temperature_c": "Air (C)",
            "precipitation_total_mm": "Gauge (mm)",
        }
    ).assign(time=stations["time"].dt.strftime("%d/%m/%Y")).rename(
        columns={"time": "Date", "site_id": "Station"}
    ).to_csv(folder / "pillows.csv", index=False)
    courses.assign(date=courses["date"].dt.strftime("%d/%m/%Y")).rename(
        columns={"site_id": "Course", "date": "Date", "point": "Point", "depth_cm": "Depth (cm)", "swe_mm": "SWE (mm)"}
    ).to_csv(folder / "courses.csv", index=False)
    sites = records.sites
    sites.assign(elevation_m=(sites["elevation_m"] / 0.3048).round()).rename(
        columns={"elevation_m": "Elevation (ft)"}
    ).to_csv(folder / "sites.csv", index=False)
    records.zones.explode().to_file(folder / "zones.geojson", driver="GeoJSON")
    write_field(folder / "elevation.tif", records.elevation, records.place.crs, unit="m")
    return records
