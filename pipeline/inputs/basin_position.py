"""Whether the basin lies where its clock, its elevation and its sites say."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np
import pandas as pd
import rasterio
from rasterio.warp import transform_bounds

from snowtally.inputs.raster_frame import GDAL_TROUBLES
from snowtally.model.grid import BasinGrid
from snowtally.model.problems import Finding, InputError
from snowtally.model.rules import slips as rules

DEGREES_AN_HOUR = 15.0
"""The earth turns so far in an hour."""

MOST_OFF_H, FAR_OFF_H = 2.0, 3.5
"""Hours between a standard time and the sun's: most are within the first, all within the second (the west of China is 3.1 h behind its
own; time zone database)."""

NEAR_H = 1.25
"""A sign is wrong where the other one brings the clock so near to the sun (chosen: summer time and half a zone)."""


def clock_at_longitude(utc_offset_hours: float, grid: BasinGrid) -> list[Finding]:
    """Return a finding where the basin's offset is no time of its longitude; else none."""
    sun = grid.longitude_deg / DEGREES_AN_HOUR
    off = _apart(utc_offset_hours, sun)
    turned = utc_offset_hours != 0 and _apart(-utc_offset_hours, sun) <= NEAR_H
    if off <= MOST_OFF_H:
        return []
    rule = rules.CLOCK_FAR_OFF if turned or off > FAR_OFF_H else rules.CLOCK_OFF
    sign = f", {utc_offset_hours:+g} has the wrong sign: west of Greenwich is negative" if turned else ""
    return [
        Finding(
            rule,
            evidence=f"{utc_offset_hours:+g} h at longitude {grid.longitude_deg:.2f}, {off:.1f} h from the sun's time",
            detail=rule.says(sun=sun, likely=round(sun), sign=sign),
        )
    ]


def _apart(hours: float, others: float) -> float:
    """Return how far two offsets are apart, h; a day's turn is none.

    >>> _apart(13.0, -11.5)
    0.5
    """
    return abs((hours - others + 12.0) % 24.0 - 12.0)


NEAR_DEG = 2.0
"""Places no further apart than this may be of one basin (chosen: no basin is so large, no other coordinate system so near)."""


def check_elevation_near(
    zones: Path, elevation: Sequence[Path], stated: Callable[[], pd.DataFrame], grid: BasinGrid
) -> None:
    """Refuse a basin whose elevation lies elsewhere altogether.

    Parameters
    ----------
    zones, elevation : the files, for the message and for their place.
    stated : returns the sites' longitude and latitude, degrees; empty where none can be read. They tell which of the two is wrong.

    Raises
    ------
    InputError : no file of the elevation touches the grid; with the places of zones, elevation and sites.
    """
    boxes = [box for path in elevation if (box := _box(path)) is not None]
    if len(boxes) < len(elevation) or any(_touches(box, grid) for box in boxes):
        return
    left, bottom, right, top = np.median(np.array(boxes), axis=0)
    there = (float(left + right) / 2, float(bottom + top) / 2)
    here = (grid.longitude_deg, grid.latitude_deg)
    words = f"zones {zones} lie around {in_words(*here)}, elevation {elevation[0]} around {in_words(*there)}"
    cure = "look which of the two declares a wrong coordinate system"
    sites = stated()
    if len(sites):
        stand = float(sites["longitude"].median()), float(sites["latitude"].median())
        words += f", the sites around {in_words(*stand)}"
        if _near(stand, there) and not _near(stand, here):
            cure = "the zones declare a wrong coordinate system, it seems"
        elif _near(stand, here) and not _near(stand, there):
            cure = "the elevation declares a wrong coordinate system, or is another file's, it seems"
    if _near(here[::-1], there):
        cure = "the zones' longitude and latitude are exchanged, it seems"
    raise InputError(f"{words}: {cure}. Write the right one into the file")


def middle_of(sites: pd.DataFrame) -> str:
    """Return where sites lie in the middle, in words."""
    return in_words(float(sites["longitude"].median()), float(sites["latitude"].median()))


def in_words(longitude: float, latitude: float) -> str:
    """Return a place in words.

    >>> in_words(-32.9, 44.066)
    '44.07 N 32.90 W'
    """
    return f"{abs(latitude):.2f} {'S' if latitude < 0 else 'N'} {abs(longitude):.2f} {'W' if longitude < 0 else 'E'}"


def _near(one: tuple[float, float], other: tuple[float, float]) -> bool:
    return max(abs(one[0] - other[0]), abs(one[1] - other[1])) <= NEAR_DEG


def _box(path: Path) -> tuple[float, float, float, float] | None:
    """Return a raster's bounds in degrees; None where they cannot be told, and its reader says why."""
    try:
        with rasterio.open(path) as source:
            box = transform_bounds(source.crs, "EPSG:4326", *source.bounds)
    except (*GDAL_TROUBLES, OSError, ValueError, TypeError, AttributeError):
        return None
    return box if np.isfinite(box).all() else None


def _touches(box: tuple[float, float, float, float], grid: BasinGrid) -> bool:
    """Return whether a box in degrees touches the grid; longitudes of 0 to 360 are those of -180 to 180."""
    left, bottom, right, top = transform_bounds(grid.crs.to_wkt(), "EPSG:4326", *grid.bounds)
    across = any(left + turn <= box[2] and box[0] <= right + turn for turn in (-360.0, 0.0, 360.0))
    return across and bottom <= box[3] and box[1] <= top
