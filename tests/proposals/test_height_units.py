"""Heights of the terrain and of the sites that neither say their unit: two that differ by 3.28 decide each other, equal ones do not."""

from dataclasses import replace
from pathlib import Path

import pytest
from made_folder import CORNER, FOOT, heights, write

from snowtally.proposals.height_units import SiteHeights, recognised, site_heights
from snowtally.proposals.proposal import FileGroup, Proposal, Refusal, TableProposal, TableProposals
from snowtally.proposals.raster_facts import facts_of
from snowtally.proposals.rasters import Elevation


def tables(*proposals, told=None):
    group = FileGroup((Path("/x/sites.csv"),), "*", proposals, inferred_units={"elevation": told} if told else {})
    return TableProposals({"sites": TableProposal("sites", group.files, "", (group,))})


def elevation_column(header, unit=None, *, others=(), is_safe=True):
    value = {"column": header} | ({"unit": unit} if unit else {})
    return Proposal("columns.elevation", value, "", others, is_safe)


OPEN = elevation_column("Elev", others=({"column": "Elev", "unit": "foot"},), is_safe=False)


@pytest.mark.parametrize(
    ("proposals", "told", "known"),
    [
        ((), None, SiteHeights.STATED),
        ((elevation_column("Elev (ft)", "foot"),), None, SiteHeights.STATED),
        ((elevation_column("Elev", "foot"),), "foot", SiteHeights.FEET),
        ((elevation_column("Elev"),), "m", SiteHeights.METRES),
        ((OPEN,), "m", SiteHeights.OPEN),
    ],
)
def test_how_the_unit_of_the_sites_heights_is_known(proposals, told, known):
    assert site_heights(tables(*proposals, told=told)) is known


def test_heights_of_two_columns_are_open():
    doubt = Refusal(Path("/x/sites.csv"), "Elev", "two columns may be it", "Name one", "elevation")
    found = replace(tables(elevation_column("Elev")), refusals=(doubt,))
    assert site_heights(found) is SiteHeights.OPEN


def by_heights(factor):
    """Return who recognises a column of heights without a unit, `factor` times metres, by the terrain beside it."""

    def propose(elevation):
        truth = float(heights().mean())
        terrain = float(elevation.heights.mean())
        fits = [unit for unit, many in (("m", 1.0), ("foot", FOOT)) if abs(truth * factor * many - terrain) < 250]
        if len(fits) != 1:
            return tables(elevation_column("Elev", others=({"unit": "foot"},), is_safe=False))
        return tables(elevation_column("Elev", "foot" if fits == ["foot"] else None), told=fits[0])

    return propose


@pytest.mark.parametrize(
    ("terrain", "sites", "metres_per_unit"),
    [(1.0, 1 / FOOT, 1.0), (1 / FOOT, 1.0, FOOT), (1.0, 1.0, None), (1 / FOOT, 1 / FOOT, None)],
)
def test_heights_decide_each_other_unless_they_are_equal(terrain, sites, metres_per_unit, tmp_path):
    elevation = Elevation((facts_of(write(tmp_path / "dem.tif", heights(terrain), CORNER)),))
    seen = recognised(elevation, by_heights(sites))
    assert seen.elevation.metres_per_unit == metres_per_unit
    assert not seen.compares
    proposed = {one.key: one.value for one in seen.elevation.proposals}
    assert proposed.get("terrain.elevation_unit") == ("foot" if metres_per_unit == FOOT else None)


def test_heights_whose_header_says_metres_decide_a_terrain_in_feet(tmp_path):
    elevation = Elevation((facts_of(write(tmp_path / "dem.tif", heights(1 / FOOT), CORNER)),))

    def propose(beside):
        if abs(float(beside.heights.mean()) - float(heights().mean())) > 250:
            why = Refusal(Path("/x/sites.csv"), "Altitude m", "the numbers fit no unit", "Mend them", "elevation")
            return replace(tables(), refusals=(why,))
        return tables(elevation_column("Altitude m"))

    seen = recognised(elevation, propose)
    assert seen.elevation.metres_per_unit == FOOT
    assert "in the unit of their header" in seen.elevation.proposals[-1].evidence
