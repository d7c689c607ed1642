"""The command that takes a revision back."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated, Any

import typer

from snowtally.cli import base
from snowtally.cli.past import revision_of

if TYPE_CHECKING:
    from snowtally.archive.revisions import Revision, RevisionId


def withdraw(
    settings: base.SettingsFile,
    revision: Annotated[str, typer.Argument(metavar="D@R", help="The revision, such as 2031-03-01@2.")],
    reason: base.ReasonOption = None,
    as_json: base.JsonOption = False,
) -> None:
    """Take a revision back; it stays readable by its number."""
    from snowtally.publishing.publish import withdraw as take_back
    from snowtally.publishing.second_look import look_again
    from snowtally.report.pages import remake

    chosen = base.read(settings)
    root, basin = chosen.archive_root, chosen.basin.id
    asked = revision_of(revision)
    wanted = base.reason_of(reason)
    current = take_back(root, basin, asked.date, asked.number, wanted)
    # What was marked against the revision, or was not since it was current in between, is judged against the current one now.
    second_look = look_again(root, basin, asked.date, chosen.operations.gate.most_se)
    pages = remake(root, basin, asked.date, chosen.report.units)
    result = WithdrawResult(basin, asked, wanted, current, second_look, pages.troubles)
    base.finish(result, as_json=as_json)


@dataclass(frozen=True)
class WithdrawResult(base.Result):
    """A revision that was taken back, and what is current instead.

    Parameters
    ----------
    basin, withdrawn, reason : what was withdrawn and why.
    current : the date's current revision now, None where there is none.
    second_look : why the date's total is to be looked at, or empty.
    page_troubles : pages that could not be made again.
    """

    basin: str
    withdrawn: RevisionId
    reason: str
    current: Revision | None
    second_look: str
    page_troubles: list[str]

    def to_json(self) -> dict[str, Any]:
        """Return it as plain values."""
        now = None if self.current is None else self.current.number
        return {
            "basin": self.basin, "date": str(self.withdrawn.date), "withdrawn": self.withdrawn.number, "stands": now, "reason": self.reason,
            "second_look": self.second_look, "page_troubles": self.page_troubles,
        }  # fmt: skip

    def to_table(self) -> list[Any]:
        """Return it as lines."""
        now = "no revision of this date" if self.current is None else self.current.path
        return [
            f"Withdrawn: {self.basin} {self.withdrawn}; it stays readable by its number; {now} is current now",
            *([f"For a second look: {self.second_look}"] if self.second_look else []),
            *(f"The {trouble}" for trouble in self.page_troubles),
        ]
