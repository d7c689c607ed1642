"""The `snowtally` command: a table for people, `--json` for machines, progress on stderr, exit statuses by the contract."""

from __future__ import annotations

import datetime as dt
import logging
import os
import sys
from typing import Any

import typer

from pipeline.cli import archive as cli_archive
from pipeline.cli import compare as cli_compare
from pipeline.cli import plan as cli_plan
from pipeline.cli import prune as cli_prune
from pipeline.cli import report as cli_report
from pipeline.cli import schedule as cli_schedule
from pipeline.cli.base import (
    DEGRADED,
    FAILED,
    OK,
    STAGES,
    DateOption,
    JsonOption,
    MakeCurrentOption,
    ReasonOption,
    SettingsFile,
    VerboseOption,
    app,
    day_of,
    leave,
    print_json,
    print_tables,
    progress,
    reason_of,
)
from pipeline.model.problems import ArchiveError, SettingsError, SnowtallyError, StoppedError
from pipeline.operations.stopping import number_of, stops_raised, time_limit
from pipeline.storage.failure_log import failure_line

_WRONG_USE: Any = typer.BadParameter.__base__
"""Every error of use: Typer names one of them only, and the others have its parent."""


def main() -> None:
    """Run the command line; every trouble is one line and an exit status, never a traceback."""
    # What libraries warn of goes to the log that -v shows.
    logging.captureWarnings(capture=True)
    try:
        with stops_raised():
            status = _run()
        sys.exit(status)
    except _WRONG_USE as trouble:
        leave(f"{trouble.format_message().rstrip('.')}. Ask with --help", trouble.exit_code)
    except KeyboardInterrupt as stop:
        trouble = StoppedError(number_of(stop))
        leave(str(trouble), trouble.exit_status)
    except SnowtallyError as trouble:
        leave(str(trouble), trouble.exit_status)
    except Exception as trouble:  # noqa: BLE001  the outermost place: whatever nobody foresaw is told here, and logged
        leave(failure_line(trouble), FAILED)
    finally:
        logging.captureWarnings(capture=False)


def _run() -> int | None:
    """Run the command and return its exit status, once what it printed is written."""
    try:
        # Wrong use is one line too, for machines an object, where Typer by itself would draw a box.
        status = app(sys.argv[1:] or ["--help"], standalone_mode=False)
    except SystemExit as end:
        status = end.code
    try:
        sys.stdout.flush()
    except BrokenPipeError:
        # Whoever read it wanted no more.
        _nowhere()
    except OSError as trouble:
        _nowhere()
        raise ArchiveError(
            f"what was told could not be written: {trouble.strerror}. What was published stays"
        ) from None
    return status


def _nowhere() -> None:
    """Let what is still to be written to stdout go nowhere: the interpreter would try once more at its end, and complain."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), 1)


@app.command()
def update(
    settings: SettingsFile,
    date: DateOption = None,
    make_current: MakeCurrentOption = False,
    reason: ReasonOption = None,
    as_json: JsonOption = False,
    verbose: VerboseOption = False,
) -> None:
    """Estimate a date and publish it into the archive."""
    from pipeline.settings.basin import read_settings  # noqa: PLC0415  a second of imports that --help does without

    if reason is not None and not make_current:
        raise SettingsError("--reason goes with --make-current here; `snowtally rerun` takes a reason by itself")
    wanted = reason_of(reason) if make_current else None
    chosen = read_settings(settings)
    with progress(as_json=as_json, verbose=verbose, stages=STAGES) as stage:
        stage("starting")
        from pipeline.cli.printing import update_json, update_tables  # noqa: PLC0415
        from pipeline.operations import run  # noqa: PLC0415
        from pipeline.report.units import UNITS  # noqa: PLC0415

        how = run.NIGHTLY if wanted is None else run.Run(reason=wanted, make_current=True)
        outcome = run.update(chosen, day_of(date) or run.last_complete_day(chosen, dt.datetime.now(dt.UTC)), stage, how)
    if as_json:
        print_json(update_json(outcome))
    else:
        print_tables(update_tables(outcome, UNITS[chosen.report.units]))
    raise typer.Exit(DEGRADED if outcome.to_look_at else OK)


@app.command()
def check(
    settings: SettingsFile, date: DateOption = None, as_json: JsonOption = False, verbose: VerboseOption = False
) -> None:
    """Read and check every input, and publish nothing. Exit status 1 where a night on them would fail, 3 where it would be degraded."""
    from pipeline.settings.basin import read_settings  # noqa: PLC0415

    chosen = read_settings(settings)
    with progress(as_json=as_json, verbose=verbose, stages=STAGES) as stage:
        stage("starting")
        from pipeline.cli.printing import check_json, check_tables  # noqa: PLC0415
        from pipeline.estimate.estimate import why_no_estimate  # noqa: PLC0415
        from pipeline.gather import day as gather  # noqa: PLC0415
        from pipeline.operations import run  # noqa: PLC0415

        asked = day_of(date) or run.last_complete_day(chosen, dt.datetime.now(dt.UTC))
        with time_limit(chosen.operations.limits.night_s, f"{chosen.basin.id} {asked}"):
            readings = gather.read_inputs(chosen, asked, stage)
            impossible = why_no_estimate(readings.inputs, gather.choices(chosen))
    if as_json:
        print_json(check_json(readings, impossible))
    else:
        print_tables(check_tables(readings, impossible))
    raise typer.Exit(FAILED if impossible else DEGRADED if readings.degraded else OK)


for command in (
    cli_archive.rerun,
    cli_archive.backfill,
    cli_archive.withdraw,
    cli_compare.compare,
    cli_archive.status,
    cli_archive.verify,
    cli_prune.prune,
    cli_schedule.schedule,
    cli_report.report,
    cli_plan.plan,
):
    app.command()(command)


if __name__ == "__main__":
    main()
