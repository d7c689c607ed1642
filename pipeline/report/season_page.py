"""The page of a basin's seasons: all dates as a calendar, the curve over earlier seasons, the bands through time."""

from __future__ import annotations

import calendar
import datetime as dt
import math
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any

import pandas as pd

from snowtally.archive.records import load_record
from snowtally.model.problems import ArchiveError
from snowtally.publishing.stac import season_start
from snowtally.reading import list_days, open_day, totals_of_days
from snowtally.report import charts
from snowtally.report.against import Against, against
from snowtally.report.colours import WATER, sequential
from snowtally.report.day_tables import basin_normal
from snowtally.report.earlier import rank_of, same_day
from snowtally.report.notices import lacking, later_runs
from snowtally.report.published import degraded_dates, normals_of, with_seasons, zone_names
from snowtally.report.since import flown
from snowtally.report.templating import page
from snowtally.report.units import Units
from snowtally.report.words import MONTHS, long_date
from snowtally.storage.paths import path_of

M3_PER_MM_KM2 = 1000.0
"""Cubic metres of water that a millimetre makes over a square kilometre."""

EARLIER_SEASONS = 30
"""Thin lines of a chart; more are a felt."""


def season_page(root: str | Path, basin: str, units: Units) -> bytes:
    """Return the page of all dates that a basin's archive holds. Raises ArchiveError."""
    days = list_days(root, basin)
    if days.empty:
        return page("season.html.j2", {"title": basin, "basin": basin, "u": units, "newest": None, "seasons": []})
    newest = days["date"].iloc[-1].date()
    record = _newest_record([path_of(path) for path in days["path"]])
    totals = with_seasons(totals_of_days(root, basin, days), season_start(record["settings"]))
    whole = totals[totals["level"] == "basin"].sort_values("date", kind="stable")
    names = sorted(whole["season"].unique(), reverse=True)
    degraded = degraded_dates(root, basin)
    this = totals[totals["season"] == names[0]]
    rows = whole[whole["season"] == names[0]].reset_index(drop=True)
    earlier = whole[whole["season"].isin(names[1 : EARLIER_SEASONS + 1])]
    normals = _normals([path_of(path) for path in days["path"].iloc[-len(rows) :]], rows)
    normal_volumes = {date: row["normal_mm"] * row["area_km2"] * M3_PER_MM_KM2 for date, row in normals.items()}
    peak = rows.loc[rows["volume_m3"].idxmax()]
    before = totals[totals["season"] != names[0]]
    zones = _zones(this[this["date"] == rows["date"].iloc[-1]], before, path_of(days["path"].iloc[-1]))
    content = {
        "title": record["title"], "basin": basin, "u": units, "newest": {
            "date": newest.isoformat(), "words": long_date(newest), "whole": rows.iloc[-1], "peak": peak, "peak_date": str(peak["date"].date()),
        },
        "season": names[0], "record": record, "lacking": lacking(record), "later_runs": later_runs(root, basin, newest),
        "degraded_before": [str(date.date()) for date in rows["date"].iloc[:-1] if date.date() in degraded],
        "curve": charts.season_chart(rows, earlier, charts.Marks(flown(record), [], degraded, normal_volumes), units.volume),
        "bands": charts.bands_through_time(this[this["level"] == "band"], units.volume, units.band, sequential(WATER)[6:]),
        "rows": _rows(rows.iloc[::-1], before, normals),
        "zones": zones, "zone_names": _zone_names(root, basin, newest) if zones.columns else {},
        "normal_period": next((one["period"] for one in normals.values() if one["period"]), ""), "any_normal": bool(normals),
        "peaks": _peaks(whole) if len(names) > 1 else [],
        "seasons": [_calendar(name, whole[whole["season"] == name], degraded, units) for name in names],
        "earlier": len(earlier) > 0, "gap_days": charts.MOST_GAP_DAYS,
    }  # fmt: skip
    return page("season.html.j2", content)


def _normals(folders: list[Path], rows: pd.DataFrame) -> dict[dt.date, dict[str, Any]]:
    """Return by date the basin's row of `normals.csv` with its area. Dates without one are left out."""
    normals = {}
    for folder, row in zip(folders, rows.to_dict("records"), strict=True):
        with suppress(ArchiveError):
            normal = basin_normal(normals_of(folder))
            if normal is not None and math.isfinite(normal["normal_mm"]):
                normals[row["date"].date()] = normal | {"area_km2": row["area_km2"]}
    return normals


def _rows(rows: pd.DataFrame, before: pd.DataFrame, normals: Mapping[dt.date, dict[str, Any]]) -> list[dict[str, Any]]:
    """Return the basin's totals by date, each with per cent of normal and how it stands among the totals `before`."""
    then = before[before["level"] == "basin"]
    # One look through all seasons for all dates but the 29th of February, which most years lack.
    by_day = dict(iter(then.groupby([then["date"].dt.month, then["date"].dt.day])["volume_m3"]))
    with_rank = []
    for row in rows.to_dict("records"):
        date = row["date"].date()
        leap = (date.month, date.day) == (2, 29)
        met = same_day(then, date)["volume_m3"] if leap else by_day.get((date.month, date.day), then["volume_m3"][:0])
        rank = rank_of(row["volume_m3"], met)
        with_rank.append(row | {"per_cent": normals.get(date, {}).get("per_cent"), "rank": rank})
    return with_rank


def _zones(totals: pd.DataFrame, before: pd.DataFrame, folder: Path) -> Against:
    """Return a day's zones against normal and the same day of earlier seasons."""
    normals = None
    with suppress(ArchiveError):
        normals = normals_of(folder)
    day = totals["date"].iloc[0].date()
    return against(totals[totals["level"] == "zone"], same_day(before, day), normals)


def _zone_names(root: str | Path, basin: str, date: dt.date) -> dict[str, str]:
    """Return names of the zones by identifier. Empty where the day's grids cannot be read."""
    with suppress(ArchiveError), open_day(root, basin, date) as day:
        return zone_names(day)
    return {}


def _newest_record(folders: list[Path]) -> dict[str, Any]:
    """Return the last readable record of some folders. Raises ArchiveError where none can be read."""
    for folder in reversed(folders[1:]):
        with suppress(ArchiveError):
            return load_record(folder)
    return load_record(folders[0])


def _peaks(whole: pd.DataFrame) -> list[dict[str, Any]]:
    """Return each season's day of most water, newest season first."""
    rows = whole.loc[whole.groupby("season")["volume_m3"].idxmax()].sort_values("season", ascending=False)
    return rows.to_dict("records")


def _calendar(name: str, whole: pd.DataFrame, degraded: Mapping[dt.date, str], units: Units) -> dict[str, Any]:
    """Return a season as months of weeks. Each day held with its page, what it says and whether it is degraded."""
    volume = units.volume
    held = {
        row.date.date(): f"{volume.text(row.volume_m3, row.volume_se_m3)} {volume.label}" for row in whole.itertuples()
    }
    months = []
    for year, month in sorted({(date.year, date.month) for date in held}):
        weeks = [
            [_cell(date, held.get(date), date in degraded) if date.month == month else None for date in week]
            for week in calendar.Calendar().monthdatescalendar(year, month)
        ]
        months.append({"name": f"{MONTHS[month - 1]} {year}", "weeks": weeks})
    return {"name": name, "count": len(held), "months": months}


def _cell(date: dt.date, volume: str | None, degraded: bool) -> dict[str, Any]:
    """Return a day of the calendar.

    `volume` is the volume of its snow in words. It is None for a day that the archive does not hold.
    """
    if volume is None:
        return {"day": date.day, "href": None}
    words = f"{date}: {volume}{', degraded' if degraded else ''}"
    return {"day": date.day, "href": f"{date}/report.html", "words": words, "degraded": degraded}
