"""The `snowtally` command: a table for people, `--json` for machines, progress on stderr, exit statuses by the contract."""

from __future__ import annotations

import datetime as dt

import typer

from pipeline import cli_archive, cli_compare, cli_plan, cli_report, cli_schedule
from pipeline.cli_base import (
    DEGRADED,
    FAILED,
    OK,
    STAGES,
    DateOption,
    JsonOption,
    SettingsFile,
    VerboseOption,
    app,
    day_of,
    leave,
    print_json,
    print_tables,
    progress,
)
from pipeline.problems import SnowtallyError, one_line


def main() -> None:
    """Run the command line; every known trouble is one line and an exit status, never a traceback."""
    try:
        app()
    except SnowtallyError as trouble:
        leave(str(trouble), trouble.exit_status)
    except OSError as trouble:
        leave(one_line(trouble), FAILED)


@app.command()
def update(
    settings: SettingsFile, date: DateOption = None, as_json: JsonOption = False, verbose: VerboseOption = False
) -> None:
    """Estimate a date and publish it into the archive."""
    from pipeline.settings import read_settings  # noqa: PLC0415  a second of imports that --help does without

    chosen = read_settings(settings)
    with progress(as_json=as_json, verbose=verbose, stages=STAGES) as stage:
        stage("starting")
        from pipeline import run  # noqa: PLC0415
        from pipeline.telling import update_json, update_tables  # noqa: PLC0415

        outcome = run.update(chosen, day_of(date) or run.last_complete_day(chosen, dt.datetime.now(dt.UTC)), stage)
    if as_json:
        print_json(update_json(outcome))
    else:
        print_tables(update_tables(outcome))
    raise typer.Exit(DEGRADED if outcome.to_look_at else OK)


@app.command()
def check(
    settings: SettingsFile, date: DateOption = None, as_json: JsonOption = False, verbose: VerboseOption = False
) -> None:
    """Read and check every input, and publish nothing."""
    from pipeline.settings import read_settings  # noqa: PLC0415

    chosen = read_settings(settings)
    with progress(as_json=as_json, verbose=verbose, stages=STAGES) as stage:
        stage("starting")
        from pipeline import gather, run  # noqa: PLC0415
        from pipeline.telling import check_json, check_tables  # noqa: PLC0415

        asked = day_of(date) or run.last_complete_day(chosen, dt.datetime.now(dt.UTC))
        readings = gather.read_inputs(chosen, asked, stage)
    if as_json:
        print_json(check_json(readings))
    else:
        print_tables(check_tables(readings))
    raise typer.Exit(DEGRADED if readings.degraded else OK)


for command in (
    cli_archive.rerun,
    cli_archive.backfill,
    cli_archive.withdraw,
    cli_compare.compare,
    cli_archive.status,
    cli_archive.verify,
    cli_schedule.schedule,
    cli_report.report,
    cli_plan.plan,
):
    app.command()(command)
