"""Which dates a night is to estimate: yesterday, and before it what was missed, oldest first."""

from __future__ import annotations

import datetime as dt

from snowtally.model.problems import ArchiveError
from snowtally.operations.rerun import dates_lacking
from snowtally.reading import dates_held
from snowtally.settings.basin import Settings


def missed_dates(settings: Settings, now: dt.datetime) -> list[dt.date]:
    """Return the dates without a revision, oldest first.

    They are of the last `catch_up_days` complete ones at an instant with time zone. Not before the archive's first date: what lies before that is a backfill's. The last complete day is one of them until it
    is published.
    """
    last = settings.last_complete_day(now)
    try:
        held = dates_held(settings.archive_root, settings.basin.id)
    except ArchiveError:
        # No such basin yet; any other trouble of the archive comes up in the night itself.
        held = []
    first = max(last - dt.timedelta(days=settings.operations.schedule.catch_up_days - 1), min(held, default=last))
    return dates_lacking(settings, first, last) if first <= last else []


def due_dates(settings: Settings, now: dt.datetime) -> list[dt.date]:
    """Return the dates that a night is to estimate.

    These are what was missed, and the last complete day in any case.
    """
    return sorted({*missed_dates(settings, now), settings.last_complete_day(now)})


def next_start(settings: Settings, at: dt.time, after: dt.datetime) -> dt.datetime:
    """Return the first instant after `after` at which standard time is `at`.

    Instants have a time zone; the standard time is the basin's.

    >>> from types import SimpleNamespace
    >>> basin = SimpleNamespace(basin=SimpleNamespace(utc_offset_hours=-2.5))
    >>> str(next_start(basin, dt.time(5, 30), dt.datetime(2031, 3, 1, 8, 0, tzinfo=dt.UTC)))
    '2031-03-02 08:00:00+00:00'
    """
    zone = dt.timezone(dt.timedelta(hours=settings.basin.utc_offset_hours))
    start = dt.datetime.combine(after.astimezone(zone).date(), at, zone)
    return (start if start > after else start + dt.timedelta(days=1)).astimezone(dt.UTC)


def last_start(settings: Settings, at: dt.time, now: dt.datetime) -> dt.datetime:
    """Return the last instant up to `now` with standard time `at`."""
    return next_start(settings, at, now) - dt.timedelta(days=1)
