"""Past dates: estimated again as new revisions, or for the first time where the archive lacks them."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from snowtally.gather.day import Stage
from snowtally.model.problems import ArchiveError, SettingsError
from snowtally.operations.run import Outcome, Run, update
from snowtally.publishing.publish import Published
from snowtally.publishing.record import BY_HAND
from snowtally.reading import dates_held, revisions
from snowtally.settings.basin import Settings
from snowtally.storage.failure_log import failure_line
from snowtally.storage.paths import named_path, outside_archives


@dataclass(frozen=True)
class DateOutcome:
    """What became of one date of several.

    It has no grids: a season's would take gigabytes.

    Parameters
    ----------
    published : what was published; None where the date failed, and `trouble` says then why, in one line.
    to_look_at, page_troubles, new_archive : as `Outcome` has them.
    """

    date: dt.date
    published: Published | None
    trouble: str = ""
    to_look_at: tuple[str, ...] = ()
    page_troubles: tuple[str, ...] = ()
    new_archive: str = ""


BACKFILL = Run("backfill", "backfill")


def side_archive(settings: Settings, named: str) -> Settings:
    """Return the settings with another archive, a folder or a store's URL.

    Raises SettingsError when it is the basin's own, or one of the two would lie in the other or in a third.
    """
    other, own = named_path(named, Path.cwd()), settings.archive_root
    if other == own:
        raise SettingsError(f"--into {named} is the basin's own archive. Give another folder, or leave --into out")
    outside_archives(other.parent, "--into: the folder")
    if other in own.parents:
        raise SettingsError(f"--into {named} holds the basin's own archive {own}. Give a folder beside it")
    return settings.model_copy(update={"archive": str(other)})


def dates_to_rerun(settings: Settings, first: dt.date, last: dt.date, *, only_held: bool) -> list[dt.date]:
    """Return the dates from first to last, both included.

    With `only_held` it is those that the archive has.

    Raises
    ------
    SettingsError : last lies before first.
    ArchiveError : the archive holds none of them.
    """
    dates = _span(first, last)
    if not only_held:
        return dates
    held = set(dates_held(settings.archive_root, settings.basin.id))
    chosen = [date for date in dates if date in held]
    if not chosen:
        raise ArchiveError(
            f"{settings.basin.id} has no date from {first} to {last} to estimate again. `snowtally backfill` makes dates that "
            "the archive lacks"
        )
    return chosen


def dates_lacking(settings: Settings, first: dt.date, last: dt.date) -> list[dt.date]:
    """Return the dates from first to last without any revision.

    Both are included; a withdrawn revision counts.

    Raises
    ------
    SettingsError : last lies before first.
    """
    root = settings.archive_root
    return [date for date in _span(first, last) if not revisions(root, settings.basin.id, date)]


def _span(first: dt.date, last: dt.date) -> list[dt.date]:
    if last < first:
        raise SettingsError(f"--until {last} lies before {first}. Give the later date last")
    return [first + dt.timedelta(days=n) for n in range((last - first).days + 1)]


def rerun(
    settings: Settings, dates: list[dt.date], reason: str, stage: Stage, *, make_current: bool = False
) -> Iterator[DateOutcome]:
    """Estimate dates again, each as a new revision that carries the reason.

    The inputs are those that there are now. With `make_current` each becomes current for that reason, even where it would be held back.
    """
    return _each(settings, dates, Run(BY_HAND, reason, make_current=make_current), stage)


def backfill(settings: Settings, dates: list[dt.date], stage: Stage) -> Iterator[DateOutcome]:
    """Estimate dates that the archive lacks, with the inputs there are now."""
    return _each(settings, dates, BACKFILL, stage)


def _each(settings: Settings, dates: list[dt.date], run: Run, stage: Stage) -> Iterator[DateOutcome]:
    """Yield the dates' outcomes one by one.

    One date's trouble never hides the next, the settings' trouble stops all.
    """
    for date in dates:
        try:
            done = _without_grids(date, update(settings, date, partial(_stage_of, date, stage), run))
        except SettingsError:
            raise
        except Exception as trouble:  # noqa: BLE001  as in a night: one date's trouble, foreseen or not, hides no other's success
            done = DateOutcome(date, None, failure_line(trouble))
        yield done


def _without_grids(date: dt.date, outcome: Outcome) -> DateOutcome:
    pages = tuple(outcome.pages.troubles)
    return DateOutcome(date, outcome.published, "", tuple(outcome.to_look_at), pages, outcome.new_archive)


def _stage_of(date: dt.date, stage: Stage, name: str) -> None:
    stage(f"{date}: {name}")
