"""What every command of `snowtally` shares: its options, progress on stderr, tables and JSON on stdout."""

from __future__ import annotations

import datetime as dt
import json
import logging
import re
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Annotated, Any, NoReturn

import typer
from typer.core import TyperGroup

from pipeline.model.problems import SettingsError, StoppedError, without_controls
from pipeline.operations.stopping import number_of

OK, FAILED, WRONG_USE, DEGRADED = 0, 1, 2, 3


class _Commands(TyperGroup):
    """The commands; typer itself would leave without a word when the user stops one."""

    def invoke(self, ctx: typer.Context) -> Any:  # noqa: ANN401  as typer has it
        try:
            return super().invoke(ctx)
        except KeyboardInterrupt as stop:
            raise StoppedError(number_of(stop)) from None


app = typer.Typer(
    cls=_Commands,
    name="snowtally",
    no_args_is_help=True,
    add_completion=False,
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
VerboseOption = Annotated[bool, typer.Option("--verbose", "-v", help="Tell each stage with the seconds it took.")]


def day_of(text: str | None, option: str = "--date") -> dt.date | None:
    """Return the date that an option gives, None where it is not given; raise SettingsError when it is no date."""
    if text is None:
        return None
    try:
        date = dt.date.fromisoformat(text)
    except ValueError:
        raise SettingsError(f"{option} '{text}' is not a date. Write it as 2031-04-14") from None
    if not YEARS[0] <= date.year <= YEARS[1]:
        raise SettingsError(
            f"{option} {date} lies outside the years {YEARS[0]} to {YEARS[1]}, in which snow is measured"
        )
    return date


YEARS = (1900, 2199)
"""First and last year of a date: the same as of a course's visit (docs/checks.md, impossible date)."""


def reason_of(text: str | None) -> str:
    """Return the reason that an option gives; raise SettingsError where it gives none."""
    if text is None or not text.strip():
        raise SettingsError("--reason TEXT is missing: say why, whoever reads the record later will ask")
    return text.strip()


@contextmanager
def progress(*, as_json: bool, verbose: bool, stages: int | None = None) -> Iterator[Callable[[str], None]]:
    """Yield a function that is told each stage as it begins: a spinner on a terminal, a log with -v, else silence.

    `stages` is how many there will be, for the bar's length; None where that is not known.
    """
    if verbose:
        logging.basicConfig(format="%(asctime)s %(message)s", datefmt="%H:%M:%S", level=logging.INFO, stream=sys.stderr)
        log, begun = logging.getLogger("snowtally"), dt.datetime.now(dt.UTC)

        def told(name: str) -> None:
            log.info("%6.2f s  %s", (dt.datetime.now(dt.UTC) - begun).total_seconds(), name)

        yield told
        told("done")
        return
    if as_json or not sys.stderr.isatty():
        yield lambda _name: None
        return
    from rich.console import Console  # noqa: PLC0415
    from rich.progress import BarColumn, Progress, SpinnerColumn, TextColumn, TimeElapsedColumn  # noqa: PLC0415

    columns = SpinnerColumn(), TextColumn("{task.description}", markup=False), BarColumn(), TimeElapsedColumn()
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("", total=stages)
        yield lambda name: bar.update(task, description=name, advance=1)


STAGES = 9
"""Stages of an update, for the bar's length."""


def print_json(content: dict[str, Any]) -> None:
    """Print one JSON object."""
    # A terminal would follow the codes from 0x80 on, which JSON itself lets through.
    text = re.sub(
        "[\x7f-\x9f]", lambda code: f"\\u{ord(code[0]):04x}", json.dumps(content, ensure_ascii=False, indent=1)
    )
    sys.stdout.write(text + "\n")


def leave(message: str, status: int, content: dict[str, Any] | None = None) -> NoReturn:
    """Tell what went wrong in one line, to machines also as an object, with what there is besides, and leave with the status."""
    line = without_controls(" ".join(message.split()))
    # A terminal or pipe that is gone must not hide the status.
    with suppress(OSError):
        if "--json" in sys.argv:
            print_json({**(content or {}), "error": line, "exit_status": status})
            sys.stdout.flush()
    with suppress(OSError):
        sys.stderr.write(f"snowtally: {line}\n")
        sys.stderr.flush()
    sys.exit(status)


def print_tables(parts: list[Any]) -> None:
    """Print tables and lines for people."""
    from rich.console import Console  # noqa: PLC0415
    from rich.segment import Segment, Segments  # noqa: PLC0415

    # A pipe has no width of its own: 100 columns keep a table's rows whole in a log. Titles, sites and paths are others'
    # words: a bracket or a colon in them is no mark-up.
    width = None if sys.stdout.isatty() else 100
    console = Console(width=width, highlight=False, markup=False, emoji=False)
    for part in parts:
        if isinstance(part, str):
            console.print(without_controls(part), soft_wrap=True)
            continue
        drawn = [one if one.control else Segment(without_controls(one.text), one.style) for one in console.render(part)]
        console.print(Segments(drawn), end="")
