"""A snow-cover grid held against the sites under snow: one that sees most of their cells bare is not believed."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pandas as pd

from snowtally.model.grid import BasinGrid
from snowtally.model.ground import GroundRecord
from snowtally.model.problems import Finding
from snowtally.model.rules import flights as rules

SNOW_MM = 100.0
"""A site with more SWE than this stands in a cell that is not bare: patches melt out below it (common practice, no source)."""

BARE_FRACTION = 0.1
"""A cell with less snow cover than this is seen bare (chosen; the sensor's own error is 0.12)."""

LEAST_SITES, MOST_BARE = 3, 0.5
"""So many sites under snow are asked, and not more than this share of their cells may be bare: clearings and sun-facing slopes melt
out first, a grid of nothing or of the wrong day bares them all (chosen)."""


def doubted_cover(cover: np.ndarray, day: dt.date, ground: GroundRecord, grid: BasinGrid) -> list[Finding]:
    """Return a finding if a cover grid contradicts the sites.

    It does so where more than `MOST_BARE` of the cells of sites under snow are bare. At least `LEAST_SITES` of these
    cells must have been seen. The finding has no file and no line. Otherwise the list is empty.

    Parameters
    ----------
    cover : (y, x) snow-covered fraction seen on `day`, missing where nothing was seen.
    """
    series = pd.concat([ground.station_series, ground.course_series], axis=1).reindex([pd.Timestamp(day)]).iloc[0]
    snowy = ground.sites.loc[series.index[(series > SNOW_MM).to_numpy()]]
    row, column = grid.rows_columns(snowy["x"].to_numpy(float), snowy["y"].to_numpy(float))
    seen = cover[row, column][row >= 0]
    seen = seen[np.isfinite(seen)]
    bare = int((seen < BARE_FRACTION).sum())
    if len(seen) < LEAST_SITES or bare <= MOST_BARE * len(seen):
        return []
    return [
        Finding(
            rules.COVER_AGAINST_SITES,
            start=str(day),
            evidence=f"bare at {bare} of {len(seen)} sites with more than {SNOW_MM:.0f} mm of SWE",
        )
    ]
