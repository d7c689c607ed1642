"""Copies of the demo's tables whose headers are written as other people would, at random."""

from __future__ import annotations

import csv
from collections.abc import Mapping
from pathlib import Path

import numpy as np

DEMO = Path(__file__).resolve().parents[2] / "sample_inputs" / "larkmoor"

NAMES: Mapping[str, tuple[str, ...]] = {
    "site_id": (
        "Site",
        "STATION_ID",
        "Station code",
        "Messstelle",
        "Code station",
        "Código",
        "Codice",
        "Stasjonsnr",
        "ID",
    ),
    "name": ("Name", "SITE_NAME", "Bezeichnung", "Nom", "Nombre", "Nome", "Navn"),
    "kind": ("Kind", "SITE TYPE", "Typ", "Genre", "Tipo", "Type"),
    "longitude": ("Lon", "LONGITUDE", "Länge", "Longitud", "Longitudine", "Lengdegrad", "lng"),
    "latitude": ("Lat", "LATITUDE", "Breite", "Latitud", "Latitudine", "Breddegrad"),
    "elevation_m": ("Elev", "Altitude (m)", "Seehöhe [m]", "Altitud", "Quota (m s.l.m.)", "Høyde (moh)", "ELEVATION_M"),
    "from": ("Since", "Start date", "Seit", "Depuis", "Desde", "Dal", "Fra"),
    "until": ("To", "End date", "Bis", "Jusqu'à", "Hasta", "Al", "Til"),
    "date": ("Date", "SURVEY_DATE", "Datum", "Jour", "Fecha", "Data", "Dato"),
    "point": ("Point", "Sample No.", "Punkt", "Échantillon", "Muestra", "Campione", "Prøve", "Pt"),
    "depth_cm": (
        "Depth",
        "Snow depth (cm)",
        "HS [cm]",
        "Schneehöhe",
        "Hauteur de neige, cm",
        "Espesor (cm)",
        "Snødybde",
    ),
    "core_cm": (
        "Core",
        "CoreLength_cm",
        "Kernlänge",
        "Longueur de la carotte",
        "Testigo (cm)",
        "Carota",
        "Kjernelengde [cm]",
    ),
    "swe_mm": (
        "SWE",
        "Water equivalent (mm)",
        "Wasserwert",
        "Équivalent en eau [mm]",
        "Equivalente en agua",
        "Vannekvivalent",
    ),
    "mass_full_g": (
        "Full",
        "Gross weight (g)",
        "Gewicht voll",
        "Poids plein",
        "Peso lleno [g]",
        "Peso lordo",
        "Full vekt",
    ),
    "mass_empty_g": ("Empty", "Tare (g)", "Gewicht leer", "Poids vide", "Tara", "Peso vuoto [g]", "Tom vekt (g)"),
    "cutter_cm2": (
        "Cutter area (cm2)",
        "Tube area, cm²",
        "Querschnitt [cm2]",
        "Section du tube (cm²)",
        "Area del tubo",
        "Cutter",
    ),
    "cores": ("No. of cores", "Anzahl Kerne", "Nb carottes", "Número de testigos", "Numero carote", "Antall kjerner"),
    "sampler": ("Sampler", "Tube type", "Gerät", "Carottier", "Muestreador", "Campionatore", "Prøvetaker"),
    "nominal_date": (
        "Nominal date",
        "Target date",
        "Stichtag",
        "Date prévue",
        "Fecha nominal",
        "Data prevista",
        "Planlagt dato",
    ),
    "remark": ("Remarks", "Comment", "Bemerkung", "Remarque", "Observaciones", "Note", "Merknad"),
    "time": ("Timestamp", "Date/Time", "Zeitpunkt", "Date et heure", "Fecha y hora", "Data ora", "Tidspunkt"),
    "air_temperature_c": (
        "T_air (°C)",
        "Air temp",
        "Lufttemperatur",
        "Température de l'air (C)",
        "Temperatura",
        "TEMP_C",
    ),
    "air_temperature_min_c": (
        "Tmin (°C)",
        "Min temp",
        "Lufttemperatur Min.",
        "Température minimale",
        "Temperatura mínima",
        "tmin",
    ),
    "air_temperature_max_c": (
        "Tmax (°C)",
        "Max temp",
        "Lufttemperatur Max.",
        "Température maximale",
        "Temperatura massima",
        "tmax",
    ),
    "precipitation_mm": (
        "Precip (mm)",
        "Rainfall",
        "Niederschlag [mm]",
        "Précipitations",
        "Precipitación",
        "Nedbør (mm)",
    ),
    "precipitation_total_mm": (
        "Accumulated precipitation (mm)",
        "Niederschlag kumuliert",
        "Cumul des précipitations (mm)",
        "Precipitación acumulada",
        "Precipitazione cumulata [mm]",
        "Akkumulert nedbør",
    ),
    "solar_mj_m2": (
        "Solar (MJ/m2)",
        "Global radiation",
        "Globalstrahlung [MJ/m²]",
        "Rayonnement",
        "Radiación solar",
        "Stråling",
    ),
    "issued": (
        "Issue date",
        "Forecast issued",
        "Ausgegeben",
        "Date d'émission",
        "Emitido",
        "Data emissione",
        "Utstedt",
    ),
    "flight_id": ("Flight", "Mission", "Flug-ID", "Vol", "Vuelo", "ID volo", "Flytur"),
    "depth": ("Depth raster", "Snow depth", "Schneehöhe", "Hauteur de neige", "Profundidad", "Altezza neve"),
    "snow_on": ("Winter surface", "Snow-on", "Mit Schnee", "Avec neige", "Con nieve", "Con neve", "Med snø"),
    "snow_off": ("Summer surface", "Bare ground", "Ohne Schnee", "Sans neige", "Sin nieve", "Senza neve", "Uten snø"),
    "stable_ground": (
        "Stable areas",
        "Control",
        "Stabile Flächen",
        "Zones stables",
        "Suelo estable",
        "Terreno stabile",
    ),
    "depth_se_m": (
        "Depth error (m)",
        "Uncertainty",
        "Unsicherheit [m]",
        "Incertitude",
        "Error estándar",
        "Usikkerhet (m)",
    ),
    "variable": ("Variable", "Product", "Grösse", "Paramètre", "Variabile", "Parametro"),
    "path": ("File", "Filename", "Datei", "Fichier", "Archivo", "Fil", "Raster"),
    "day": ("Day", "Calendar day", "Tag", "Jour", "Día", "Giorno", "Dag"),
    "period": ("Period", "Years", "Zeitraum", "Période", "Periodo", "Referanseperiode"),
}
"""By the demo's header, what others call the column."""


def renamed_demo(folder: Path, seed: int) -> dict[str, dict[str, str]]:
    """Write the demo's tables with other headers into a folder; return by file, for each new header, the demo's."""
    draw = np.random.default_rng(seed)
    found = {}
    for source in sorted(DEMO.glob("*.csv")):
        with source.open(encoding="utf-8", newline="") as stream:
            rows = list(csv.reader(stream))
        names = [str(draw.choice((header, *NAMES[header]))) for header in rows[0]]
        while len({name.casefold() for name in names}) < len(names):
            names = [str(draw.choice((header, *NAMES[header]))) for header in rows[0]]
        found[source.name] = dict(zip(names, rows[0], strict=True))
        with (folder / source.name).open("w", encoding="utf-8", newline="") as stream:
            csv.writer(stream).writerows([names, *rows[1:]])
    return found
