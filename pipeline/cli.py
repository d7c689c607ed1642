"""The `snowtally` command: a table for people, `--json` for machines, progress on stderr, exit statuses by the contract."""

from __future__ import annotations

import datetime as dt
import json
import logging
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Annotated, Any

import typer

from pipeline.problems import SettingsError, SnowtallyError

OK, FAILED, WRONG_USE, DEGRADED = 0, 1, 2, 3

app = typer.Typer(
    name="snowtally",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    help="How much water lies in a mountain basin's snow, where, and how sure.\n\n"
    "Exit status: 0 done, 1 failed, 2 wrong use or settings, 3 done but degraded.",
)

SettingsFile = Annotated[Path, typer.Argument(metavar="SETTINGS", help="The basin's settings, a YAML file.")]
DateOption = Annotated[
    str | None,
    typer.Option("--date", metavar="D", help="The local day, such as 2031-04-14. Default: the last complete one."),
]
JsonOption = Annotated[bool, typer.Option("--json", help="Print one JSON object and nothing else.")]
VerboseOption = Annotated[bool, typer.Option("--verbose", "-v", help="Tell each stage with the seconds it took.")]


def main() -> None:
    """Run the command line; every known trouble is one line and an exit status, never a traceback."""
    try:
        app()
    except SnowtallyError as trouble:
        _stop(str(trouble), trouble.exit_status)
    except OSError as trouble:
        where = f"{trouble.filename}: " if trouble.filename else ""
        _stop(
            f"{where}{trouble.strerror or trouble}. Look at the disk, the permissions and the paths in the settings",
            FAILED,
        )
    except KeyboardInterrupt:
        _stop("stopped by the user; nothing was published", FAILED)


@app.command()
def update(
    settings: SettingsFile, date: DateOption = None, as_json: JsonOption = False, verbose: VerboseOption = False
) -> None:
    """Estimate a date and publish it into the archive."""
    from pipeline.settings import read_settings  # noqa: PLC0415  a second of imports that --help does without

    chosen = read_settings(settings)
    with _progress(as_json=as_json, verbose=verbose) as stage:
        stage("starting")
        from pipeline import run  # noqa: PLC0415
        from pipeline.telling import update_json, update_tables  # noqa: PLC0415

        outcome = run.update(chosen, _day(date) or run.last_complete_day(chosen, dt.datetime.now(dt.UTC)), stage)
    if as_json:
        _print_json(update_json(outcome))
    else:
        _print_tables(update_tables(outcome))
    raise typer.Exit(DEGRADED if outcome.readings.degraded else OK)


@app.command()
def check(
    settings: SettingsFile, date: DateOption = None, as_json: JsonOption = False, verbose: VerboseOption = False
) -> None:
    """Read and check every input, and publish nothing."""
    from pipeline.settings import read_settings  # noqa: PLC0415

    chosen = read_settings(settings)
    with _progress(as_json=as_json, verbose=verbose) as stage:
        stage("starting")
        from pipeline import gather, run  # noqa: PLC0415
        from pipeline.telling import check_json, check_tables  # noqa: PLC0415

        asked = _day(date) or run.last_complete_day(chosen, dt.datetime.now(dt.UTC))
        readings = gather.read_inputs(chosen, asked, stage)
    if as_json:
        _print_json(check_json(readings))
    else:
        _print_tables(check_tables(readings))
    raise typer.Exit(DEGRADED if readings.degraded else OK)


@app.command()
def status(settings: SettingsFile, as_json: JsonOption = False) -> None:
    """Tell which dates the archive holds, which are degraded, and how old the newest is."""
    from pipeline.outputs.status import status as look  # noqa: PLC0415
    from pipeline.settings import read_settings  # noqa: PLC0415
    from pipeline.telling import status_json, status_tables  # noqa: PLC0415

    chosen = read_settings(settings)
    local = dt.timezone(dt.timedelta(hours=chosen.basin.utc_offset_hours))
    found = look(chosen.path(chosen.archive), chosen.basin.id, dt.datetime.now(local).date())
    if as_json:
        _print_json(status_json(chosen.basin.id, found))
    else:
        _print_tables(status_tables(chosen.basin.title, found))


def _day(text: str | None) -> dt.date | None:
    if text is None:
        return None
    try:
        return dt.date.fromisoformat(text)
    except ValueError:
        raise SettingsError(f"--date '{text}' is not a date. Write it as 2031-04-14") from None


@contextmanager
def _progress(*, as_json: bool, verbose: bool) -> Iterator[Callable[[str], None]]:
    """Yield a function that is told each stage as it begins: a spinner on a terminal, a log with -v, else silence."""
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

    columns = SpinnerColumn(), TextColumn("{task.description}"), BarColumn(), TimeElapsedColumn()
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("", total=STAGES)
        yield lambda name: bar.update(task, description=name, advance=1)


STAGES = 9
"""Stages of an update, for the bar's length."""


def _print_json(content: dict[str, Any]) -> None:
    sys.stdout.write(json.dumps(content, ensure_ascii=False, indent=1) + "\n")


def _print_tables(parts: list[Any]) -> None:
    from rich.console import Console  # noqa: PLC0415

    # A pipe has no width of its own: 100 columns keep a table's rows whole in a log.
    console = Console(width=None if sys.stdout.isatty() else 100, highlight=False)
    for part in parts:
        console.print(part, soft_wrap=isinstance(part, str))


def _stop(message: str, status: int) -> None:
    """Tell what went wrong in one line, to machines also as an object, and leave with the status."""
    line = " ".join(message.split())
    if "--json" in sys.argv:
        _print_json({"error": line, "exit_status": status})
    sys.stderr.write(f"snowtally: {line}\n")
    sys.exit(status)
