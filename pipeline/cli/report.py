"""The command that makes the pages of a date again."""

from __future__ import annotations

import webbrowser
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any

import typer

from snowtally.cli import base
from snowtally.model.problems import ArchiveError


def report(
    settings: base.SettingsFile,
    date: Annotated[
        str | None,
        typer.Option("--date", metavar="D", help="The local day. Default: the newest with a current revision."),
    ] = None,
    open_page: Annotated[bool, typer.Option("--open", help="Open the page in the browser.")] = False,
    as_json: base.JsonOption = False,
) -> None:
    """Make again the page of a date, the season page and the archive's front page."""
    from snowtally.reading import list_days
    from snowtally.report.pages import make_day_page, make_front_page, make_season_page
    from snowtally.storage.paths import local_file

    chosen = base.read(settings)
    root, basin, units = chosen.archive_root, chosen.basin.id, chosen.report.units
    if date is None:
        days = list_days(root, basin)
        if days.empty:
            raise ArchiveError(f"{basin} has no day with a current revision. `snowtally update` makes one")
        asked = days["date"].iloc[-1].date()
    else:
        asked = base.date_of(date)
    page = make_day_page(root, basin, asked, units)
    season = make_season_page(root, basin, units)
    front = make_front_page(root, basin)
    opened = webbrowser.open(local_file(page).as_uri()) if open_page else True
    base.finish(ReportResult(basin, str(asked), page, season, front, opened), as_json=as_json)


@dataclass(frozen=True)
class ReportResult(base.Result):
    """Pages that were made.

    `opened` is False where a browser was wanted and there is none.
    """

    basin: str
    date: str
    page: Path
    season_page: Path
    front_page: Path
    opened: bool

    def to_json(self) -> dict[str, Any]:
        """Return the paths of the pages."""
        pages = {"page": self.page, "season_page": self.season_page, "front_page": self.front_page}
        return {"basin": self.basin, "date": self.date} | {name: str(path) for name, path in pages.items()}

    def to_table(self) -> list[Any]:
        """Return the paths of the pages."""
        no_browser = [] if self.opened else ["No browser was found to open it in."]
        return [f"Page: {self.page}", f"Season page: {self.season_page}", f"Front page: {self.front_page}", *no_browser]
