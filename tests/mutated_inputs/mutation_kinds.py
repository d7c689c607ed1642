"""What a mutation is: a way to spoil the files of a small basin, and the command that is then run on them."""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import yaml

SETTINGS = "basin.yaml"
DATE = "2031-03-05"
HELD = ("2031-03-04", DATE)
"""Dates of which the archive holds a sound revision."""

Spoil = Callable[[random.Random, Path], "list[str] | None"]


@dataclass(frozen=True)
class Mutation:
    """One kind of mutation.

    Parameters
    ----------
    name : of the kind.
    spoil : changes the files of a folder by chance; returns the command to run, or None for a check.
    weight : how often it is drawn, beside the others.
    archive : whether the folder needs an archive with sound revisions.
    """

    name: str
    spoil: Spoil
    weight: float
    archive: bool


MUTATIONS: dict[str, Mutation] = {}


def mutation(name: str, weight: float = 1.0, *, archive: bool = False) -> Callable[[Spoil], Spoil]:
    """Note a function as a kind of mutation."""

    def noted(spoil: Spoil) -> Spoil:
        MUTATIONS[name] = Mutation(name, spoil, weight, archive)
        return spoil

    return noted


def set_settings(home: Path, change: Callable[[dict], None]) -> None:
    """Change the settings' content."""
    content = read_settings_text(home)
    change(content)
    (home / SETTINGS).write_text(yaml.safe_dump(content, sort_keys=False, allow_unicode=True), "utf-8")


def read_settings_text(home: Path) -> dict:
    """Return the settings' content."""
    return yaml.safe_load((home / SETTINGS).read_text("utf-8"))


def name_in_settings(home: Path, chosen: str) -> None:
    """Let the settings name the file of another format in place of the plain one."""
    group, key = OTHER_FORMATS[chosen]
    set_settings(home, lambda content: content[group].update({key: chosen}))


OTHER_FORMATS = {
    "courses.xlsx": ("inputs", "courses"),
    "stations.nc": ("inputs", "stations"),
    "zones.gpkg": ("basin", "zones"),
    "elevation.nc": ("terrain", "elevation"),
}
"""Files of other formats that the basin has beside the plain ones, and where the settings would name them."""

TABLES = (
    "sites.csv",
    "courses.csv",
    "stations.csv",
    "flights.csv",
    "covers.csv",
    "weather.csv",
    "normals.csv",
    "overrides.csv",
)
RASTERS = ("elevation.tif", "canopy.tif", "depth.tif", "snow_on.tif", "snow_off.tif", "cover.tif")
FILES = (*TABLES, *RASTERS, "zones.geojson", *OTHER_FORMATS)
