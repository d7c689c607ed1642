"""Drawings of a page: totals by band, the season, shares of the error, the melt outlook."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
import pandas as pd
from markupsafe import Markup

from snowtally.report.axes import WIDTH, axis_end, grid_x, grid_y, whisker_x, whisker_y
from snowtally.report.svg import Scale, drawing, month_starts, path, tag
from snowtally.report.units import Unit, Units
from snowtally.report.words import short_month
from snowtally.statistics.chances import exceeded

MOST_GAP_DAYS = 14
"""A line through a season is drawn from one date to the next where they lie no further apart: over more it would pass for an
estimate of the days between."""

MONTH_WIDTH = 24.0
"""Room that the name of a month takes on an axis."""


LETTER_WIDTH = 6.9
"""Width of a figure in the charts' text of 12 units (common practice, no source)."""

LINE_HEIGHT = 12
"""Height of a line of text, in units of a chart: names nearer to each other would lie over each other."""


def bands_chart(bands: pd.DataFrame, units: Units) -> Markup:
    """Return the volume of each band as a bar. The highest is on top; each has its 10 to 90 % interval.

    `bands` has rows of the level "band" of the totals: band_low_m, band_high_m, volume_m3, volume_p10_m3, volume_p90_m3.
    """
    rows = bands.dropna(subset="volume_m3").sort_values("band_low_m", ascending=False).reset_index(drop=True)
    names = [
        f"{units.band.text(low)}\u2013{units.band.text(high)}"
        for low, high in zip(rows["band_low_m"], rows["band_high_m"], strict=True)
    ]
    step = 20.0
    top, left, right = 8.0, 16.0 + LETTER_WIDTH * max((len(name) for name in names), default=0), 12.0
    height = top + step * len(rows) + 40
    across = Scale(0.0, axis_end(units.volume, rows["volume_p90_m3"], rows["volume_m3"]), left, WIDTH - right)
    foot = top + step * len(rows)
    parts = [grid_x(across, units.volume, top, foot)]
    for k, row in enumerate(rows.itertuples()):
        y = top + step * k
        low, middle, high = (
            across(units.volume.plain(v)) for v in (row.volume_p10_m3, row.volume_m3, row.volume_p90_m3)
        )
        parts += [
            tag("text", names[k], x=left - 6, y=y + 14, class_="label end"),
            tag("rect", x=left, y=y + 3, width=max(middle - left, 0.0), height=step - 6, class_="bar"),
            whisker_x(low, high, y + step / 2),
        ]
    title = f"Volume by elevation band in {units.volume.label} with 80 % intervals; the table holds the numbers"
    return drawing(WIDTH, height, title, *parts)


CURVE_POINTS = 99
"""Points of the curve of chances: one a per cent, as fine as its picture shows."""


def exceedance_chart(whole: pd.Series, unit: Unit) -> Markup:
    """Return the chance that the volume is exceeded, as a curve.

    `whole` is the basin's row of the totals. The even chance has a dot, the 10 to 90 % interval a stroke.
    """
    height, top, left, right, foot = 190.0, 14.0, 50.0, 16.0, 150.0
    mean, se = float(whole["volume_m3"]), float(whole["volume_se_m3"])
    chances = np.linspace(0.99, 0.01, CURVE_POINTS)
    volumes = [unit.plain(float(volume)) for volume in exceeded(mean, se, chances)]
    span = volumes[-1] - volumes[0]
    across = Scale(max(volumes[0] - 0.04 * span, 0.0), (volumes[-1] + 0.04 * span) or 1.0, left, WIDTH - right)
    up = Scale(0.0, 1.0, foot, top)
    levels = (0.9, 0.5, 0.1)
    low, middle, high = (unit.plain(float(volume)) for volume in exceeded(mean, se, np.array(levels)))
    parts = [
        grid_x(across, unit, top, foot),
        *(tag("path", d=f"M{left} {up(level):.1f}H{WIDTH - right}", class_="grid") for level in levels),
        *(tag("text", f"{100 * level:.0f} %", x=left - 6, y=up(level) + 4, class_="label end") for level in levels),
        tag("path", d=path([(across(v), up(c)) for v, c in zip(volumes, chances, strict=True)]), class_="line"),
        whisker_x(across(low), across(high), up(0.5)),
        tag("circle", cx=across(middle), cy=up(0.5), r=3.4, class_="dot"),
    ]
    return drawing(
        WIDTH, height, f"Chance that the volume is more than so many {unit.label}; the table holds the numbers", *parts
    )


@dataclass(frozen=True)
class Marks:
    """What is marked along a season.

    Days of flights, days of surveys, degraded days with what they lack in words, and the normal volume (m3) of days.
    """

    flights: Sequence[dt.date]
    surveys: Sequence[dt.date]
    degraded: Mapping[dt.date, str] = field(default_factory=dict)
    normals: Mapping[dt.date, float] = field(default_factory=dict)


def season_chart(season: pd.DataFrame, earlier: pd.DataFrame, marks: Marks, unit: Unit) -> Markup:
    """Return the volume through the season, over earlier seasons.

    It has its 10 to 90 % interval; earlier seasons are thin lines.

    Parameters
    ----------
    season : rows of the basin: date, season_day, volume_m3, volume_p10_m3, volume_p90_m3; earlier : the same with `season`.
    """
    height, top, left, right, foot = 230.0, 26.0, 62.0, 12.0, 206.0
    begins = season["date"].iloc[0].date() - dt.timedelta(days=int(season["season_day"].iloc[0]))
    last = int(max(season["season_day"].max(), earlier["season_day"].max() if len(earlier) else 0, 30))
    first = int(min(season["season_day"].min(), earlier["season_day"].min() if len(earlier) else 999))
    days = [(date - begins).days for date in (*marks.flights, *marks.surveys)]
    first = max(min([first, *days]) - 3, 0)
    across = Scale(first, max(last, first + 30) + 3, left, WIDTH - right)
    up = Scale(0.0, axis_end(unit, season["volume_p90_m3"], earlier["volume_m3"], marks.normals.values()), foot, top)
    parts = [grid_y(up, unit, left, WIDTH - right)]
    for start in month_starts(begins, begins + dt.timedelta(days=int(across.high))):
        x = across((start - begins).days)
        if x >= left:
            parts.append(tag("path", d=f"M{x:.1f} {foot}v5", class_="tick"))
        if x >= left and x + 3 + MONTH_WIDTH <= WIDTH:
            parts.append(tag("text", short_month(start), x=x + 3, y=foot + 15, class_="label"))
    ends: list[tuple[str, float, float]] = []
    for name, of_season in earlier.groupby("season", sort=True):
        curve = [across(d) for d in of_season["season_day"]], [up(unit.plain(v)) for v in of_season["volume_m3"]]
        parts += _earlier_season(str(name), of_season["season_day"].to_numpy(), curve)
        ends.append((str(name), curve[0][-1], curve[1][-1]))
    volumes = tuple(
        [up(unit.plain(v)) for v in season[name]] for name in ("volume_p10_m3", "volume_m3", "volume_p90_m3")
    )
    parts += _curve(season["season_day"].to_numpy(), [across(d) for d in season["season_day"]], volumes)
    parts += [*_named(ends), *_normal(marks.normals, begins, (across, up), unit)]
    parts += _degraded(season, marks.degraded, (across, up), unit)
    for date in marks.flights:
        x = across((date - begins).days)
        title = tag("title", f"flight of {date}")
        parts += [
            tag("path", d=f"M{x:.1f} {top - 4}V{foot}", class_="flight"),
            tag("path", title, d=f"M{x:.1f} {top - 4}l-5 -9h10z", class_="flown"),
        ]
    for date in marks.surveys:
        x = across((date - begins).days)
        parts.append(tag("path", tag("title", f"courses of {date}"), d=f"M{x:.1f} {foot - 1}v-8", class_="survey"))
    return drawing(WIDTH, height, f"Volume of water in the snow through the season in {unit.label}", *parts)


def _normal(normals: Mapping[dt.date, float], begins: dt.date, scales: tuple[Scale, Scale], unit: Unit) -> list[Markup]:
    """Return the normal as a dashed line, blank where the curve is; of one date as a stroke."""
    across, up = scales
    points = [(across((date - begins).days), up(unit.plain(volume))) for date, volume in sorted(normals.items())]
    parts = [points[part] for part in _stretches(np.array([(date - begins).days for date in sorted(normals)]))]
    lines = [[(part[0][0] - 6, part[0][1]), (part[0][0] + 6, part[0][1])] if len(part) == 1 else part for part in parts]
    return [tag("path", tag("title", "normal"), d=path(line), class_="normal") for line in lines if line]


def _degraded(
    season: pd.DataFrame, degraded: Mapping[dt.date, str], scales: tuple[Scale, Scale], unit: Unit
) -> list[Markup]:
    """Return a cross on each degraded date of the curve.

    The word stands beside the first of each stretch of such dates.
    """
    across, up = scales
    drawn, last = [], None
    for row in season.itertuples():
        why = degraded.get(row.date.date())
        if why is None:
            continue
        x, y = across(row.season_day), up(unit.plain(row.volume_m3))
        title = tag("title", f"{row.date.date()}: degraded{f', {why}' if why else ''}")
        drawn.append(tag("path", title, d=f"M{x - 4.5:.1f} {y - 4.5:.1f}l9 9m0 -9l-9 9", class_="degraded"))
        if last is None or row.season_day - last > WORD_DAYS:
            # Below the interval, or above it where snow is little, so that the word lies on no line.
            below, above = (up(unit.plain(v)) for v in (row.volume_p10_m3, row.volume_p90_m3))
            height = below + 14 if below + 16 < up.start else above - 5
            middle = min(max(x, across.start + WORD_WIDTH / 2), WIDTH - WORD_WIDTH / 2)
            drawn.append(tag("text", "degraded", x=middle, y=height, class_="label ink middle"))
        last = row.season_day
    return drawn


WORD_DAYS, WORD_WIDTH = 21, 62
"""Days between degraded dates from which on the word is written again, and its width: nearer, words would lie over each other."""


def _earlier_season(name: str, days: np.ndarray, curve: tuple[list[float], list[float]]) -> list[Markup]:
    """Return an earlier season as a thin line. A date by itself is a small dot."""
    drawn = []
    for part in _stretches(days):
        points = list(zip(curve[0][part], curve[1][part], strict=True))
        title = tag("title", name)
        if len(points) == 1:
            drawn.append(tag("circle", title, cx=points[0][0], cy=points[0][1], r=1.2, class_="earlier"))
        else:
            drawn.append(tag("path", title, d=path(points), class_="earlier"))
    return drawn


def _named(names: list[tuple[str, float, float]]) -> list[Markup]:
    """Return the names of earlier seasons, each at the end of its line. Those that would lie over another are left to its title."""
    written, last = [], float("-inf")
    for name, x, y in sorted(names, key=lambda one: one[2]):
        if y - last >= LINE_HEIGHT:
            written.append(tag("text", name, x=min(x, WIDTH - 4), y=y - 3, class_="label end"))
            last = y
    return written


MOST_DOTS = 60
"""More dots than that hide the line."""


def _curve(days: np.ndarray, across: list[float], volumes: tuple[list[float], ...]) -> list[Markup]:
    """Return the season's line with its interval.

    A date by itself is a dot with a stroke; `volumes` are low, middle and high.
    """
    low, middle, high = volumes
    drawn = []
    for part in _stretches(days):
        points = list(zip(across[part], middle[part], strict=True))
        if len(points) == 1:
            drawn.append(whisker_y(points[0][0], low[part][0], high[part][0]))
        else:
            outline = [
                *zip(across[part], low[part], strict=True),
                *list(zip(across[part], high[part], strict=True))[::-1],
            ]
            drawn += [
                tag("path", d=path(outline, closed=True), class_="interval"),
                tag("path", d=path(points), class_="line"),
            ]
        if len(points) == 1 or len(days) <= MOST_DOTS:
            drawn += [tag("circle", cx=x, cy=y, r=2.6, class_="dot") for x, y in points]
    return drawn


def _stretches(days: np.ndarray) -> list[slice]:
    """Return the stretches of days without a gap over `MOST_GAP_DAYS`.

    >>> _stretches(np.array([3, 4, 18, 60, 100, 101]))
    [slice(0, 3, None), slice(3, 4, None), slice(4, 6, None)]
    """
    ends = np.flatnonzero(np.diff(days) > MOST_GAP_DAYS) + 1
    return [slice(int(a), int(b)) for a, b in pairwise([0, *ends, len(days)])]


def shares_chart(names: list[str], shares: list[float]) -> Markup:
    """Return shares of the error's variance as bars, in order."""
    step, top, left = 36.0, 4.0, 4.0
    across = Scale(0.0, max([*shares, 0.01]), left, WIDTH - 52)
    parts = []
    for k, (name, share) in enumerate(zip(names, shares, strict=True)):
        y = top + step * k
        parts += [
            tag("text", name, x=left, y=y + 12, class_="label ink"),
            tag("rect", x=left, y=y + 17, width=max(across(share) - left, 1.0), height=11, class_="bar"),
            tag("text", f"{100 * share:.0f} %", x=across(share) + 6, y=y + 27, class_="label ink"),
        ]
    return drawing(WIDTH, top + step * len(shares) + 4, "Where the error of the total comes from", *parts)


def outlook_chart(rows: pd.DataFrame, unit: Unit) -> Markup:
    """Return the basin's melt of each day to come as bars. Each has its standard error; outlines are potential melt.

    `rows` are the basin's rows of `outlook.csv`, day by day: day, melt_m3, melt_se_m3, potential_melt_m3.
    """
    height, top, left, right, foot = 224.0, 24.0, 62.0, 12.0, 190.0
    count = len(rows)
    up = Scale(0.0, axis_end(unit, rows["melt_m3"] + rows["melt_se_m3"], rows["potential_melt_m3"]), foot, top)
    step = (WIDTH - left - right) / count
    parts = [grid_y(up, unit, left, WIDTH - right)]
    each = max(1, round(22 / step))
    for k, row in enumerate(rows.itertuples()):
        x, wide = left + step * (k + 0.12), step * 0.76
        y, could = up(unit.plain(row.melt_m3)), up(unit.plain(row.potential_melt_m3))
        parts += [
            tag("rect", x=x, y=y, width=wide, height=max(foot - y, 0.0), class_="bar"),
            tag("rect", x=x, y=could, width=wide, height=max(foot - could, 0.0), class_="outline"),
            whisker_y(x + wide / 2, up(unit.plain(max(row.melt_m3 - row.melt_se_m3, 0.0))), up(unit.plain(row.melt_m3 + row.melt_se_m3))),
        ]  # fmt: skip
        if k % each == 0:
            date = dt.date.fromisoformat(str(row.day)[:10])
            parts.append(tag("text", str(date.day), x=x + wide / 2, y=foot + 15, class_="label middle"))
            if k == 0 or date.day <= each:
                parts.append(tag("text", short_month(date), x=x + wide / 2, y=foot + 29, class_="label middle"))
    return drawing(WIDTH, height, f"Melt of each day to come in {unit.label}; outlines: what could melt", *parts)


SIDE_DAYS = 16
"""Days before the first and after the last date on the bands' axis: together more than a month, so that one begins between them."""

BAR_HALF = 5.0
"""Half the width of a bar that stands for a date by itself, in units of a chart."""


def bands_through_time(totals: pd.DataFrame, unit: Unit, band: Unit, colours: np.ndarray) -> Markup:
    """Return the volume of stacked bands through a season. The lowest is at the bottom.

    `totals` has rows of the level "band" with date, season_day, band_low_m, band_high_m, volume_m3.
    """
    height, top, left, right, foot = 240.0, 24.0, 62.0, 84.0, 206.0
    table = totals.pivot_table(index="season_day", columns="band_low_m", values="volume_m3", aggfunc="first").fillna(
        0.0
    )
    days, lows = table.index.to_numpy(), table.columns.to_numpy()
    piled = np.vstack([np.zeros(len(days)), np.cumsum(table.to_numpy().T, axis=0)])
    begins = totals["date"].iloc[0].date() - dt.timedelta(days=int(totals["season_day"].iloc[0]))
    # Room at both ends, so that a date by itself stands as a bar between months that have names.
    start_day, end_day = int(days[0]) - SIDE_DAYS, int(days[-1]) + SIDE_DAYS
    across = Scale(float(start_day), float(end_day), left, WIDTH - right)
    up = Scale(0.0, axis_end(unit, piled[-1]), foot, top)
    parts = [grid_y(up, unit, left, WIDTH - right)]
    for start in month_starts(begins + dt.timedelta(days=start_day), begins + dt.timedelta(days=end_day)):
        at = across((start - begins).days)
        parts.append(tag("path", d=f"M{at:.1f} {foot}v5", class_="tick"))
        if at + 3 + MONTH_WIDTH <= WIDTH - right:
            parts.append(tag("text", short_month(start), x=at + 3, y=foot + 15, class_="label"))
    last_label, stretches = float("inf"), _stretches(days)
    for k, low in enumerate(lows):
        shade = colours[round(k / max(len(lows) - 1, 1) * (len(colours) - 1))]
        fill = "#{:02x}{:02x}{:02x}".format(*shade.tolist())
        name = f"from {band.text(low)} {band.label}"
        for part in stretches:
            # A date by itself is a bar.
            x = (
                [across(d) for d in days[part]]
                if part.stop - part.start > 1
                else [across(days[part][0]) + d for d in (-BAR_HALF, BAR_HALF)]
            )
            foot_of, top_of = (np.broadcast_to(piled[n][part], len(x)) for n in (k, k + 1))
            outline = [(a, up(unit.plain(v))) for a, v in zip(x, foot_of, strict=True)]
            outline += [(a, up(unit.plain(v))) for a, v in reversed(list(zip(x, top_of, strict=True)))]
            parts.append(tag("path", tag("title", name), d=path(outline, closed=True), fill=fill, class_="layer"))
        y = up(unit.plain((piled[k][-1] + piled[k + 1][-1]) / 2)) + 4
        if last_label - y >= LINE_HEIGHT:
            parts.append(tag("text", name, x=WIDTH - right + 5, y=y, class_="label"))
            last_label = y
    return drawing(WIDTH, height, f"Volume by elevation band through the season in {unit.label}", *parts)
