"""What every command of `snowtally` shares: its options, progress on stderr, and the one way in which results are printed."""

from __future__ import annotations

import datetime as dt
import json
import logging
import re
import sys
import time
from abc import ABC, abstractmethod
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from enum import IntEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, NoReturn

import typer
from typer.core import TyperGroup

from snowtally.model.problems import SettingsError, StoppedError, without_controls
from snowtally.operations.stopping import number_of
from snowtally.storage.compiled import cache_compiled_code

if TYPE_CHECKING:
    from rich.table import Table
    from rich.text import Text

    from snowtally.settings.basin import Settings


class Status(IntEnum):
    """Exit statuses of a command; 2 is wrong use, which `SettingsError` carries."""

    OK = 0
    FAILED = 1
    DEGRADED = 3


class _Commands(TyperGroup):
    """The commands; a stop by the user is an error."""

    # Typer itself would leave without a word.
    def invoke(self, ctx: Any) -> Any:  # noqa: ANN401  Typer's own copy of its command library has no public name
        try:
            return super().invoke(ctx)
        except KeyboardInterrupt as stop:
            raise StoppedError(number_of(stop)) from None


app = typer.Typer(
    cls=_Commands,
    name="snowtally",
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    help="How much water lies in a mountain basin's snow, where, and how sure.\n\n"
    "Exit status: 0 done, 1 failed, 2 wrong use or settings, 3 done but degraded; 128 and the signal's number when stopped by one.",
)

SettingsFile = Annotated[Path, typer.Argument(metavar="SETTINGS", help="The basin's settings, a YAML file.")]
DateOption = Annotated[
    str | None,
    typer.Option("--date", metavar="D", help="The local day, such as 2031-04-14. Default: the last complete one."),
]
JsonOption = Annotated[bool, typer.Option("--json", help="Print one JSON object and nothing else.")]
ReasonOption = Annotated[
    str | None, typer.Option("--reason", metavar="TEXT", help="Why, for the record; whoever reads it later will ask.")
]
MakeCurrentOption = Annotated[
    bool,
    typer.Option(
        "--make-current", help="Make the revision current, even where it would be held back for what it lacks."
    ),
]
VerboseOption = Annotated[bool, typer.Option("--verbose", "-v", help="Print each stage with the seconds it took.")]


def read(file: Path) -> Settings:
    """Return the settings of a file."""
    from snowtally.settings.basin import read_settings

    settings = read_settings(file)
    cache_compiled_code(settings.cache_folder("compiled"))
    return settings


def date_of(text: str, option: str = "--date") -> dt.date:
    """Return the date that an option gives.

    Raises
    ------
    SettingsError : it is no date, or no year of snow.
    """
    try:
        date = dt.date.fromisoformat(text)
    except ValueError:
        raise SettingsError(f"{option} '{text}' is not a date. Write it as 2031-04-14") from None
    if not YEARS[0] <= date.year <= YEARS[1]:
        raise SettingsError(
            f"{option} {date} lies outside the years {YEARS[0]} to {YEARS[1]}, in which snow is measured"
        )
    return date


def day_asked(text: str | None, settings: Settings) -> dt.date:
    """Return the date that `--date` gives, the last complete local day without it."""
    return settings.last_complete_day(dt.datetime.now(dt.UTC)) if text is None else date_of(text)


YEARS = (1900, 2199)
"""First and last year of a date: the same as of a course's visit (docs/checks.md, impossible date)."""


def reason_of(text: str | None) -> str:
    """Return the reason that an option gives. Raises SettingsError where it gives none."""
    if text is None or not text.strip():
        raise SettingsError("--reason TEXT is missing: say why, whoever reads the record later will ask")
    return text.strip()


@contextmanager
def progress(*, as_json: bool, verbose: bool, stages: int | None = None) -> Iterator[Callable[[str], None]]:
    """Yield a function to call with each stage's name as it begins.

    It shows a spinner on a terminal, a log with -v, else a line where a command takes long, and nothing with `--json`. `stages` is how many there will be, for the bar's length;
    None where that is not known.
    """
    if verbose:
        logging.basicConfig(format="%(asctime)s %(message)s", datefmt="%H:%M:%S", level=logging.INFO, stream=sys.stderr)
        log, begun = logging.getLogger("snowtally"), dt.datetime.now(dt.UTC)

        def write(name: str) -> None:
            log.info("%6.2f s  %s", (dt.datetime.now(dt.UTC) - begun).total_seconds(), name)

        yield write
        write("done")
        return
    if as_json:
        yield lambda _name: None
        return
    if not sys.stderr.isatty():
        yield NowAndThen()
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, SpinnerColumn, TextColumn, TimeElapsedColumn

    columns = SpinnerColumn(), TextColumn("{task.description}", markup=False), BarColumn(), TimeElapsedColumn()
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("", total=stages)
        yield lambda name: bar.update(task, description=name, advance=1)


QUIET_S = 30.0
"""Whoever reads a log is told after so many seconds what a command is at (chosen: a night is done by then)."""


class NowAndThen:
    """Prints what a command is at, no more often than `QUIET_S`."""

    def __init__(self) -> None:
        self.told = time.monotonic()

    def __call__(self, name: str) -> None:
        """Print the stage's name, unless a line was printed just before."""
        now = time.monotonic()
        if now - self.told >= QUIET_S:
            self.told = now
            typer.echo(f"{dt.datetime.now(dt.UTC):%H:%M:%SZ}  {name}", err=True)


STAGES = 9
"""Stages of an update, for the bar's length."""


# --- results ----------------------------------------------------------------------------------------------------------


class Result(ABC):
    """What a command comes to."""

    @property
    def status(self) -> int:
        """The exit status: done, where a subject has no other."""
        return Status.OK

    @abstractmethod
    def to_json(self) -> dict[str, Any]:
        """Return it as plain values for machines."""

    @abstractmethod
    def to_table(self) -> list[Any]:
        """Return it as lines and tables for people."""


@dataclass(frozen=True)
class Failure(Result):
    """A command that failed or was stopped.

    Parameters
    ----------
    message : what went wrong and what to do.
    exit_status : the exit status.
    until_then : what was done before it, where there is something.
    """

    message: str
    exit_status: int
    until_then: Result | None = None

    @property
    def status(self) -> int:
        """The exit status."""
        return self.exit_status

    @property
    def line(self) -> str:
        """The message in one line, without codes for terminals."""
        return without_controls(" ".join(self.message.split()))

    def to_json(self) -> dict[str, Any]:
        """Return it as plain values."""
        done = {} if self.until_then is None else self.until_then.to_json()
        return done | {"error": self.line, "exit_status": self.exit_status}

    def to_table(self) -> list[Any]:
        """Return what was done before."""
        return [] if self.until_then is None else self.until_then.to_table()


def finish(result: Result, *, as_json: bool) -> NoReturn:
    """Print a result and end with its exit status.

    A failure is a line on stderr besides.
    """
    failed = isinstance(result, Failure)
    # A terminal or pipe that is gone must not hide that the command failed.
    with suppress(*([OSError] if failed else [])):
        if as_json:
            _print_json(result.to_json())
        else:
            print_tables(result.to_table())
        if failed:
            sys.stdout.flush()
    if isinstance(result, Failure):
        with suppress(OSError):
            sys.stderr.write(f"snowtally: {result.line}\n")
            sys.stderr.flush()
    sys.exit(result.status)


def _print_json(content: dict[str, Any]) -> None:
    # A terminal would follow the codes from 0x80 on, which JSON itself lets through.
    text = re.sub(
        "[\x7f-\x9f]", lambda code: f"\\u{ord(code[0]):04x}", json.dumps(content, ensure_ascii=False, indent=1)
    )
    sys.stdout.write(text + "\n")


def print_tables(parts: list[Any]) -> None:
    """Print tables and lines for people."""
    if not parts:
        return
    from rich.console import Console
    from rich.segment import Segment, Segments

    # A pipe has no width of its own: 100 columns keep a table's rows whole in a log. Titles, sites and paths are others'
    # words: a bracket or a colon in them is no mark-up.
    width = None if sys.stdout.isatty() else 100
    console = Console(width=width, highlight=False, markup=False, emoji=False)
    for part in parts:
        if isinstance(part, str):
            console.print(without_controls(part), soft_wrap=True)
            continue
        drawn = [
            piece if piece.control else Segment(without_controls(piece.text), piece.style)
            for piece in console.render(part)
        ]
        console.print(Segments(drawn), end="")


def table(
    title: str | None, headers: Iterable[str], rows: Iterable[Sequence[str]], *, words: int = 1, lean: bool = False
) -> Table:
    """Return a table whose first `words` columns are set left.

    The others hold figures, which are set right. One of many columns is `lean`: without upright lines.
    """
    from rich import box
    from rich.table import Table

    how: dict[str, Any] = {"box": box.SIMPLE_HEAD, "padding": (0, 1, 0, 0)} if lean else {}
    drawn = Table(title=title, title_justify="left", **how)
    for number, header in enumerate(headers):
        drawn.add_column(header, justify="left" if number < words else "right")
    for row in rows:
        drawn.add_row(*row)
    return drawn


def styled(line: str, style: str) -> Text:
    """Return a line in a terminal's style: bold, dim, or a colour."""
    from rich.text import Text

    return Text(line, style=style)
