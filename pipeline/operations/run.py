"""The shell around a basin day: files in, estimate, archive out."""

from __future__ import annotations

import datetime as dt
import os
from dataclasses import dataclass, field, replace
from pathlib import Path

from snowtally.archive.revisions import Revision, RevisionId
from snowtally.estimate.estimate import estimate_day
from snowtally.gather.day import Readings, Stage, choices, read_inputs
from snowtally.model.day import Day
from snowtally.model.problems import UncoveredDateError, one_line
from snowtally.operations.code_version import code_version
from snowtally.operations.run_id import new_run_id
from snowtally.operations.stopping import time_limit
from snowtally.publishing.archived_inputs import archive_inputs
from snowtally.publishing.attempts import note_failed
from snowtally.publishing.night_lock import NightLock
from snowtally.publishing.publish import Published, left_as_it_is, make_current, publish
from snowtally.publishing.record import BY_HAND, Provenance, UsedFile, input_sha256
from snowtally.publishing.second_look import look_again
from snowtally.publishing.staging import is_begun
from snowtally.report.pages import Pages, make_missing, remake
from snowtally.settings.basin import Settings


@dataclass(frozen=True)
class Outcome:
    """What an update did.

    Parameters
    ----------
    published : the revision.
    day : as published; None where nothing new was.
    readings : what was read.
    pages : the pages that were made.
    second_look : why to look at the total again, or empty.
    new_archive : one sentence where the archive was begun with this day, else empty.
    """

    published: Published
    day: Day | None
    readings: Readings
    pages: Pages = field(default_factory=lambda: Pages(None))
    second_look: str = ""
    new_archive: str = ""

    @property
    def to_look_at(self) -> list[str]:
        """Why somebody is to look at it; empty for a sound day."""
        return [*self.readings.degraded, *([self.second_look] if self.second_look else [])]


@dataclass(frozen=True)
class Run:
    """Why and how a date is estimated.

    Parameters
    ----------
    command : update, backfill or rerun.
    reason : for the record.
    run_id : the run's name in its lock, its log and its messages; empty gives it a new one.
    arriving : input files that are still being written: a flight or cover grid among them is left for the next night.
    make_current : whether a person wants the day to be current for the reason, even where it would be held back.
    """

    command: str = "update"
    reason: str = "nightly update"
    run_id: str = ""
    arriving: frozenset[Path] = frozenset()
    make_current: bool = False


NIGHTLY = Run()


def update(settings: Settings, date: dt.date, stage: Stage, run: Run = NIGHTLY) -> Outcome:
    """Estimate a date and publish it, unless `left_as_it_is` forbids it.

    Another run of the same date is waited for. An attempt that fails is noted in the archive, so that status can tell of it.

    Raises
    ------
    BusyError : another run of the date took longer than a night may.
    SnowtallyError : the settings, a required input or the archive cannot be used, or no estimate is possible.
    """
    archive, basin = settings.archive_root, settings.basin.id
    stage("waiting for other runs of the date")
    with NightLock(archive, basin, date, run.run_id or new_run_id()).hold(settings.operations.lock_wait_s):
        try:
            with time_limit(settings.operations.limits.night_s, f"{basin} {date}"):
                return _update(settings, date, stage, run)
        except UncoveredDateError:
            # A date that nothing covers is no night that failed.
            raise
        except Exception as trouble:
            note_failed(archive, basin, date, one_line(trouble))
            raise


def _update(settings: Settings, date: dt.date, stage: Stage, run: Run) -> Outcome:
    by_hand = run.command == BY_HAND
    readings = read_inputs(settings, date, stage, keep=True, arriving=run.arriving, by_hand=by_hand)
    provenance = _provenance(settings, readings, run)
    archive, basin, units = settings.archive_root, settings.basin.id, settings.report.units
    most_se = settings.operations.gate.most_se
    stage("looking into the archive")
    left = left_as_it_is(archive, basin, date, provenance)
    if left is not None:
        left = _made_current(archive, basin, left, run)
        # A night that was cut off after publishing is judged, and has its page made, when it is run again.
        look = look_again(archive, basin, date, most_se)
        return Outcome(left, None, readings, make_missing(archive, basin, date, units), look)
    stage("estimating")
    day = replace(estimate_day(readings.inputs, choices(settings)), metadata=settings.metadata)
    stage("publishing")
    # A disk that is not mounted looks like an archive that was never begun: it must not pass without a word.
    new = f"a new archive was begun at {archive}: if there was one before, look whether its disk is mounted"
    new = "" if is_begun(archive) else new
    archived = archive_inputs(archive, basin, readings.rows | readings.beside, readings.grids.by_name())
    published = _made_current(archive, basin, publish(archive, day, replace(provenance, archived=archived)), run)
    look = look_again(archive, basin, date, most_se)
    stage("making the page")
    return Outcome(published, day, readings, remake(archive, basin, date, units), look, new)


def _made_current(archive: Path, basin: str, published: Published, run: Run) -> Published:
    """Return what was published, made current where a person decided so.

    Only what was held back needs it.
    """
    if published.current is None or not (run.make_current and published.held_back):
        return published
    date = published.current.date
    make_current(archive, basin, date, published.revision, run.reason)
    current = Revision(RevisionId(date, published.revision), published.path)
    # That it is held back, and how to make it current, is true no more.
    why = f"{published.path.name} was made from the same inputs, settings and code" if published.unchanged else ""
    return replace(published, current=current, held_back="", made_current=True, why=why)


def _provenance(settings: Settings, readings: Readings, run: Run) -> Provenance:
    """Return the settings, the files, and what was used of them."""
    hashes = readings.hashes
    home = settings.file.parent
    used = [
        UsedFile(
            file.role, Path(os.path.relpath(file.path, home)).as_posix(), file.size, file.sha256, hashes.get(name, "")
        )
        for file, name in readings.files
    ]
    release, commit = code_version()
    return Provenance(
        settings=settings.as_used(),
        settings_hash=settings.identity(),
        inputs=used,
        input_hash=input_sha256(hashes),
        command=run.command,
        reason=run.reason,
        degraded=readings.losses,
        code_version=release,
        commit=commit,
        made=dt.datetime.now(dt.UTC),
    )
