"""The page of a dry run: where the sites lie, what the flights cover, the season's time-line, and the same in words."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from markupsafe import Markup

from snowtally.archive.current import Loss
from snowtally.model.basin import Basin
from snowtally.model.dry_run import DryRun, FlightUse, SiteUse
from snowtally.report.cells import Shown, cells
from snowtally.report.colours import GROUND, MORE, sequential
from snowtally.report.day_tables import findings, findings_words
from snowtally.report.labels import Labels
from snowtally.report.maps import Layer, Map, Sheet, SiteSign
from snowtally.report.notices import grouped
from snowtally.report.pictures import Legend, borders
from snowtally.report.published import Maps, stride_of
from snowtally.report.svg import tag
from snowtally.report.templating import page
from snowtally.report.timeline import Row, rows_of, stretches_words, timeline
from snowtally.report.units import Unit, Units
from snowtally.report.words import flight_words, long_date

EVERY_SITE = math.inf
"""Sites on the grid stretch the map as far as they lie: it is there to show where they are."""


def check_page(run: DryRun, losses: Sequence[Loss], units: Units) -> bytes:
    """Return the page of a dry run.

    Parameters
    ----------
    losses : what would degrade the night.
    """
    maps = _maps(run.basin)
    signs = [_sign(site, maps, units) for site in run.sites if site.on_grid]
    sheet = Sheet(maps, signs, units.distance, most_margin=EVERY_SITE)
    elevation = Shown(maps.fields["elevation"], 0.1, units.elevation)
    content = {
        "title": run.title, "basin": run.day.basin_id, "date": run.day.date.isoformat(), "day_words": long_date(run.day.date), "u": units,
        "impossible": run.impossible, "lacking": grouped(list(losses)),
        "site_map": _site_map(run, sheet, units), "stride": maps.stride, "lie_words": _lie_words(run.sites, units),
        "flight_maps": [_flight_map(one, one.seen, sheet) for one in run.flights if one.seen is not None],
        "flights": [{"words": flight_words(one)} for one in run.flights],
        "timeline": timeline(run), "series": [_series_row(row) for row in rows_of(run)], "sites": run.sites, "near": near(units),
        "inputs": run.inputs, "findings": findings(run.findings), "findings_words": findings_words(run.findings),
        "cells": cells(maps, dict(run.basin.zones), {"elevation": elevation}),
    }  # fmt: skip
    return page("check.html.j2", content)


def near(units: Units) -> Unit:
    """Return the unit of short distances: that of distances with a tenth."""
    return replace(units.distance, decimals=1)


# --- maps -------------------------------------------------------------------------------------------------------------


def _maps(basin: Basin) -> Maps:
    """Return the basin's terrain, margin too, as a page shows grids."""
    grid = basin.grid
    stride = stride_of(grid.height * grid.width)
    shown = slice(stride // 2, None, stride)
    fields = {name: basin.terrain[name].to_numpy()[shown, shown].astype(float) for name in ("elevation", "zone")}
    turned = float(basin.terrain["convergence"].to_numpy()[grid.height // 2, grid.width // 2])
    return Maps(fields, grid.x[shown], grid.y[shown], grid.cell_m, stride, -turned, grid.crs.to_wkt())


def _cell(site: SiteUse, maps: Maps) -> tuple[float, float]:
    """Return column and row of a site in shown cells, fractions allowed."""
    return (site.x - maps.x[0]) / maps.step_m + 0.5, (maps.y[0] - site.y) / maps.step_m + 0.5


def _sign(site: SiteUse, maps: Maps, units: Units) -> SiteSign:
    value = (
        f", {units.swe.text(site.swe_mm)} {units.swe.label} on {site.measured_on}"
        if site.measured_on and math.isfinite(site.swe_mm)
        else ""
    )
    words = f"{site.name or site.site_id}: {site.kind}, {_lies(site, units)}{value}{'' if site.counts else ', no value near the date'}"
    return SiteSign(*_cell(site, maps), site.kind, site.counts, words)


def _lies(site: SiteUse, units: Units) -> str:
    """Return where a site lies in words."""
    if site.lies == "inside":
        return "inside"
    if not math.isfinite(site.outside_m):
        return "off the map: its coordinates have no place on the grid"
    distance = near(units)
    far = f"{distance.text(site.outside_m)} {distance.label}"
    return f"{far} outside the basin" + ("" if site.on_grid else ", outside the margin: left out")


def _site_map(run: DryRun, sheet: Sheet, units: Units) -> Map:
    """Return the map of elevation with zones and sites by name."""
    elevation, zone = sheet.maps.fields["elevation"], sheet.maps.fields["zone"]
    colours = sequential(GROUND)
    layer = Layer(
        "Sites, zones and ground", f"{units.elevation.label}, ground over shaded relief; thick line: the basin, thin lines: its zones.",
        elevation, colours, _heights(elevation, units.elevation), units.elevation,
    )  # fmt: skip
    labels = Labels(sheet.window)
    names = [labels.over(name, zone == number) for number, (_, name) in enumerate(run.basin.zones, 1)]
    on_grid = [(site, *_cell(site, sheet.maps)) for site in run.sites if site.on_grid]
    off = [(site, *_edge(site, sheet)) for site in run.sites if not site.on_grid and math.isfinite(site.outside_m)]
    for _, column, row in (*on_grid, *off):
        labels.take(column, row, 0.5 * labels.size)
    names += [labels.beside(site.site_id, column, row) for site, column, row in on_grid]
    names += [labels.beside(f"{site.site_id} outside the margin", column, row) for site, column, row in off]
    crosses = [_cross(column, row, labels.size, f"{site.site_id}: {_lies(site, units)}") for site, column, row in off]
    return sheet.draw(layer, [*crosses, *(name for name in names if name is not None)])


def _heights(elevation: np.ndarray, unit: Unit) -> Legend:
    """Return the scale of elevations, from a round number below the lowest to one above the highest."""
    known = unit.factor * elevation[np.isfinite(elevation)]
    step = 200.0
    low, high = (np.floor(known.min() / step), np.ceil(known.max() / step)) if known.size else (0.0, 1.0)
    return Legend(step * low / unit.factor, step * max(high, low + 1) / unit.factor, beyond=False)


def _edge(site: SiteUse, sheet: Sheet) -> tuple[float, float]:
    """Return where a site off the map is drawn: at the map's edge, on the line from its middle to the site."""
    left, top, width, height = sheet.window
    column, row = _cell(site, sheet.maps)
    middle = left + width / 2, top + height / 2
    across, down = column - middle[0], row - middle[1]
    share = 0.94 / max(abs(across) / (width / 2), abs(down) / (height / 2), 0.94)
    return middle[0] + share * across, middle[1] + share * down


def _cross(column: float, row: float, size: float, words: str) -> Markup:
    arm = 0.4 * size
    shape = (
        f"M{column - arm:.2f} {row - arm:.2f}l{2 * arm:.2f} {2 * arm:.2f}m0 {-2 * arm:.2f}l{-2 * arm:.2f} {2 * arm:.2f}"
    )
    return tag("path", tag("title", words), d=shape, class_="off", stroke_width=round(0.22 * size, 2))


_PER_CENT = Unit("%", 100.0, 0, 1)
"""Shares as a map's scale has them (definition)."""


def _flight_map(flight: FlightUse, seen: np.ndarray, sheet: Sheet) -> Map:
    """Return the map of what a flight saw, (y, x) of the grid."""
    stride = sheet.maps.stride
    shown = slice(stride // 2, None, stride)
    share = np.nan_to_num(seen[shown, shown])
    edges = "".join(borders((share > 0).astype(float)))
    size = max(sheet.window[2:])
    line = tag("path", d=edges, class_="footprint", stroke_width=round(size / 200, 3))
    caption = "% of each cell that it saw. Dashed line: the edge of what it saw."
    values, scale = np.where(share > 0, share, np.nan), Legend(0.0, 1.0, beyond=False)
    return sheet.draw(Layer(flight_words(flight), caption, values, sequential(MORE[:4]), scale, _PER_CENT), [line])


# --- words and tables -------------------------------------------------------------------------------------------------


def _lie_words(sites: Sequence[SiteUse], units: Units) -> str:
    """Return in a sentence how many sites lie where."""
    counts = {lies: sum(site.lies == lies for site in sites) for lies in ("inside", "outside", "outside the margin")}
    out = [site.outside_m for site in sites if site.lies == "outside"]
    furthest = f" (up to {near(units).text(max(out))} {units.distance.label})" if out else ""
    parts = [f"{counts['inside']} of {len(sites)} sites lie inside the basin"]
    parts += [f"{counts['outside']} outside it but inside the margin{furthest}"] if counts["outside"] else []
    parts += [f"{counts['outside the margin']} outside the margin and left out"] if counts["outside the margin"] else []
    silent = [site.site_id for site in sites if site.on_grid and not site.counts]
    tail = f" No value near the date: {', '.join(silent)}." if silent else ""
    return f"{', '.join(parts)}.{tail}"


def _series_row(row: Row) -> dict[str, Any]:
    """Return a row of the time-line in words."""
    return {
        "name": row.name, "kind": row.kind, "first": row.first, "last": row.last, "days": sum(one.days for one in row.used),
        "aside": stretches_words(row.aside), "holes": stretches_words(row.holes),
        "hole_days": sum(one.days for one in row.holes),
    }  # fmt: skip
