"""The sections of a day's page, in order: what stands in each; how it is laid out stands in templates/day/NAME.html.j2.

To add a section, put its template there and append it to `SECTIONS` (tests/report/test_sections.py adds one).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from snowtally.report import charts, day_tables
from snowtally.report.against import against
from snowtally.report.cells import Shown, cells
from snowtally.report.colours import ERROR, LESS, MORE, WATER, diverging, sequential
from snowtally.report.maps import Layer, Sheet, SiteSign
from snowtally.report.pictures import legend
from snowtally.report.profile import BandPoint, Profile, SitePoint, profile_chart
from snowtally.report.published import DaysAround, PublishedDay
from snowtally.report.since import flown
from snowtally.report.units import Units
from snowtally.report.words import COMMANDS, short_date
from snowtally.statistics.chances import exceeded

Content = dict[str, Any]
"""What a template asks for, by name."""


@dataclass(frozen=True)
class Shows:
    """What a section is made from.

    These are the day, the days around it, and the page's units.
    """

    day: PublishedDay
    around: DaysAround
    units: Units


@dataclass(frozen=True)
class Section:
    """A section of a day's page.

    Parameters
    ----------
    name : that of its template, templates/day/NAME.html.j2.
    content : returns what the template asks for besides the names of the whole page (`snowtally.report.day_page`).
    """

    name: str
    content: Callable[[Shows], Content]


CHANCES = (95, 90, 70, 50, 30, 10, 5)
"""Chances of exceeding that reservoirs plan by, per cent (common practice, no source)."""


def _chances(shows: Shows) -> Content:
    whole = shows.day.whole
    mean, se = float(whole["volume_m3"]), float(whole["volume_se_m3"])
    volumes = exceeded(mean, se, np.array(CHANCES) / 100)
    rows = [{"per_cent": chance, "volume_m3": float(volume)} for chance, volume in zip(CHANCES, volumes, strict=True)]
    return {"chances": rows, "chance_chart": charts.exceedance_chart(whole, shows.units.volume)}


def _maps(shows: Shows) -> Content:
    day, before, unit = shows.day, shows.around.before, shows.units.swe
    fields = day.maps.fields
    sheet = Sheet(day.maps, _site_signs(day, shows.units), shows.units.distance)
    date = short_date(day.date)

    def layer(title: str, caption: str, values: np.ndarray, colours: np.ndarray, *, centred: bool = False) -> Layer:
        scale = legend(values, centred=centred, factor=unit.factor)
        return Layer(title, f"{unit.label}, {caption}", values, colours, scale, unit)

    drawn: Content = {
        "swe": sheet.draw(layer(f"Snow water equivalent, {date}", f"over shaded relief, {date}.", fields["swe"], sequential(WATER))),
        "error": sheet.draw(layer(f"Standard error, {date}", f"of each cell by itself, {date}.", fields["swe_se"], sequential(ERROR))),
        "change": None,
    }  # fmt: skip
    shown = {
        # The steps to which the archive keeps them.
        "swe": Shown(fields["swe"], 0.1, unit),
        "swe_se": Shown(fields["swe_se"], 0.1, unit),
        "depth": Shown(fields["depth"], 0.001, shows.units.depth),
        "density": Shown(fields["density"], 0.1, shows.units.density),
        "elevation": Shown(fields["elevation"], 0.1, shows.units.elevation),
    }
    missing = ""
    if before is None:
        missing = "No map of change: the archive holds no day of the month before."
    elif shows.around.before_swe is None:
        missing = f"No map of change: the grid of {short_date(before.date)} is another."
    else:
        then, change = short_date(before.date), fields["swe"] - shows.around.before_swe
        words = f"{then} to {date}: blue more, brown less."
        drawn["change"] = sheet.draw(layer(f"Change since {then}", words, change, diverging(LESS, MORE), centred=True))
        shown["change"] = Shown(change, 0.1, unit)
    return {"maps": drawn, "no_change_map": missing, "cells": cells(day.maps, day.zone_names, shown)}


def _site_signs(day: PublishedDay, units: Units) -> list[SiteSign]:
    """Return the sites as signs on the shown grid.

    A site stands in the cell whose square holds it.
    """
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


def _season(shows: Shows) -> Content:
    around = shows.around
    marks = charts.Marks(flown(shows.day.record), around.survey_dates, around.degraded)
    return {
        "gap_days": charts.MOST_GAP_DAYS, "any_degraded": bool(around.degraded), "earlier_seasons": len(around.earlier_seasons) > 0,
        "season_chart": charts.season_chart(around.season, around.earlier_seasons, marks, shows.units.volume),
        "bands_chart": charts.bands_chart(shows.day.level("band"), shows.units),
    }  # fmt: skip


def _zones(shows: Shows) -> Content:
    zones, basin = (
        against(shows.day.level(level), shows.around.earlier_years, shows.day.normals) for level in ("zone", "basin")
    )
    return {"zones": zones, "zone_names": shows.day.zone_names, "zones_whole": basin.rows[0]}


def _bands(shows: Shows) -> Content:
    totals = shows.day.level("band").sort_values("band_low_m", ascending=False)
    return {"bands": against(totals, shows.around.earlier_years, None)}


def rows_of(table: pd.DataFrame) -> list[dict[str, Any]]:
    """Return a table's rows as a template takes them."""
    return table.to_dict("records")


def _profiles(shows: Shows) -> Content:
    day, units = shows.day, shows.units
    bands, fields, inside = day.level("band"), day.maps.fields, day.maps.inside
    middle = (bands["band_low_m"] + bands["band_high_m"]) / 2
    ground = fields["elevation"][inside]

    def profile(name: str, value: str, se: str | None, said: str) -> Profile:
        errors = bands[se] if se else [None] * len(bands)
        points = zip(middle, bands[value], errors, strict=True)
        sites = [
            SitePoint(row["elevation_m"], row[said], row["name"] or row["site_id"], row["kind"], bool(row["used"]))
            for row in day_tables.sites(day)
        ]
        return Profile(ground, fields[name][inside], [BandPoint(*point) for point in points], sites)

    return {
        "profile_chart": profile_chart(
            profile("swe", "swe_mean_mm", "swe_se_mm", "swe_mm"), units.swe, units.elevation, "Snow water equivalent against elevation"
        ),
        "density_chart": profile_chart(
            profile("density", "density_mean_kg_m3", None, "density_kg_m3"), units.density, units.elevation, "Density against elevation", from_zero=False
        ),
        "density_words": day_tables.density_words(day.record),
    }  # fmt: skip


def _outlook(shows: Shows) -> Content:
    melt = day_tables.outlook(shows.day.outlook)
    drawn = charts.outlook_chart(pd.DataFrame(melt["rows"]), shows.units.volume) if melt else ""
    return {"outlook": melt, "outlook_chart": drawn}


def _sites(shows: Shows) -> Content:
    day = shows.day
    outside = int((~day.sites["inside"].astype(bool)).sum())
    return {
        "sites": day_tables.sites(day),
        "outside": f" {outside} of them {'lies' if outside == 1 else 'lie'} outside the basin." if outside else "",
        "site_normals": bool(day_tables.of_normal(day.normals, "site")),
    }


def _flights(shows: Shows) -> Content:
    record = shows.day.record
    return {
        "flights": day_tables.flights(record, shows.units),
        # The role of a flight's file begins with it.
        "flown_before": any(file["role"].partition(" ")[0] == "flight" for file in record["inputs"]),
    }


def _error(shows: Shows) -> Content:
    day, budget = shows.day, day_tables.budget(shows.day.record)
    return {
        "budget": budget, "budget_cure": budget[0]["cure"] if budget else "",
        "budget_chart": charts.shares_chart([row["name"] for row in budget], [row["share"] for row in budget]),
        "skill": day_tables.skill(day.skill, shows.units), "model_words": day_tables.model_words(day.record),
    }  # fmt: skip


def _findings(shows: Shows) -> Content:
    checks = shows.day.checks
    return {"findings": day_tables.findings(checks), "findings_words": day_tables.findings_words(checks)}


def _record(shows: Shows) -> Content:
    command = shows.day.record["command"]
    return {"command": COMMANDS.get(command, command)}


def _nothing(_shows: Shows) -> Content:
    """Return nothing: the names of the whole page are enough."""
    return {}


SECTIONS = [
    Section("chances", _chances),
    Section("maps", _maps),
    Section("season", _season),
    Section("zones", _zones),
    Section("bands", _bands),
    Section("profiles", _profiles),
    Section("earlier_years", _nothing),
    Section("outlook", _outlook),
    Section("sites", _sites),
    Section("flights", _flights),
    Section("error", _error),
    Section("findings", _findings),
    Section("record", _record),
]
"""The sections in the order of the page."""
