"""Tables of flights and cover grids, written where a folder has rasters but no table of them; and their rasters' unit."""

from __future__ import annotations

import datetime as dt
import itertools
import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from snowtally.proposals.names import words_of
from snowtally.proposals.proposal import Proposal, UnknownFile
from snowtally.proposals.raster_facts import RasterFacts, abutting, values_at
from snowtally.proposals.rasters import Elevation, RasterKind, fraction_refusal
from snowtally.proposals.records import comparable


@dataclass(frozen=True)
class NewTable:
    """A table that is written beside the settings.

    Parameters
    ----------
    role : flights or covers.
    header : its columns.
    rows : its cells; those of rasters are lists of absolute paths.
    evidence : why its rasters are what it says.
    """

    role: str
    header: tuple[str, ...]
    rows: tuple[Mapping[str, str | list[Path]], ...]
    evidence: str

    def name_in(self, home: Path) -> str:
        """Return the name of its file: one that no file of the folder has, since those are a person's."""
        numbered = (f"{self.role}_{number}.csv" for number in itertools.count(2))
        return next(
            name for name in itertools.chain([f"{self.role}.csv"], numbered) if not os.path.lexists(home / name)
        )

    @property
    def files(self) -> list[Path]:
        """The rasters that it names."""
        return [path for row in self.rows for cell in row.values() if not isinstance(cell, str) for path in cell]


@dataclass(frozen=True)
class FlightRasters:
    """A flight by the rasters of its day.

    Parameters
    ----------
    date : its day.
    files : by depth, snow_on, snow_off and stable_ground, its rasters or tiles.
    """

    date: dt.date
    files: Mapping[str, list[RasterFacts]]


def flights_of(kinds: Mapping[RasterKind, Sequence[RasterFacts]]) -> tuple[list[FlightRasters], list[UnknownFile]]:
    """Return the flights that rasters without a table make, the oldest first, and rasters that make none."""
    flights: list[FlightRasters] = []
    left: list[UnknownFile] = []
    days = sorted(
        {one.date for kind in (RasterKind.DEPTH, RasterKind.SNOW_ON) for one in kinds.get(kind, []) if one.date}
    )
    used: set[Path] = set()
    for day in days:
        depth, extra = _tiles([one for one in kinds.get(RasterKind.DEPTH, []) if one.date == day])
        surface, more = _tiles([one for one in kinds.get(RasterKind.SNOW_ON, []) if one.date == day])
        left += [UnknownFile(one.path, f"a finer raster of {day} is used") for one in [*extra, *more]]
        if depth:
            files = {"depth": depth}
            left += [UnknownFile(one.path, f"the depth of {day} is used, which was made of it") for one in surface]
        else:
            bare = _bare(kinds.get(RasterKind.SNOW_OFF, []), surface)
            if not bare:
                why = "no surface without snow (snow_off) is there to take from it"
                left += [UnknownFile(one.path, why) for one in surface]
                continue
            files = {"snow_on": surface, "snow_off": bare}
        stable = _stable(kinds.get(RasterKind.STABLE, []), day, surface)
        files |= {"stable_ground": stable} if stable else {}
        used |= {one.path for part in files.values() for one in part}
        flights.append(FlightRasters(day, files))
    idle = [*kinds.get(RasterKind.SNOW_OFF, []), *kinds.get(RasterKind.STABLE, [])]
    left += [UnknownFile(one.path, "no flight needs it") for one in idle if one.path not in used]
    return flights, left


def _tiles(rasters: list[RasterFacts]) -> tuple[list[RasterFacts], list[RasterFacts]]:
    """Return the rasters of a day that are used, tiles together, and coarser ones of the same."""
    ranked = sorted(rasters, key=lambda one: (one.pixel_m, one.path))
    tiles: list[RasterFacts] = []
    for raster in ranked:
        if not tiles or abutting([*tiles, raster]):
            tiles.append(raster)
    return tiles, [one for one in ranked if one not in tiles]


def _bare(rasters: Sequence[RasterFacts], surface: list[RasterFacts]) -> list[RasterFacts]:
    """Return the surface without snow that goes with one with snow: the likest by name, then the one that covers it."""
    own = set(words_of(surface[0].path.stem))
    ranked = sorted(
        rasters,
        key=lambda one: (
            -len(own & set(words_of(one.path.stem))),
            -(one.box.share_of(surface[0].box) if one.box and surface[0].box else 0.0),
            one.path,
        ),
    )
    same_day = [one for one in ranked if one.date == surface[0].date]
    chosen = same_day or ranked
    return _tiles([one for one in chosen if one.date == chosen[0].date])[0] if chosen else []


def _stable(rasters: Sequence[RasterFacts], day: dt.date, surface: list[RasterFacts]) -> list[RasterFacts]:
    """Return the stable ground of a flight: that of its day, or for surfaces the one without a date."""
    dated = [one for one in rasters if one.date == day]
    return (dated or [one for one in rasters if one.date is None and surface])[:1]


def flights_table(flights: Sequence[FlightRasters]) -> NewTable:
    """Return the table of flights."""
    header = ("flight_id", "date", "depth", "snow_on", "snow_off", "stable_ground")
    rows = [
        {"flight_id": f"F{one.date:%Y%m%d}", "date": str(one.date)}
        | {what: [raster.path for raster in files] for what, files in one.files.items()}
        for one in flights
    ]
    names = ", ".join(files[0].path.name for one in flights for files in one.files.values())
    return NewTable("flights", header, tuple(rows), f"by the dates and words in the names of {names}")


def covers_table(kinds: Mapping[RasterKind, Sequence[RasterFacts]]) -> tuple[NewTable | None, list[UnknownFile]]:
    """Return the table of cover grids, None where there is none, and grids that cannot be used."""
    rows, left = [], []
    for kind in (RasterKind.COVER, RasterKind.ALBEDO):
        for one in sorted(kinds.get(kind, []), key=lambda one: (str(one.date), one.path)):
            refusal = fraction_refusal(one)
            if refusal:
                left.append(UnknownFile(one.path, refusal))
            else:
                rows.append({"date": str(one.date), "variable": kind.value, "path": [one.path]})
    if not rows:
        return None, left
    names = ", ".join(path.name for row in rows for path in row["path"])
    return NewTable("covers", ("date", "variable", "path"), tuple(rows), f"by the names of {names}"), left


# --- the unit of a flight's rasters -----------------------------------------------------------------------------------

UNITS = {"metre": 1.0, "foot": 1 / 0.3048, "inch": 1 / 0.0254, "cm": 100.0, "mm": 1000.0}
"""How many of a unit make a metre."""

MOST_OFF = 1.5
"""A flight's values at the sites are so many times those in the right unit at most, in the middle: inch and cm differ by 2.54 (chosen)."""

NEAR, NEAR_FOOT = 1.25, 1.13
"""A factor of 2.54 between courses and stations is one of units when it is met so nearly; feet must be met more nearly, since 3.28 lies
beside the 2.54 of inches that are read as centimetres (chosen)."""

LEAST_PAIRS = 2
"""Sites at which a flight is compared with the ground."""


@dataclass(frozen=True)
class FlightDay:
    """A raster of a flight: what it is (depth, snow_on, snow_off), its files, and the flight's day."""

    what: str
    files: list[RasterFacts]
    date: pd.Timestamp


def unit_proposals(days: Sequence[FlightDay], depths: pd.DataFrame, elevation: Elevation | None) -> list[Proposal]:
    """Return proposals of `columns.flights.KEY` for rasters that declare no unit and are not in metres, or may not be.

    Parameters
    ----------
    depths : date, longitude, latitude and depth_m at sites.
    elevation : heights in metres that surfaces are compared with.
    """
    proposals = []
    for what in ("depth", "snow_on", "snow_off"):
        undeclared = [one for one in days if one.what == what and not any(file.unit for file in one.files)]
        if not undeclared:
            continue
        if what == "depth":
            ratios = [ratio for one in undeclared for ratio in _at_sites(one, depths)]
            compared = f"{len(ratios)} depths at sites within a week"
        else:
            ratios = [ratio for one in undeclared for ratio in _over_terrain(one, elevation)]
            compared = "the elevation's heights"
        proposals += _unit(what, undeclared, ratios, compared)
    return proposals


def _at_sites(day: FlightDay, depths: pd.DataFrame) -> list[float]:
    near = comparable(depths, day.date)
    # Each site is looked up once: the raster is read around it.
    sites, at = np.unique(near[["longitude", "latitude"]].to_numpy(float), axis=0, return_inverse=True)
    values = values_at(day.files, *sites.T)[at.ravel()]
    ratios = values / near["depth_m"].to_numpy()
    return list(ratios[np.isfinite(values) & (values > 0)])


def depths_in_two_units(days: Sequence[FlightDay], depths: pd.DataFrame) -> str:
    """Return why courses and stations cannot both have the unit that they are read in, by the flights; empty where they may.

    Of whatever unit a flight is, it is as many times the depths of the ones as of the others. Centimetres and inches are 2.54 apart.

    Parameters
    ----------
    depths : date, kind, longitude, latitude and depth_m at sites.
    """
    flown = [one for one in days if one.what == "depth"]
    ratios = {
        kind: [ratio for one in flown for ratio in _at_sites(one, depths[depths["kind"] == kind])]
        for kind in ("course", "station")
    }
    if min(map(len, ratios.values())) < LEAST_TO_COMPARE:
        return ""
    times = float(np.median(ratios["course"]) / np.median(ratios["station"]))
    inches = UNITS["cm"] / UNITS["inch"]
    shallow = "courses" if times > 1 else "stations"
    if not inches / NEAR <= max(times, 1 / times) <= inches * NEAR:
        return ""
    return (
        f"the depths of the flights are {max(times, 1 / times):.2g} times as much at {shallow} as at the others: these look as if they were "
        "in inches and read as centimetres, or the others were in centimetres and read as inches"
    )


LEAST_TO_COMPARE = 3
"""Depths of each kind from which the two are compared (chosen)."""


def _over_terrain(day: FlightDay, elevation: Elevation | None) -> list[float]:
    """Return how many times the terrain's heights a surface's are, at points of it."""
    box = day.files[0].box
    if elevation is None or elevation.metres_per_unit is None or box is None:
        return []
    side = np.linspace(0.05, 0.95, 12)
    longitude, latitude = np.meshgrid(
        box.west + side * (box.east - box.west), box.south + side * (box.north - box.south)
    )
    ground = elevation.heights_at(longitude.ravel(), latitude.ravel())
    ratios = values_at(day.files, longitude.ravel(), latitude.ravel()) / np.where(ground > 0, ground, np.nan)
    return list(ratios[np.isfinite(ratios) & (ratios > 0)])


def _unit(what: str, days: Sequence[FlightDay], ratios: list[float], compared: str) -> list[Proposal]:
    key = f"columns.flights.{what}"
    file = days[0].files[0]
    if len(ratios) >= LEAST_PAIRS:
        ratio = float(np.median(ratios))
        unit = min(UNITS, key=lambda name: abs(np.log(ratio / UNITS[name])))
        if max(ratio / UNITS[unit], UNITS[unit] / ratio) <= (NEAR_FOOT if unit == "foot" else MOST_OFF):
            why = f"{file.path.name} and others declare no unit; values are {ratio:.3g} times {compared} in metres"
            # Metres are what flights are without a declaration.
            return [] if unit == "metre" else [Proposal(key, {"unit": unit}, why)]
        why = f"values are {ratio:.3g} times {compared} in metres, which fits no unit"
    else:
        why = f"nothing to compare with: no depth at a site within a week of {days[0].date.date()}"
    low, high = np.percentile(file.values, [2, 98])
    evidence = f"{file.path.name} declares no unit and holds {low:.3g} to {high:.3g}; {why}"
    first, *others = _by_range(high)
    return [Proposal(key, {"unit": first}, evidence, tuple({"unit": unit} for unit in others), is_safe=False)]


def _by_range(high: float) -> list[str]:
    """Return the units that values may have, the likeliest first: snow is rarely deeper than six metres."""
    deepest_m = 6.0
    fitting = [unit for unit, many in UNITS.items() if high <= deepest_m * many]
    return fitting or ["mm", "cm"]
