"""Publish a day into the dated archive: whole or not at all, and never in place of what was said before."""

from __future__ import annotations

import datetime as dt
import itertools
import json
import re
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from snowtally.archive.current import KEEP_CURRENT, MAKE_CURRENT, WITHDRAW, Soundness, current_of
from snowtally.archive.revisions import Revision, RevisionId
from snowtally.model.day import Day
from snowtally.model.problems import ArchiveError
from snowtally.publishing.changes import changes
from snowtally.publishing.decisions import decide
from snowtally.publishing.derived import rebuild, refresh
from snowtally.publishing.pack import pack
from snowtally.publishing.record import BY_HAND, Numbers, Provenance, build_record, plain, record_bytes
from snowtally.publishing.soundness import examine
from snowtally.publishing.stac import ITEM, item_json
from snowtally.publishing.staging import Work, left_behind, prepared, remove, staged
from snowtally.reading import (
    RECORD,
    archive_folder,
    basin_folder,
    current_revision,
    dates_held,
    decisions,
    find_revision,
    held_back,
    load_record,
    read_record,
    revisions,
    soundness_of,
    withdrawals,
)
from snowtally.storage.failures import explained
from snowtally.storage.files import Written, flush_all, flush_file, flush_folder, make_folders, rename_new
from snowtally.storage.locks import basin_lock
from snowtally.storage.paths import in_store, names_in, put_new, send


@dataclass(frozen=True)
class Published:
    """What became of a day: its revision, and whether it is new.

    `unchanged` is True when nothing new was published, and `why` says then, in one sentence, what is current and why;
    `changes` is what changed since the revision before, None for the first of a date. `current` is the date's current
    revision, and `held_back` says why it is not this one, empty where it is; `made_current` tells that a person decided so.
    """

    path: Path
    revision: int
    unchanged: bool = False
    why: str = ""
    changes: dict[str, Any] | None = None
    current: Revision | None = None
    held_back: str = ""
    made_current: bool = False

    @property
    def held_back_line(self) -> list[str]:
        """Why it is held back and which is current, in one line. Empty where it is current itself."""
        if not self.held_back or self.current is None:
            return []
        return [f"held back: {self.held_back}. {self.current.path.name} stays current"]


def publish(root: str | Path, day: Day, provenance: Provenance) -> Published:
    """Publish `day` as the next revision of its date.

    The revision is written aside, flushed to disk, read back and then renamed into place, so that a reader sees all of
    it or nothing. What is derived from it (current.json, latest.json, index and totals) follows at once. A night that
    was cut off earlier is tidied up first. Where `left_as_it_is` has become true meanwhile, nothing is published. A degraded
    day may be held back: it is published, and another revision stays current (`snowtally.archive.current` says when).

    Raises ArchiveError with one line: no room, no permission, an archive of a newer layout, a day that is not whole.
    """
    date = day.date.isoformat()
    with explained(f"Cannot publish {day.basin_id} {date} in {root}"):
        archive = prepared(root)
        with staged(archive, day.basin_id, date) as work:
            pack(day, work.revision)
            files = flush_all(work.revision)
            since = _Changes(archive, day, provenance)
            # Before the lock: reading the rows of a large basin takes its time.
            since.of(newest_number(archive, day.basin_id, day.date))
            with basin_lock(archive, day.basin_id):
                _tidy_up(archive, day.basin_id, work)
                left = _left_as_it_is(archive, day.basin_id, day.date, provenance)
                if left is not None:
                    return left
                published = _commit(day, provenance, files, work, since)
                with explained(f"{day.basin_id} {date} is published as {published.path}, but not in the index yet"):
                    flush_folder(published.path.parent)
                    refresh(archive, day.basin_id, [day.date], work.folder)
                work.due = False
                return _with_current(archive, day.basin_id, day.date, published)


def _with_current(root: str | Path, basin: str, date: dt.date, published: Published) -> Published:
    """Return what became of a day with the date's current revision."""
    back = held_back(root, basin, date).get(published.revision, "")
    return replace(published, current=current_revision(root, basin, date), held_back=back)


class _Changes:
    """What changed since the revision that was newest before. Read once for each that is asked for."""

    def __init__(self, archive: Path, day: Day, provenance: Provenance) -> None:
        self.archive, self.day = archive, day
        self.now = {
            "settings": plain(provenance.settings),
            "code": {"version": provenance.code_version},
            "kept_inputs": provenance.archived,
        }
        self.known: dict[int | None, dict | None] = {None: None}

    def of(self, parent: int | None) -> dict | None:
        """Return the changes since revision `parent` of the day's date.

        None for None and where its record cannot be read.
        """
        if parent not in self.known:
            try:
                before = read_record(self.archive, self.day.basin_id, self.day.date, parent)
            except ArchiveError:
                # What a damaged record said cannot be held against anything; it keeps nobody from going on.
                before = None
            both = (self.archive, self.archive)
            self.known[parent] = before and changes(both, self.day.basin_id, before, self.now)
        return self.known[parent]


def newest_number(root: str | Path, basin: str, date: dt.date) -> int | None:
    """Return the number of a date's newest revision, None for none. Withdrawn ones count."""
    held = revisions(root, basin, date)
    return held[-1].number if held else None


def left_as_it_is(root: str | Path, basin: str, date: dt.date, provenance: Provenance) -> Published | None:
    """Return what stays instead of a new revision, and why. None when a new one is due.

    To be asked before the estimate. Nothing new is due when the newest revision, the current one or one held back has the same
    input hash, settings hash and code version, and is sound or lacks the same: a file that is there now makes a degraded day
    sound, whether or not it has a row for it, and one that has gone takes nothing from a sound day that had no row of it.
    Where the newest is withdrawn, it is due by hand alone: a night would only say again what was taken back, an analyst
    knows why it was, be it a damaged file. And what an analyst published by hand is not displaced by a night.
    """
    left = _left_as_it_is(root, basin, date, provenance)
    if left is not None and left_behind(archive_folder(root), basin):
        # That revision may have been cut off before latest.json and the index had it, and no publishing follows now.
        with explained(f"Cannot tidy up {basin} in {root}"):
            archive = prepared(root)
            with staged(archive, basin) as work, basin_lock(archive, basin):
                _tidy_up(archive, basin, work)
    return left


def _left_as_it_is(root: str | Path, basin: str, date: dt.date, provenance: Provenance) -> Published | None:
    held = revisions(root, basin, date)
    if not held:
        return None
    gone, newest, current = withdrawals(root, basin), held[-1], current_revision(root, basin, date)
    by_hand = provenance.command == BY_HAND
    if newest.id in gone and _made_from_the_same(newest, provenance):
        now = "no revision of this date is current" if current is None else f"{current.path.name} is current"
        why = (
            f"{newest.path.name} was made from the same inputs, settings and code and was withdrawn ({gone[newest.id]}): "
            f"{now}. Mend the inputs or settings, or use `snowtally rerun` to publish it again"
        )
        return None if by_hand else Published(newest.path, newest.number, unchanged=True, why=why, current=current)
    if current is None:
        return None
    # The current one and those held back: what was superseded is published anew.
    for revision in (r for r in reversed(held) if r.number >= current.number and r.id not in gone):
        if _made_from_the_same(revision, provenance) and _lacks_the_same(revision, provenance):
            same = _with_current(root, basin, date, Published(revision.path, revision.number, unchanged=True))
            return replace(same, why=_why_the_same(revision, same.held_back, by_hand=by_hand))
    record = {} if by_hand else load_record(current.path)
    if record.get("command") == BY_HAND:
        why = (
            f"{current.path.name} is current, published by hand ({record['reason']}), and is not displaced by a night, though "
            "inputs, settings, code or what degrades it have changed since. Use `snowtally rerun` to estimate it again, or withdraw it"
        )
        return Published(current.path, current.number, unchanged=True, why=why, current=current)
    return None


def _why_the_same(revision: Revision, back: str, *, by_hand: bool) -> str:
    """Return that a revision already says what a run would say."""
    why = f"{revision.path.name} was made from the same inputs, settings and code"
    if back:
        return f"{why}. It is held back: use --make-current with a reason to make it current"
    if by_hand:
        why += ", so the reason given now is not recorded"
        if load_record(revision.path)["command"] != BY_HAND:
            why += ". A later night may still replace it, because no person published it"
    return why


def _made_from_the_same(revision: Revision, provenance: Provenance) -> bool:
    """Return whether a revision has a run's inputs, settings and code. It has not where its record cannot be read."""
    try:
        record = load_record(revision.path)
        identity = record["input_hash"], record["settings_hash"], record["code"]["version"]
    except (ArchiveError, KeyError, TypeError):
        return False
    return identity == (provenance.input_hash, provenance.settings_hash, provenance.code_version)


def _lacks_the_same(revision: Revision, provenance: Provenance) -> bool:
    """Return whether a revision lacks no more than a run would."""
    record = load_record(revision.path)
    its = Soundness.of(record)
    if its.losses is None:
        return sorted(record["degraded_reasons"]) in ([], sorted(loss.reason for loss in provenance.degraded))
    return not its.degraded or set(its.losses) == set(provenance.degraded)


def withdraw(root: str | Path, basin: str, date: dt.date, number: int, reason: str) -> Revision | None:
    """Withdraw a revision and return the date's current one. What is derived is brought up to date.

    The revision stays as it is and can be read by its number; unless it was the current one, that stays current. One that is
    damaged, be it that its record is lost, is withdrawn as such: the decision says so, and `verify` then takes the damage as seen
    to. Raises ArchiveError when there is no such revision, when it was withdrawn before, or when the decision cannot be written.
    """
    revision = _revision_or_rest(root, basin, date, number)
    examined = examine(basin, revision)
    damaged = bool(examined.damages) and not examined.newer
    with _deciding(root, basin, date, f"withdraw {basin} {revision.id}") as work:
        decided, current = decisions(work.archive, basin), current_revision(work.archive, basin, date)
        given_up = damaged and revision.id not in decided.lost
        if revision.id in decided.withdrawn and not given_up:
            raise ArchiveError(f"{basin} {revision.id} was withdrawn before ({decided.withdrawn[revision.id]}).")
        without = replace(decided, withdrawn=decided.withdrawn | {revision.id: reason})
        held, soundness = revisions(work.archive, basin, date), soundness_of(work.archive, basin)
        if current not in {revision, None, current_of(held, without, soundness)}:
            why = f"it was current when {revision.id} was withdrawn"
            _decide(work, basin, current, (KEEP_CURRENT, why))
        _decide(work, basin, revision, (WITHDRAW, reason), damaged=damaged)
    return current_revision(root, basin, date)


def make_current(root: str | Path, basin: str, date: dt.date, number: int, reason: str) -> None:
    """Make a revision current by decision of a person.

    What is derived is brought up to date; nothing is done where it is current already.

    Raises ArchiveError when there is no such revision, when it is withdrawn, or when the decision cannot be written.
    """
    revision = find_revision(root, basin, date, number)
    with _deciding(root, basin, date, f"make {basin} {revision.id} current") as work:
        gone = withdrawals(work.archive, basin).get(revision.id)
        if gone is not None:
            raise ArchiveError(
                f"{basin} {revision.id} is withdrawn ({gone}). Use `snowtally rerun` to publish it again."
            )
        if current_revision(work.archive, basin, date) != revision:
            _decide(work, basin, revision, (MAKE_CURRENT, reason))


@contextmanager
def _deciding(root: str | Path, basin: str, date: dt.date, what: str) -> Iterator[Work]:
    """Give the basin's lock for decisions on a date. What is derived is brought up to date where one was written."""
    with explained(f"Cannot {what} in {root}"):
        archive = prepared(root)
        # A decision that is cut off after its line is finished by the next publisher, from the date in the staged folder.
        with staged(archive, basin, date.isoformat()) as work, basin_lock(archive, basin):
            yield work
            if work.due:
                with explained(f"The decision to {what} is written, but latest.json and the index do not say so yet"):
                    refresh(archive, basin, [date], work.folder)
            work.due = False


def _decide(work: Work, basin: str, revision: Revision, decision: tuple[str, str], *, damaged: bool = False) -> None:
    """Add a decision on a revision, kind and reason, to the basin's list."""
    work.due = True
    kind, reason = decision
    line = {
        "decision": kind, "date": revision.date.isoformat(), "revision": revision.number,
        "newest": newest_number(work.archive, basin, revision.date), "reason": reason, "made": plain(dt.datetime.now(dt.UTC)),
        **({"damaged": True} if damaged else {}),
    }  # fmt: skip
    decide(basin_folder(work.archive, basin) / "decisions.jsonl", json.dumps(line, ensure_ascii=False))


def _revision_or_rest(root: str | Path, basin: str, date: dt.date, number: int) -> Revision:
    """Return a revision by its number, even without a record. Raises ArchiveError when there is none."""
    wanted = RevisionId(date, number)
    rest = Revision(wanted, basin_folder(root, basin) / date.isoformat() / wanted.folder)
    return rest if rest.path.is_dir() else find_revision(root, basin, date, number)


def rebuild_derived(root: str | Path, basin: str) -> int:
    """Make current.json, latest.json, index.parquet and totals.parquet of a basin again.

    Return how many dates it has.

    Damage of one revision keeps no other from being told (`verify` names it). Raises ArchiveError when the basin is not there,
    or its decisions cannot be read.
    """
    archive = archive_folder(root)
    dates_held(archive, basin)
    with (
        explained(f"Cannot rebuild what is derived of {basin} in {root}"),
        staged(archive, basin) as work,
        basin_lock(archive, basin),
    ):
        count = rebuild(archive, basin, work.folder)
        for folder in left_behind(archive, basin):
            remove(folder)
        return count


def _tidy_up(archive: Path, basin: str, work: Work) -> None:
    """Finish or remove what processes that died left of this basin. To be called under its lock."""
    left = left_behind(archive, basin)
    dates = {dt.date.fromisoformat(date) for date in left.values() if date}
    if dates and basin_folder(archive, basin).is_dir():
        refresh(archive, basin, dates, work.folder)
    for folder in left:
        remove(folder)


def _commit(day: Day, provenance: Provenance, files: dict[str, Written], work: Work, since: _Changes) -> Published:
    """Publish the staged folder under the next free number."""
    home = basin_folder(work.archive, day.basin_id) / day.date.isoformat()
    make_folders(home)
    try:
        for number in itertools.count(_next_number(home)):
            parent = newest_number(work.archive, day.basin_id, day.date)
            # What an attempt at another number wrote: record and catalogue item name their revision.
            for path in work.revision.iterdir():
                if path.name not in files:
                    path.unlink()
            numbers = Numbers(number, parent)
            item = item_json(day, provenance, numbers, files)
            (work.revision / ITEM).write_bytes(item)
            whole = files | {ITEM: flush_file(work.revision / ITEM)}
            record = build_record(day, provenance, numbers, whole, since.of(parent))
            (work.revision / RECORD).write_bytes(record_bytes(record))
            flush_file(work.revision / RECORD)
            target = home / f"r{number:03d}"
            try:
                _move_in(work, target)
            except FileExistsError:
                continue
            work.due = True
            return Published(target, number, changes=since.of(parent))
    finally:
        # A date without a revision is no date; a folder that holds one cannot be removed this way. A store has no empty ones.
        if not in_store(home):
            with suppress(OSError):
                home.rmdir()
    raise AssertionError  # pragma: no cover  counting has no end


def _move_in(work: Work, target: Path) -> None:
    """Put a whole revision where readers look, in one step. Raises FileExistsError where its number is taken.

    In a store the number is claimed first, by an object that only one can put; then come the files and last the record, without
    which there is no revision. A writer that dies in between leaves a number without a record, which nobody takes again.
    """
    if in_store(target):
        put_new(work.archive / ".locks" / target.parts[-3] / target.parts[-2] / target.name, b"claimed\n")
        for path in sorted(work.revision.iterdir(), key=lambda path: path.name == RECORD):
            send(path, target / path.name)
        return
    for path in work.revision.iterdir():
        # No editor saves over a published file by mistake.
        path.chmod(path.stat().st_mode & ~0o222)
    flush_folder(work.revision)
    rename_new(work.revision, target)


def _next_number(home: Path) -> int:
    try:
        names = names_in(home)
    except FileNotFoundError:
        names = []
    # Digits of ASCII alone: a person's folder r² is no revision.
    return max((int(match[1]) for name in names if (match := re.fullmatch("r([0-9]+)", name))), default=0) + 1
