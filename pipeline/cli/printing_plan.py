"""What `snowtally plan` says."""

from __future__ import annotations

from typing import Any

from rich.table import Table

from pipeline.cli.values import label, plain_rows, volume
from pipeline.planning.plan import AVALANCHE_DEGREES, BELOW_STEEP_M, Plan
from pipeline.report.units import Units

CAUTION = (
    "A place in this table is worth measuring; nothing here says that it is safe to reach or to stand on. Terrain marked "
    f"'steep' is {AVALANCHE_DEGREES:.0f} degrees or more or within {BELOW_STEEP_M:.0f} m of such ground, by cells that hide "
    "steeper places; ground without a mark may be avalanche ground too. Follow the local avalanche bulletin, your service's "
    "rules and licensed guides; flights are the operator's to plan."
)
FEW_PRESENT = 8


def plan_tables(found: Plan, units: Units) -> list[Any]:
    """Return what further measurements would be worth, for people."""
    share = 100 * found.volume_se_m3 / found.volume_m3 if found.volume_m3 > 0 else 0.0
    parts: list[Any] = [
        f"{found.date}, {found.total}: {volume(found.volume_m3, units)} +- {volume(found.volume_se_m3, units)} {label(units.volume)} "
        f"({share:.0f} %). Each row tells by how much a measurement on this day would cut that standard error.",
        _sites(found),
        _strips(found),
    ]
    if found.present.empty:
        parts.append(
            "Present sites: not weighed, since on this day the map is the flight's own or one site carries it alone."
        )
    else:
        parts.append(_present(found))
    parts.append(CAUTION)
    return parts


def plan_json(basin_id: str, found: Plan) -> dict[str, Any]:
    """Return the same for machines; shares are of the total's error variance."""
    return {
        "basin_id": basin_id,
        "date": found.date.isoformat(),
        "total": found.total,
        "volume_m3": found.volume_m3,
        "volume_se_m3": found.volume_se_m3,
        "sites": plain_rows(found.sites),
        "strips": plain_rows(found.strips),
        "strip_width_m": found.strip_width_m,
        "whole_basin_flight": {"alone": found.whole_flight},
        "present_sites": plain_rows(found.present),
        "caution": CAUTION,
    }


def cut_of_se(variance_share: float) -> float:
    """Return the share of a standard error that goes with a share of its variance.

    >>> cut_of_se(0.75)
    0.5
    """
    return 1.0 - (1.0 - min(variance_share, 1.0)) ** 0.5


def _sites(found: Plan) -> Table:
    table = Table(title="Sites to add, the first first", title_justify="left")
    table.add_column("")
    for header in ("longitude", "latitude", "m", "slope", "ground", "cuts alone %", "with those above %"):
        table.add_column(header, justify="right")
    for row in found.sites.itertuples():
        table.add_row(
            row.name,
            f"{row.longitude:.4f}",
            f"{row.latitude:.4f}",
            f"{row.elevation_m:.0f}",
            f"{row.slope_degrees:.0f}",
            "steep" if row.avalanche_terrain else "",
            f"{100 * cut_of_se(row.alone):.1f}",
            f"{100 * cut_of_se(row.together):.1f}",
        )
    return table


def _strips(found: Plan) -> Table:
    table = Table(
        title=f"Flight strips of {found.strip_width_m / 1000:.1f} km to fly, the first first; the whole basin flown cuts "
        f"{100 * cut_of_se(found.whole_flight):.1f} %",
        title_justify="left",
    )
    table.add_column("")
    for header in ("along, km", "length, km", "cuts alone %", "with those above %"):
        table.add_column(header, justify="right")
    for row in found.strips.itertuples():
        axis = "northing" if row.name.startswith("east-west") else "easting"
        table.add_row(
            row.name,
            f"{axis} {row.middle_m / 1000:.1f}",
            f"{row.length_km:.0f}",
            f"{100 * cut_of_se(row.alone):.1f}",
            f"{100 * cut_of_se(row.together):.1f}",
        )
    return table


def _present(found: Plan) -> Table:
    table = Table(
        title="Sites that stand, those that carry least first (growth of the standard error without the site)",
        title_justify="left",
    )
    table.add_column("site")
    table.add_column("grows %", justify="right")
    for row in found.present.head(FEW_PRESENT).itertuples():
        table.add_row(row.site_id, f"{100 * ((1 + row.grows) ** 0.5 - 1):.1f}")
    if len(found.present) > FEW_PRESENT:
        table.add_row(f"and {len(found.present) - FEW_PRESENT} that carry more", "")
    return table
