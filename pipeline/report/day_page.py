"""The page of a day: its head, notices and figures. Its sections stand in `snowtally.report.day_sections`."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import Any

import pandas as pd

from snowtally.inspection.change_error import DatedTotals, change
from snowtally.publishing.second_look import second_looks
from snowtally.reading import withdrawals
from snowtally.report import day_tables
from snowtally.report.day_sections import SECTIONS, Shows, rows_of
from snowtally.report.earlier import rank_of
from snowtally.report.notices import decided, identity, lacking, later_runs
from snowtally.report.published import LEANING_DAYS, DaysAround, PublishedDay
from snowtally.report.since import flown
from snowtally.report.templating import page
from snowtally.report.units import Unit, Units, number
from snowtally.report.words import long_date, short_date

SEASON_PAGE = "season.html"
DAY_PAGE = "report.html"

STALE_DAYS = 5
"""Where no site's value is younger, the page says so at its top: a station reports daily, and snow changes within days."""


def day_page(day: PublishedDay, around: DaysAround, units: Units, before: Before | None) -> bytes:
    """Return the page of a revision. `before` is what readers had of the date before it, None for the first."""
    whole = day.whole
    later = later_runs(day.root, day.basin, day.date)
    content = {
        "identity": identity(day.revision, [run["revision"] for run in later]),
        "title": day.record["title"], "basin": day.basin, "date": day.date.isoformat(), "day_words": long_date(day.date),
        "folder": day.revision.path.name, "season_page": SEASON_PAGE, "u": units, "record": day.record,
        "yesterday_page": around.yesterday and f"../{around.yesterday.date}/{DAY_PAGE}",
        "lacking": lacking(day.record), "later_runs": later,
        "decided": decided(day.root, day.basin, day.date, day.revision.number), "stale": _stale(day.sites),
        "second_look": second_looks(day.root, day.basin).get(day.date, ""), "revised": _revised(day, before),
        "withdrawn": _withdrawn(day),
        "whole": whole, "covered_per_cent": _per_cent(whole["snow_area_km2"], whole["area_km2"]),
        "rests_on": _rests_on(day, around),
        "changes": _changes(day, around, units.volume), "tells_of": _dates_compared(around, day.date),
        "years": _years(around.earlier_years, whole), "normal": day_tables.basin_normal(day.normals), "stride": day.maps.stride,
        "sections": [section.name for section in SECTIONS],
    }  # fmt: skip
    shows = Shows(day, around, units)
    for section in SECTIONS:
        content |= section.content(shows)
    return page("day.html.j2", content)


def _per_cent(part: float, whole: float) -> str:
    return f"{100 * part / whole:.0f}" if whole > 0 else "0"


@dataclass(frozen=True)
class Before:
    """The revision that readers had before another.

    Its number, and the basin's row of its totals, None where unreadable.
    """

    revision: int
    whole: pd.Series | None


def _revised(day: PublishedDay, before: Before | None) -> dict[str, Any] | None:
    record = day.record
    if before is None:
        return None
    how = "made by a rerun" if record["command"] == "rerun" else "made by a later night"
    return {
        "text": f"This is revision {record['revision']} of the day, {how} on {record['made'][:10]}.",
        "reason": record["reason"], "number": before.revision, "whole": before.whole,
    }  # fmt: skip


def _withdrawn(day: PublishedDay) -> list[dict[str, Any]]:
    """Return the revisions of the day that were withdrawn, each with why."""
    taken_back = sorted(withdrawals(day.root, day.basin).items())
    return [{"revision": gone.number, "why": why} for gone, why in taken_back if gone.date == day.date]


def _stale(sites: pd.DataFrame) -> str:
    used = sites[sites["used"].astype(bool) & sites["swe_mm"].notna()]
    if used.empty:
        return "No site has a value for this date."
    youngest = used["age_days"].min()
    if youngest > STALE_DAYS:
        return f"The youngest value of a site is {youngest:.0f} days old."
    return ""


def _rests_on(day: PublishedDay, around: DaysAround) -> str:
    """Return what the day is based on and how old that is."""
    used = day.sites[day.sites["used"].astype(bool)]
    parts = [f"{len(used)} of {len(day.sites)} sites"]
    flights = flown(day.record)
    if flights:
        parts.append(f"the flight of {short_date(max(flights))} ({_ago(day.date, max(flights))})")
    if around.survey_dates:
        last = around.survey_dates[-1]
        parts.append(f"courses last surveyed on {short_date(last)} ({_ago(day.date, last)})")
    return f"Based on {'; '.join(parts)}{'.' if flights else '; no flight this season yet.'}"


def _ago(date: dt.date, before: dt.date) -> str:
    days = (date - before).days
    return "the same day" if days == 0 else "the day before" if days == 1 else f"{days} days before"


def _changes(day: PublishedDay, around: DaysAround, unit: Unit) -> list[dict[str, Any]]:
    """Return the changes that the top tells of. One whose day the archive lacks says so."""
    now = DatedTotals(day.revision, day.record, day.totals)
    since_days = [
        _change("the day before", around.yesterday, now, unit) | {"why": "the day before is not in the archive"},
        _change("a week before", around.last_week, now, unit) | {"why": "the day a week before is not in the archive"},
    ]
    return since_days + [
        _change(since.words, since.day, now, unit)
        | {
            "why": "the archive has neither that day nor one of the week after it",
            "counted_from": short_date(since.dates[-1]) if since.dates[-1] != since.survey else "",
        }
        for since in (around.last_flight, around.last_round)
        if since is not None
    ]


def _change(since: str, then: DatedTotals | None, now: DatedTotals, unit: Unit) -> dict[str, Any]:
    """Return a change with its standard error. Its value is None where the archive lacks the day."""
    said: dict[str, Any] = {"name": f"Since {since}", "value": None, "counted_from": ""}
    if then is None:
        return said
    moved = change(now, then)
    return said | {
        "value": number(moved.volume_m3, unit, moved.se_m3, of="change_m3", signed=True),
        "se": number(moved.se_m3, unit, moved.se_m3, of="change_se_m3"),
    }


def _dates_compared(around: DaysAround, date: dt.date) -> list[dt.date]:
    """Return the earlier dates whose totals the page tells of, held or not."""
    dates = {date - dt.timedelta(days=days) for days in LEANING_DAYS}
    dates |= {one for since in (around.last_flight, around.last_round) if since is not None for one in since.dates}
    return sorted(dates | ({around.before.date} if around.before else set()))


def _years(earlier: pd.DataFrame, whole: pd.Series) -> dict[str, Any] | None:
    """Return how the day stands against the same day of earlier years. None where the archive holds none."""
    rows = earlier[earlier["level"] == "basin"].sort_values("date", ascending=False)
    rank = rank_of(float(whole["volume_m3"]), rows["volume_m3"])
    return None if rank is None else {"rank": rank, "rows": rows_of(rows)}
