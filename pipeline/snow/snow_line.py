"""What snow-cover grids say of a day: how likely a cell is bare, and how much can have fallen where one saw it bare before."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from snowtally.model.ground import GroundRecord
from snowtally.snow.balance import turnover_of
from snowtally.snow.carry import UNOBSERVED_MM_PER_DAY, Turnover, site_turnover
from snowtally.snow.forcing import season_forcing
from snowtally.snow.melting import CELL_VARIATION
from snowtally.snow.site_values import weather_nodes

BARE_COVER = 0.05
"""A cell seen less covered than this is bare: below, sensors mistake rock and shade for snow (common practice, no source).
An area of which less is under snow counts as melted out: the last drifts last for weeks."""

COVER_SE, COVER_SE_CANOPY = 0.12, 0.3
"""A grid's fraction errs by so much in the open, and by so much more under a closed canopy, which hides the ground: what
products state of the open, and about three times that in forest (common practice, no source)."""

MISTAKEN = 0.01
"""Share of cells whose fraction tells nothing at all: cloud, shade or rock taken for something else, a grid out of place. One
in a hundred is what sensors' own screening lets through (common practice, no source). A map's bare ground is no surer either."""


@dataclass(frozen=True)
class SeenBare:
    """Limits of cells that a grid saw bare, (y, x).

    Parameters
    ----------
    most_mm : SWE of what has fallen since, infinite where no grid saw the cell bare.
    covered : the share of the cell that this covers.
    fraction : snow-covered fraction that the grid saw; missing where none saw the cell bare.
    """

    most_mm: np.ndarray
    covered: np.ndarray
    fraction: np.ndarray


def seen_bare_today(cover: np.ndarray) -> SeenBare:
    """Return what a snow-cover grid of the day itself leaves.

    Nothing where it saw the cell bare.
    """
    bare = cover < BARE_COVER
    return SeenBare(np.where(bare, 0.0, np.inf), np.zeros(cover.shape), np.where(bare, cover, np.nan))


def chance_bare(
    fraction: np.ndarray, canopy: np.ndarray, swe: tuple[np.ndarray, np.ndarray], covered: np.ndarray
) -> np.ndarray:
    """Return the probability that cells are bare.

    From the fraction that a grid saw and the map before it.

    Parameters
    ----------
    fraction : snow-covered fraction seen.
    canopy : cover fraction of trees, which widens the fraction's error.
    swe : the map's SWE and its standard error, mm.
    covered : the map's covered share.

    Notes
    -----
    Bayes' rule on two cases, bare and as the map has it, with a normal error of the fraction about 0 and about the covered share,
    and a few cells of which the grid tells nothing. Before the grid is asked the chance of bare ground is the share that is not
    covered, or 1 / (1 + (mean / error)^2) where that is more: the most that it can be with this mean and error whatever their
    distribution (Cantelli's inequality), since a map's errors are not normal where snow is patchy.

    >>> swe = np.array([300.0]), np.array([100.0])
    >>> [chance_bare(np.array([0.04]), np.array([c]), swe, np.array([1.0])).round(2).item() for c in (0.0, 0.4, 0.8)]
    [0.97, 0.95, 0.75]
    """
    mean, se = swe
    error = COVER_SE + COVER_SE_CANOPY * canopy
    before = np.maximum(1.0 - covered, se**2 / np.maximum(se**2 + mean**2, 1e-12))
    before = np.minimum(before, 1.0 - MISTAKEN)
    bare, snow = (
        before * _density(fraction / error) / error,
        (1 - before) * (_density((fraction - covered) / error) / error + MISTAKEN),
    )
    return bare / (bare + snow)


def _density(z: np.ndarray) -> np.ndarray:
    return np.exp(-0.5 * z**2) / np.sqrt(2 * np.pi)


def most_since_bare(
    ground: GroundRecord,
    season_start: dt.date,
    covers: Mapping[dt.date, np.ndarray],
    date: dt.date,
    elevation_m: np.ndarray,
) -> SeenBare:
    """Return the limits of cells seen bare on earlier days.

    Parameters
    ----------
    season_start : first day of the snow season.
    covers : by day the snow-covered fraction on (y, x), missing under cloud; none dated after `date`.
    elevation_m : (y, x).

    Notes
    -----
    What fell since by the gauges and temperature, less what melted of it, at a place that gathers what the gauges catch; without
    weather, what the sites gained and lost since. Days that nobody tells of may have brought `UNOBSERVED_MM_PER_DAY`.
    """
    shape = np.shape(elevation_m)
    most, covered, fraction = np.full(shape, np.inf), np.ones(shape), np.full(shape, np.nan)
    for seen, cover in covers.items():
        bare = cover < BARE_COVER
        turnover = _turnover_since(ground, season_start, seen, date)
        fresh = turnover.carry(np.zeros(1), np.ones(1), elevation_m[bare], CELL_VARIATION)
        unobserved = UNOBSERVED_MM_PER_DAY * turnover.unobserved_days
        less = fresh.swe_mm + unobserved < most[bare]
        most[bare] = np.where(less, fresh.swe_mm + unobserved, most[bare])
        covered[bare] = np.where(less, 1.0 if unobserved else fresh.covered, covered[bare])
        fraction[bare] = np.where(less, cover[bare], fraction[bare])
    return SeenBare(most, covered, fraction)


def _turnover_since(ground: GroundRecord, season_start: dt.date, seen: dt.date, date: dt.date) -> Turnover:
    start, end, nodes = pd.Timestamp(seen), pd.Timestamp(date), weather_nodes(ground)
    forcing = season_forcing(ground, pd.Timestamp(season_start), end, nodes)
    since = None if forcing is None else forcing.since(start)
    if since is None or not since.enough_days:
        return site_turnover(ground, pd.Series(dtype=float), start, end, nodes)
    unobserved = int((~since.observed).sum())
    return replace(turnover_of(nodes, since.snowfall_mm, since.melt_mm), unobserved_days=unobserved)
