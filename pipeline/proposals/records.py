"""What the sites and records hold under the settings that are proposed: evidence for what else is proposed."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from snowtally.gather.sources import source_of
from snowtally.inputs.find import matching
from snowtally.inputs.known_tables import COVERS, FLIGHTS
from snowtally.inputs.read_courses import read_courses
from snowtally.inputs.read_flights import RASTERS as FLIGHT_RASTERS
from snowtally.inputs.read_sites import read_sites
from snowtally.inputs.read_stations import read_stations
from snowtally.inputs.source import Source
from snowtally.inputs.tables import read_tables
from snowtally.settings.basin import Settings


@dataclass(frozen=True)
class Records:
    """What the tables hold.

    Parameters
    ----------
    sites : site_id, kind, longitude, latitude, elevation_m (m, NaN where not stated).
    courses : samples with date, swe_mm and depth_m.
    stations : readings with time (UTC), date, swe_mm, depth_m, air_temperature_c.
    """

    sites: pd.DataFrame
    courses: pd.DataFrame
    stations: pd.DataFrame

    @property
    def snow(self) -> pd.DataFrame:
        """Date, kind and swe_mm of each station day and course visit with a value."""
        parts = []
        for kind, rows in (("course", self.courses), ("station", self.stations)):
            known = rows.dropna(subset=["swe_mm", "date"])
            daily = known.groupby([known["site_id"].astype(str), "date"])["swe_mm"].mean().reset_index()
            parts.append(daily.assign(kind=kind))
        return pd.concat(parts, ignore_index=True)[["date", "kind", "swe_mm"]]

    @property
    def depths(self) -> pd.DataFrame:
        """Date, kind, longitude, latitude and depth_m of each station day and course visit with a depth."""
        parts = []
        for kind, rows in (("course", self.courses), ("station", self.stations)):
            known = rows.dropna(subset=["depth_m", "date"])
            daily = known.groupby([known["site_id"].astype(str), "date"])["depth_m"].mean().reset_index()
            parts.append(daily.assign(kind=kind))
        at = self.sites.drop_duplicates("site_id", keep="last")[["site_id", "longitude", "latitude"]]
        return pd.concat(parts, ignore_index=True).merge(at, on="site_id")


def read_records(settings: Settings) -> Records:
    """Return what the tables of a draft of the settings hold.

    Raises
    ------
    InputError : the sites cannot be read.
    """
    sites, _ = read_sites(_source(settings, "sites"))
    courses, _ = read_courses(_source(settings, "courses"))
    stations, _ = read_stations(_source(settings, "stations"), settings.basin.utc_offset_hours)
    return Records(sites, courses, stations)


def _source(settings: Settings, role: str) -> Source:
    given = getattr(settings.inputs, role)
    patterns = given if isinstance(given, list) else [given]
    files = [file for pattern in patterns for file in matching(settings.path(pattern))]
    return source_of(settings, role, list(dict.fromkeys(files)))


@dataclass(frozen=True)
class NamedRaster:
    """A raster that a flights table names: what it is to the flight, and the flight's day."""

    path: Path
    what: str
    date: pd.Timestamp


def rasters_of_flights(settings: Settings) -> list[NamedRaster]:
    """Return the rasters that the flights tables name."""
    rows, _ = read_tables(_source(settings, "flights"), FLIGHTS)
    return [
        NamedRaster(path, what, row["date"])
        for row in rows.to_dict("records")
        for what in FLIGHT_RASTERS
        for path in _named(row["file"], row[what])
    ]


def rasters_of_covers(settings: Settings) -> list[Path]:
    """Return the rasters that the covers tables name."""
    rows, _ = read_tables(_source(settings, "covers"), COVERS)
    return [path for row in rows.to_dict("records") for path in _named(row["file"], row["path"])]


def _named(table: str, text: str) -> list[Path]:
    home = Path(table).parent
    parts = [part.strip() for part in str(text).split(";") if part.strip()]
    return [path.resolve() for part in parts for path in matching((home / part).absolute())]


LEAST_DEPTH_M = 0.3
"""Shallower snow differs too much between a site and its surroundings to tell a unit, m (chosen)."""

MOST_DAYS = 7
"""Days between a flight and a depth at a site that are compared (chosen: a storm in between changes no unit)."""


def comparable(depths: pd.DataFrame, date: pd.Timestamp) -> pd.DataFrame:
    """Return the depths that a flight's values are compared with.

    Parameters
    ----------
    depths : as `Records.depths`.
    date : the flight's day.
    """
    near = (depths["date"] - date).abs() <= pd.Timedelta(days=MOST_DAYS)
    return depths[near & (depths["depth_m"] >= LEAST_DEPTH_M)]
