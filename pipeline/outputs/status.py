"""What the archive holds of a basin: its dates, their revisions, and how old the newest is."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from pipeline.outputs.derived import read_index

COLUMNS = ["date", "revisions", "standing", "degraded", "withdrawn", "reason", "made"]


@dataclass(frozen=True)
class Status:
    """What the archive holds of a basin.

    Parameters
    ----------
    days : one row a date held, oldest first: `date`, `revisions` (how many), `standing` (the number that stands, missing
        when all are withdrawn), `degraded` (of the standing one, else of the newest), `withdrawn` (how many), `reason`
        and `made` (of the same).
    newest : the newest date that stands, None when there is none.
    age_days : its age in days on the day asked.
    """

    days: pd.DataFrame
    newest: dt.date | None
    age_days: int | None


def status(root: str | Path, basin: str, today: dt.date) -> Status:
    """Return what the archive holds of a basin as seen on `today`.

    Raises ArchiveError when there is no such archive or basin, or a record cannot be read.
    """
    rows, newest = [], None
    by_date: dict[dt.date, list[dict]] = {}
    for row in read_index(root, basin).to_pylist():
        by_date.setdefault(row["date"], []).append(row)
    for date, held in by_date.items():
        standing = [row for row in held if not row["withdrawn"]]
        shown = (standing or held)[-1]
        number = shown["revision"] if standing else None
        newest = date if standing else newest
        rows.append(
            (date, len(held), number, shown["degraded"], len(held) - len(standing), shown["reason"], shown["made"])
        )
    days = pd.DataFrame(rows, columns=COLUMNS).astype({"standing": "Int64"})
    return Status(days, newest, None if newest is None else (today - newest).days)
