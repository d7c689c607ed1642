"""Tables of a day's page, row by row: sites, flights against the ground, parts of the error, skill, findings, the outlook."""

from __future__ import annotations

import datetime as dt
from pathlib import PurePosixPath
from typing import Any

import pandas as pd

from snowtally.model.problems import SEVERITIES
from snowtally.report.published import PublishedDay
from snowtally.report.units import Units
from snowtally.report.words import error_part, short_date

NAMED_SITES = 6
"""Sites named behind a finding; of more the page tells how many there are."""


def sites(day: PublishedDay) -> list[dict[str, Any]]:
    """Return the rows of `sites.csv` with names and differences.

    A difference is from the estimate without the site; `per_cent` is of normal.
    """
    names = day.site_names.drop_duplicates("site_id")
    known = {
        site_id: (name, kind) for site_id, name, kind in names[["site_id", "name", "kind"]].itertuples(index=False)
    }
    normals = of_normal(day.normals, "site")
    rows = []
    for row in day.sites.sort_values("elevation_m", kind="stable").to_dict("records"):
        name, kind = known.get(row["site_id"], ("", ""))
        rows.append(
            row
            | {
                "name": name, "kind": kind, "used": bool(row["used"]), "remark": "" if pd.isna(row["reason"]) else row["reason"],
                "difference_mm": row["swe_mm"] - row["estimate_without_mm"],
                "per_cent": normals.get(row["site_id"]),
            }
        )  # fmt: skip
    return rows


def basin_normal(normals: pd.DataFrame | None) -> dict[str, Any] | None:
    """Return the basin's row of `normals.csv`, None where there is none."""
    if normals is None:
        return None
    rows = normals[normals["level"] == "basin"].to_dict("records")
    return rows[0] | {"period": "" if pd.isna(rows[0]["period"]) else rows[0]["period"]} if rows else None


def of_normal(normals: pd.DataFrame | None, level: str) -> dict[str, float]:
    """Return per cent of normal by identifier. `level` is "site" or "zone"; empty where none of them has a normal."""
    if normals is None:
        return {}
    rows = normals[normals["level"] == level]
    return dict(zip(rows["site_id"], rows["per_cent"], strict=True))


def flights(record: dict[str, Any], units: Units) -> list[dict[str, Any]]:
    """Return the day's flights, newest first, with differences by site."""
    rows = []
    for flight in sorted(record["models"].get("flights", []), key=lambda one: one["date"], reverse=True):
        ground = flight.get("by_site") or {}
        rows.append(
            {
                "flight_id": flight["flight_id"],
                "date_words": short_date(dt.date.fromisoformat(flight["date"])),
                "words": _flight_words(flight, ground, units),
                "sites": ground.get("sites_compared", []),
            }
        )
    return rows


def _flight_words(flight: dict[str, Any], ground: dict[str, Any], units: Units) -> str:
    depth = units.depth
    area = f"{units.area.text(flight['seen_area_km2'])} {units.area.label}"
    # Earlier versions told the whole area alone.
    share = flight.get("seen_of_basin")
    sentences = [
        f"It saw {area}, ground around the basin included."
        if share is None
        else f"It saw {100 * share:.0f} % of the basin, {area} with the ground around it."
    ]
    if ground.get("offset_m") is not None:
        done = "taken off" if ground.get("applied") else "not taken off"
        sentences.append(
            f"At {ground['sites']} {'site' if ground['sites'] == 1 else 'sites'} its depth differs from the ground's by {depth.text(ground['offset_m'], signed=True)} {depth.label} (median; {done})"
            + (
                f", with a spread of {depth.text(ground['nmad_m'])} {depth.label} (NMAD)."
                if ground.get("nmad_m") is not None
                else "."
            )
        )
    else:
        sentences.append("No site was measured near that day, so it is not compared with the ground.")
    sentences.append(f"Standard error of its offset: {depth.text(flight['depth_bias_se_m'])} {depth.label}.")
    if flight.get("registration"):
        placed = flight["registration"]
        shifts = {"east_m": units.elevation, "north_m": units.elevation, "up_m": depth}
        east, north, up = (f"{unit.text(placed[key], signed=True)} {unit.label}" for key, unit in shifts.items())
        sentences.append(f"Moved to fit stable ground: {east} east, {north} north, {up} up.")
    if flight.get("stable_ground"):
        shown = flight["stable_ground"]
        sentences.append(
            f"On {shown['pixels']} pixels of stable ground its depth was {depth.text(shown['up_m'], signed=True)} {depth.label} "
            "(median; taken off)."
        )
    return " ".join(sentences)


def budget(record: dict[str, Any]) -> list[dict[str, Any]]:
    """Return the parts of the total's error that count, largest first.

    Name, share and per cent of the variance, what cuts it.
    """
    parts = sorted(record["error_budget"].items(), key=lambda item: -(item[1] or 0.0))
    least = 0.005
    return [
        {"key": key, "name": error_part(key)[0], "cure": error_part(key)[1], "share": share, "per_cent": 100 * share}
        for key, share in parts
        if isinstance(share, int | float) and share >= least
    ]


def skill(table: pd.DataFrame, units: Units) -> list[dict[str, Any]]:
    """Return the rows of `skill.csv` with coverages in per cent. Each has the unit of its errors."""
    shown = table.assign(cover50_per_cent=100 * table["cover50"], cover90_per_cent=100 * table["cover90"])
    return [
        row | {"unit": units.density if row["part"] == "density" else units.swe} for row in shown.to_dict("records")
    ]


def density_words(record: dict[str, Any]) -> str:
    """Return how density came to be, for the line beneath its chart."""
    model = record["models"].get("density", {})
    if "relation" not in model:
        return "Line: band means. Pale area: 80 % of the cells. Signs: the last weighed density of each site."
    earlier = model.get("earlier_seasons", {"records": 0})
    # Days published before 2026-12 may hold visits that moved nothing: their share is 0.
    moves = earlier["records"] and (earlier.get("share", 1.0) or earlier.get("bias"))
    moved = f", moved by {earlier['records']} visits of earlier seasons" if moves else ""
    return (
        f"Line: band means. Pale area: 80 % of the cells. Signs: the last weighed density of each site. From the relation of {model['relation']} "
        f"({model.get('snow_class', '')} snow){moved}, brought to {model.get('records', 0)} weighings of the sites."
    )


_BLENDS = {
    "flight": "the flight of the day, and in its gaps the sites and the terrain",
    "carried flight": "the last flight, the snowfall and melt since then, and the sites",
}


def model_words(record: dict[str, Any]) -> str:
    """Return which model the map was taken from."""
    name = record["models"].get("blend", {}).get("name")
    return f"The map is made from {_BLENDS.get(name, name)}." if name else "The record names no model of the map."


def findings(checks: pd.DataFrame) -> list[dict[str, Any]]:
    """Return the findings in groups, most serious first. A group shares severity, table, rule and action.

    Each group: how many, which sites and when, evidence, file, line and remedy of its first in the order of `checks.csv`.
    """
    keys = ["severity", "table", "rule", "action"]
    rows = []
    for (severity, table, rule, action), group in checks.fillna("").groupby(keys, sort=False):
        first = group.iloc[0]
        file = PurePosixPath(str(first["file"]).replace("\\", "/")).name
        line = f"{file}, line {first['line']}" if first["line"] else file
        evidence = f"{first['evidence']}{f' [{line}]' if line else ''}".strip()
        more = f"First of {len(group)}: " if len(group) > 1 else ""
        rows.append(
            {
                "severity": severity, "table": table, "rule": rule, "action": action, "count": len(group),
                "where": _where(group), "evidence": more + evidence, "detail": first["detail"],
            }
        )  # fmt: skip
    return sorted(rows, key=lambda row: (SEVERITIES.get(row["severity"], len(SEVERITIES)), -row["count"], row["rule"]))


def _where(group: pd.DataFrame) -> str:
    named = sorted(set(group["site_id"]) - {""})
    sites = ", ".join(named) if len(named) <= NAMED_SITES else f"{len(named)} sites"
    first = min((time[:10] for time in group["start"] if time), default="")
    last = max((time[:10] for time in [*group["end"], *group["start"]] if time), default="")
    when = first if first == last else f"{first} to {last}"
    return ", ".join(part for part in (sites, when) if part)


def findings_words(checks: pd.DataFrame) -> str:
    """Return how many findings of each severity there are, in one sentence."""
    counts = checks["severity"].value_counts()
    counted = [f"{counts[name]} {name}{'s' if counts[name] != 1 else ''}" for name in SEVERITIES if name in counts]
    aside = int((checks["action"] == "set aside").sum())
    return f"{', '.join(counted)}; {aside} set aside."


def outlook(table: pd.DataFrame | None) -> dict[str, Any] | None:
    """Return the basin's outlook by day, its sum and melt-out. None where there is no outlook."""
    if table is None or table.empty:
        return None
    rows = table[table["level"] == "basin"].sort_values("day", kind="stable")
    if rows.empty:
        return None
    out = rows["melt_out_p50"].iloc[-1] if "melt_out_p50" in rows else None
    words = f"50 % likely that the basin is melted out by {out}." if isinstance(out, str) and out else ""
    # Errors of the days are nearly one and the same.
    whole = {name: float(rows[name].sum()) for name in ("melt_m3", "melt_se_m3")}
    return {"rows": rows.to_dict("records"), "words": words, "whole": whole}
