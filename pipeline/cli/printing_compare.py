"""What `snowtally compare` says."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from rich.table import Table
from rich.text import Text

from pipeline.cli.printing_archive import changes_text
from pipeline.cli.values import figure, label, plain_rows, volume
from pipeline.inspection.compare import Comparison, Side, models_in_words
from pipeline.report.units import Units

_MOST_PARAMETERS = 12
"""Parameters told of the models, as many as a screen takes."""

_MOVED_MOST = 10
"""Sites that moved most, as many as a screen takes; JSON and files hold all."""


def compare_tables(found: Comparison, units: Units) -> list[Any]:
    """Return what differs from one revision to the other, for people."""
    sides = [f"{side.name} ({side.record['reason']})" for side in (found.a, found.b)]
    files = ", ".join(f"{one['role']} {one['path']}" for one in found.files)
    told = models_in_words(found)[:_MOST_PARAMETERS]
    models = "; ".join(told)
    if len(found.models) > len(told):
        models += f"; and {len(found.models) - len(told)} more, with --json"
    return [
        Text(f"From {sides[0]} to {sides[1]}", style="bold"),
        f"Inputs, settings, code: {changes_text(found.changes)}",
        f"Input files that differ: {files or 'none'}",
        f"Models: {models or 'the same'}",
        _totals(found.totals, units),
        "se: of the change, from errors that both have in common (low) to errors that have nothing in common (high). "
        "Two revisions of one date share nearly all.",
        _map(found, units),
        _sites(found.sites, units),
    ]


def _totals(totals: pd.DataFrame, units: Units) -> Table:
    swe = label(units.swe)
    table = Table(title=f"Totals, {label(units.volume)} and {swe}", title_justify="left")
    table.add_column("")
    for header in ("A", "se", "B", "se", "change", "se low-high", f"A {swe}", f"B {swe}", f"change {swe}"):
        table.add_column(header, justify="right")
    for row in totals[totals["level"] != "zone_band"].itertuples():
        name = row.zone_id if row.level == "zone" else _band(row, units)
        low, high = sorted((row.change_m3_se_shared, row.change_m3_se_apart))
        table.add_row(
            "basin" if row.level == "basin" else name,
            *(_m3(v, units) for v in (row.volume_m3_a, row.volume_se_m3_a, row.volume_m3_b, row.volume_se_m3_b)),
            _signed(row.change_m3, units),
            f"{_m3(low, units)}-{_m3(high, units)}",
            *(_swe(v, units) for v in (row.swe_mean_mm_a, row.swe_mean_mm_b)),
            _swe(row.change_mm, units, signed=True),
        )
    return table


def _band(row: Any, units: Units) -> str:  # noqa: ANN401  a row of itertuples
    low, high = (figure(edge, units.elevation) for edge in (row.band_low_m, row.band_high_m))
    return f"{low}-{high} {label(units.elevation)}"


def _m3(value: float, units: Units) -> str:
    return "" if np.isnan(value) else volume(value, units)


def _signed(value: float, units: Units) -> str:
    return "" if np.isnan(value) else ("-" if value < 0 else "+") + volume(abs(value), units)


def _swe(value: float, units: Units, *, signed: bool = False) -> str:
    return "" if np.isnan(value) else figure(value, units.swe, signed=signed)


def _map(found: Comparison, units: Units) -> str:
    if found.swe_change_mm is None:
        return f"No map of the difference: {found.no_map}"
    values = found.swe_change_mm.to_numpy()
    values = values[np.isfinite(values)]
    if values.size == 0:
        return "No map of the difference: no cell has a value in both"
    low, middle, high = np.percentile(values, (5, 50, 95))
    changed = np.mean(np.abs(values) > 0)
    unit = label(units.swe)
    low, middle, high, least, most = (
        _swe(value, units, signed=True) for value in (low, middle, high, values.min(), values.max())
    )
    return (
        f"Map: {changed:.0%} of the cells differ; change of SWE {low} {unit} (5 %), {middle} {unit} (half), {high} {unit} (95 %), "
        f"from {least} to {most} {unit}"
    )


def _sites(sites: pd.DataFrame, units: Units) -> Table:
    table = Table(title=f"Sites where the map moved most, {label(units.swe)}", title_justify="left")
    for header in ("site", "said A", "said B", "map A", "map B", "map moved"):
        table.add_column(header, justify="left" if header == "site" else "right")
    for row in sites.head(_MOVED_MOST).itertuples():
        figures = (row.said_a_mm, row.said_b_mm, row.estimate_a_mm, row.estimate_b_mm)
        table.add_row(row.site_id, *(_swe(v, units) for v in figures), _swe(row.estimate_change_mm, units, signed=True))
    return table


def compare_json(basin: str, found: Comparison) -> dict[str, Any]:
    """Return what `snowtally compare --json` prints."""
    return {
        "basin": basin,
        "a": _side(found.a),
        "b": _side(found.b),
        "files_that_differ": found.files,
        "changes": found.changes,
        "models": found.models,
        "totals": plain_rows(found.totals),
        "map": None if found.swe_change_mm is None else _map_figures(found.swe_change_mm.to_numpy()),
        "no_map": found.no_map,
        "sites": plain_rows(found.sites),
    }


def _side(side: Side) -> dict[str, Any]:
    keys = ("date", "revision", "reason", "made", "command", "degraded")
    return {key: side.record[key] for key in keys} | {"path": str(side.revision.path)}


def _map_figures(values: np.ndarray) -> dict[str, float]:
    values = values[np.isfinite(values)]
    if values.size == 0:
        return {"cells": 0}
    low, middle, high = (float(v) for v in np.percentile(values, (5, 50, 95)))
    return {
        "cells": int(values.size), "changed": float(np.mean(values != 0)), "least_mm": float(values.min()),
        "p5_mm": low, "median_mm": middle, "p95_mm": high, "most_mm": float(values.max()),
    }  # fmt: skip
