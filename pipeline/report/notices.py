"""What a page says at its top: which inputs were missing or damaged, and which later runs were held back."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path
from typing import Any

from markupsafe import Markup

from snowtally.archive.current import Loss
from snowtally.archive.revisions import Revision
from snowtally.model.problems import ArchiveError
from snowtally.model.reasons import Reason, in_words
from snowtally.reading import decisions, held_back, load_record, revisions

NAMED = 6
"""So many sites or flights are named in a line; of more, their number."""


def lacking(record: dict[str, Any]) -> list[dict[str, Any]]:
    """Return what a degraded revision lacks, in plain words.

    `details` are the reasons of its record; a sound one lacks nothing.

    Sites with the same trouble are one line, and so are files with the same reason. Records of before version 3 tell their reasons alone.
    """
    reasons = record["degraded_reasons"]
    if record.get("losses") is None:
        return [{"words": reason, "details": []} for reason in reasons]
    return grouped(
        [replace(Loss.from_plain(said), reason=reason) for said, reason in zip(record["losses"], reasons, strict=True)]
    )


def grouped(losses: Iterable[Loss]) -> list[dict[str, Any]]:
    """Return losses in plain words, those of one kin in one line. `details` are their reasons."""
    groups: dict[tuple[str, ...], list[Loss]] = {}
    for loss in losses:
        groups.setdefault(loss.kin(loss.reason), []).append(loss)
    # A file that is gone says more than each of its sites.
    ordered = sorted(groups.values(), key=lambda group: not group[0].whole)
    return [_line(group, [loss.reason for loss in group]) for group in ordered]


def _line(losses: list[Loss], reasons: list[str]) -> dict[str, Any]:
    first = losses[0]
    # A rule that has no words of its own is told by its finding.
    words = first.words if first.state else reasons[0]
    if len(losses) > 1 and first.together:
        names = [loss.thing if loss.whole else loss.site_id for loss in losses]
        more = [f"{len(names) - NAMED} more"] if len(names) > NAMED else []
        words = f"{len(names)} {first.together}: {', '.join([*names[:NAMED], *more])}"
    # A file's name stays as it is written.
    words = words if words.startswith(first.file.rsplit("/", 1)[-1] or " ") else f"{words[:1].upper()}{words[1:]}"
    said = in_words(Reason(loss.file, reason) for loss, reason in zip(losses, reasons, strict=True))
    return {"words": words, "details": [reason for reason in said if reason != words]}


def later_runs(root: str | Path, basin: str, date: dt.date) -> list[dict[str, Any]]:
    """Return the runs after a date's current revision that were held back. Revision, folder, when (UTC) and why."""
    folders = {revision.number: revision.path for revision in revisions(root, basin, date)}
    runs = []
    for number, why in held_back(root, basin, date).items():
        try:
            made = load_record(folders[number])["made"][:16].replace("T", " ")
        except (ArchiveError, KeyError):
            made = "an unknown time"
        runs.append({"revision": number, "folder": folders[number].name, "made": made, "why": why})
    return runs


def decided(root: Path, basin: str, date: dt.date, number: int) -> str:
    """Return why a person last made a revision current. Empty where nobody did."""
    made = decisions(root, basin).made_current.get(date, [])
    return next((one.reason for one in reversed(made) if one.revision == number and not one.stayed), "")


def identity(current: Revision, back: Iterable[int]) -> Markup:
    """Return the tags that say which revisions a page shows.

    They name the current one, and later ones that are held back.
    """
    later = "".join(f" {number}" for number in back)
    return Markup('<meta name="revision" content="{}"><meta name="held-back" content="{}">').format(
        current.id, later.strip()
    )
