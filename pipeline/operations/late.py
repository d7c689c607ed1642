"""Inputs that changed after their dates were estimated.

With news a date may be estimated again, with damage it may not.
"""

from __future__ import annotations

import datetime as dt
from contextlib import suppress
from dataclasses import dataclass, field
from typing import Any

from snowtally.archive.current import Soundness
from snowtally.archive.grids import GridRole, grid_role
from snowtally.archive.revisions import Revision
from snowtally.gather.before import ReadNow, RecordedRevision, fewer_than
from snowtally.gather.covers import with_age
from snowtally.gather.day import Readings, read_inputs
from snowtally.model.problems import ArchiveError, Finding, StillArrivingError
from snowtally.operations.arrival import Clock, input_rasters, wait_for_arrival
from snowtally.publishing.archived_grids import grids_sha256, read_grids
from snowtally.publishing.archived_inputs import inputs_folder
from snowtally.publishing.record import input_sha256
from snowtally.reading import current_revision, dates_held, load_record
from snowtally.settings.basin import Settings
from snowtally.settings.operations import Arrival


@dataclass(frozen=True)
class LateDate:
    """A date with more or other inputs than its revision had.

    None of the revision's inputs is lost.

    Parameters
    ----------
    date, revision : which revision.
    reason : what came or changed, in one line.
    """

    date: dt.date
    revision: int
    reason: str


@dataclass(frozen=True)
class Damage:
    """An input of a current revision that is damaged now.

    It is shorter, has other values, cannot be read, or is gone.

    Parameters
    ----------
    date, revision : which revision.
    table, file, site_id, rule : what is damaged, and how, as the finding says it.
    what : what is lost, in one line.
    """

    date: dt.date
    revision: int
    table: str
    file: str
    site_id: str
    rule: str
    what: str


@dataclass(frozen=True)
class Changed:
    """What became of the inputs of held dates.

    Parameters
    ----------
    late : dates with news, oldest first.
    damaged : what is damaged, by date, oldest first. Such a date is not among those with news, whatever else came.
    """

    late: list[LateDate] = field(default_factory=list)
    damaged: list[Damage] = field(default_factory=list)


def changed_dates(settings: Settings, until: dt.date) -> Changed:
    """Return what became of the inputs of held dates up to `until`.

    They are those of the last `watch_days`. A date whose record cannot be read is passed over: there is nothing to compare its
    inputs with.

    Raises
    ------
    StillArrivingError : a flight or cover grid is still being written: what it will say cannot be told yet. (Tables grow all day.)
    SnowtallyError : a required input cannot be used.
    """
    root, basin = settings.archive_root, settings.basin.id
    first = until - dt.timedelta(days=settings.operations.schedule.watch_days - 1)
    dates = [date for date in dates_held(root, basin) if first <= date <= until]
    changed = Changed()
    if not dates:
        return changed
    quiet_s = settings.operations.arrival.quiet_s
    arriving = wait_for_arrival(
        lambda: input_rasters(settings, until), Arrival(quiet_s=quiet_s, wait_s=0), Clock(), lambda _paths: None
    )
    if arriving:
        names = ", ".join(sorted(str(path) for path in arriving))
        raise StillArrivingError(f"{names}: still being written, so late inputs are looked for another time")
    for date in dates:
        # What was held back is not what readers have: a file that came back is no news to the revision made with it.
        current = current_revision(root, basin, date)
        record = None if current is None else _record(current)
        if current is None or record is None:
            continue
        now = read_inputs(settings, date, lambda _name: None, keep=True)
        hashes = _as_then(settings, date, record, now)
        if input_sha256(hashes) == record["input_hash"]:
            continue
        damaged = _damaged(settings, current, record, now)
        changed.damaged.extend(damaged)
        if not damaged:
            came = _difference(record["kept_inputs"], hashes)
            reason = f"late inputs: {came} since r{current.number:03d}"
            changed.late.append(LateDate(date, current.number, reason))
    return changed


def _as_then(settings: Settings, date: dt.date, record: dict[str, Any], now: Readings) -> dict[str, str]:
    """Return the hashes of the inputs there are now.

    The albedo's is of the form that the record's has: older ones hold its age.
    """
    name = GridRole.ALBEDO.value
    archived = record["kept_inputs"].get(name)
    if archived is None or archived == now.hashes.get(name) or now.grids.albedo is None:
        return now.hashes
    with suppress(ArchiveError):
        then = read_grids(inputs_folder(settings.archive_root, settings.basin.id), archived)
        if "age_days" in then:
            aged = with_age(now.grids.albedo, date)[["snow_albedo", "age_days"]]
            return now.hashes | {name: grids_sha256(aged)}
    return now.hashes


def _record(revision: Revision) -> dict[str, Any] | None:
    """Return a revision's record; None where it cannot be read."""
    try:
        record = load_record(revision.path)
    except ArchiveError:
        return None
    return record if {"input_hash", "kept_inputs", "degraded_reasons"} <= record.keys() else None


def _damaged(settings: Settings, revision: Revision, record: dict[str, Any], now: Readings) -> list[Damage]:
    """Return what a revision was made from and is damaged now.

    What it was degraded by itself is no news. Two things show it: what degrades the date now, and every single value that was
    there and is not.
    """
    degrading = [(finding, finding.rule.degrades) for finding in now.findings if finding.rule.degrades is not None]
    its = Soundness.of(record)
    # Figures and the revision that a sentence names change from night to night; what is lacking stays the same.
    old = record["degraded_reasons"] if its.losses is None else []
    beyond = Soundness(degraded=True, losses=tuple(now.losses)).beyond(its)
    new = [
        # The message of a comparison ends with when to rerun: of damage no alert may advise that.
        (finding, _words(finding) if degrades.compared else loss.reason)
        for (finding, degrades), loss in zip(degrading, now.losses, strict=True)
        if loss in beyond and loss.reason not in old and degrades.damage
    ]
    degraded = {(finding.table, finding.file) for finding, _ in new}
    read_now = ReadNow(revision.date, now.rows, now.grids, now.hashes)
    fewer = fewer_than(settings, RecordedRevision(revision, record), read_now, [finding for finding, _ in degrading])
    new += [(finding, _words(finding)) for finding in fewer if (finding.table, finding.file) not in degraded]
    return [
        Damage(revision.date, revision.number, one.table, one.file, one.site_id, one.rule.name, words)
        for one, words in new
    ]


def _words(finding: Finding) -> str:
    about = f" {finding.site_id}" if finding.site_id else ""
    return f"{finding.file}{about}: {finding.evidence}"


_MAY_GO = (GridRole.FLIGHT, GridRole.COVER, GridRole.EARLIER_COVER)
"""Grids that are named when they are gone: the others, and rows, show by what came or changed."""


def _difference(was: dict[str, str], now: dict[str, str]) -> str:
    """Return which tables and grids came, went or changed."""
    changes = [f"{name} came" for name in sorted(now) if name not in was]
    changes += [f"{name} changed" for name in sorted(now) if was.get(name, now[name]) != now[name]]
    changes += [f"{name} went" for name in sorted(was) if name not in now and grid_role(name) in _MAY_GO]
    return ", ".join(changes) or "rows"
