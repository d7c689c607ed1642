"""Words by which agencies head the columns of their tables, by language, and units as they are put in brackets."""

from __future__ import annotations

from dataclasses import dataclass

SITES = {
    "english": {
        "site_id": ("Site ID", "Station No.", "Code", "Site Number", "ID"), "name": ("Name", "Site Name", "Station Name", "Location"),
        "kind": ("Kind", "Type", "Site Type", "Category"), "longitude": ("Longitude", "Lon", "Long", "Long. (deg)"),
        "latitude": ("Latitude", "Lat", "Lat.", "Lat. (deg)"), "elevation": ("Elevation", "Elev", "Altitude", "Height"),
        "from": ("From", "Start", "Begin Date"), "until": ("Until", "End", "End Date"),
    },
    "german": {
        "site_id": ("Kennung", "Stationsnummer", "Stations-Nr.", "Messstellen-Nr"), "name": ("Name", "Stationsname", "Bezeichnung"),
        "kind": ("Art", "Typ"), "longitude": ("Länge", "Geogr. Länge", "Längengrad"), "latitude": ("Breite", "Geogr. Breite", "Breitengrad"),
        "elevation": ("Höhe", "Seehöhe", "Meereshöhe"), "from": ("Beginn", "von"), "until": ("Ende", "bis"),
    },
    "french": {
        "site_id": ("Code", "Code station", "Numéro", "Identifiant"), "name": ("Nom", "Nom de la station"), "kind": ("Type", "Genre"),
        "longitude": ("Longitude", "Long."), "latitude": ("Latitude", "Lat."), "elevation": ("Altitude", "Élévation", "Alt."),
        "from": ("Début", "Depuis"), "until": ("Fin", "Jusqu'à"),
    },
    "spanish": {
        "site_id": ("Código", "Código estación", "Número", "Clave"), "name": ("Nombre", "Nombre de estación"), "kind": ("Tipo", "Clase"),
        "longitude": ("Longitud", "Long."), "latitude": ("Latitud", "Lat."), "elevation": ("Altitud", "Elevación", "Cota"),
        "from": ("Inicio", "Desde"), "until": ("Fin", "Hasta"),
    },
    "norwegian": {
        "site_id": ("Stasjonsnr", "Stasjonsnummer", "Kode"), "name": ("Navn", "Stasjonsnavn"), "kind": ("Type", "Slag"),
        "longitude": ("Lengdegrad", "Lengde"), "latitude": ("Breddegrad", "Bredde"), "elevation": ("Høyde", "Høyde over havet"),
        "from": ("Fra", "Startdato"), "until": ("Til", "Sluttdato"),
    },
}  # fmt: skip

COURSES = {
    "english": {
        "site_id": ("Site ID", "Course", "Course No.", "Snow Course"), "date": ("Date", "Survey Date", "Date of Survey", "Sampled"),
        "point": ("Point", "Sample", "Sample No.", "Pt"), "depth": ("Depth", "Snow Depth", "Total Depth"),
        "core": ("Core", "Core Length", "Length of Core"), "swe": ("SWE", "Water Content", "Snow Water Equivalent", "Water Equivalent"),
        "mass_full": ("Full", "Weight Full", "Tube and Core", "Gross Weight"), "mass_empty": ("Empty", "Weight Empty", "Tare", "Empty Tube"),
        "cutter": ("Cutter Area", "Cutter", "Tube Area"), "cores": ("Cores", "Number of Cores", "No. of Cores"),
        "sampler": ("Sampler", "Tube Type", "Snow Tube"), "nominal_date": ("Nominal Date", "Survey Period", "Scheduled Date"),
        "remark": ("Remark", "Remarks", "Notes", "Comments"),
    },
    "german": {
        "site_id": ("Schneekurs", "Kennung", "Stationsnummer"), "date": ("Datum", "Messdatum", "Aufnahmedatum"),
        "point": ("Punkt", "Messpunkt", "Probe"), "depth": ("Schneehöhe", "Gesamtschneehöhe", "Schneetiefe"), "core": ("Kernlänge", "Kern"),
        "swe": ("Wasseräquivalent", "Schneewasseräquivalent", "Wasserwert"), "mass_full": ("Masse voll", "Gewicht voll", "Brutto"),
        "mass_empty": ("Masse leer", "Gewicht leer", "Tara"), "cutter": ("Querschnitt", "Rohrquerschnitt", "Stechfläche"),
        "cores": ("Anzahl Kerne", "Kerne"), "sampler": ("Gerät", "Schneerohr"), "nominal_date": ("Solldatum", "Termin"),
        "remark": ("Bemerkung", "Anmerkung"),
    },
    "french": {
        "site_id": ("Parcours", "Code", "Code station"), "date": ("Date", "Date du relevé", "Jour"), "point": ("Point", "Sondage", "N° du point"),
        "depth": ("Hauteur de neige", "Épaisseur de neige", "Hauteur"), "core": ("Longueur de carotte", "Carotte"),
        "swe": ("Équivalent en eau", "Équivalent eau de la neige", "Valeur en eau"), "mass_full": ("Masse pleine", "Poids plein", "Masse brute"),
        "mass_empty": ("Masse vide", "Poids vide", "Tare"), "cutter": ("Section", "Section du tube"), "cores": ("Nombre de carottes", "Carottes"),
        "sampler": ("Carottier", "Tube"), "nominal_date": ("Date nominale", "Date prévue"), "remark": ("Remarque", "Observations"),
    },
    "spanish": {
        "site_id": ("Ruta", "Código", "Ruta de nieve"), "date": ("Fecha", "Fecha de medición", "Día"), "point": ("Punto", "Muestra", "N° de punto"),
        "depth": ("Altura de nieve", "Profundidad", "Espesor de nieve"), "core": ("Largo del testigo", "Testigo"),
        "swe": ("Equivalente en agua", "Equivalente de agua", "EAN"), "mass_full": ("Masa llena", "Peso lleno", "Peso bruto"),
        "mass_empty": ("Masa vacía", "Peso vacío", "Tara"), "cutter": ("Sección", "Área del tubo"), "cores": ("Número de testigos", "Testigos"),
        "sampler": ("Muestreador", "Tubo"), "nominal_date": ("Fecha nominal", "Fecha prevista"), "remark": ("Observaciones", "Nota"),
    },
    "norwegian": {
        "site_id": ("Snøstrekk", "Stasjonsnr", "Kode"), "date": ("Dato", "Måledato"), "point": ("Punkt", "Målepunkt", "Prøve"),
        "depth": ("Snødybde", "Snøhøyde"), "core": ("Kjernelengde", "Kjerne"), "swe": ("Vannekvivalent", "Snøens vannekvivalent", "Vannverdi"),
        "mass_full": ("Vekt full", "Masse full", "Bruttovekt"), "mass_empty": ("Vekt tom", "Masse tom", "Tara"),
        "cutter": ("Rørareal", "Tverrsnitt"), "cores": ("Antall kjerner", "Kjerner"), "sampler": ("Prøvetaker", "Rør"),
        "nominal_date": ("Nominell dato", "Planlagt dato"), "remark": ("Merknad", "Kommentar"),
    },
}  # fmt: skip

STATIONS = {
    "english": {
        "site_id": ("Station ID", "Station", "Site ID", "Station No."), "time": ("Time", "Date/Time", "Timestamp", "Observed"),
        "swe": ("SWE", "Snow Water Equivalent", "Pillow", "Water Equivalent"), "depth": ("Depth", "Snow Depth", "Snow Height"),
        "air_temperature": ("Air Temperature", "Air Temp", "Temperature", "T Air"),
        "precipitation_total": ("Accumulated Precipitation", "Cumulative Precipitation", "Precipitation Total", "Gauge Total"),
    },
    "german": {
        "site_id": ("Kennung", "Station", "Stationsnummer"), "time": ("Zeit", "Zeitpunkt", "Datum/Zeit"),
        "swe": ("Wasseräquivalent", "Schneewasseräquivalent", "SWE"), "depth": ("Schneehöhe", "Schneetiefe"),
        "air_temperature": ("Lufttemperatur", "Temperatur"), "precipitation_total": ("Niederschlagssumme", "Niederschlag kumuliert"),
    },
    "french": {
        "site_id": ("Station", "Code", "Code station"), "time": ("Heure", "Date et heure", "Horodatage"),
        "swe": ("Équivalent en eau", "Équivalent eau de la neige"), "depth": ("Hauteur de neige", "Épaisseur de neige"),
        "air_temperature": ("Température de l'air", "Température"), "precipitation_total": ("Cumul des précipitations", "Précipitations cumulées"),
    },
    "spanish": {
        "site_id": ("Estación", "Código", "Código estación"), "time": ("Hora", "Fecha y hora", "Fecha"),
        "swe": ("Equivalente en agua", "Equivalente de agua"), "depth": ("Altura de nieve", "Espesor de nieve"),
        "air_temperature": ("Temperatura del aire", "Temperatura"), "precipitation_total": ("Precipitación acumulada", "Acumulado de precipitación"),
    },
    "norwegian": {
        "site_id": ("Stasjon", "Stasjonsnr", "Kode"), "time": ("Tid", "Tidspunkt", "Dato/tid"), "swe": ("Vannekvivalent", "Snøens vannekvivalent"),
        "depth": ("Snødybde", "Snøhøyde"), "air_temperature": ("Lufttemperatur", "Temperatur"),
        "precipitation_total": ("Akkumulert nedbør", "Nedbørsum"),
    },
}  # fmt: skip

TABLES = {"sites": SITES, "courses": COURSES, "stations": STATIONS}

KINDS = {
    "english": (("Snow Course", "Snow Pillow"), ("course", "station"), ("Snow survey", "Automatic station")),
    "german": (("Schneekurs", "Schneekissen"), ("Schneekurs", "Station")), "french": (("Parcours de neige", "Station automatique"),),
    "spanish": (("Ruta de nieve", "Estación automática"), ("Ruta de nieve", "Almohada de nieve")), "norwegian": (("Snøstrekk", "Snøpute"), ("Snøstrekk", "Stasjon")),
}  # fmt: skip


@dataclass(frozen=True)
class Unit:
    """A unit as it is written down.

    Parameters
    ----------
    words : its spellings.
    factor, shift : a value in it is the canonical value times `factor`, plus `shift`.
    decimals : how it is rounded.
    """

    words: tuple[str, ...]
    factor: float
    decimals: int
    shift: float = 0.0


CM = Unit(("cm",), 1.0, 1)
MM = Unit(("mm",), 1.0, 1)
UNITS = {
    "depth": (CM, Unit(("in", "inch", "inches"), 1 / 2.54, 2), Unit(("m",), 0.01, 3), Unit(("mm",), 10.0, 0)),
    "core": (CM, Unit(("in", "inches"), 1 / 2.54, 2)),
    "swe": (MM, Unit(("in", "inches"), 1 / 25.4, 2), Unit(("cm",), 0.1, 2), Unit(("kg/m2",), 1.0, 1)),
    "mass_full": (Unit(("g",), 1.0, 0), Unit(("oz",), 1 / 28.349523, 2), Unit(("kg",), 0.001, 4)),
    "mass_empty": (Unit(("g",), 1.0, 0), Unit(("oz",), 1 / 28.349523, 2), Unit(("kg",), 0.001, 4)),
    "cutter": (Unit(("cm2", "cm²"), 1.0, 1), Unit(("in2", "sq in"), 1 / 6.4516, 3)),
    "air_temperature": (
        Unit(("°C", "C", "degC"), 1.0, 1),
        Unit(("°F", "F", "degF"), 1.8, 1, 32.0),
        Unit(("K",), 1.0, 2, 273.15),
    ),
    "precipitation_total": (MM, Unit(("in", "inches"), 1 / 25.4, 2)),
    "elevation": (Unit(("m",), 1.0, 0), Unit(("ft", "feet"), 1 / 0.3048, 0)),
}
"""By canonical key, the canonical unit first."""
