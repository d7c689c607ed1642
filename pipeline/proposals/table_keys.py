"""The canonical columns of each table.

What their headers may mean, and what their values are.
"""

from __future__ import annotations

from collections.abc import Mapping

KEYS: Mapping[str, Mapping[str, tuple[str, ...]]] = {
    "sites": {
        "site_id": ("site_id", "name"),
        "name": ("name", "site_id"),
        "kind": ("kind",),
        "longitude": ("longitude", "easting"),
        "latitude": ("latitude", "northing"),
        "elevation": ("elevation",),
        "from": ("from",),
        "until": ("until",),
    },
    "courses": {
        "site_id": ("site_id", "name"),
        "date": ("date", "time", "day"),
        "point": ("point",),
        "depth": ("depth",),
        "core": ("core",),
        "swe": ("swe",),
        "mass_full": ("mass_full",),
        "mass_empty": ("mass_empty",),
        "cutter": ("cutter",),
        "cores": ("cores",),
        "sampler": ("sampler",),
        "nominal_date": ("nominal_date",),
        "remark": ("remark",),
    },
    "stations": {
        "site_id": ("site_id", "name"),
        "time": ("time", "date", "day"),
        "swe": ("swe",),
        "depth": ("depth",),
        "air_temperature": ("air_temperature",),
        "precipitation": ("precipitation",),
        "precipitation_total": ("precipitation_total",),
    },
    "flights": {
        "flight_id": ("flight_id", "site_id", "name"),
        "date": ("date", "time", "day"),
        "depth": ("depth", "path"),
        "snow_on": ("snow_on",),
        "snow_off": ("snow_off",),
        "stable_ground": ("stable_ground",),
        "depth_se": ("depth_se",),
        "remark": ("remark",),
    },
    "covers": {"date": ("date", "time", "day"), "variable": ("variable",), "path": ("path",)},
    "weather": {
        "date": ("date", "time", "day"),
        "elevation": ("elevation",),
        "solar": ("solar",),
        "air_temperature": ("air_temperature",),
        "air_temperature_min": ("air_temperature_min",),
        "air_temperature_max": ("air_temperature_max",),
        "precipitation": ("precipitation",),
        "issued": ("issued",),
    },
    "normals": {
        "site_id": ("site_id", "name"),
        "day": ("day", "date"),
        "swe": ("swe", "normal_swe"),
        "period": ("period",),
    },
    "overrides": {
        "site_id": ("site_id", "name"),
        "start": ("start", "from", "date"),
        "end": ("end", "until"),
        "variable": ("variable",),
        "action": ("action",),
        "value": ("value",),
        "who": ("who",),
        "when": ("when", "date"),
        "why": ("why", "remark"),
    },
}
"""For each table and canonical key, what its header may mean, the likeliest first."""


_OF_NUMBERS = (
    "elevation depth core swe mass_full mass_empty cutter cores air_temperature air_temperature_min air_temperature_max "
    "precipitation precipitation_total solar depth_se value"
)
NUMBERS = frozenset(_OF_NUMBERS.split())
DATES = frozenset(["date", "time", "from", "until", "nominal_date", "issued", "when"])
PATHS = frozenset(["snow_on", "snow_off", "stable_ground", "path"])
NEVER_NUMBERS = frozenset(["name", "kind", "remark", "variable", "period", "action", "who", "why"])
"""Keys by what their values are."""


READINGS = tuple(key for key in KEYS["stations"] if key not in ("site_id", "time"))
"""What stations measure."""
