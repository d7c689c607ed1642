"""Where the sun stands over a day, how its energy splits into direct and diffuse, and what falls on a slope."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import pandas as pd
from numba import njit

from snowtally.terrain.horizon import BEARINGS

SOLAR_CONSTANT_MJ_M2_MIN = 0.0820
"""Allen et al. 1998, FAO-56, eq. 21."""

STEP_MINUTES = 30
"""The sun moves 7.5 degrees meanwhile; a day's sum on a slope is then off by under half a per cent. Accuracy and cost
alone."""

LOWEST_SINE = 0.03
"""A sun lower than 2 degrees brings under one part in a thousand of the day's energy, and shines through the earth's bend."""

CLOUD_DIMMING, CLOUD_POWER = 0.75, 3.4
"""Sun under a cloud cover n is 1 - 0.75 n^3.4 of that of a clear day (Kasten and Czeplak 1980, Sol. Energy 24, 177-189, from
memory)."""


@dataclass(frozen=True)
class SunPath:
    """The sun of one day over one place.

    The day is cut into equal steps. Only those with the sun up are included.

    Parameters
    ----------
    direction : (step, 3) unit vectors towards the sun: grid east, grid north, up.
    azimuth : (step,) bearing from the grid's north, radians, 0 to 2 pi.
    height : (step,) angle above the horizontal, radians.
    energy : (step,) share of a clear day's energy on level ground that comes in each step; adds up to 1.
    day_of_year : 1 to 366.
    day_share : share of the 24 hours with the sun up.
    """

    direction: np.ndarray
    azimuth: np.ndarray
    height: np.ndarray
    energy: np.ndarray
    day_of_year: int
    day_share: float


@dataclass(frozen=True)
class Location:
    """Where the sun is calculated for.

    Parameters
    ----------
    latitude, longitude : degrees, WGS 84.
    elevation_m : m.
    convergence_degrees : from true north to grid north.
    """

    latitude: float
    longitude: float
    elevation_m: float
    convergence_degrees: float = 0.0


@lru_cache(maxsize=256)
def sun_path(location: Location, midnight_utc: dt.datetime) -> SunPath:
    """Return the sun's path over the next 24 hours.

    They begin at `midnight_utc` (naive, UTC). The sun's positions are pvlib's (Reda and Andreas 2004).
    """
    import pvlib  # noqa: PLC0415  half a second of imports

    middles = pd.date_range(
        midnight_utc + dt.timedelta(minutes=STEP_MINUTES / 2),
        periods=24 * 60 // STEP_MINUTES,
        freq=f"{STEP_MINUTES}min",
    )
    position = pvlib.solarposition.get_solarposition(
        middles.tz_localize("UTC"), location.latitude, location.longitude, location.elevation_m
    )
    height = np.deg2rad(90.0 - position["zenith"].to_numpy())
    up = np.sin(height) > LOWEST_SINE
    height = height[up]
    azimuth = np.deg2rad(position["azimuth"].to_numpy()[up] - location.convergence_degrees) % (2 * np.pi)
    clear = pvlib.clearsky.haurwitz(pd.Series(90.0 - np.rad2deg(height)))["ghi"].to_numpy()
    return SunPath(
        direction=np.column_stack([np.cos(height) * np.sin(azimuth), np.cos(height) * np.cos(azimuth), np.sin(height)]),
        azimuth=azimuth,
        height=height,
        energy=clear / clear.sum() if len(clear) else clear,
        day_of_year=int(middles[len(middles) // 2].day_of_year),
        day_share=float(up.mean()),
    )


def diffuse_share(solar_mj_m2: np.ndarray, path: SunPath) -> np.ndarray:
    """Return the diffuse share of days' sun, (n,).

    It is that on level ground. Each step is split by pvlib's form of Erbs et al. 1982.
    """
    import pvlib  # noqa: PLC0415  half a second of imports

    solar = np.atleast_1d(np.asarray(solar_mj_m2, float))
    if not len(path.energy):
        return np.ones(len(solar))
    watts = solar[:, None] * path.energy * 1e6 / (60.0 * STEP_MINUTES)
    zenith = np.broadcast_to(90.0 - np.rad2deg(path.height), watts.shape)
    diffuse = np.asarray(pvlib.irradiance.erbs(watts, zenith, path.day_of_year)["dhi"])
    total = watts.sum(axis=1)
    return np.where(total > 0, np.clip(diffuse.sum(axis=1) / np.where(total > 0, total, 1.0), 0.0, 1.0), 1.0)


def incidence_cosine(slope: np.ndarray, aspect: np.ndarray, zenith: np.ndarray, azimuth: np.ndarray) -> np.ndarray:
    """Return the cosine of the sun's angle to a slope's normal.

    All angles are in radians. Both bearings count from the same north.

    >>> float(incidence_cosine(0.0, 0.0, np.pi / 3, 1.0).round(12))
    0.5
    """
    return np.cos(slope) * np.cos(zenith) + np.sin(slope) * np.sin(zenith) * np.cos(azimuth - aspect)


def slope_normals(east_rise: np.ndarray, south_rise: np.ndarray) -> np.ndarray:
    """Return unit vectors out of the ground, (n, 3).

    They point to grid east, north and up. `east_rise` and `south_rise` are the rise of the ground to the east and
    south, m/m.
    """
    up = 1.0 / np.sqrt(1.0 + east_rise**2 + south_rise**2)
    return np.stack([-east_rise * up, south_rise * up, up], axis=-1)


def beam_factor(normals: np.ndarray, horizon: np.ndarray, path: SunPath) -> np.ndarray:
    """Return direct sun on slopes relative to level ground, (n,).

    It is that of a clear day.

    Parameters
    ----------
    normals : (n, 3) as `slope_normals` gives them.
    horizon : (bearing, n) height of the horizon, radians, as `horizons` gives it.
    path : the day's sun.

    Notes
    -----
    A step brings its share of the energy times cos(incidence) / sin(height), and nothing from behind the slope or the
    horizon. The horizon is taken on a line between bearings. Level ground with an open horizon gives exactly 1 at every
    place.
    """
    out = np.ones(len(normals))
    if len(path.energy):
        bearing = np.interp(path.azimuth, [*BEARINGS, 2 * np.pi], np.arange(len(BEARINGS) + 1.0))
        low = np.minimum(bearing.astype(int), len(BEARINGS) - 1)
        steps = path.direction, path.height, path.energy
        _beam(np.ascontiguousarray(normals, np.float64), horizon, *steps, low, bearing - low, out)
    return out


@njit(cache=True, error_model="numpy", nogil=True)
def _beam(  # noqa: PLR0913  compiled, arrays alone
    normals: np.ndarray, horizon: np.ndarray, direction: np.ndarray, height: np.ndarray, energy: np.ndarray,
    low: np.ndarray, share: np.ndarray, out: np.ndarray,
) -> None:  # fmt: skip
    for i in range(normals.shape[0]):
        total = 0.0
        for t in range(len(energy)):
            lit = normals[i, 0] * direction[t, 0] + normals[i, 1] * direction[t, 1] + normals[i, 2] * direction[t, 2]
            if lit <= 0.0:
                continue
            edge = horizon[low[t], i] * (1 - share[t]) + horizon[(low[t] + 1) % horizon.shape[0], i] * share[t]
            if height[t] > edge:
                total += energy[t] * lit / direction[t, 2]
        out[i] = total


def extraterrestrial_mj_m2(latitude_degrees: float, day_of_year: np.ndarray | int) -> np.ndarray:
    """Return a day's sun above the air, MJ/m2.

    It is that on level ground (Allen et al. 1998, FAO-56, eq. 21).
    """
    latitude = np.deg2rad(latitude_degrees)
    turn = 2 * np.pi * np.asarray(day_of_year, float) / 365.0
    declination = 0.409 * np.sin(turn - 1.39)
    # Beyond the polar circles the sun does not set, or does not rise.
    sunset = np.arccos(np.clip(-np.tan(latitude) * np.tan(declination), -1.0, 1.0))
    distance = 1.0 + 0.033 * np.cos(turn)
    across = sunset * np.sin(latitude) * np.sin(declination) + np.cos(latitude) * np.cos(declination) * np.sin(sunset)
    return 24 * 60 / np.pi * SOLAR_CONSTANT_MJ_M2_MIN * distance * across


def clear_sky_mj_m2(extraterrestrial: np.ndarray, elevation_m: float) -> np.ndarray:
    """Return a clear day's sun on level ground, MJ/m2.

    It is (0.75 + 2e-5 z) Ra, where z is the elevation in m and Ra the sun above the air (FAO-56, eq. 37, from memory).
    """
    return (0.75 + 2e-5 * elevation_m) * extraterrestrial


def cloud_cover(solar_mj_m2: np.ndarray, clear_mj_m2: np.ndarray) -> np.ndarray:
    """Return the cloud cover that explains the sun, 0 to 1.

    Such a cover dims a clear day's sun to the observed one.
    """
    dimmed = np.clip(1.0 - np.asarray(solar_mj_m2, float) / np.maximum(clear_mj_m2, 1e-6), 0.0, CLOUD_DIMMING)
    return (dimmed / CLOUD_DIMMING) ** (1.0 / CLOUD_POWER)


def path_dates(dates: pd.DatetimeIndex) -> tuple[list[dt.date], np.ndarray]:
    """Return days on which to take the sun's path.

    The second array gives each date's position among these days, in fractions. The days are at most ten days apart:
    meanwhile the sun's noon height moves by less than 4 degrees.
    """
    last = len(dates) - 1
    nodes = np.unique(np.linspace(0, last, max(2, -(-last // 10) + 1)).round().astype(int))
    return [dates[k].date() for k in nodes], np.interp(np.arange(len(dates)), nodes, np.arange(len(nodes)))
