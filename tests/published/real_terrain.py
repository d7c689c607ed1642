"""A real elevation grid that ships inside the matplotlib wheel, and ground areas worked out apart from the program."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest
from pyproj import Geod

ELLIPSOID = Geod(ellps="WGS84")


@dataclass(frozen=True)
class RealTerrain:
    """Heights in m, (rows from north to south, columns from west to east), and the edges of rows and columns in degrees."""

    elevation: np.ndarray
    longitude: np.ndarray
    latitude: np.ndarray


def real_terrain() -> RealTerrain:
    """Return the grid; its keys ymin and ymax are swapped in the file, and its first row is the northern one."""
    cbook = pytest.importorskip(
        "matplotlib.cbook", reason="PyPI matplotlib is not installed, which carries the heights"
    )
    with cbook.get_sample_data("jacksboro_fault_dem.npz") as file:
        elevation = file["elevation"].astype(float)
        west, east, north, south = (float(file[key]) for key in ("xmin", "xmax", "ymin", "ymax"))
    rows, columns = elevation.shape
    return RealTerrain(elevation, np.linspace(west, east, columns + 1), np.linspace(north, south, rows + 1))


def polygon_area_m2(longitude: np.ndarray, latitude: np.ndarray) -> float:
    """Return the area within a ring of geodesics on the ellipsoid (Karney 2013, J. Geod. 87, 43-55, by pyproj)."""
    return abs(ELLIPSOID.polygon_area_perimeter(longitude, latitude)[0])


def parallel_belt_m2(south: np.ndarray, north: np.ndarray, width: float) -> np.ndarray:
    """Return the ellipsoid's area between two parallels over `width` degrees of longitude: closed form.

    b^2 / 2 [sin f / (1 - e^2 sin^2 f) + artanh(e sin f) / e] per radian (Snyder 1987, USGS Prof. Paper 1395, authalic latitude).
    """
    e = np.sqrt(ELLIPSOID.es)

    def from_equator(latitude: np.ndarray) -> np.ndarray:
        s = np.sin(np.deg2rad(latitude))
        return ELLIPSOID.b**2 / 2 * (s / (1 - (e * s) ** 2) + np.arctanh(e * s) / e)

    return np.deg2rad(width) * (from_equator(north) - from_equator(south))


def cell_areas_m2(terrain: RealTerrain) -> np.ndarray:
    """Return the ground area of each cell: that of a belt of parallels, shared out evenly along it."""
    belt = parallel_belt_m2(terrain.latitude[1:], terrain.latitude[:-1], float(np.diff(terrain.longitude)[0]))
    return np.repeat(belt[:, None], terrain.elevation.shape[1], axis=1)
