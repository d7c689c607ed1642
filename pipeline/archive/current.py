"""Which revision of a date is current, and why a later one is held back: rules on what records and decisions say.

A sound revision always becomes current. A degraded one becomes current where there is no sound one and it lacks nothing that
the current one has; otherwise it is held back. A person may decide otherwise, and what is withdrawn does not count.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from snowtally.archive.revisions import Revision, RevisionId
from snowtally.model.problems import Finding, RecordError
from snowtally.model.reasons import Reason
from snowtally.model.rules.rule import Degrades
from snowtally.model.rules.table import degradations
from snowtally.storage.json_text import from_json

# --- what a degraded revision lacks -----------------------------------------------------------------------------------


@dataclass(frozen=True)
class Loss:
    """One thing that a degraded revision lacks.

    Parameters
    ----------
    rule, table, file, site_id, start : as in the finding that degraded it; two losses are one when these are the same.
    whole : whether nothing of the file was used.
    reason : the finding in one sentence, for people.
    """

    rule: str
    table: str = ""
    file: str = ""
    site_id: str = ""
    start: str = ""
    whole: bool = False
    reason: str = field(default="", compare=False)

    @classmethod
    def of(cls, finding: Finding, reason: str) -> Loss:
        """Return the loss that a degrading finding tells of."""
        how = finding.rule.degrades or _UNKNOWN
        start = finding.start if how.dated else ""
        whole = how.whole_file and finding.line == 0
        return cls(finding.rule.name, finding.table, finding.file, finding.site_id, start, whole, reason)

    @classmethod
    def from_plain(cls, said: Mapping[str, Any]) -> Loss:
        """Return the loss that plain values of a record hold. Raises KeyError and TypeError."""
        return cls(**{name: said[name] for name in LOSS_KEYS})

    def plain(self) -> dict[str, Any]:
        """Return it as plain values, without the sentence."""
        return {name: getattr(self, name) for name in LOSS_KEYS}

    def covers(self, other: Loss) -> bool:
        """Return whether who lacks this lacks the other too."""
        return self == other or (self.whole and (self.table, self.file) == (other.table, other.file))

    @property
    def thing(self) -> str:
        """What is lost, in words."""
        if self._how.kind and self.site_id:
            return f"{self._how.kind} {self.site_id}"
        file = self.file.rsplit("/", 1)[-1]
        if self.table == "covers" and not self.whole and self.start:
            return f"the cover grid of {self.start}"
        if file and self.site_id:
            return f"{file} ({self.site_id})"
        return file or self.site_id or self.table

    @property
    def _how(self) -> Degrades:
        return degradations().get(self.rule, _UNKNOWN)

    @property
    def state(self) -> str:
        """How it is now, in words that follow `thing`. Empty where the rule has none."""
        return self._how.state

    @property
    def words(self) -> str:
        """What is lost and how it is, in words."""
        if self.state:
            return f"{self.thing} {self.state}"
        return f"{self.thing}: {self.rule}" if self.thing else self.rule

    @property
    def together(self) -> str:
        """What several such losses are, in words that follow their number. Empty where its rule has none."""
        is_of_its_kind = bool(self.site_id) if self._how.kind else self.whole and not self.site_id
        return self._how.several if is_of_its_kind else ""

    @property
    def archived_as(self) -> str:
        """Name of the lost input among a record's rows and grids.

        It is empty where the lost input is a file.
        """
        return self._how.archived_as.format(self.site_id)

    def kin(self, reason: str) -> tuple[str, ...]:
        """Return what losses have in common that a page groups: sites with one trouble, and whole files with one reason."""
        if self.whole and not self.site_id:
            return self.rule, self.table, Reason(self.file, reason).of_any_file
        return self.rule, self.table, "" if self.site_id else self.file, "" if self.site_id else self.start


def words_of(losses: Sequence[Loss]) -> list[str]:
    """Return what some losses are in words, several files in one state as their number."""
    shared: dict[tuple[str, str], list[Loss]] = {}
    for loss in losses:
        shared.setdefault((loss.rule, loss.together if loss.whole else loss.words), []).append(loss)
    return list(
        dict.fromkeys(
            f"{len(group)} {words}" if group[0].whole and words and len(group) > 1 else group[0].words
            for (_, words), group in shared.items()
        )
    )


LOSS_KEYS = ("rule", "table", "file", "site_id", "start", "whole")

_UNKNOWN = Degrades("")
"""How a rule degraded that an earlier version published and this one does not have: its name says it."""


@dataclass(frozen=True)
class Soundness:
    """Whether a revision is sound, and what it lacks.

    Parameters
    ----------
    degraded : whether something is lacking.
    losses : what is lacking; None where that is not known, as in records of before version 3.
    readable : whether the record can be read. Where not, the revision counts as degraded for an unknown reason.
    """

    degraded: bool
    losses: tuple[Loss, ...] | None = ()
    readable: bool = True

    @classmethod
    def of(cls, said: Mapping[str, Any]) -> Soundness:
        """Return the soundness of a record or an index row.

        A row of the index has its losses as JSON.

        Raises KeyError, TypeError and ValueError.
        """
        if said.get("input_hash") is None:
            # The row of a record that cannot be read.
            return UNREADABLE
        losses = said.get("losses")
        losses = from_json(losses) if isinstance(losses, str) else losses
        return cls(bool(said["degraded"]), None if losses is None else tuple(Loss.from_plain(one) for one in losses))

    @property
    def settles(self) -> bool:
        """Whether it becomes current whatever was current before.

        Sound, or of before version 3, when the newest always did.
        """
        return self.readable and (not self.degraded or self.losses is None)

    def beyond(self, other: Soundness) -> list[Loss]:
        """Return what this lacks and the other does not."""
        has = other.losses or ()
        return [loss for loss in self.losses or () if not any(one.covers(loss) for one in has)]

    def replaces(self, other: Soundness) -> bool:
        """Return whether a revision of this soundness replaces an older one."""
        if self.settles or not other.readable:
            return True
        if not self.readable or not other.degraded:
            return False
        return other.losses is None or not self.beyond(other)


UNREADABLE = Soundness(degraded=True, losses=None, readable=False)


# --- decisions --------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class MadeCurrent:
    """A decision that a revision is current.

    `newest` was the newest revision of the date at that time: what is published later is judged against the decision. `stayed`
    says that it was current already and stayed so when another one was withdrawn; else a person made it current.
    """

    revision: int
    newest: int
    reason: str
    stayed: bool = False


@dataclass(frozen=True)
class Decisions:
    """What people decided on the revisions of a basin.

    They withdraw revisions, with a reason, and make others current; of one date these are in order.

    `lost` are those of the withdrawn that were damaged when they were withdrawn: somebody has seen to the damage.
    """

    withdrawn: dict[RevisionId, str] = field(default_factory=dict)
    lost: set[RevisionId] = field(default_factory=set)
    made_current: dict[dt.date, list[MadeCurrent]] = field(default_factory=dict)


WITHDRAW, MAKE_CURRENT, KEEP_CURRENT = "withdraw", "make current", "keep current"


def read_decisions(path: Path) -> Decisions:
    """Return the decisions in a basin's `decisions.jsonl`. Empty where there is no such file.

    One JSON object a line: {"decision": "withdraw", "date": "2031-03-01", "revision": 1, "reason": ..., "made": ...}, or
    "make current" and "keep current" with "newest" as well. A last line without its line end was cut off and does not count. Raises ArchiveError
    for any other line that cannot be read.
    """
    decided = Decisions()
    try:
        lines = path.read_bytes().split(b"\n")[:-1]
    except FileNotFoundError:
        return decided
    for number, line in enumerate(lines, start=1):
        try:
            entry = from_json(line.decode("utf-8"))
            kind = entry["decision"]
            if kind in {WITHDRAW, MAKE_CURRENT, KEEP_CURRENT}:
                revision = RevisionId(dt.date.fromisoformat(entry["date"]), int(entry["revision"]))
                reason = str(entry["reason"])
                if kind == WITHDRAW:
                    decided.withdrawn[revision] = reason
                    if entry.get("damaged"):
                        decided.lost.add(revision)
                else:
                    made = MadeCurrent(revision.number, int(entry["newest"]), reason, kind == KEEP_CURRENT)
                    decided.made_current.setdefault(revision.date, []).append(made)
        except (ValueError, KeyError, TypeError, OverflowError) as error:
            what = f"line {number} cannot be read"
            raise RecordError(f"{path}, {what}. Put the file back from a copy.", what) from error
    return decided


# --- which one is current ---------------------------------------------------------------------------------------------


def current_of(
    held: Sequence[Revision], decided: Decisions, soundness: Callable[[Revision], Soundness]
) -> Revision | None:
    """Return the current revision of a date. None when all of `held` (its revisions, lowest first) are withdrawn.

    `soundness` is asked only where more than one counts, from the newest down to the first that became current in any case.
    """
    live = [r for r in held if r.id not in decided.withdrawn]
    if len(live) <= 1:
        return live[0] if live else None
    known: dict[int, Soundness] = {}
    considered: list[Revision] = []
    for revision in reversed(live):
        considered.insert(0, revision)
        known[revision.number] = soundness(revision)
        if known[revision.number].settles:
            break
    by_number = {r.number: r for r in live}
    made = decided.made_current.get(live[0].date, [])
    current, *later = considered
    decisions = [d for d in made if d.revision in by_number and d.newest >= current.number]
    for revision in later:
        # A decision counts after everything that was published before it.
        for decision in decisions:
            if decision.newest < revision.number:
                current = by_number[decision.revision]
        decisions = [d for d in decisions if d.newest >= revision.number]
        if known[revision.number].replaces(known.get(current.number) or soundness(current)):
            current = revision
    return by_number[decisions[-1].revision] if decisions else current


def held_back(
    held: Sequence[Revision],
    current: Revision | None,
    decided: Decisions,
    soundness: Callable[[Revision], Soundness],
    used: Callable[[Revision], set[str]],
) -> dict[int, str]:
    """Return by number why each later revision is held back, in words.

    Parameters
    ----------
    used : which files and which names of rows and grids a revision was made from; asked of the current one where one is held back.
    """
    if current is None:
        return {}
    later = [r for r in held if r.number > current.number and r.id not in decided.withdrawn]
    if not later:
        return {}
    made = [d for d in decided.made_current.get(current.date, []) if d.revision == current.number and not d.stayed]
    base, inputs, reasons = soundness(current), used(current), {}
    for revision in later:
        its = soundness(revision)
        decision = next((d for d in made if d.newest >= revision.number), None)
        if decision is not None:
            reasons[revision.number] = f"{current.id} was made current by hand ({decision.reason})"
        elif not its.readable:
            reasons[revision.number] = "its record cannot be read"
        else:
            reasons[revision.number] = _lost(its.beyond(base), current, inputs) or "it is degraded"
    return reasons


def _lost(losses: list[Loss], current: Revision, inputs: set[str]) -> str:
    """Return in words what a revision lacks that the current one has."""
    gone = {loss.table for loss in losses if loss.whole}
    # A file that is gone takes its sites along.
    separate = [loss for loss in losses if loss.whole or loss.table not in gone]
    words = []
    for loss in separate[:MOST_LOSSES_NAMED]:
        grid = loss.archived_as
        had = "was used" if grid else "was read"
        known = grid in inputs if grid else loss.whole and loss.file in inputs
        words.append(
            f"{loss.thing} {had} on {current.id} and {loss.state} now"
            if known
            else f"{loss.words} (not so in {current.id})"
        )
    more = len(separate) - MOST_LOSSES_NAMED
    return "; ".join([*words, *([f"and {more} more"] if more > 0 else [])])


MOST_LOSSES_NAMED = 3
"""So many losses are told in a line; of more, their number."""


def used_by(record: Mapping[str, Any]) -> set[str]:
    """Return the names of a record's files, rows and grids."""
    return {file["path"] for file in record["inputs"]} | set(record["kept_inputs"])
