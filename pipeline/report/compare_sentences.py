"""What changed from one revision to another, in sentences: first the data, then what they moved, then settings and models."""

from __future__ import annotations

import math
from collections.abc import Iterator

import pandas as pd

from snowtally.inspection.compare import Comparison
from snowtally.report.units import Units

MOST_SITES = 10
"""Sites with a sentence of their own, as many as a screen takes (chosen); tables and JSON hold all."""

MOST_MOVED = 3
"""Sites named where the map moved most (chosen): the table of sites has the others."""

OF_SITES = ("courses", "stations", "sites", "overrides", "earlier_visits", "earlier_pairs")
"""Archived tables whose rows are about a site."""

IN_WORDS = {
    "courses": "course samples", "stations": "station readings", "sites": "entries in the list of sites",
    "overrides": "overrides", "earlier_visits": "visits of earlier seasons",
    "earlier_pairs": "flown depths of earlier seasons", "weather": "days of the weather table",
    "earlier_issues": "earlier forecasts", "normals": "normals", "flights": "flights",
}  # fmt: skip
"""What the rows of an archived table are called."""


def sentences(comparison: Comparison, units: Units) -> list[str]:
    """Return what changed, why, and what it moved, a sentence each.

    First come sites whose own rows changed, most moved first, then flights, grids and other tables, then the basin, then settings,
    program and models. Where the data are the same, that is said.
    """
    data = [*_sites(comparison, units), *_tables(comparison)]
    return [
        *(data or ["The measurements are the same."]),
        _moved(comparison, units),
        *_settings(comparison),
        *_models(comparison),
    ]


def _sites(comparison: Comparison, units: Units) -> Iterator[str]:
    own: dict[str, list[str]] = {}
    for table in OF_SITES:
        for one in comparison.changes["rows"].get(table, {}).get("where", []):
            if one["site_id"]:
                own.setdefault(one["site_id"], []).append(f"{_counted(one, table)}{_days(one)}")
    listed = comparison.sites.set_index("site_id").reindex(own)
    listed["moved"] = listed["said_change_mm"].abs()
    # One that said nothing on one side moved more than any number tells.
    listed.loc[listed["said_a_mm"].isna() != listed["said_b_mm"].isna(), "moved"] = math.inf
    order = listed["moved"].sort_values(ascending=False, kind="stable").index
    for site_id in order[:MOST_SITES]:
        yield f"{site_id}: {_said(listed.loc[site_id], units)} ({'; '.join(own[site_id])})."
    if len(order) > MOST_SITES:
        yield f"{len(order) - MOST_SITES} more sites have other rows; the table of sites shows their values."


def _said(row: pd.Series, units: Units) -> str:
    was, now = (_swe(row[f"said_{side}_mm"], units) for side in "ab")
    return f"{now}, as before" if was == now else f"{was} before, {now} now"


def _swe(mm: float, units: Units) -> str:
    return "no SWE" if math.isnan(mm) else f"{units.swe.text(mm)} {units.swe.label}"


def _counted(rows: dict[str, int], table: str) -> str:
    words = {"came": "new", "went": "taken out", "changed": "corrected"}
    counts = " and ".join(f"{rows[key]} {word}" for key, word in words.items() if rows[key])
    return f"{IN_WORDS[table]}: {counts}"


def _days(rows: dict[str, str]) -> str:
    if not rows["start"]:
        return ""
    return f", {rows['start']}" if rows["start"] == rows["end"] else f", {rows['start']} to {rows['end']}"


def _tables(comparison: Comparison) -> Iterator[str]:
    changes = comparison.changes
    for table, rows in changes["rows"].items():
        if table not in OF_SITES:
            yield f"{_counted(rows, table).capitalize()}."
    for outcome, words in (("came", "new"), ("went", "no longer used"), ("changed", "another one now")):
        names = changes["grids"][outcome]
        if names:
            yield f"Grids, {words}: {', '.join(names)}."
    for table in changes["unreadable"]:
        yield f"What changed in the {IN_WORDS[table]} is not known: the archive no longer has both sides."


def _moved(comparison: Comparison, units: Units) -> str:
    basin = comparison.totals.loc[comparison.totals["level"] == "basin"].iloc[0]
    was, now = (_swe(basin[f"swe_mean_mm_{side}"], units) for side in "ab")
    words = f"is {now}, as before" if was == now else f"was {was} before and is {now} now"
    least = 0.5 * 10.0**-units.swe.decimals / units.swe.factor
    sites = comparison.sites[comparison.sites["estimate_change_mm"].abs() >= least].head(MOST_MOVED)
    moved = [
        f"{row.site_id} ({units.swe.text(row.estimate_change_mm, signed=True)} {units.swe.label})"
        for row in sites.itertuples()
    ]
    most = f" At the sites the map changed most at {', '.join(moved)}." if moved else ""
    return f"The basin's mean SWE {words}.{most}"


def _settings(comparison: Comparison) -> Iterator[str]:
    for one in comparison.changes["settings"]:
        yield f"Setting {one['key']}: {_value(one['was'])} before, {_value(one['is'])} now."
    code = comparison.changes["code"]
    if code:
        yield f"The program: {code['was']} before, {code['is']} now."


def _value(value: object) -> str:
    return "not given" if value is None else str(value)


def _models(comparison: Comparison) -> Iterator[str]:
    parts = dict.fromkeys(one["key"].split(".")[0] for one in comparison.models)
    if parts:
        names = ", ".join(part.replace("_", " ") for part in parts)
        yield f"{len(comparison.models)} figures of the models differ ({names}); --json lists them."
