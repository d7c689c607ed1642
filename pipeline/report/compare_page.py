"""The page of a comparison: two dates or revisions side by side, with the map of their difference."""

from __future__ import annotations

from typing import Any

import numpy as np

from snowtally.inspection.compare import Comparison, Side
from snowtally.report.cells import Shown, cells
from snowtally.report.colours import LESS, MORE, WATER, diverging, sequential
from snowtally.report.compare_sentences import sentences
from snowtally.report.maps import Layer, Sheet
from snowtally.report.pictures import Legend, legend
from snowtally.report.published import PublishedDay, read_day, swe_on
from snowtally.report.templating import page
from snowtally.report.units import Units, number
from snowtally.report.words import COMMANDS

COMPARE_PAGE = "comparison.html"

_LEVELS = {"basin": "Basin", "zone": "Zone", "band": "Band"}


def compare_page(comparison: Comparison, basin: str, units: Units) -> bytes:
    """Return the page of a comparison. Raises ArchiveError when one of the two cannot be read."""
    one, other = (
        read_day(side.root, basin, side.revision.date, side.revision.number) for side in (comparison.a, comparison.b)
    )
    shared = swe_on(other.maps, comparison.a.root, basin, comparison.a.revision) if not comparison.no_map else None
    content = {
        "title": other.record["title"], "basin": basin, "u": units, "a": _side(comparison.a, comparison.names[0]), "b": _side(comparison.b, comparison.names[1]),
        "maps": _maps((one, other), comparison.names, shared, units),
        "no_map": comparison.no_map or "the two have not each cell in common" if shared is None else "",
        "totals": [_total(row, units, other.zone_names) for row in comparison.totals.to_dict("records") if row["level"] in _LEVELS],
        "sites": comparison.sites.to_dict("records"), "changes": sentences(comparison, units),
        "files": comparison.files, "cells": _cells(other, shared, units),
    }  # fmt: skip
    return page("compare.html.j2", content)


def _side(side: Side, name: str) -> dict[str, Any]:
    record = side.record
    return {
        "name": name, "reason": record["reason"], "made": record["made"], "degraded": record["degraded_reasons"],
        "command": COMMANDS.get(record["command"], record["command"]), "version": record["code"]["version"],
    }  # fmt: skip


def _maps(
    days: tuple[PublishedDay, PublishedDay], names: tuple[str, str], shared: np.ndarray | None, units: Units
) -> dict[str, Any]:
    unit = units.swe
    # One scale for both: the same colour is the same snow.
    scales = [legend(day.maps.fields["swe"], factor=unit.factor) for day in days]
    scale = Legend(0.0, max(s.high for s in scales), any(s.beyond for s in scales))
    drawn: dict[str, Any] = {"change": None}
    sheets = [Sheet(day.maps, [], units.distance) for day in days]
    for key, day, name, sheet in zip(("a", "b"), days, names, sheets, strict=True):
        words = f"{unit.label}, {name}."
        drawn[key] = sheet.draw(Layer(f"SWE, {name}", words, day.maps.fields["swe"], sequential(WATER), scale, unit))
    if shared is not None:
        change = days[1].maps.fields["swe"] - shared
        words = f"{unit.label}, from {names[0]} to {names[1]}: blue more, brown less."
        drawn["change"] = sheets[1].draw(
            Layer(
                "Difference",
                words,
                change,
                diverging(LESS, MORE),
                legend(change, centred=True, factor=unit.factor),
                unit,
            )
        )
    return drawn


def _total(row: dict[str, Any], units: Units, zone_names: dict[str, str]) -> dict[str, Any]:
    """Return a row of the totals."""
    band = units.band
    name = _LEVELS[row["level"]]
    if row["level"] == "zone":
        name = zone_names.get(row["zone_id"], row["zone_id"])
    elif row["level"] == "band":
        name = f"{band.text(row['band_low_m'])}\u2013{band.text(row['band_high_m'])} {band.label}"
    se = row["change_m3_se"]
    return row | {
        "name": name,
        "key": f"{row['level']}|{row['zone_id'] if row['level'] == 'zone' else ''}|{row['band_low_m'] if row['level'] == 'band' else ''}",
        "change": number(row["change_m3"], units.volume, se, of="change_m3", signed=True),
        "change_se": number(se, units.volume, se, of="change_m3_se"),
    }


def _cells(day: PublishedDay, shared: np.ndarray | None, units: Units) -> dict[str, Any] | None:
    """Return what the script looks cells up in. Both sides' SWE and their difference; None without a common grid."""
    if shared is None:
        return None
    maps, unit = day.maps, units.swe
    swe = maps.fields["swe"]
    shown = {"swe_a": shared, "swe": swe, "change": swe - shared}
    return cells(maps, day.zone_names, {name: Shown(values, 0.1, unit) for name, values in shown.items()})
