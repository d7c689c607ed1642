"""A dry run as the command line prints it: what a night would use, by input, by site and by flight."""

from __future__ import annotations

import datetime as dt
import math
from typing import TYPE_CHECKING, Any

from snowtally.cli import base
from snowtally.cli.values import figure, label
from snowtally.report.words import short_month

if TYPE_CHECKING:
    from rich.table import Table

    from snowtally.model.dry_run import DryRun, InputUse, SiteUse, Stretch
    from snowtally.report.units import Units

NAMED_FILES = 2
"""Files of an input that are named; of more the line has their number (chosen, so that a row stays short)."""


def inputs_table(inputs: list[InputUse]) -> Table:
    """Return the inputs as a table: files, rows, first and last day."""
    headers = "input", "files", "rows read", "used", "set aside", "first day", "last day"
    rows = [
        (one.role, _files(one.files), *(_count(n) for n in (one.read, one.used, one.set_aside)), _day(one.first), _day(one.last))
        for one in inputs
    ]  # fmt: skip
    return base.table("By input, this season up to the date", headers, rows, words=2)


def unit_lines(inputs: list[InputUse]) -> list[str]:
    """Return the units and clocks of the inputs, a line each."""
    return [f"{one.role}: {'; '.join(one.declared)}" for one in inputs if one.declared]


def gives_nothing(run: DryRun) -> list[str]:
    """Return a line for each input that gives nothing for the date, though it has files."""
    lines = []
    for one in run.inputs:
        last = f", the last row is of {one.last}" if one.last else ""
        kind = KINDS.get(one.role)
        if one.read == 0:
            lines.append(f"{one.role}: no row of {_files(one.files)} is of this season up to {run.day.date}")
        elif one.used == 0:
            lines.append(f"{one.role}: all {one.read} rows of {_files(one.files)} are set aside; the findings say why")
        elif kind and not any(site.counts for site in run.sites if site.kind == kind):
            lines.append(f"{one.role}: no {kind} has a value near enough to {run.day.date} to count{last}")
    return lines


KINDS = {"courses": "course", "stations": "station"}
"""The kind of the sites that a table has values of."""


def sites_table(sites: list[SiteUse], units: Units) -> Table:
    """Return the sites as a table."""
    headers = "site", "kind", "lies", "stated", "ground", "last", "SWE", "used/aside", "holes", "findings"
    rows = [
        (
            f"{one.site_id}{'' if one.counts else ' *'}", one.kind, lies_words(one, units), figure(one.stated_m, units.elevation),
            figure(one.terrain_m, units.elevation), _short(one.measured_on), figure(one.swe_mm, units.swe),
            f"{one.used}/{one.set_aside}", _days(one.holes), f"{one.findings}: {one.worst}" if one.findings else "",
        )
        for one in sites
    ]  # fmt: skip
    drawn = base.table("By site, this season up to the date", headers, rows, words=3, lean=True)
    for column in drawn.columns[:-1]:
        column.no_wrap = True
    drawn.columns[-1].justify = "left"
    return drawn


def sites_note(units: Units) -> str:
    """Return what the columns of the sites' table mean."""
    return (
        f"stated, ground: elevation in the table and of the terrain there, {label(units.elevation)}. last, SWE: day and SWE "
        f"({label(units.swe)}) of the last value. used/aside: rows of which something is used, of which SWE or depth is set aside. "
        "holes: days without any value since a station's first. *: no value near enough to the date to count."
    )


def lies_words(site: SiteUse, units: Units) -> str:
    """Return where a site lies: inside, or how far outside."""
    if site.lies == "inside":
        return "inside"
    if not math.isfinite(site.outside_m):
        return "off the map"
    far = f"{figure(site.outside_m, units.distance, finer=1)} {label(units.distance)}"
    return f"{far} out" if site.on_grid else f"{far} off"


def plain(run: DryRun) -> dict[str, Any]:
    """Return what a night would use as plain values, in the archive's units."""
    return {
        "inputs": [
            {
                "input": one.role, "files": one.files, "read": one.read, "used": one.used, "set_aside": one.set_aside,
                "first": _iso(one.first), "last": _iso(one.last), "units": one.units, "clock": one.clock,
            }
            for one in run.inputs
        ],
        "sites": [_plain_site(one) for one in run.sites],
        "coverage": [
            {"flight_id": one.flight_id, "date": str(one.date), "seen_of_basin": one.share} for one in run.flights
        ],
    }  # fmt: skip


def _plain_site(site: SiteUse) -> dict[str, Any]:
    return {
        "site_id": site.site_id, "name": site.name, "kind": site.kind, "lies": site.lies, "outside_m": _finite(site.outside_m),
        "stated_m": _finite(site.stated_m), "terrain_m": _finite(site.terrain_m), "counts": site.counts,
        "swe_mm": _finite(site.swe_mm), "measured_on": _iso(site.measured_on), "used": site.used, "set_aside": site.set_aside,
        "days_with_value": sum(one.days for one in site.with_value), "days_set_aside": sum(one.days for one in site.aside),
        "holes": [{"first": str(one.first), "last": str(one.last), "days": one.days} for one in site.holes],
        "findings": site.findings, "worst": site.worst,
    }  # fmt: skip


def _files(names: list[str]) -> str:
    return ", ".join(names) if len(names) <= NAMED_FILES else f"{len(names)} files"


def _count(number: int | None) -> str:
    return "" if number is None else str(number)


def _day(day: dt.date | None) -> str:
    return "" if day is None else str(day)


def _short(day: dt.date | None) -> str:
    return "none" if day is None else f"{day.day} {short_month(day)}"


def _iso(day: dt.date | None) -> str | None:
    return None if day is None else str(day)


def _finite(value: float) -> float | None:
    return float(value) if math.isfinite(value) else None


def _days(parts: list[Stretch]) -> str:
    days = sum(one.days for one in parts)
    return f"{days} d" if days else ""
