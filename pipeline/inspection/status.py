"""What the archive holds of a basin: its dates, their revisions, what is missing or failed, and how old the newest is."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from snowtally.archive.revisions import RevisionId
from snowtally.inspection.growth import Growth, growth
from snowtally.publishing.archived_inputs import inputs_folder
from snowtally.publishing.attempts import failed_attempts
from snowtally.publishing.derived import read_index
from snowtally.publishing.second_look import second_looks
from snowtally.publishing.stac import season_name
from snowtally.reading import withdrawals
from snowtally.storage.paths import path_of, sizes_in

COLUMNS = ["date", "season", "revisions", "standing", "degraded", "withdrawn", "reason", "made"]


@dataclass(frozen=True)
class Status:
    """What the archive holds of a basin.

    Parameters
    ----------
    days : one row a date held, oldest first: `date`, `season`, `revisions` (how many), `standing` (the number of the current
        one, missing when all are withdrawn), `degraded` (of the current one, else of the newest), `withdrawn` (how many),
        `reason` and `made` (of the same; missing where its record cannot be read).
    newest : the newest date that has a current revision, None when there is none.
    age_days : its age in days on the day asked.
    missing : dates without a revision between the first and the last of a season; in the present season, up to yesterday.
    failed : those of them whose last attempt failed, with what it said.
    withdrawn : revisions that were withdrawn, and why.
    held_back : revisions newer than the current one of their date that did not become current, and why.
    second_look : dates whose current total jumped beyond what the sites' change and the error allow, with the figures.
    size_bytes : size of all revisions and of the inputs kept with them.
    growth : room on the disk, and how long it lasts at the archive's pace.
    """

    days: pd.DataFrame
    newest: dt.date | None
    age_days: int | None
    missing: list[dt.date]
    failed: dict[dt.date, str]
    withdrawn: dict[RevisionId, str]
    held_back: dict[RevisionId, str]
    second_look: dict[dt.date, str]
    size_bytes: int
    growth: Growth

    @property
    def newest_in_future(self) -> bool:
        """Whether the newest date that stands lies after the day asked."""
        return self.age_days is not None and self.age_days < 0

    @property
    def newest_is_degraded(self) -> bool:
        """Whether the newest date's current revision is degraded."""
        return bool(self.newest is not None and self.days.loc[self.days["date"] == self.newest, "degraded"].iloc[0])


def status(root: str | Path, basin: str, today: dt.date, season_start: str) -> Status:
    """Return what the archive holds of a basin as seen on `today`. `season_start` is a month and day such as 10-01.

    A revision whose record cannot be read counts as degraded, and its reason says so. Raises ArchiveError when there is no such
    archive or basin.
    """
    rows, newest, size = [], None, sum(sizes_in(inputs_folder(root, basin)).values())
    by_date: dict[dt.date, list[dict]] = {}
    held_back: dict[RevisionId, str] = {}
    for row in read_index(root, basin).to_pylist():
        by_date.setdefault(row["date"], []).append(row)
        size += row["size_bytes"]
        if row["held_back"]:
            held_back[RevisionId(row["date"], row["revision"])] = row["held_back"]
    for date, held in by_date.items():
        current = next((row for row in held if row["current"]), None)
        shown, number = current or held[-1], current and current["revision"]
        newest = date if current else newest
        withdrawn = sum(row["withdrawn"] for row in held)
        rows.append((
            date, shown["season"] or season_name(date, season_start), len(held), number, shown["degraded"], withdrawn, shown["reason"], shown["made"],
        ))  # fmt: skip
    days = pd.DataFrame(rows, columns=COLUMNS).astype({"standing": "Int64"})
    season_now = season_name(today, season_start)
    failed = {date: noted["message"] for date, noted in failed_attempts(root, basin).items() if date not in by_date}
    # A mistyped date of a season that nobody keeps failed, but is no gap.
    gaps = [date for date in failed if season_name(date, season_start) in {season_now, *days["season"]}]
    missing = _missing(days, gaps, season_now, today)
    age = None if newest is None else (today - newest).days
    room = growth(path_of(root), dt.datetime.now(dt.UTC))
    gone = dict(sorted(withdrawals(root, basin).items()))
    return Status(days, newest, age, missing, failed, gone, held_back, second_looks(root, basin), size, room)


def _missing(days: pd.DataFrame, failed: list[dt.date], season_now: str, today: dt.date) -> list[dt.date]:
    """Return the dates that seasons lack, and those that failed.

    A season spans from its first date held to its last.
    """
    lacking = set(failed)
    for season, held in days.groupby("season", sort=False)["date"]:
        last = today - dt.timedelta(days=1) if season == season_now else held.max()
        span = {held.min() + dt.timedelta(days=n) for n in range((last - held.min()).days + 1)}
        lacking |= span - set(held)
    return sorted(lacking)
