"""The tables that the program reads, and their canonical columns."""

from __future__ import annotations

from snowtally.inputs.columns import Column, Table

SWE_WORDS = ("swe", "water eq", "water_eq", "w.e.")
"""A header that holds one of these may be SWE."""

SITES = Table(
    "sites",
    (
        Column("site_id", "site_id", kind="text", required=True),
        Column("name", "name", kind="text"),
        Column("kind", "kind", kind="text", required=True),
        Column("longitude", "longitude", "degree", required=True, letters="EW"),
        Column("latitude", "latitude", "degree", required=True, letters="NS"),
        Column("elevation", "elevation_m", "m"),
        Column("from", "from", kind="date", name="since"),
        Column("until", "until", kind="date"),
    ),
)

COURSES = Table(
    "courses",
    (
        Column("site_id", "site_id", kind="text", required=True),
        Column("date", "date", kind="date", required=True),
        Column("point", "point", kind="text"),
        Column("depth", "depth_cm", "cm", "depth_m", 0.01, words=("depth",)),
        Column("core", "core_cm", "cm", "core_m", 0.01),
        Column("swe", "swe_mm", "mm", words=SWE_WORDS),
        Column("mass_full", "mass_full_g", "g"),
        Column("mass_empty", "mass_empty_g", "g"),
        Column("cutter", "cutter_cm2", "cm**2"),
        Column("cores", "cores"),
        Column("sampler", "sampler", kind="text"),
        Column("nominal_date", "nominal_date", kind="date"),
        Column("remark", "remark", kind="text"),
    ),
    expects=(("depth",), ("swe", "mass_full")),
    visit=("site_id", "date"),
)
"""Depths are centimetres in the sheets and metres in the program: 0.01 m each."""

STATIONS = Table(
    "stations",
    (
        Column("site_id", "site_id", kind="text", required=True),
        Column("time", "time", kind="time", required=True),
        Column(
            "swe",
            "swe_mm",
            "mm",
            standard_names=("lwe_thickness_of_surface_snow_amount", "surface_snow_amount"),
            words=SWE_WORDS,
        ),
        Column(
            "depth", "depth_cm", "cm", "depth_m", 0.01, standard_names=("surface_snow_thickness",), words=("depth",)
        ),
        Column("air_temperature", "air_temperature_c", "degC", standard_names=("air_temperature",)),
        Column(
            "precipitation",
            "precipitation_mm",
            "mm",
            standard_names=("precipitation_amount", "lwe_thickness_of_precipitation_amount"),
        ),
        Column("precipitation_total", "precipitation_total_mm", "mm"),
    ),
    expects=(("swe",), ("depth",)),
)

FLIGHTS = Table(
    "flights",
    (
        Column("flight_id", "flight_id", kind="text", required=True),
        Column("date", "date", kind="date", required=True),
        # Text, but what the files named hold has a unit, which the settings may declare for them.
        Column("depth", "depth", "m", kind="text"),
        Column("snow_on", "snow_on", "m", kind="text"),
        Column("snow_off", "snow_off", "m", kind="text"),
        Column("stable_ground", "stable_ground", kind="text"),
        Column("depth_se", "depth_se_m", "m"),
        Column("remark", "remark", kind="text"),
    ),
)

COVERS = Table(
    "covers",
    (
        Column("date", "date", kind="date", required=True),
        Column("variable", "variable", kind="text", required=True),
        Column("path", "path", kind="text", required=True),
    ),
)

WEATHER = Table(
    "weather",
    (
        Column("date", "date", kind="date", required=True),
        Column("elevation", "elevation_m", "m", required=True),
        Column("solar", "solar_mj_m2", "MJ/m**2", required=True),
        Column("air_temperature", "air_temperature_c", "degC", required=True),
        Column("air_temperature_min", "air_temperature_min_c", "degC"),
        Column("air_temperature_max", "air_temperature_max_c", "degC"),
        Column("precipitation", "precipitation_mm", "mm"),
        Column("issued", "issued", kind="date", required=True),
    ),
)

OVERRIDES = Table(
    "overrides",
    (
        Column("site_id", "site_id", kind="text", required=True),
        Column("start", "start", kind="text", name="start_text", required=True),
        Column("end", "end", kind="text", name="end_text"),
        Column("variable", "variable", kind="text"),
        Column("action", "action", kind="text", required=True),
        Column("value", "value"),
        Column("who", "who", kind="text", required=True),
        Column("when", "when", kind="date", required=True),
        Column("why", "why", kind="text", required=True),
    ),
    may_be_empty=True,
)

NORMALS = Table(
    "normals",
    (
        Column("site_id", "site_id", kind="text", required=True),
        Column("day", "day", kind="text", required=True),
        Column("swe", "swe_mm", "mm", required=True),
        Column("period", "period", kind="text"),
    ),
)

ZONES = Table(
    "zones",
    (
        Column("zone_id", "zone_id", kind="text", required=True),
        Column("name", "name", kind="text"),
    ),
    shapes=True,
)
"""A zone's attributes. Without a name its zone_id is its name."""

TABLES = [SITES, COURSES, STATIONS, FLIGHTS, COVERS, WEATHER, OVERRIDES, NORMALS]
"""The input tables there are; the settings have a key for each under `inputs`, and may declare its columns."""
