"""Pages into the archive: made again after each publish, put in place in one step, never in the way of what is published."""

from __future__ import annotations

import datetime as dt
import logging
import re
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path

from snowtally.archive.current import Decisions, current_of
from snowtally.archive.revisions import Revision
from snowtally.model.problems import ArchiveError
from snowtally.publishing.second_look import leaning
from snowtally.publishing.staging import staged
from snowtally.reading import (
    archive_folder,
    basin_folder,
    basin_row,
    current_revision,
    dates_held,
    decisions,
    find_revision,
    held_back,
    list_days,
    revision_totals,
    revisions,
    soundness_of,
)
from snowtally.report.day_page import DAY_PAGE, SEASON_PAGE, Before, day_page
from snowtally.report.front import LATEST, basins
from snowtally.report.front_page import FRONT_PAGE, front_page
from snowtally.report.notices import identity
from snowtally.report.published import PublishedDay, read_day, read_days_around
from snowtally.report.season_page import season_page
from snowtally.report.units import UNITS
from snowtally.storage.failures import explained
from snowtally.storage.files import replace_file

HEAD_BYTES = 4096
"""A page names the dates that it tells of within so many bytes: what stands before them is some 700."""

SEASON = dt.timedelta(days=366)
"""A page tells of no change since a date longer ago: its surveys are the season's own."""

Jobs = dict[str, Callable[[], object]]
"""Pages to make, by what a line says could not be made."""


@dataclass(frozen=True)
class Pages:
    """The day's page, and one line for each page not made."""

    day: Path | None
    troubles: list[str] = field(default_factory=list)


def make_day_page(root: str | Path, basin: str, date: dt.date, units: str, day: PublishedDay | None = None) -> Path:
    """Make the page of a date's current revision; return its path. `day` is what was read of it, if it was.

    Raises ArchiveError where the date has none, or a file of it cannot be read or the page not be written.
    """
    archive = archive_folder(root)
    target = basin_folder(archive, basin) / date.isoformat() / DAY_PAGE
    # Asked before the first write, so that a date that is not held gets no folder.
    find_revision(archive, basin, date)
    with explained(f"Cannot make the page {target}"):
        while True:
            day = day or read_day(archive, basin, date)
            data = day_page(day, read_days_around(day), UNITS[units], _before(archive, basin, day.revision))
            with staged(archive, basin) as work:
                replace_file(target, data, work.folder)
            # Another revision may have been published meanwhile, and its page been put there before this one.
            if identity_of(archive, basin, date).encode() in data:
                return target
            day = None


def make_season_page(root: str | Path, basin: str, units: str) -> Path:
    """Make the season page of a basin; return its path. Raises ArchiveError."""
    archive = archive_folder(root)
    target = basin_folder(archive, basin) / SEASON_PAGE
    with explained(f"Cannot make the page {target}"):
        data = season_page(archive, basin, UNITS[units])
        with staged(archive, basin) as work:
            replace_file(target, data, work.folder)
    return target


def make_front_page(root: str | Path, basin: str) -> Path:
    """Make the archive's front page, after a change to a basin; return its path. Raises ArchiveError."""
    archive = archive_folder(root)
    target = archive / FRONT_PAGE
    with explained(f"Cannot make the page {target}"):
        while True:
            newest = _newest(archive)
            data = front_page(archive)
            with staged(archive, basin) as work:
                replace_file(target, data, work.folder)
            # Another basin may have published meanwhile, and its page been put there before this one.
            if _newest(archive) == newest:
                return target


def _newest(archive: Path) -> dict[str, bytes]:
    """Return what names each basin's newest day."""
    return {basin: (basin_folder(archive, basin) / LATEST).read_bytes() for basin in basins(archive)}


def remake(root: str | Path, basin: str, date: dt.date, units: str) -> Pages:
    """Make the pages again that a change to a date touches.

    Its own, those that tell the change since it, the next one's, the season's, the archive's front.

    A date that has no current revision any more loses its page. Never raises: what is published stands, whatever becomes of a
    page; each trouble is one line.
    """
    made: list[Path] = []

    def own() -> None:
        if current_revision(root, basin, date) is None:
            (basin_folder(root, basin) / date.isoformat() / DAY_PAGE).unlink(missing_ok=True)
        else:
            made.append(make_day_page(root, basin, date, units))

    later: set[dt.date] = set()
    with suppress(ArchiveError, OSError):
        # Their second look, and where the archive lacks a week before them their map of change, is against this date.
        later |= set(leaning(root, basin, date)) | _compared_with(root, basin, date)
    jobs: Jobs = {f"page of {date}": own}
    jobs |= {f"page of {other}": partial(_again, root, basin, other, units) for other in sorted(later)}
    jobs["season page"] = partial(make_season_page, root, basin, units)
    jobs["front page"] = partial(make_front_page, root, basin)
    troubles = _done(jobs)
    return Pages(made[0] if made else None, troubles)


def remake_all(root: str | Path, basin: str, units: str, stage: Callable[[str], None]) -> list[str]:
    """Make every page of a basin again.

    Return one line for each that could not be made. Raises ArchiveError without a basin.
    """
    dates = [date.date() for date in list_days(root, basin)["date"]]

    def make_one(date: dt.date) -> None:
        stage(f"page of {date}")
        make_day_page(root, basin, date, units)

    jobs: Jobs = {f"page of {date}": partial(make_one, date) for date in dates}
    jobs["season page"] = partial(make_season_page, root, basin, units)
    return _done(jobs | {"front page": partial(make_front_page, root, basin)})


def _done(jobs: Jobs) -> list[str]:
    """Do each job; return what went wrong, one line each."""
    troubles = []
    for name, job in jobs.items():
        try:
            job()
        except Exception as trouble:  # noqa: BLE001  a page must never cost a night, whatever is wrong with it
            troubles.append(_line(name, trouble))
    return troubles


def make_missing(root: str | Path, basin: str, date: dt.date, units: str) -> Pages:
    """Make the pages of a date that are missing or old.

    Publishing may have been cut off before them. Never raises.
    """
    try:
        target = basin_folder(root, basin) / date.isoformat() / DAY_PAGE
        mark = identity_of(root, basin, date)
        if not mark:
            return Pages(None)
        if target.exists() and mark.encode() in target.read_bytes():
            return Pages(target)
    except (ArchiveError, OSError) as trouble:
        return Pages(None, [_line(f"page of {date}", trouble)])
    return remake(root, basin, date, units)


def identity_of(root: str | Path, basin: str, date: dt.date) -> str:
    """Return the tags of a date's page that is up to date. Empty where no page is to be made."""
    current = current_revision(root, basin, date)
    return "" if current is None else identity(current, held_back(root, basin, date))


def _compared_with(root: str | Path, basin: str, date: dt.date) -> set[dt.date]:
    """Return the later dates whose page tells the change since a date. None is more than a season later."""
    mark = re.compile(rb'<meta name="tells-of" content="[^"]*' + date.isoformat().encode())
    later = set()
    for day in dates_held(root, basin):
        page = basin_folder(root, basin) / day.isoformat() / DAY_PAGE
        if date < day <= date + SEASON and page.exists():
            with page.open("rb") as file:
                if mark.search(file.read(HEAD_BYTES)):
                    later.add(day)
    return later


def _again(root: str | Path, basin: str, date: dt.date, units: str) -> None:
    """Make a page again where there is one."""
    if (basin_folder(root, basin) / date.isoformat() / DAY_PAGE).exists():
        make_day_page(root, basin, date, units)


def _line(name: str, trouble: Exception) -> str:
    words = str(trouble) if isinstance(trouble, ArchiveError) else f"{type(trouble).__name__}: {trouble}"
    logging.getLogger("snowtally").debug("%s", name, exc_info=trouble)
    return " ".join(f"{name} could not be made: {words}".split())


def _before(root: Path, basin: str, revision: Revision) -> Before | None:
    """Return the revision that was current before another of its date. Withdrawn ones count; None for the first."""
    lower = [r for r in revisions(root, basin, revision.date) if r.number < revision.number]
    made = decisions(root, basin).made_current.get(revision.date, [])
    then = Decisions(made_current={revision.date: [one for one in made if one.newest < revision.number]})
    earlier = current_of(lower, then, soundness_of(root, basin))
    if earlier is None:
        return None
    with suppress(ArchiveError, OSError, ValueError, IndexError):
        return Before(earlier.number, basin_row(revision_totals(earlier.path)))
    return Before(earlier.number, None)
