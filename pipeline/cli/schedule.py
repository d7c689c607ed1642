"""The command that serves the nightly schedule until it is stopped."""

from __future__ import annotations

import datetime as dt
import signal
import sys
from pathlib import Path
from typing import Annotated

import typer

from snowtally.model.problems import SettingsError, without_controls
from snowtally.operations.stopping import number_of


def schedule(
    settings: Annotated[
        list[Path], typer.Argument(metavar="SETTINGS...", help="The basins' settings, a YAML file each.")
    ],
    at: Annotated[
        str | None,
        typer.Option("--at", metavar="HH:MM", help="Hour of each basin's standard time. Default: the settings' own."),
    ] = None,
) -> None:
    """Serve the nightly schedule (Prefect) until stopped; missed nights are made up for at the start."""
    from snowtally.flows.schedule import serve, served, start_flow
    from snowtally.operations.arrival import Clock

    try:
        basins = served(settings, at)
    except ValueError as trouble:
        raise SettingsError(f"--at: {trouble}" if not isinstance(trouble, SettingsError) else str(trouble)) from None

    def write(line: str) -> None:
        sys.stderr.write(f"{dt.datetime.now(dt.UTC):%Y-%m-%d %H:%M:%SZ}  {without_controls(line)}\n")
        sys.stderr.flush()

    try:
        serve(basins, start_flow, Clock(), write)
    except KeyboardInterrupt as stop:
        number = number_of(stop)
        write(f"stopped by {signal.Signals(number).name}; a night in hand is made up for at the next start")
        raise typer.Exit(128 + number) from None
