"""Published revisions: how they are named, and where they lie."""

from __future__ import annotations

import datetime as dt
import re
from dataclasses import dataclass
from pathlib import Path

from snowtally.model.problems import ArchiveError

Date = dt.date | str
"""A local day: a date, or its ISO form such as "2031-03-01"."""


def as_date(date: Date) -> dt.date:
    """Return a local day given as a date or as ISO text. Raises ArchiveError for anything else."""
    if isinstance(date, dt.datetime):
        return date.date()
    if isinstance(date, dt.date):
        return date
    try:
        return dt.date.fromisoformat(date)
    except (TypeError, ValueError) as error:
        raise ArchiveError(f"'{date}' is no date. Write it as 2031-03-01.") from error


@dataclass(frozen=True, order=True)
class RevisionId:
    """A revision of a basin: its local day and its number.

    >>> str(RevisionId(dt.date(2031, 3, 1), 2)), RevisionId(dt.date(2031, 3, 1), 2).folder
    ('2031-03-01@2', 'r002')
    """

    date: dt.date
    number: int

    def __str__(self) -> str:
        """Return date and number as they are asked for."""
        return f"{self.date}@{self.number}"

    @property
    def folder(self) -> str:
        """Name of its folder in that of the date."""
        return f"r{self.number:03d}"


def asked_revision(text: str) -> RevisionId | dt.date:
    """Return the revision that a text asks for. A date alone asks for its current revision.

    Raises ArchiveError for anything else.

    >>> str(asked_revision("2031-03-01@2")), asked_revision("2031-03-01")
    ('2031-03-01@2', datetime.date(2031, 3, 1))
    """
    date, at, number = text.partition("@")
    # Digits of other kinds, such as a raised two, are no numbers to Python.
    if at and not re.fullmatch(r"[0-9]{1,9}", number):
        raise ArchiveError(f"'{text}' is no revision. Write a date such as 2031-03-01, or 2031-03-01@2")
    return RevisionId(as_date(date), int(number)) if at else as_date(date)


@dataclass(frozen=True)
class Revision:
    """One published revision, and its folder."""

    id: RevisionId
    path: Path

    @property
    def date(self) -> dt.date:
        """Its local day."""
        return self.id.date

    @property
    def number(self) -> int:
        """Its number, from 1 up."""
        return self.id.number
