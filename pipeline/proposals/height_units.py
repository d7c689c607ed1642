"""The unit of an elevation that declares none, decided together with the sites' stated heights."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from enum import Enum

from snowtally.proposals.proposal import Proposal, TableProposals
from snowtally.proposals.rasters import FOOT_M, Elevation


class SiteHeights(Enum):
    """How the unit of the sites' heights is known."""

    STATED = "by the header"
    METRES = "metres, by the terrain"
    FEET = "feet, by the terrain"
    OPEN = "not at all"


@dataclass(frozen=True)
class Recognised:
    """The tables as recognised beside an elevation.

    Parameters
    ----------
    tables : what is proposed for them.
    elevation : with its unit, where terrain and sites together decide it.
    compares : whether the sites' heights say by themselves what their unit is, so that the elevation may be held against them.
    """

    tables: TableProposals
    elevation: Elevation | None
    compares: bool


def recognised(elevation: Elevation | None, propose: Callable[[Elevation | None], TableProposals]) -> Recognised:
    """Return the tables, and the elevation's unit where heights of both decide it.

    Of feet and metres two heights of one place tell which is which, unless they are equal: then both are either.

    Parameters
    ----------
    propose : recognises the tables beside an elevation in metres.
    """
    if elevation is None or elevation.metres_per_unit is not None:
        return Recognised(propose(elevation), elevation, compares=True)
    in_metres = replace(elevation, metres_per_unit=1.0)
    tables = propose(in_metres)
    heights = site_heights(tables)
    if heights is SiteHeights.FEET:
        return Recognised(tables, in_metres, compares=False)
    if heights is SiteHeights.OPEN:
        in_feet = replace(elevation, metres_per_unit=FOOT_M)
        again = propose(in_feet)
        in_feet_are = site_heights(again)
        if in_feet_are in (SiteHeights.METRES, SiteHeights.STATED):
            said = "fit it in the unit of their header" if in_feet_are is SiteHeights.STATED else "are metres beside it"
            why = f"the heights of the sites {said}, and fit no ground in metres"
            unit = Proposal("terrain.elevation_unit", "foot", why)
            return Recognised(again, replace(in_feet, proposals=(*elevation.proposals, unit)), compares=False)
    return Recognised(tables, elevation, compares=heights is SiteHeights.STATED)


def site_heights(tables: TableProposals) -> SiteHeights:
    """Return how the unit of the sites' heights is known."""
    sites = tables.tables.get("sites")
    if sites is None or any(one.key == "elevation" for one in tables.refusals):
        return SiteHeights.OPEN
    readings = [one for group in sites.groups for one in group.proposals if one.key == "columns.elevation"]
    if any(one.others or not one.is_safe for one in readings):
        return SiteHeights.OPEN
    inferred = {group.inferred_units["elevation"] for group in sites.groups if "elevation" in group.inferred_units}
    if "foot" in inferred:
        return SiteHeights.FEET
    return SiteHeights.METRES if inferred else SiteHeights.STATED
