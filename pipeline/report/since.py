"""What a change is counted from: the dates of flights and course rounds, and what is current on them."""

from __future__ import annotations

import datetime as dt
from contextlib import suppress
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any

import pandas as pd

from snowtally.archive.revisions import Revision
from snowtally.inspection.change_error import DatedTotals
from snowtally.model.problems import ArchiveError
from snowtally.publishing.archived_inputs import inputs_folder
from snowtally.publishing.archived_rows import read_rows
from snowtally.publishing.stac import season_name, season_start
from snowtally.reading import current_revision, load_record, revision_totals
from snowtally.report.words import short_date

ROUND_DAYS = 10
"""Courses that are surveyed no further apart than this, days, are one round: crews take a week and some, and come back after two at
the least (common practice, no source)."""

SURVEY_DAYS = 7
"""Where the archive lacks a survey's own day, one of so many from it on stands for it: a week later the snow is another's."""


@dataclass(frozen=True)
class Since:
    """A survey that a change is counted from.

    Parameters
    ----------
    what : "flight" or "courses".
    survey : its last day.
    dates : the days that may stand for it: itself, and as long as the archive lacks it, the days after.
    day : what is current on the first of them that the archive holds; None where it holds none.
    """

    what: str
    survey: dt.date
    dates: list[dt.date]
    day: DatedTotals | None

    @property
    def words(self) -> str:
        """The survey in words."""
        return f"the {self.what} of {short_date(self.survey)}"


def totals_of(revision: Revision) -> DatedTotals:
    """Return a revision's record and totals. Raises ArchiveError."""
    return DatedTotals(revision, load_record(revision.path), revision_totals(revision.path))


def totals_on(root: str | Path, basin: str, date: dt.date | None) -> DatedTotals | None:
    """Return what is current on a date. None where nothing is.

    Of a damaged record the parts of the error are not known: it shares none then.
    """
    revision = None if date is None else current_revision(root, basin, date)
    if revision is None:
        return None
    with suppress(ArchiveError):
        return totals_of(revision)
    return DatedTotals(revision, {"error_budget": {}, "models": {}}, revision_totals(revision.path))


def last_before(root: str | Path, basin: str, date: dt.date, what: str, surveys: list[dt.date]) -> Since | None:
    """Return the last survey before a date, with the day that stands for it. None without one."""
    last = max((day for day in surveys if day < date), default=None)
    if last is None:
        return None
    asked: list[dt.date] = []
    for day in (last + dt.timedelta(days=n) for n in range(min(SURVEY_DAYS, (date - last).days))):
        asked.append(day)
        totals = totals_on(root, basin, day)
        if totals is not None:
            return Since(what, last, asked, totals)
    return Since(what, last, asked, None)


def flown(record: dict[str, Any]) -> list[dt.date]:
    """Return the dates of the flights that a day's map is made with."""
    return [dt.date.fromisoformat(flight["date"]) for flight in record["models"].get("flights", [])]


def rounds(surveys: list[dt.date]) -> list[dt.date]:
    """Return the last day of each round of courses. `surveys` are the days on which a course was surveyed, in order.

    >>> rounds([dt.date(2031, 2, 27), dt.date(2031, 3, 2), dt.date(2031, 3, 30)])
    [datetime.date(2031, 3, 2), datetime.date(2031, 3, 30)]
    """
    return [day for day, after in pairwise([*surveys, dt.date.max]) if (after - day).days > ROUND_DAYS]


def survey_dates(root: str | Path, basin: str, date: dt.date, record: dict[str, Any]) -> list[dt.date]:
    """Return the days of the season up to a date on which a course was surveyed, by its archived rows."""
    rows = archived_rows(root, basin, record, "courses")
    if "date" not in rows:
        return []
    dates = {day.date() for day in pd.to_datetime(rows["date"], errors="coerce").dropna()}
    start = season_start(record["settings"])
    name = season_name(date, start)
    return sorted(day for day in dates if day <= date and season_name(day, start) == name)


def archived_rows(root: str | Path, basin: str, record: dict[str, Any], name: str) -> pd.DataFrame:
    """Return the archived rows of a table that a day used. Empty where the archive no longer has them."""
    if name in record["kept_inputs"]:
        with suppress(ArchiveError):
            return read_rows(inputs_folder(root, basin), record["kept_inputs"][name])
    return pd.DataFrame()
