"""The command that makes the pages of a date again."""

from __future__ import annotations

import webbrowser
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from snowtally.cli import base
from snowtally.model.problems import ArchiveError, SettingsError

if TYPE_CHECKING:
    from snowtally.report.published import PublishedDay


def report(
    settings: base.SettingsFile,
    date: Annotated[
        str | None,
        typer.Option("--date", metavar="D", help="The local day. Default: the newest with a current revision."),
    ] = None,
    picture: Annotated[
        Path | None, typer.Option("--picture", metavar="FILE", help="Also draw the day's map as a PNG for a bulletin.")
    ] = None,
    open_page: Annotated[bool, typer.Option("--open", help="Open the page in the browser.")] = False,
    as_json: base.JsonOption = False,
) -> None:
    """Make again the page of a date, the season page and the archive's front page."""
    from snowtally.reading import list_days
    from snowtally.report.pages import make_day_page, make_front_page, make_season_page
    from snowtally.report.published import read_day
    from snowtally.storage.paths import local_file, outside_archives

    chosen = base.read(settings)
    root, basin, units = chosen.archive_root, chosen.basin.id, chosen.report.units
    if date is None:
        days = list_days(root, basin)
        if days.empty:
            raise ArchiveError(f"{basin} has no day with a current revision. `snowtally update` makes one")
        asked = days["date"].iloc[-1].date()
    else:
        asked = base.date_of(date)
    if picture is not None and picture.suffix.lower() != ".png":
        raise SettingsError(f"--picture {picture}: the picture is a PNG. Give a name that ends in .png.")
    day = None
    if picture is not None:
        day = read_day(root, basin, asked)
        _draw(day, units, outside_archives(picture.absolute(), "--picture"))
    page = make_day_page(root, basin, asked, units, day)
    season = make_season_page(root, basin, units)
    front = make_front_page(root, basin)
    opened = webbrowser.open(local_file(page).as_uri()) if open_page else True
    base.finish(ReportResult(basin, str(asked), page, season, front, opened, picture), as_json=as_json)


def _draw(day: PublishedDay, units: str, target: Path) -> None:
    """Draw a day's map into a file."""
    from snowtally.report.bulletin import bulletin
    from snowtally.report.units import UNITS
    from snowtally.storage.failures import explained

    data = bulletin(day, UNITS[units])
    with explained(f"Cannot write the picture {target}"):
        target.write_bytes(data)


@dataclass(frozen=True)
class ReportResult(base.Result):
    """Pages that were made.

    `opened` is False where a browser was wanted and there is none; `picture` is None where none was asked for.
    """

    basin: str
    date: str
    page: Path
    season_page: Path
    front_page: Path
    opened: bool
    picture: Path | None

    def to_json(self) -> dict[str, Any]:
        """Return the paths of the pages."""
        pages = {"page": self.page, "season_page": self.season_page, "front_page": self.front_page}
        made = pages | ({} if self.picture is None else {"picture": self.picture})
        return {"basin": self.basin, "date": self.date} | {name: str(path) for name, path in made.items()}

    def to_table(self) -> list[Any]:
        """Return the paths of the pages."""
        no_browser = [] if self.opened else ["No browser was found to open it in."]
        drawn = [] if self.picture is None else [f"Picture: {self.picture}"]
        return [
            f"Page: {self.page}",
            f"Season page: {self.season_page}",
            f"Front page: {self.front_page}",
            *drawn,
            *no_browser,
        ]
