"""What `snowtally compare` says."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from rich.markup import escape
from rich.table import Table
from rich.text import Text

from pipeline.outputs.compare import Comparison, Side, models_in_words
from pipeline.telling_archive import changes_text
from pipeline.telling_values import millions, plain_rows

_MOST_PARAMETERS = 12
"""Parameters told of the models, as many as a screen takes."""

_MOVED_MOST = 10
"""Sites that moved most, as many as a screen takes; JSON and files hold all."""


def compare_tables(found: Comparison) -> list[Any]:
    """Return what differs from one revision to the other, for people."""
    sides = [f"{side.name} ({escape(side.record['reason'])})" for side in (found.a, found.b)]
    files = ", ".join(f"{one['role']} {one['path']}" for one in found.files)
    told = models_in_words(found)[:_MOST_PARAMETERS]
    models = "; ".join(told)
    if len(found.models) > len(told):
        models += f"; and {len(found.models) - len(told)} more, with --json"
    return [
        Text.from_markup(f"[bold]From {sides[0]} to {sides[1]}[/bold]"),
        f"Inputs, settings, code: {escape(changes_text(found.changes))}",
        f"Input files that differ: {escape(files) or 'none'}",
        f"Models: {escape(models) or 'the same'}",
        _totals(found.totals),
        "se: of the change, from errors that both have in common (low) to errors that have nothing in common (high). "
        "Two revisions of one date share nearly all.",
        _map(found),
        _sites(found.sites),
    ]


def _totals(totals: pd.DataFrame) -> Table:
    table = Table(title="Totals, million m3 and mm", title_justify="left")
    table.add_column("")
    for header in ("A", "se", "B", "se", "change", "se low-high", "A mm", "B mm", "change mm"):
        table.add_column(header, justify="right")
    for row in totals[totals["level"] != "zone_band"].itertuples():
        name = row.zone_id if row.level == "zone" else f"{row.band_low_m:.0f}-{row.band_high_m:.0f} m"
        low, high = sorted((row.change_m3_se_shared, row.change_m3_se_apart))
        table.add_row(
            "basin" if row.level == "basin" else escape(name),
            *(_m3(v) for v in (row.volume_m3_a, row.volume_se_m3_a, row.volume_m3_b, row.volume_se_m3_b)),
            _signed(row.change_m3),
            f"{_m3(low)}-{_m3(high)}",
            *("" if np.isnan(v) else f"{v:.0f}" for v in (row.swe_mean_mm_a, row.swe_mean_mm_b)),
            "" if np.isnan(row.change_mm) else f"{row.change_mm:+.0f}",
        )
    return table


def _m3(value: float) -> str:
    return "" if np.isnan(value) else millions(value)


def _signed(value: float) -> str:
    return "" if np.isnan(value) else ("-" if value < 0 else "+") + millions(abs(value))


def _map(found: Comparison) -> str:
    if found.swe_change_mm is None:
        return f"No map of the difference: {found.no_map}"
    values = found.swe_change_mm.to_numpy()
    values = values[np.isfinite(values)]
    if values.size == 0:
        return "No map of the difference: no cell has a value in both"
    low, middle, high = np.percentile(values, (5, 50, 95))
    changed = np.mean(np.abs(values) > 0)
    return (
        f"Map: {changed:.0%} of the cells differ; change of SWE {low:+.0f} mm (5 %), {middle:+.0f} mm (half), {high:+.0f} mm (95 %), "
        f"from {values.min():+.0f} to {values.max():+.0f} mm"
    )


def _sites(sites: pd.DataFrame) -> Table:
    table = Table(title="Sites where the map moved most, mm", title_justify="left")
    for header in ("site", "said A", "said B", "map A", "map B", "map moved"):
        table.add_column(header, justify="left" if header == "site" else "right")
    for row in sites.head(_MOVED_MOST).itertuples():
        figures = (row.said_a_mm, row.said_b_mm, row.estimate_a_mm, row.estimate_b_mm)
        moved = "" if np.isnan(row.estimate_change_mm) else f"{row.estimate_change_mm:+.0f}"
        table.add_row(escape(row.site_id), *("" if np.isnan(v) else f"{v:.0f}" for v in figures), moved)
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
