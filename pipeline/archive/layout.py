"""The layouts of an archive: what this program writes, and how files of an earlier one are read as today's.

This is the one place that knows how the layouts differ. Revisions of several layouts stand side by side in one archive:
each grid file says which is its own.

Layout 2: `estimate.nc` has a dimension `time` of length 1, and its elevation bands are called `elevation_band`.
Layout 1: `time` is a scalar, and they are called `band`.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import xarray as xr

LAYOUT_VERSION = 2
"""Newest layout that this program reads, and the one that it writes; it stands in `archive.json`."""

LAYOUT = "archive_layout"
"""Attribute of a grid file with the layout that it was written in. Files of layout 1 do not have it."""

_NAMES_IN_1 = {"elevation_band": "band"}
"""Variables of `estimate.nc` that layout 1 has under another name."""


def layout_of(attributes: Mapping[str, Any]) -> int:
    """Return the layout of a grid file from its global attributes."""
    return int(attributes.get(LAYOUT, 1))


def names_today(layout: int) -> dict[str, str]:
    """Return the variables of `estimate.nc` whose names have changed since a layout: today's by the one of then.

    >>> names_today(1), names_today(2)
    ({'band': 'elevation_band'}, {})
    """
    return {then: today for today, then in _NAMES_IN_1.items()} if layout == 1 else {}


def as_one_day(stored: xr.Dataset) -> xr.Dataset:
    """Return an opened `estimate.nc` of any layout as one day on (y, x), `time` a scalar. Nothing is loaded."""
    then = names_today(layout_of(stored.attrs))
    # As a coordinate, the cell area of the first day would stand for all.
    named = stored.rename({name: today for name, today in then.items() if name in stored}).reset_coords("cell_area")
    return named.squeeze("time") if "time" in named.dims else named
