"""The command that lists the dates held, degraded, failed and missing."""

from __future__ import annotations

import calendar
import datetime as dt
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from snowtally.cli import base
from snowtally.cli.values import plain_rows, size_text

if TYPE_CHECKING:
    import pandas as pd
    from rich.table import Table

    from snowtally.inspection import status as archive
    from snowtally.inspection.growth import Growth
    from snowtally.settings.basin import Settings

MARKS = {"held": "o", "degraded": "d", "withdrawn": "w", "failed": "x", "missing": "."}
"""Letters of the season's calendar, and what each means."""

SEASON_DAYS = 366
"""A gap further from a season's first date than this is another season's, days: no season is longer than a year."""

FORECAST_DAYS = 3650
"""Beyond ten years the days that a disk lasts are no forecast (chosen)."""


def status(
    settings: Annotated[
        list[Path], typer.Argument(metavar="SETTINGS...", help="The basin's settings, a YAML file; of several, one row a basin.")
    ],
    max_age_days: Annotated[
        int | None,
        typer.Option(
            "--max-age-days", metavar="N", min=0,
            help="For monitors: exit status 1 when the newest date is older or there is none, 3 when it is degraded.",
        ),
    ] = None,
    as_json: base.JsonOption = False,
) -> None:  # fmt: skip
    """List which dates are held, degraded, failed or missing, and how old the newest is; of several basins, their newest day."""
    if len(settings) > 1:
        from snowtally.cli.status_of_many import many

        base.finish(many([base.read(file) for file in settings], max_age_days), as_json=as_json)
    from snowtally.inspection.status import status as look

    chosen = base.read(settings[0])
    held = look(chosen.archive_root, chosen.basin.id, today_of(chosen), chosen.basin.season_start)
    base.finish(StatusResult(chosen.basin.id, chosen.basin.title, held, max_age_days), as_json=as_json)


def today_of(chosen: Settings) -> dt.date:
    """Return the local day of a basin."""
    return dt.datetime.now(dt.timezone(dt.timedelta(hours=chosen.basin.utc_offset_hours))).date()


@dataclass(frozen=True)
class StatusResult(base.Result):
    """What the archive holds of a basin.

    Parameters
    ----------
    basin, title : which basin.
    held : its dates.
    max_age_days : an older newest date is a failure, days; None asks for no judgement.
    """

    basin: str
    title: str
    held: archive.Status
    max_age_days: int | None = None

    @property
    def status(self) -> base.Status:
        """Whether the newest date is as a monitor wants it."""
        if self.max_age_days is None:
            return base.Status.OK
        age = self.held.age_days
        late = age is None or age > self.max_age_days
        return base.Status.FAILED if late else base.Status.DEGRADED if self.held.newest_is_degraded else base.Status.OK

    def to_json(self) -> dict[str, Any]:
        """Return all dates, and which are missing, failed or held back."""
        held = self.held
        return {
            "basin": self.basin,
            "newest": None if held.newest is None else str(held.newest),
            "age_days": held.age_days,
            "newest_degraded": held.newest_is_degraded,
            "newest_in_future": held.newest_in_future,
            "missing": [str(date) for date in held.missing],
            "failed": {str(date): message for date, message in held.failed.items()},
            "withdrawn": {str(revision): why for revision, why in held.withdrawn.items()},
            "held_back": {str(revision): why for revision, why in held.held_back.items()},
            "second_look": {str(date): why for date, why in held.second_look.items()},
            "size_bytes": held.size_bytes,
            "disk": asdict(held.growth),
            "days": plain_rows(held.days),
        }

    def to_table(self) -> list[Any]:
        """Return the calendar, what to look at, the seasons, the newest."""
        held = self.held
        parts: list[Any] = [base.styled(self.title, "bold")]
        if len(held.days):
            parts += _season(held)
        if held.newest_in_future:
            parts.append(
                f"the newest date {held.newest} lies in the future: a mistyped date, or this machine's clock is wrong. "
                "`snowtally withdraw D@R` takes a date back"
            )
        revisions, current = int(held.days["revisions"].sum()), int(held.days["standing"].notna().sum())
        withdrawn = f", {len(held.days) - current} withdrawn" if current < len(held.days) else ""
        counts = f"{current} dates held{withdrawn}, {revisions} revisions, {size_text(held.size_bytes)}"
        return [*parts, f"{counts}; {_newest(held)}", _room(held.growth), *self._judgement()]

    def _judgement(self) -> list[str]:
        """Return why the exit status is what a monitor gets; nothing where all is well."""
        asked = f"--max-age-days {self.max_age_days}"
        if self.status == base.Status.FAILED:
            what = (
                "no date is current"
                if self.held.age_days is None
                else f"the newest date is {self.held.age_days} days old"
            )
            return [f"failed: {what}, and {asked} asks for a newer one"]
        return [f"degraded: the newest date is degraded ({asked})"] if self.status == base.Status.DEGRADED else []


def _newest(held: archive.Status) -> str:
    if held.newest is None or held.age_days is None:
        return "no date is current"
    age = f"{held.age_days} days ago" if held.age_days >= 0 else f"{-held.age_days} days ahead of today's date"
    return f"newest {held.newest}, {age}{', degraded' if held.newest_is_degraded else ''}"


def _season(held: archive.Status) -> Iterator[Any]:
    """Yield the newest season's calendar, and a line for each before."""
    season = held.days["season"].iloc[-1]
    of_season = held.days[held.days["season"] == season]
    dates = set(of_season["date"])
    yield from _calendar(held, season, of_season)
    noticeable = of_season[of_season["degraded"] | (of_season["revisions"] > 1) | (of_season["withdrawn"] > 0)]
    if len(noticeable):
        yield _to_look_at(noticeable)
    yield from (f"failed {date}: {held.failed[date]}" for date in sorted(held.failed))
    for name, revisions in (("withdrawn", held.withdrawn), ("held back", held.held_back)):
        yield from (f"{name} {one}: {why}" for one, why in revisions.items() if one.date in dates)
    yield from (f"second look {date}: {why}" for date, why in held.second_look.items() if date in dates)
    for name, days in list(held.days.groupby("season", sort=True))[:-1]:
        lacking = sum(days["date"].min() < date < days["date"].max() for date in held.missing)
        counts = f"{int(days['standing'].notna().sum())} dates held, {int(days['degraded'].sum())} degraded"
        yield f"season {name}: {counts}, {lacking} missing"


def _to_look_at(days: pd.DataFrame) -> Table:
    import pandas as pd

    rows = [
        (
            str(row.date),
            str(row.revisions),
            "withdrawn" if pd.isna(row.standing) else f"r{row.standing:03d}",
            "yes" if row.degraded else "",
            "" if pd.isna(row.made) else f"{row.made:%Y-%m-%d %H:%MZ}",
            row.reason,
        )
        for row in days.itertuples()
    ]
    return base.table("To look at", ("date", "revisions", "current", "degraded", "made", "reason"), rows, words=6)


def _calendar(held: archive.Status, season: str, days: pd.DataFrame) -> list[str]:
    """Return a season's calendar, one line a month, and the letters' meaning."""
    import pandas as pd

    marks = {date: MARKS["failed" if date in held.failed else "missing"] for date in held.missing}
    for row in days.itertuples():
        kind = "withdrawn" if pd.isna(row.standing) else "degraded" if row.degraded else "held"
        marks[row.date] = MARKS[kind]
    first = days["date"].min()
    last = max([*days["date"], *(date for date in held.missing if 0 <= (date - first).days <= SEASON_DAYS)])
    lines, month = [f"Season {season}"], first.replace(day=1)
    while month <= last:
        length = calendar.monthrange(month.year, month.month)[1]
        line = "".join(marks.get(month.replace(day=n), " ") + " " * (n % 5 == 0) for n in range(1, length + 1))
        lines.append(f"{month:%Y-%m}  {line.rstrip()}")
        if (month.year, month.month) == (dt.MAXYEAR, 12):
            break
        month = (month + dt.timedelta(days=31)).replace(day=1)
    used = sorted((mark, name) for name, mark in MARKS.items() if mark in marks.values())
    return [*lines, "         " + ", ".join(f"{mark} {name}" for mark, name in used)]


def _room(room: Growth) -> str:
    """Return how much room the disk has and how long it lasts."""
    without = f", without {', '.join(room.unread)}, whose index or decisions cannot be read" if room.unread else ""
    if room.free_bytes is None:
        return f"a date took {size_text(room.bytes_a_day)} in the last month{without}; the room of a store is not known here"
    if room.days_left is None:
        return f"disk: {size_text(room.free_bytes)} free; the archive did not grow in the last month{without}"
    lasts = f"{room.days_left} days" if room.days_left < FORECAST_DAYS else "more than ten years"
    pace = f"{size_text(room.bytes_a_day)} a date in the last month: enough for {lasts} with one date a day"
    return f"disk: {size_text(room.free_bytes)} free, {pace}{without}"
