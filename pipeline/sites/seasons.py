"""Where a day stands in the snow season, and how dense snow is then."""

from __future__ import annotations

import numpy as np
import pandas as pd


def water_year_day(date: pd.Timestamp, *, southern: bool = False) -> int:
    """Return the day of the water year, from 1.

    1 October is day 1, and 30 September is day 365 or 366. Southern basins count from 1 April. The origin is that of
    Hill et al. 2019 (The Cryosphere 13, 1767-1784).

    >>> water_year_day(pd.Timestamp("2031-01-01")), water_year_day(pd.Timestamp("2031-06-30"), southern=True)
    (93, 91)
    """
    month = 4 if southern else 10
    year = date.year if date.month >= month else date.year - 1
    return (date.normalize() - pd.Timestamp(year, month, 1)).days + 1


SPRING = 152
"""1 March: spring begins, and with it the denser range."""

SEASONAL_DENSITY = {"winter": (100.0, 300.0), "spring": (200.0, 500.0)}
"""Bulk density in kg/m3 (USDA NRCS, 'What is Snow Water Equivalent?'): mountains near the sea 20 to 30 % in winter and 30 to 50 %
in spring, inland ones 10 to 20 % and 20 to 40 %: the two taken together."""

SEASON_MARGIN = 0.2
"""Share by which a course may lie outside the seasonal range before it is told: the range is of regions and means."""

OFF_SEASON = 270
"""From 27 June on old firn and new snow lie side by side: no range is published."""


def seasonal_range(date: pd.Timestamp, *, southern: bool) -> tuple[float, float]:
    """Return least and largest likely bulk density, kg/m3.

    They depend on the season. New snow of autumn may be lighter. Late in the season any density is accepted.
    """
    day = water_year_day(date, southern=southern)
    if day >= OFF_SEASON:
        return 0.0, np.inf
    low, high = SEASONAL_DENSITY["spring" if day >= SPRING else "winter"]
    # The page gives 5 to 20 % for new snow: before 1 December a whole pack may be new.
    low = 50.0 if day <= NEW_SNOW_UNTIL else low
    return (1 - SEASON_MARGIN) * low, (1 + SEASON_MARGIN) * high


NEW_SNOW_UNTIL = 61
"""30 November."""

TYPICAL = ((32, 200.0), (183, 330.0), (258, 480.0))
"""Bulk density in kg/m3 by day of the water year (1 November, 1 April, 15 June): middle of the published seasonal ranges in snow
that lasts (common practice, no source)."""


def typical_density(date: pd.Timestamp, *, southern: bool) -> float:
    """Return the usual bulk density of a day, kg/m3.

    It is for days on which nothing else is known.
    """
    days, densities = zip(*TYPICAL, strict=True)
    return float(np.interp(water_year_day(date, southern=southern), days, densities))
