"""What trees do to melt, held against published degree-day factors."""

import numpy as np
import pandas as pd
import pytest

from snowtally.terrain.canopy import CANOPY_LOG, melt_exposure, site_exposure


def test_closed_forest_melts_as_published_degree_day_factors_say():
    # Kuusisto 1980 (Nordic Hydrol. 11, 287-294, from memory): 3.5 mm/(K day) in the open and 1.4 to 2.4 in forests.
    forest_over_open = float(melt_exposure(np.array(0.9), np.array(0.0)))
    assert 1.4 / 3.5 <= forest_over_open <= 2.4 / 3.5


def test_closed_forest_gathers_as_published():
    # Varhola et al. 2010 (J. Hydrol. 392, 219-233, from memory): 40 % less accumulation under full cover, half to that.
    assert 0.5 <= np.exp(CANOPY_LOG) <= 0.8


def test_a_slope_towards_the_pole_is_shaded_in_either_hemisphere():
    sites = pd.DataFrame({"northness": [0.4, -0.4], "canopy": [0.0, 0.0]})
    north, south = site_exposure(sites, southern=False)
    assert north < 1 < south
    assert site_exposure(sites, southern=True) == pytest.approx([south, north])


def test_a_site_in_its_clearing_is_less_shaded_than_its_cell():
    sites = pd.DataFrame({"northness": [0.0], "canopy": [0.8]})
    assert melt_exposure(np.array(0.8), np.array(0.0)) < site_exposure(sites, southern=False)[0] < 1
