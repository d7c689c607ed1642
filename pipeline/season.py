"""The snow season: its first day in any year."""

from __future__ import annotations

import calendar
import datetime as dt


def first_of_season(date: dt.date, season_start: str) -> dt.date:
    """Return the first day of the snow season that holds a date.

    Parameters
    ----------
    season_start : month and day on which a season begins, such as 10-01; 02-29 is the last of February in the other years.

    >>> str(first_of_season(dt.date(2031, 3, 1), "10-01")), str(first_of_season(dt.date(2031, 10, 1), "10-01"))
    ('2030-10-01', '2031-10-01')
    >>> str(first_of_season(dt.date(2031, 2, 28), "02-29")), str(first_of_season(dt.date(2032, 2, 28), "02-29"))
    ('2031-02-28', '2031-02-28')
    """
    month, day = (int(part) for part in season_start.split("-"))

    def first(year: int) -> dt.date:
        return dt.date(year, month, min(day, calendar.monthrange(year, month)[1]))

    return first(date.year) if first(date.year) <= date else first(date.year - 1)
