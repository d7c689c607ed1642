"""The command that tells where the next measurement pays most."""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import Annotated

import typer

from pipeline.cli.base import (
    DateOption,
    JsonOption,
    SettingsFile,
    VerboseOption,
    day_of,
    print_json,
    print_tables,
    progress,
)


def plan(  # noqa: PLR0913  a command's options
    settings: SettingsFile,
    date: DateOption = None,
    zone: Annotated[
        str | None, typer.Option("--zone", metavar="ID", help="Weigh by the volume of this zone. Default: the basin's.")
    ] = None,
    count: Annotated[int, typer.Option("--count", min=1, max=50, help="How many sites and strips to propose.")] = 5,
    output_folder: Annotated[
        Path | None,
        typer.Option("--output-folder", metavar="PATH", help="Write tables, the map and its picture here as well."),
    ] = None,
    as_json: JsonOption = False,
    verbose: VerboseOption = False,
) -> None:
    """Tell where the next measurement would cut the error of the total most: sites and flight strips."""
    from pipeline.settings.basin import read_settings  # noqa: PLC0415
    from pipeline.storage.paths import outside_archives  # noqa: PLC0415

    chosen = read_settings(settings)
    if output_folder is not None:
        outside_archives(output_folder, "--output-folder")
    with progress(as_json=as_json, verbose=verbose, stages=10) as stage:
        stage("starting")
        from pipeline.cli.printing_plan import plan_json, plan_tables  # noqa: PLC0415
        from pipeline.operations import run  # noqa: PLC0415
        from pipeline.planning.plan import plan_of  # noqa: PLC0415
        from pipeline.report.units import UNITS  # noqa: PLC0415

        asked = day_of(date) or run.last_complete_day(chosen, dt.datetime.now(dt.UTC))
        found = plan_of(chosen, asked, stage, zone=zone, count=count)
    content = plan_json(chosen.basin.id, found)
    if output_folder is not None:
        from pipeline.planning.files import write_files  # noqa: PLC0415

        content["files"] = write_files(found, content, output_folder)
    if as_json:
        print_json(content)
        return
    parts = plan_tables(found, UNITS[chosen.report.units])
    print_tables([*parts, f"Written: {output_folder}"] if output_folder is not None else parts)
