"""Pages into the archive: made again after each publish, put in place in one step, never in the way of what is published."""

from __future__ import annotations

import datetime as dt
import logging
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path

import pandas as pd

from pipeline.outputs.failures import told
from pipeline.outputs.files import replace_file
from pipeline.outputs.report.day_page import DAY_PAGE, SEASON_PAGE, day_page
from pipeline.outputs.report.published import read_day, read_surroundings
from pipeline.outputs.report.season_page import season_page
from pipeline.outputs.report.units import UNITS
from pipeline.outputs.staging import staged
from pipeline.problems import ArchiveError
from pipeline.reading import archive_folder, basin_folder, find_revision, standing

LEANING_DAYS = (1, 7)
"""Days after a date whose pages tell the change since it."""


@dataclass(frozen=True)
class Pages:
    """What became of the pages: the day's own, and one line for each that could not be made."""

    day: Path | None
    troubles: list[str] = field(default_factory=list)


def make_day_page(root: str | Path, basin: str, date: dt.date, units: str) -> Path:
    """Make the page of the revision of a date that stands, put it in place, and return where it is.

    Raises ArchiveError where nothing stands for the date, or a file of it cannot be read or the page not be written.
    """
    archive = archive_folder(root)
    target = basin_folder(archive, basin) / date.isoformat() / DAY_PAGE
    with told(f"Cannot make the page {target}"):
        while True:
            day = read_day(archive, basin, date)
            data = day_page(day, read_surroundings(day), UNITS[units], _parent(archive, basin, day.record))
            with staged(archive, basin) as work:
                replace_file(target, data, work.folder)
            # Another revision may have been published meanwhile, and its page been put there before this one.
            stands = standing(archive, basin, date)
            if stands is not None and stands.number == day.revision.number:
                return target


def make_season_page(root: str | Path, basin: str, units: str) -> Path:
    """Make the season page of a basin, put it in place, and return where it is. Raises ArchiveError."""
    archive = archive_folder(root)
    target = basin_folder(archive, basin) / SEASON_PAGE
    with told(f"Cannot make the page {target}"):
        data = season_page(archive, basin, UNITS[units])
        with staged(archive, basin) as work:
            replace_file(target, data, work.folder)
    return target


def remake(root: str | Path, basin: str, date: dt.date, units: str) -> Pages:
    """Make the pages again that a change to a date touches: its own, those that tell the change since it, the season's.

    A date for which nothing stands any more loses its page. Never raises: what is published stands, whatever becomes of a
    page; each trouble is one line.
    """
    day, troubles = None, []
    try:
        folder = basin_folder(root, basin)
        if standing(root, basin, date) is None:
            (folder / date.isoformat() / DAY_PAGE).unlink(missing_ok=True)
        else:
            day = make_day_page(root, basin, date, units)
    except Exception as trouble:  # noqa: BLE001  a page must never cost a night, whatever is wrong with it
        troubles.append(_line(f"page of {date}", trouble))
    later = [date + dt.timedelta(days=days) for days in LEANING_DAYS]
    for name, make in (
        *((f"page of {other}", lambda other=other: _again(root, basin, other, units)) for other in later),
        ("season page", lambda: make_season_page(root, basin, units)),
    ):
        try:
            make()
        except Exception as trouble:  # noqa: BLE001  as above
            troubles.append(_line(name, trouble))
    return Pages(day, troubles)


def _again(root: str | Path, basin: str, date: dt.date, units: str) -> None:
    """Make a page again where there is one."""
    if (basin_folder(root, basin) / date.isoformat() / DAY_PAGE).exists():
        make_day_page(root, basin, date, units)


def _line(name: str, trouble: Exception) -> str:
    told_as = str(trouble) if isinstance(trouble, ArchiveError) else f"{type(trouble).__name__}: {trouble}"
    logging.getLogger("snowtally").debug("%s", name, exc_info=trouble)
    return " ".join(f"{name} could not be made: {told_as}".split())


def _parent(root: Path, basin: str, record: dict) -> pd.Series | None:
    """Return the basin's totals of the revision before; None where there is none, or it cannot be read."""
    if record["parent_revision"] is None:
        return None
    with suppress(ArchiveError, OSError, ValueError, IndexError):
        found = find_revision(root, basin, record["date"], record["parent_revision"])
        totals = pd.read_parquet(found.path / "totals.parquet")
        return totals[totals["level"] == "basin"].iloc[0]
    return None
