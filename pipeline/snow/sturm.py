"""A published relation of bulk density with depth and day, by snow class: what is known before anything is weighed."""

from __future__ import annotations

import datetime as dt

import numpy as np

STURM_2010 = {
    "alpine": (0.5975, 0.2237, 0.0012, 0.0038),
    "maritime": (0.5979, 0.2578, 0.0010, 0.0038),
    "prairie": (0.5940, 0.2332, 0.0016, 0.0031),
    "tundra": (0.3630, 0.2425, 0.0029, 0.0049),
    "taiga": (0.2170, 0.2170, 0.0000, 0.0000),
}
"""Largest and first density (g/cm3), k1 (1/cm) and k2 (1/day) by snow class: Sturm et al. 2010, J. Hydrometeor. 11,
1380-1394, Table 4."""

MIDDLING_KG_M3 = 350.0
"""Density of middling snow, where a rough one serves: the depth through which ground shines, a depth as about so much SWE. Between
the first 224 and the greatest 598 of alpine snow in the table above."""

LEAST_PRIOR = 0.6
"""The relation falls below its own first density in autumn; it is held at this share of it (new snow of two thirds of the
seasonal pack's first density), since it was fitted to winter and spring snow."""


def autumn_origin(season_start: dt.date, southern: bool) -> dt.date:
    """Return the date from which a season's days count.

    The 1 October, 1 April in southern basins, nearest to the season's first day.

    >>> autumn_origin(dt.date(2030, 9, 1), southern=False)
    datetime.date(2030, 10, 1)
    """
    month = 4 if southern else 10
    years = (season_start.year - 1, season_start.year, season_start.year + 1)
    return min((dt.date(year, month, 1) for year in years), key=lambda day: abs((day - season_start).days))


def origin_of(date: dt.date, origin: dt.date, lead_days: int) -> dt.date:
    """Return the origin of the season that holds a date.

    Parameters
    ----------
    lead_days : days by which a season begins before its origin; less than none where it begins after.

    >>> origin_of(dt.date(2027, 9, 15), dt.date(2030, 10, 1), 30), origin_of(dt.date(2027, 9, 15), dt.date(2030, 10, 1), 0)
    (datetime.date(2027, 10, 1), datetime.date(2026, 10, 1))
    """
    last = date + dt.timedelta(days=lead_days)
    return origin.replace(year=last.year if origin.replace(year=last.year) <= last else last.year - 1)


def sturm_day(date: dt.date, origin: dt.date) -> int:
    """Return the day number of Sturm et al. 2010: 1 October is -92, 31 December -1, 1 January 1; there is no day 0.

    Parameters
    ----------
    origin : the season's 1 October, or 1 April in southern basins, so that their seasons count alike.

    Examples
    --------
    >>> sturm_day(dt.date(2024, 2, 29), dt.date(2023, 10, 1)), sturm_day(dt.date(2022, 12, 31), dt.date(2022, 10, 1))
    (60, -1)
    """
    day = (date - origin).days - 92
    return day if day < 0 else day + 1


def sturm_density(depth_m: np.ndarray, day: int, snow_class: str) -> np.ndarray:
    """Return the climatological bulk density, kg/m3, by depth (m).

    Sturm et al. 2010, eq. 6.

    rho = (rho_max - rho_0) (1 - exp(-k1 h - k2 d)) + rho_0, with h in cm and d by `sturm_day`.

    >>> sturm_density(np.array([1.0]), 1, "alpine").round(2)
    array([267.23])
    """
    largest, first, per_cm, per_day = STURM_2010[snow_class]
    rise = 1.0 - np.exp(-per_cm * 100.0 * np.asarray(depth_m, float) - per_day * day)
    return 1000.0 * ((largest - first) * rise + first)


def prior_density(depth_m: np.ndarray, day: int, snow_class: str) -> np.ndarray:
    """Return `sturm_density` above its floor, kg/m3.

    The floor serves outside the season that it was fitted to.
    """
    return np.maximum(sturm_density(depth_m, day, snow_class), 1000.0 * LEAST_PRIOR * STURM_2010[snow_class][1])
