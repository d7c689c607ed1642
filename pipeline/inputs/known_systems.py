"""Coordinate systems that the settings name."""

from __future__ import annotations

from pyproj import CRS
from pyproj.exceptions import CRSError

from snowtally.model.problems import SettingsError


def grid_crs(code: str) -> CRS:
    """Return the grid's coordinate system.

    Raises
    ------
    SettingsError : it is unknown, not projected, or not in metres.
    """
    crs = known_crs(code, "grid.crs")
    if not crs.is_projected or crs.axis_info[0].unit_name != "metre":
        message = f"grid.crs: {code} ({crs.name}) is not a projected system in metres. Use one such as the UTM zone of the basin"
        raise SettingsError(message)
    return crs


def known_crs(code: str, key: str) -> CRS:
    """Return a coordinate system that a key of the settings names. Raises SettingsError where it is unknown."""
    try:
        return CRS(code)
    except CRSError:
        raise SettingsError(
            f"{key}: '{code}' is not a known coordinate system. Give an EPSG code such as EPSG:32625"
        ) from None
