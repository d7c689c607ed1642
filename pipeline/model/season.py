"""The snow season: its first day in any year, those before it, and a basin's day in it."""

from __future__ import annotations

import calendar
import datetime as dt
from collections.abc import Callable, Iterator
from dataclasses import dataclass


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

    if first(date.year) <= date:
        return first(date.year)
    # No calendar goes further back than the year 1.
    return first(date.year - 1) if date.year > 1 else dt.date.min


def last_complete_day(now: dt.datetime, utc_offset_hours: float) -> dt.date:
    """Return the last local day that is over.

    `now` is an instant with a time zone.

    >>> str(last_complete_day(dt.datetime(2031, 3, 1, 1, tzinfo=dt.UTC), -2.0))
    '2031-02-27'
    """
    local = now.astimezone(dt.timezone(dt.timedelta(hours=utc_offset_hours)))
    return local.date() - dt.timedelta(days=1)


def seasons_before(
    begun: dt.date, first_day: Callable[[dt.date], dt.date], count: int
) -> Iterator[tuple[dt.date, dt.date]]:
    """Yield first and last day of each earlier snow season.

    These are the `count` seasons before the one that begins on `begun`, newest first.

    Parameters
    ----------
    first_day : gives the first day of the season that holds a date.

    >>> autumn = lambda date: first_of_season(date, "10-01")
    >>> [str(day) for season in seasons_before(dt.date(2030, 10, 1), autumn, 1) for day in season]
    ['2029-10-01', '2030-09-30']
    """
    for _ in range(count):
        last = begun - dt.timedelta(days=1)
        begun = first_day(last)
        yield begun, last


@dataclass(frozen=True)
class BasinDay:
    """A day of a basin, in its season.

    Parameters
    ----------
    basin_id : the basin's identifier.
    date : the local day.
    season_start : first day of the snow season that holds the date.
    """

    basin_id: str
    date: dt.date
    season_start: dt.date
