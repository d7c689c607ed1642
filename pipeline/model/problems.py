"""What can go wrong, told to people: the exceptions of the program and the findings on its inputs.

An exception stops the night; a finding never does. Every message says what is wrong, where, and what to do about it.
"""

from __future__ import annotations

import signal
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from snowtally.model.rules.rule import Action, Rule, Severity
from snowtally.model.rules.table import rule_of

if TYPE_CHECKING:
    import pandas as pd


class SnowtallyError(Exception):
    """Base of every error that this program raises on purpose.

    The command line prints its message on one line.
    """

    exit_status = 1


class SettingsError(SnowtallyError, ValueError):
    """Raised when the settings cannot be used.

    A key is unknown, a value is impossible, or a required file is missing.
    """

    exit_status = 2


class InputError(SnowtallyError, ValueError):
    """Raised when an input file cannot be read at all.

    A column is missing, the file is no raster, or it has no coordinate system.
    """


class RefusedFlightError(InputError):
    """Raised when a flight is not fit for use.

    It was read, but its registration is beyond the limits, or no cell has data.
    """


class StillArrivingError(InputError):
    """Raised when a raster is still being written.

    It is left for the next night.
    """


class StoppedError(SnowtallyError):
    """Raised when a signal stops a command.

    The exit status is the shell's for that signal: 130 for Ctrl-C, 143 for SIGTERM, 129 for SIGHUP.
    """

    def __init__(self, number: int = signal.SIGINT) -> None:
        by = "the user" if number == signal.SIGINT else signal.Signals(number).name
        super().__init__(f"stopped by {by}. What was published is whole and stays; run the command again to go on")
        self.exit_status = 128 + number


class TooLongError(SnowtallyError, TimeoutError):
    """Raised when a date takes longer than the settings allow."""


class NoEstimateError(SnowtallyError, RuntimeError):
    """Raised when no estimate is possible for a date.

    There is no usable site and no flight.
    """


class UncoveredDateError(NoEstimateError):
    """Raised when the inputs do not cover a date.

    The date lies before or after all that they hold.
    """


class ArchiveError(SnowtallyError, RuntimeError):
    """Raised when the archive cannot be used.

    It cannot be read or written, or it holds what it should not.
    """


class RecordError(ArchiveError):
    """Raised when a record or the decisions cannot be read.

    `what` says what is wrong, without the file and the remedy.
    """

    def __init__(self, message: str, what: str = "") -> None:
        super().__init__(message)
        self.what = what


class NewerVersionError(RecordError):
    """Raised when a newer program wrote the record."""


class BusyError(ArchiveError):
    """Raised when another run estimates the same date of the same basin."""


SEVERITIES = {severity.value: rank for rank, severity in enumerate(Severity)}
"""Severities of findings, the most serious first."""


@dataclass(frozen=True)
class Finding:
    """One problem in an input: a row of `checks.csv`.

    Parameters
    ----------
    rule : the rule broken; its severity and action are the finding's.
    table : the input's role: sites, courses, stations, flights, covers, weather, terrain. That of the rule where it has one.
    file, line : where it is; line 1 is the header, 0 means the file as a whole.
    site_id : the site or flight it is about, empty where it is about neither.
    start, end : first and last time concerned, ISO 8601, empty where there is none.
    evidence : the figures that broke the rule, with units.
    detail : one sentence for a person, with the remedy; the rule's message where it needs no values.
    """

    rule: Rule
    table: str = ""
    file: str = ""
    line: int = 0
    site_id: str = ""
    start: str = ""
    end: str = ""
    evidence: str = ""
    detail: str = ""

    def __post_init__(self) -> None:
        """Fill in what the rule says."""
        if not self.table:
            if len(self.rule.tables) != 1:
                raise ValueError(
                    f"a finding of the rule '{self.rule.name}' needs its table: the rule has several or none"
                )
            object.__setattr__(self, "table", self.rule.tables[0])
        if not self.detail:
            object.__setattr__(self, "detail", self.rule.message)

    @property
    def severity(self) -> Severity:
        """How bad it is."""
        return self.rule.severity

    @property
    def action(self) -> Action:
        """What was done."""
        return self.rule.action

    @property
    def degrades(self) -> bool:
        """Whether a night with it is degraded."""
        return self.rule.degrades is not None

    def plain(self) -> dict[str, str | int]:
        """Return it as published, by the columns of `checks.csv`."""
        return {
            "table": self.table,
            "file": self.file,
            "line": self.line,
            "site_id": self.site_id,
            "start": self.start,
            "end": self.end,
            "rule": self.rule.name,
            "severity": self.severity.value,
            "evidence": self.evidence,
            "action": self.action.value,
            "detail": self.detail,
        }

    @classmethod
    def from_plain(cls, row: Mapping[str, Any]) -> Finding:
        """Return the finding that was published, or cached, as a row."""
        rule = rule_of(row["rule"], row["table"], row["severity"], row["action"])
        columns = ("table", "file", "line", "site_id", "start", "end", "evidence", "detail")
        values = {name: row[name] for name in columns}
        finding = cls(rule, **(values | {"table": row["table"] or "unknown"}))
        # What was published is read back as it was, empty cells too.
        for name in ("table", "detail"):
            object.__setattr__(finding, name, values[name])
        return finding


FINDING_COLUMNS = [
    "table",
    "file",
    "line",
    "site_id",
    "start",
    "end",
    "rule",
    "severity",
    "evidence",
    "action",
    "detail",
]
"""Columns of `checks.csv`, in order."""


def findings_table(findings: list[Finding]) -> pd.DataFrame:
    """Return the findings as a table like `checks.csv`.

    Each finding is one row, in the given order. The columns are those of `checks.csv`, in their order.

    >>> findings_table([]).columns[:3].tolist()
    ['table', 'file', 'line']
    """
    import pandas as pd  # noqa: PLC0415  nine tenths of what `snowtally --help` would wait for

    return pd.DataFrame([finding.plain() for finding in findings], columns=FINDING_COLUMNS)


def one_line(trouble: BaseException) -> str:
    """Return any error in one line for people.

    The program's own messages stay as they are. The system's messages get the file and where to look. Any other message
    gets the name of its error.

    >>> one_line(InputError("sites.csv has no column site_id"))
    'sites.csv has no column site_id'
    >>> one_line(OSError(5, "Input/output error", "/data/depth.tif"))
    '/data/depth.tif: Input/output error. Look at the disk, the permissions and the paths in the settings'
    >>> one_line(KeyError("x"))
    "KeyError: 'x'"
    """
    words = str(trouble)
    if isinstance(trouble, OSError):
        where = f"{trouble.filename}: " if trouble.filename else ""
        words = f"{where}{trouble.strerror or trouble}. Look at the disk, the permissions and the paths in the settings"
    elif not isinstance(trouble, SnowtallyError):
        words = f"{type(trouble).__name__}: {trouble}"
    return without_controls(" ".join(words.split()))


def without_controls(text: str) -> str:
    r"""Return a text without control codes.

    Such codes move a terminal's cursor, colour it or turn the direction of writing. Titles, names and identifiers are
    others' words. Line ends and tabs stay. Each other code becomes a question mark.

    >>> without_controls("Upper\x1b[31m Fork\a\u202e")
    'Upper?[31m Fork??'
    """
    return text.translate(_CONTROLS)


_CONTROLS = dict.fromkeys(
    [
        *(code for code in (*range(0x20), *range(0x7F, 0xA0)) if chr(code) not in "\n\t"),
        *range(0x202A, 0x202F),
        *range(0x2066, 0x206A),
    ],
    "?",
)
"""Control codes of ASCII and Latin-1 (C0, C1), and the marks that turn the direction of writing (Unicode's bidirectional controls)."""
