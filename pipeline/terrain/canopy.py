"""What trees do to snow: less gathers under them than beside, and what lies there melts later."""

from __future__ import annotations

import numpy as np
import pandas as pd
import xarray as xr

CANOPY_LOG = -0.5
"""Logarithm of what gathers under closed canopy over what gathers in the open: some 40 % less, since branches catch snow and
lose it to the air (Varhola et al. 2010, J. Hydrol. 392, 219-233: 4 % less for each tenth of cover; from memory)."""

CLEARING = 0.5
"""Canopy over a site as a share of its cell's: sites stand in clearings, which the trees about them still shade. Nothing is
known of single clearings, so half way between open ground and the cell."""

SHADE_OF_CANOPY = 0.6
"""Share of open ground's melt that closed canopy keeps away: trees take most of the sun and still the wind, and give some back
as long waves. Degree-day factors of forests are half to two thirds of those of open ground (Kuusisto 1980, Nordic Hydrol. 11,
from memory; Hock 2003, J. Hydrol. 282, Table 1); in made basins it kept 0.5 to 0.9 away, and
the cautious end of that is taken."""

SHADE_OF_SLOPE = 0.3
"""How much less a steep slope towards the pole melts than level ground, as a share per sin(slope) x cos(aspect): sun is a third
to a half of what melts snow, and made basins had 0.1 late in melt to 0.6 in spring;
the middle is taken."""


def poleward(northness: np.ndarray, *, southern: bool) -> np.ndarray:
    """Return how far slopes face the pole, from northness.

    It is sin(slope) x cos(aspect from the pole of the basin's half of the earth).

    >>> poleward(np.array([0.3]), southern=True)
    array([-0.3])
    """
    return np.asarray(northness, float) * (-1.0 if southern else 1.0)


def melt_exposure(canopy: np.ndarray, from_sun: np.ndarray) -> np.ndarray:
    """Return melt relative to open level ground.

    `canopy` is 0 to 1. `from_sun` is the result of `poleward`.

    >>> melt_exposure(np.array([0.0, 1.0, 0.0]), np.array([0.0, 0.0, 0.5])).round(2)
    array([1.  , 0.4 , 0.85])
    """
    return (1.0 - SHADE_OF_CANOPY * np.asarray(canopy, float)) * (1.0 - SHADE_OF_SLOPE * np.asarray(from_sun, float))


def site_exposure(sites: pd.DataFrame, *, southern: bool) -> np.ndarray:
    """Return `melt_exposure` of sites with the `canopy` and `northness` of their cells."""
    from_sun = poleward(sites["northness"].to_numpy(), southern=southern)
    return melt_exposure(CLEARING * sites["canopy"].to_numpy(float), from_sun)


def cell_exposure(cells: xr.Dataset, *, southern: bool) -> np.ndarray:
    """Return `melt_exposure` of cells, from their canopy and northness."""
    return melt_exposure(cells["canopy"].to_numpy(), poleward(cells["northness"].to_numpy(), southern=southern))
