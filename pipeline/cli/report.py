"""The command that makes the pages of a date again."""

from __future__ import annotations

import webbrowser
from typing import Annotated

import typer

from pipeline.cli.base import JsonOption, SettingsFile, day_of, print_json, print_tables
from pipeline.model.problems import ArchiveError


def report(
    settings: SettingsFile,
    date: Annotated[
        str | None, typer.Option("--date", metavar="D", help="The local day. Default: the newest that stands.")
    ] = None,
    open_page: Annotated[bool, typer.Option("--open", help="Open the page in the browser.")] = False,
    as_json: JsonOption = False,
) -> None:
    """Make the page of a date again, and the season page."""
    from pipeline.reading import list_days  # noqa: PLC0415
    from pipeline.report.pages import make_day_page, make_season_page  # noqa: PLC0415
    from pipeline.settings.basin import read_settings  # noqa: PLC0415
    from pipeline.storage.paths import local_file  # noqa: PLC0415

    chosen = read_settings(settings)
    root, basin, units = chosen.archive_root, chosen.basin.id, chosen.report.units
    asked = day_of(date)
    if asked is None:
        days = list_days(root, basin)
        if days.empty:
            raise ArchiveError(f"{basin} has no day that stands. `snowtally update` makes one")
        asked = days["date"].iloc[-1].date()
    page = make_day_page(root, basin, asked, units)
    season = make_season_page(root, basin, units)
    if as_json:
        print_json({"basin": basin, "date": str(asked), "page": str(page), "season_page": str(season)})
    else:
        print_tables([f"Page: {page}", f"Season page: {season}"])
    if open_page and not webbrowser.open(local_file(page).as_uri()):
        print_tables(["No browser was found to open it in."])
