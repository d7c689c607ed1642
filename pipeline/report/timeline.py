"""The time-line of a season: a row a site with the days that have a value, visits, flights, cover grids, weather."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from itertools import pairwise

from markupsafe import Markup

from snowtally.model.dry_run import DryRun, SiteUse, Stretch
from snowtally.report.axes import marker
from snowtally.report.svg import Scale, drawing, month_starts, tag
from snowtally.report.words import short_month

WIDTH, LEFT, RIGHT, TOP, STEP = 760.0, 112.0, 12.0, 22.0, 17.0
"""The drawing in its own units: wide, since a day must be seen (on a phone it is scrolled), with names of sites at the left."""

NAME_SIGNS = 16
"""Signs of a name that fit beside its row; longer ones are cut, and the table has them whole."""

NAMED_PARTS = 5
"""Stretches of days that are named in a cell of the table; of more it has their number (chosen)."""


@dataclass(frozen=True)
class Row:
    """One row of the time-line.

    Parameters
    ----------
    name : what stands beside it; `kind` : course, station, flight, cover or weather, which decides its signs.
    used : days with a value that is used.
    aside : days whose values are set aside, or that are forecast.
    holes : days of a station without any value.
    """

    name: str
    kind: str
    used: Sequence[Stretch] = ()
    aside: Sequence[Stretch] = ()
    holes: Sequence[Stretch] = field(default=())

    @property
    def first(self) -> dt.date | None:
        """The first day that has anything."""
        return min((one.first for one in (*self.used, *self.aside)), default=None)

    @property
    def last(self) -> dt.date | None:
        """The last day that has anything."""
        return max((one.last for one in (*self.used, *self.aside)), default=None)


def rows_of(run: DryRun) -> list[Row]:
    """Return the rows of a dry run: stations, courses, flights, cover grids, weather."""
    rows = [_site_row(site) for kind in ("station", "course") for site in run.sites if site.kind == kind]
    rows += [
        Row(one.flight_id, "flight", **{"aside" if one.seen is None else "used": [Stretch(one.date, one.date)]})
        for one in run.flights
    ]
    for variable in sorted({variable for _, variable in run.covers}):
        rows.append(Row(variable, "cover", [Stretch(day, day) for day, said in run.covers if said == variable]))
    if run.weather:
        rows.append(Row("weather", "weather", run.weather, holes=_between(run.weather)))
    if run.forecast:
        rows.append(Row("forecast", "weather", aside=run.forecast))
    return rows


def _site_row(site: SiteUse) -> Row:
    return Row(site.site_id, site.kind, site.with_value, site.aside, site.holes)


def _between(parts: Sequence[Stretch]) -> list[Stretch]:
    """Return the days between stretches."""
    day = dt.timedelta(days=1)
    return [Stretch(one.last + day, other.first - day) for one, other in pairwise(parts)]


def timeline(run: DryRun) -> Markup:
    """Return the season up to the date as a drawing, a row a site."""
    rows = rows_of(run)
    begins, date = run.day.season_start, run.day.date
    end = max([date, *(one.last for one in run.forecast)])
    across = Scale(0.0, float(max((end - begins).days + 1, 30)), LEFT, WIDTH - RIGHT)
    foot = TOP + STEP * len(rows)
    parts = _months(begins, across, foot)
    today = across((date - begins).days + 1)
    parts.append(tag("path", tag("title", f"end of {date}"), d=f"M{today:.1f} {TOP - 4}V{foot + 4}", class_="today"))
    for number, row in enumerate(rows):
        y = TOP + STEP * number + STEP / 2
        name = row.name if len(row.name) <= NAME_SIGNS else f"{row.name[: NAME_SIGNS - 1]}\u2026"
        parts.append(tag("text", tag("title", row.name), name, x=LEFT - 8, y=y + 4, class_="label end ink"))
        parts += _drawn(row, across, begins, y)
    title = f"Season from {begins} to {date}: days with a value by site, visits, flights, cover grids and weather; the table holds the same in words"
    return drawing(WIDTH, foot + 22, title, *parts, kind="chart long")


def _months(begins: dt.date, across: Scale, foot: float) -> list[Markup]:
    """Return the upright lines at the starts of months, with names above and beneath."""
    parts = []
    for start in month_starts(begins, begins + dt.timedelta(days=int(across.high))):
        x = across((start - begins).days)
        parts.append(tag("path", d=f"M{x:.1f} {TOP - 2}V{foot + 2}", class_="grid"))
        if x + 26 <= WIDTH:
            parts += [tag("text", short_month(start), x=x + 3, y=y, class_="label") for y in (TOP - 8, foot + 14)]
    return parts


def _drawn(row: Row, across: Scale, begins: dt.date, y: float) -> list[Markup]:
    """Return the signs of a row: bars of a series of days, else one sign a day."""
    parts = []
    for stretch in row.holes:
        x, end = _ends(stretch, across, begins)
        title = tag("title", f"{row.name}: no value {stretch_words(stretch)}")
        parts.append(tag("path", title, d=f"M{x:.1f} {y:.1f}H{end:.1f}", class_="hole"))
    for stretches, used in ((row.used, True), (row.aside, False)):
        for stretch in stretches:
            x, end = _ends(stretch, across, begins)
            state = "used" if used else "forecast" if row.name == "forecast" else "set aside"
            words = f"{row.name}: {state} {stretch_words(stretch)}"
            if row.kind in ("station", "weather"):
                bar = {
                    "x": x,
                    "y": y - 4,
                    "width": max(end - x, 1.0),
                    "height": 8,
                    "class_": "bar" if used else "aside",
                }
                parts.append(tag("rect", tag("title", words), **bar))
            else:
                days = (across((stretch.first - begins).days + n + 0.5) for n in range(stretch.days))
                parts += [_sign(row.kind, (at, y), words, used=used) for at in days]
    return parts


def _sign(kind: str, at: tuple[float, float], words: str, *, used: bool) -> Markup:
    if kind == "flight":
        x, y = at
        shape = f"M{x:.1f} {y + 5:.1f}l-5.5 -10h11z"
        return tag("path", tag("title", words), d=shape, class_="flown" if used else "flown unused")
    return marker(at, kind if kind == "course" else "", words, used=used, size=4.5)


def _ends(stretch: Stretch, across: Scale, begins: dt.date) -> tuple[float, float]:
    return across((stretch.first - begins).days), across((stretch.last - begins).days + 1)


def stretch_words(stretch: Stretch) -> str:
    """Return days in words.

    >>> stretch_words(Stretch(dt.date(2031, 3, 1), dt.date(2031, 3, 10)))
    '2031-03-01 to 2031-03-10 (10 days)'
    """
    return f"{stretch.first}" if stretch.days == 1 else f"{stretch.first} to {stretch.last} ({stretch.days} days)"


def stretches_words(stretches: Iterable[Stretch]) -> str:
    """Return stretches of days in words, the longest first; of many the number of the others."""
    longest = sorted(stretches, key=lambda one: (-one.days, one.first))
    more = [f"{len(longest) - NAMED_PARTS} more"] if len(longest) > NAMED_PARTS else []
    return "; ".join([*(stretch_words(one) for one in longest[:NAMED_PARTS]), *more])
