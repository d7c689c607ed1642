"""The page of a day: what stands in it, from the published files; how it is laid out stands in templates/day.html.j2."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from pipeline.publishing.second_look import second_looks
from pipeline.reading import basin_row, withdrawals
from pipeline.report import charts, day_tables
from pipeline.report.cells import Shown, cells
from pipeline.report.colours import ERROR, LESS, MORE, WATER, diverging, sequential
from pipeline.report.maps import Layer, Sheet, SiteSign
from pipeline.report.notices import decided, identity, lacking, later_runs
from pipeline.report.pictures import legend
from pipeline.report.published import DaysAround, Earlier, PublishedDay
from pipeline.report.templating import page
from pipeline.report.units import Unit, Units, number, rounding_of_change
from pipeline.report.words import COMMANDS, long_date, short_date

SEASON_PAGE = "season.html"
DAY_PAGE = "report.html"

STALE_DAYS = 5
"""Where no site's value is younger, the page says so at its top: a station reports daily, and snow changes within days."""


def day_page(day: PublishedDay, around: DaysAround, units: Units, before: Before | None) -> bytes:
    """Return the page of a revision. `before` is what readers had of the date before it, None for the first."""
    whole = day.whole
    maps, no_change_map = _maps(day, around.before, units)
    flights = day_tables.flights(day.record, units)
    budget = day_tables.budget(day.record)
    later = later_runs(day.root, day.basin, day.date)
    content = {
        "identity": identity(day.revision, [run["revision"] for run in later]),
        "title": day.record["title"], "basin": day.basin, "date": day.date.isoformat(), "day_words": long_date(day.date),
        "folder": day.revision.path.name, "season_page": SEASON_PAGE, "u": units, "record": day.record,
        "command": COMMANDS.get(day.record["command"], day.record["command"]),
        "yesterday_page": around.yesterday and f"../{around.yesterday.date}/{DAY_PAGE}",
        "lacking": lacking(day.record), "later_runs": later,
        "decided": decided(day.root, day.basin, day.date, day.revision.number), "stale": _stale(day.sites),
        "second_look": second_looks(day.root, day.basin).get(day.date, ""), "revised": _revised(day, before),
        "withdrawn": _withdrawn(day),
        "whole": whole, "covered_per_cent": _per_cent(whole["snow_area_km2"], whole["area_km2"]),
        "rests_on": _rests_on(day, around),
        "changes": [
            _change("Since yesterday", "yesterday is not in the archive", whole, around.yesterday, units.volume),
            _change("Since last week", "the day a week before is not in the archive", whole, around.last_week, units.volume),
        ],
        "years": _years(around.earlier_years, whole), "earlier_seasons": len(around.earlier_seasons) > 0, "any_degraded": bool(around.degraded),
        "normal": day_tables.basin_normal(day.normals),
        "maps": maps, "no_change_map": no_change_map, "stride": day.maps.stride,
        "zones": _records(day.level("zone")), "zone_names": day.zone_names,
        "bands": _records(day.level("band").sort_values("band_low_m", ascending=False)),
        "gap_days": charts.MOST_GAP_DAYS, "charts": _charts(day, around, units, budget),
        "density_words": day_tables.density_words(day.record),
        "sites": day_tables.sites(day), "outside": _outside(day.sites), "site_normals": day_tables.site_normals(day.normals) is not None,
        "outlook": day_tables.outlook(day.outlook), "flights": flights,
        "flown_before": any(one["role"].startswith("flight ") for one in day.record["inputs"]),
        "budget": budget, "budget_cure": budget[0]["cure"] if budget else "",
        "skill": day_tables.skill(day.skill, units), "model_words": day_tables.model_words(day.record),
        "findings": day_tables.findings(day.checks), "findings_words": day_tables.findings_words(day.checks),
        "cells": _cells(day, around.before, units),
    }  # fmt: skip
    return page("day.html.j2", content)


def _records(table: pd.DataFrame) -> list[dict[str, Any]]:
    return table.to_dict("records")


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
    how = "estimated again by hand" if record["command"] == "rerun" else "made again by a later night"
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
        return "No site tells of this date."
    youngest = used["age_days"].min()
    if youngest > STALE_DAYS:
        return f"The youngest value of a site is {youngest:.0f} days old."
    return ""


def _rests_on(day: PublishedDay, around: DaysAround) -> str:
    """Return what the day is based on and how old that is."""
    used = day.sites[day.sites["used"].astype(bool)]
    parts = [f"{len(used)} of {len(day.sites)} sites"]
    flown = [dt.date.fromisoformat(flight["date"]) for flight in day.record["models"].get("flights", [])]
    if flown:
        parts.append(f"the flight of {short_date(max(flown))} ({_ago(day.date, max(flown))})")
    if around.survey_dates:
        last = around.survey_dates[-1]
        parts.append(f"courses last surveyed on {short_date(last)} ({_ago(day.date, last)})")
    return f"It rests on {'; '.join(parts)}{'.' if flown else '; no flight this season yet.'}"


def _ago(date: dt.date, before: dt.date) -> str:
    days = (date - before).days
    return "the same day" if days == 0 else "the day before" if days == 1 else f"{days} days before"


def _change(name: str, why: str, whole: pd.Series, earlier: Earlier | None, unit: Unit) -> dict[str, Any]:
    """Return a change with its least and largest standard error.

    The errors of both days are one and the same, or share nothing.
    """
    if earlier is None:
        return {"name": name, "value": None, "why": why}
    then = basin_row(earlier.totals)
    value = float(whole["volume_m3"] - then["volume_m3"])
    shared = abs(float(whole["volume_se_m3"] - then["volume_se_m3"]))
    apart = float(np.hypot(whole["volume_se_m3"], then["volume_se_m3"]))
    rounding = rounding_of_change(shared, apart)
    return {
        "name": name, "why": why,
        "value": number(value, unit, rounding, of="change_m3", signed=True),
        "low": number(shared, unit, rounding, of="change_se_shared_m3"),
        "high": number(apart, unit, rounding, of="change_se_apart_m3"),
    }  # fmt: skip


def _years(earlier: pd.DataFrame, whole: pd.Series) -> dict[str, Any] | None:
    """Return how the day stands against the same day of earlier years. None where the archive holds none."""
    if earlier.empty:
        return None
    mean, count = float(earlier["volume_m3"].mean()), len(earlier)
    less = int((earlier["volume_m3"] < whole["volume_m3"]).sum())
    rank = (
        "more than in each of them"
        if less == count
        else "less than in each of them"
        if less == 0
        else f"more than in {less} of them"
    )
    return {
        "mean": mean, "count": count, "rank": rank, "per_cent": 100 * float(whole["volume_m3"]) / mean if mean > 0 else float("nan"),
        "rows": _records(earlier.sort_values("date", ascending=False)),
    }  # fmt: skip


def _outside(sites: pd.DataFrame) -> str:
    count = int((~sites["inside"].astype(bool)).sum())
    return f" {count} of them {'lies' if count == 1 else 'lie'} outside the basin." if count else ""


def _site_signs(day: PublishedDay, units: Units) -> list[SiteSign]:
    """Return the sites as cells of the shown grid. A site stands in the cell whose square holds it."""
    maps = day.maps
    signs = []
    for row in day_tables.sites(day):
        held = pd.notna(row["swe_mm"])
        said = f"{units.swe.text(row['swe_mm'], row['swe_se_mm'])} {units.swe.label}" if held else "no value"
        signs.append(
            SiteSign(
                (row["x"] - maps.x[0]) / maps.step_m + 0.5, (maps.y[0] - row["y"]) / maps.step_m + 0.5,
                row["kind"], bool(row["used"]), f"{row['name'] or row['site_id']}: {said}",
            )
        )  # fmt: skip
    return signs


def _maps(day: PublishedDay, before: Earlier | None, units: Units) -> tuple[dict[str, Any], str]:
    fields, unit = day.maps.fields, units.swe
    sheet = Sheet(day.maps, _site_signs(day, units), units.distance)
    date = short_date(day.date)

    def layer(title: str, caption: str, values: np.ndarray, colours: np.ndarray, *, centred: bool = False) -> Layer:
        scale = legend(values, centred=centred, factor=unit.factor)
        return Layer(title, f"{unit.label}, {caption}", values, colours, scale, unit)

    drawn: dict[str, Any] = {
        "swe": sheet.draw(layer(f"Snow water equivalent, {date}", f"over shaded relief, {date}.", fields["swe"], sequential(WATER))),
        "error": sheet.draw(layer(f"Standard error, {date}", f"of each cell by itself, {date}.", fields["swe_se"], sequential(ERROR))),
        "change": None,
    }  # fmt: skip
    if before is None:
        return drawn, "No map of change: the archive holds no day of the month before."
    then = short_date(before.date)
    if before.swe is None:
        return drawn, f"No map of change: the grid of {then} is another."
    words = f"{then} to {date}: blue more, brown less."
    change = layer(f"Change since {then}", words, fields["swe"] - before.swe, diverging(LESS, MORE), centred=True)
    return drawn | {"change": sheet.draw(change)}, ""


def _charts(day: PublishedDay, around: DaysAround, units: Units, budget: list[dict[str, Any]]) -> dict[str, Any]:
    bands, fields, inside = day.level("band"), day.maps.fields, day.maps.inside
    middle = (bands["band_low_m"] + bands["band_high_m"]) / 2
    ground = fields["elevation"][inside]

    def profile(name: str, value: str, se: str | None, said: str) -> charts.Profile:
        errors = bands[se] if se else [None] * len(bands)
        return charts.Profile(
            (ground, fields[name][inside]),
            list(zip(middle, bands[value], errors, strict=True)),
            [(row["elevation_m"], row[said], row["name"] or row["site_id"], row["kind"], bool(row["used"])) for row in day_tables.sites(day)],
        )  # fmt: skip

    flown = [dt.date.fromisoformat(flight["date"]) for flight in day.record["models"].get("flights", [])]
    melt = day_tables.outlook(day.outlook)
    return {
        "bands": charts.bands_chart(bands, units),
        "profile": charts.profile_chart(
            profile("swe", "swe_mean_mm", "swe_se_mm", "swe_mm"), units.swe, units.elevation, "Snow water equivalent against elevation"
        ),
        "density": charts.profile_chart(
            profile("density", "density_mean_kg_m3", None, "density_kg_m3"), units.density, units.elevation, "Density against elevation", from_zero=False
        ),
        "season": charts.season_chart(
            around.season, around.earlier_seasons, charts.Marks(flown, around.survey_dates, around.degraded), units.volume
        ),
        "budget": charts.shares_chart([row["name"] for row in budget], [row["share"] for row in budget]),
        "outlook": charts.outlook_chart(pd.DataFrame(melt["rows"]), units.volume) if melt else "",
    }  # fmt: skip


def _cells(day: PublishedDay, before: Earlier | None, units: Units) -> dict[str, Any]:
    """Return what the page's script looks cells up in."""
    maps = day.maps
    shown = {
        # The steps to which the archive keeps them.
        "swe": Shown(maps.fields["swe"], 0.1, units.swe),
        "swe_se": Shown(maps.fields["swe_se"], 0.1, units.swe),
        "depth": Shown(maps.fields["depth"], 0.001, units.depth),
        "density": Shown(maps.fields["density"], 0.1, units.density),
        "elevation": Shown(maps.fields["elevation"], 0.1, units.elevation),
    }
    if before is not None and before.swe is not None:
        shown["change"] = Shown(maps.fields["swe"] - before.swe, 0.1, units.swe)
    return cells(maps, day.zone_names, shown)
