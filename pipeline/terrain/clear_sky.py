"""The sun that slopes would have had under a clear sky since the season began: a predictor of where snow has been melted."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pandas as pd
from scipy import ndimage

from snowtally.terrain.sun import Location, extraterrestrial_mj_m2, incidence_cosine, path_dates, sun_path


def season_sun(
    slope_deg: np.ndarray, aspect_deg: np.ndarray, latitude_deg: float, start: dt.date, date: dt.date
) -> np.ndarray:
    """Return clear-sky sun on slopes relative to level ground.

    It covers `start` to `date`, and has the shape of `slope_deg`.

    Parameters
    ----------
    slope_deg, aspect_deg : slope, and direction downslope clockwise from true north.

    Notes
    -----
    The sum takes the days that `path_dates` gives. Each day has its sun's path (`sun_path`) and is weighted by its sun
    above the air. Shadows of the terrain around are left out. The sum is made for a table of slopes and aspects and
    read off by bilinear interpolation, which is within 0.5 % of the largest.

    Examples
    --------
    >>> north, south = (season_sun(np.array(30.0), np.array(a), 45.0, dt.date(2031, 1, 1), dt.date(2031, 1, 31)) for a in (0, 180))
    >>> bool(south > 5 * north)
    True
    """
    slope, aspect = np.meshgrid(
        np.deg2rad(np.arange(0.0, 91.0, 5.0)), np.deg2rad(np.arange(0.0, 361.0, 10.0)), indexing="ij"
    )
    table, level = np.zeros(slope.shape), 0.0
    for day in path_dates(pd.date_range(start, max(start, date)))[0]:
        path = sun_path(Location(latitude_deg, 0.0, 0.0), dt.datetime.combine(day, dt.time()))
        brought = path.energy * extraterrestrial_mj_m2(latitude_deg, path.day_of_year)
        level += brought.sum()
        for energy, height, azimuth in zip(brought, path.height, path.azimuth, strict=True):
            facing = incidence_cosine(slope, aspect, np.pi / 2 - height, azimuth)
            table += energy * np.maximum(facing, 0.0) / np.sin(height)
    at = [np.ravel(slope_deg) / 5.0, np.ravel(np.mod(aspect_deg, 360.0)) / 10.0]
    share = table / level if level > 0 else np.ones(table.shape)
    return ndimage.map_coordinates(share, at, order=1, mode="nearest").reshape(np.shape(slope_deg))
