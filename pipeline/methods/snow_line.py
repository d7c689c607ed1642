"""What a snow-cover grid of an earlier day still says of today: where it saw bare ground, only what fell since can lie."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pandas as pd

from pipeline.ground import GroundRecord
from pipeline.methods.balance import turnover_of
from pipeline.methods.carry import CELL_VARIATION, UNHEARD_MM_PER_DAY, Turnover, site_turnover
from pipeline.methods.forcing import season_forcing
from pipeline.methods.site_values import weather_nodes

BARE_COVER = 0.05
"""A cell seen less covered than this is bare: below, sensors mistake rock and shade for snow (common practice, no source)."""

FRESH_ERROR = 0.5
"""Error of the snow that fell on ground seen bare, as a share of it: neighbouring places gather half or twice as much (chosen)."""


def most_since_bare(
    ground: GroundRecord,
    season_start: dt.date,
    covers: Sequence[tuple[dt.date, np.ndarray]],
    date: dt.date,
    elevation_m: np.ndarray,
) -> tuple[np.ndarray, np.ndarray]:
    """Return the most SWE that cells can hold on `date` by the cover grids of earlier days, and the share that it covers.

    SWE is in mm, infinite where no grid saw the cell bare.

    Parameters
    ----------
    season_start : first day of the snow season.
    covers : day and snow-covered fraction (missing under cloud) on (y, x) of each grid; none dated after `date`.
    elevation_m : (y, x).

    Notes
    -----
    What fell since by the gauges and temperature, less what melted of it, at a place that gathers what the gauges catch; without
    weather, what the sites gained and lost since. Days that nobody tells of may have brought `UNHEARD_MM_PER_DAY`.
    """
    most, covered = np.full(np.shape(elevation_m), np.inf), np.ones(np.shape(elevation_m))
    for seen, cover in covers:
        bare = cover < BARE_COVER
        turnover = _turnover_since(ground, season_start, seen, date)
        fresh, fresh_covered = turnover.carry(0.0, 1.0, elevation_m[bare], CELL_VARIATION)
        unheard = UNHEARD_MM_PER_DAY * turnover.unheard_days
        less = fresh + unheard < most[bare]
        most[bare] = np.where(less, fresh + unheard, most[bare])
        covered[bare] = np.where(less, 1.0 if unheard else fresh_covered, covered[bare])
    return most, covered


def _turnover_since(ground: GroundRecord, season_start: dt.date, seen: dt.date, date: dt.date) -> Turnover:
    start, end, nodes = pd.Timestamp(seen), pd.Timestamp(date), weather_nodes(ground)
    forcing = season_forcing(ground, pd.Timestamp(season_start), end, nodes)
    since = None if forcing is None else forcing.since(start)
    if since is None or not since.tells:
        return site_turnover(ground, pd.Series(dtype=float), start, end, nodes)
    unheard = int((~since.heard).sum())
    return replace(turnover_of(nodes, since.snowfall_mm, since.melt_mm), unheard_days=unheard)
