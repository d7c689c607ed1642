"""What a rule on inputs is: its name, how bad a breach is, what is done, and why.

The rows stand in the modules beside this one, one module a subject. A finding is made from a row, docs/checks.md is made from all.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Severity(StrEnum):
    """How bad a finding is, the most serious first."""

    ERROR = "error"
    WARNING = "warning"
    NOTE = "note"


class Action(StrEnum):
    """What was done with the input that a finding is about."""

    USED = "used"
    CORRECTED = "corrected"
    SET_ASIDE = "set aside"


@dataclass(frozen=True)
class Degrades:
    """How a breach degrades the night: words and facts for what is lost.

    Parameters
    ----------
    state : how the input is now, in words that follow its name: "is missing".
    whole_file : nothing of the file was used, where the finding names no line.
    kind, several : what the finding's site_id names, empty where it is the file that counts; and words that follow the number of
        several: "flight", "flights are refused".
    archived_as : name of what was lost among a record's rows and grids, with `{}` for the site_id; empty where it is a file.
    damage : an input is damaged; not so where it is late, or where a person decided.
    compared : the finding comes from a comparison with an earlier revision.
    dated : the finding's first day belongs to what is lost.
    """

    state: str
    whole_file: bool = False
    kind: str = ""
    several: str = ""
    archived_as: str = ""
    damage: bool = True
    compared: bool = False
    dated: bool = True


NO_SOURCE = "common practice, no source"
"""Source of a limit that is usual in the trade and stands in no publication that we know."""

DEFINITION = "definition"
"""Source of a rule that follows from what the input is."""


@dataclass(frozen=True)
class Rule:
    """One row of the table of rules.

    Several rows may have one published name: they differ in table, severity, action or message.

    Parameters
    ----------
    name : as published in checks.csv and in records; it never changes.
    tables : the inputs it judges, by role; empty for any table.
    severity, action : as published.
    looks_at : what breaks it, with its limits and their units and settings.
    why : the reason for the limits.
    source : where the limits come from.
    message : one sentence for a person, with the remedy; `{name}` is filled by `says`. Empty where each finding has its own.
    done : what is done, where the action alone does not say it.
    swe_alone : of a course sample only the SWE is set aside, and its depth counts.
    degrades : how a breach degrades the night; None where it does not.
    """

    name: str
    tables: tuple[str, ...]
    severity: Severity
    action: Action
    looks_at: str
    why: str = ""
    source: str = NO_SOURCE
    message: str = ""
    done: str = ""
    swe_alone: bool = False
    degrades: Degrades | None = None

    def says(self, **values: object) -> str:
        """Return the message with its values filled in.

        >>> Rule("deep", ("courses",), Severity.ERROR, Action.USED, "depth", message="over {most:g} m").says(most=12.0)
        'over 12 m'
        """
        return self.message.format(**values)
