"""The command that frees the room of what no revision can name."""

from __future__ import annotations

from typing import Annotated

import typer

from pipeline.cli.base import JsonOption, SettingsFile, print_json, print_tables


def prune(
    settings: SettingsFile,
    older_than_days: Annotated[
        int, typer.Option("--older-than-days", metavar="N", min=7, help="Only what is older than so many days.")
    ] = 30,
    yes: Annotated[bool, typer.Option("--yes", help="Remove what is listed. Without it nothing is removed.")] = False,
    as_json: JsonOption = False,
) -> None:
    """List archived inputs and leftovers that no revision can name; with --yes remove them."""
    from pipeline.cli.printing_archive import prune_json, prune_tables  # noqa: PLC0415
    from pipeline.publishing.prune import prune as look  # noqa: PLC0415
    from pipeline.settings.basin import read_settings  # noqa: PLC0415

    chosen = read_settings(settings)
    found = look(chosen.archive_root, chosen.basin.id, older_than_days, go=yes)
    if as_json:
        print_json(prune_json(chosen.basin.id, found))
    else:
        print_tables(prune_tables(found))
