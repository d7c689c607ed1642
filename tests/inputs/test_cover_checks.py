"""A cover grid that sees most sites under snow bare is not believed; one that sees some of them bare is."""

import datetime as dt

import numpy as np
import pandas as pd
import pytest
from pyproj import CRS

from snowtally.inputs.cover_checks import doubted_cover
from snowtally.model.grid import BasinGrid
from snowtally.model.ground import GroundRecord

DAY = dt.date(2031, 4, 10)
GRID = BasinGrid(CRS("EPSG:32625"), 100.0, 500_000.0, 4_880_000.0, 8, 6)
NAMES = [f"S{n}" for n in range(5)]


def record(swe_mm):
    """Return five stations in a row of cells with this SWE on the day."""
    sites = pd.DataFrame(
        {"kind": "station", "x": [500_050.0 + 100 * n for n in range(5)], "y": 4_879_750.0, "elevation_m": 1800.0},
        index=pd.Index(NAMES, name="site_id"),
    )
    daily = pd.DataFrame({"site_id": NAMES, "date": pd.Timestamp(DAY), "swe_mm": swe_mm, "depth_m": np.nan})
    visits = pd.DataFrame({"site_id": pd.Series(dtype=str), "date": pd.Series(dtype="datetime64[us]"), "swe_mm": 0.0})
    return GroundRecord(sites, daily, np.full(5, 10.0), visits)


def cover(bare):
    """Return full cover but for the first `bare` sites' cells."""
    values = np.ones(GRID.shape)
    values[2, :bare] = 0.04
    return values


@pytest.mark.parametrize(("bare", "doubted"), [(0, False), (2, False), (3, True), (5, True)])
def test_most_sites_under_snow_seen_bare_is_no_cover(bare, doubted):
    found = doubted_cover(cover(bare), DAY, record([300.0] * 5), GRID)
    assert [one.rule.name for one in found] == ["cover against the sites"] * doubted
    if doubted:
        assert found[0].evidence == f"bare at {bare} of 5 sites with more than 100 mm of SWE"


def test_sites_without_much_snow_and_cells_not_seen_say_nothing():
    assert not doubted_cover(cover(5), DAY, record([300.0, 300.0, 40.0, 0.0, np.nan]), GRID)
    unseen = cover(5)
    unseen[2, :3] = np.nan
    assert not doubted_cover(unseen, DAY, record([300.0] * 5), GRID)
    assert not doubted_cover(cover(5), DAY + dt.timedelta(days=30), record([300.0] * 5), GRID)
