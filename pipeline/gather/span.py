"""Which dates a basin's measurements cover: a date before or after all of them is refused with the span, never estimated."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator, Mapping

import pandas as pd

from snowtally.gather.sources import DaySources
from snowtally.inputs.known_tables import COURSES, COVERS, FLIGHTS
from snowtally.inputs.read_stations import read_stations
from snowtally.inputs.tables import read_tables
from snowtally.model.problems import UncoveredDateError

MOST_DAYS_AFTER = 100
"""A date further after the newest measurement is refused, days (chosen): stations are switched off from July to early October, and
nights of a basin whose stations all fell silent are degraded, not refused."""

YEARS = (1900, 2199)
"""Rows of other years are slips, as of a course's visit (docs/checks.md, impossible date), and cover nothing."""


def check_covered(sources: DaySources, tables: Mapping[str, pd.DataFrame], now: dt.datetime) -> None:
    """Refuse a date that the measurements do not cover.

    It is refused before the first measurement, more than `MOST_DAYS_AFTER` after the newest, and after the last complete local day:
    the last only where no measurement is of a later day, since a season made up for a demonstration or a trial may lie in the future.
    Measurements are the rows of courses, stations, flights and covers; weather may be a forecast.

    Parameters
    ----------
    tables : courses and stations of the season up to the date, as read: where they cover it, nothing is read once more.
    now : the instant, with time zone.

    Raises
    ------
    UncoveredDateError : one line with the span that the measurements cover.
    """
    settings, date = sources.settings, sources.date
    complete = settings.last_complete_day(now)
    if _covered(date, list(_days(tables["courses"], tables["stations"])), complete):
        return
    days = list(_every_day(sources))
    if not days or _covered(date, days, complete):
        # Without a single row the estimate says what is missing.
        return
    first, last = min(days), max(days)
    if date < first:
        why = "lies before the first measurement"
    elif (date - last).days > MOST_DAYS_AFTER:
        why = f"lies {(date - last).days} days after the newest measurement, more than {MOST_DAYS_AFTER}"
    else:
        why = f"is not over yet: the last complete day is {complete}"
    raise UncoveredDateError(
        f"{settings.basin.id} {date} {why}. The inputs cover {first} to {last}. Give a --date of these, or put newer inputs in place"
    )


def _covered(date: dt.date, days: list[dt.date], complete: dt.date) -> bool:
    if not days or date < min(days):
        return False
    last = max(days)
    return (date - last).days <= MOST_DAYS_AFTER and (date <= complete or last > complete)


def _days(*tables: pd.DataFrame) -> Iterator[dt.date]:
    """Yield the first and last believable day of each table."""
    for table in tables:
        days = table["date"].dropna()
        days = days[days.dt.year.between(*YEARS)]
        if len(days):
            yield from (days.min().date(), days.max().date())


def _every_day(sources: DaySources) -> Iterator[dt.date]:
    """Yield first and last day of every table of measurements, of any season."""
    for table in (COURSES, FLIGHTS, COVERS):
        yield from _days(read_tables(sources.table(table.role), table)[0])
    yield from _days(read_stations(sources.table("stations"), sources.settings.basin.utc_offset_hours)[0])
