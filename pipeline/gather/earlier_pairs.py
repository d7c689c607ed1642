"""What sites and flights of earlier seasons said of depth at the same places and days: it tells the sites against their cells."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from pipeline.gather.sources import source_of
from pipeline.inputs.read_overrides import read_overrides
from pipeline.inputs.read_sites import by_site
from pipeline.inputs.read_stations import Window, read_stations
from pipeline.model.grid import BasinGrid
from pipeline.settings.basin import Settings
from pipeline.sites.overrides import without_overridden
from pipeline.stations.in_service import in_service
from pipeline.storage.cache import Cache

EARLIER_PAIRS = "earlier_pairs"
"""Name of the pairs among a day's tables."""

VISIT_DAYS = 7
"""A course's visit tells of a flight so many days before or after it: crews go about the first of the month, aircraft when the sky
is clear. What falls or melts meanwhile the one sees and the other not, so that the pair's error grows by the day; a station's day is the
flight's own."""


@dataclass(frozen=True)
class EarlierFlight:
    """A flight of an earlier season: its day, and depth in m on (y, x), missing where it did not see."""

    date: dt.date
    depth_m: np.ndarray


@dataclass(frozen=True)
class EarlierWords:
    """What sites said in earlier seasons: the stations' files, the overrides' files, the courses' checked visits (None without any)."""

    stations: Sequence[Path]
    overrides: Sequence[Path]
    visits: pd.DataFrame | None


def earlier_pairs(
    settings: Settings,
    place: tuple[BasinGrid, pd.DataFrame],
    said: EarlierWords,
    flights: Sequence[EarlierFlight],
    kept: Cache,
) -> pd.DataFrame:
    """Return the pairs of a site's depth and its cell's on the days of earlier flights.

    Parameters
    ----------
    place : the basin grid, and the sites' table.
    kept : where rows of large station files are kept.

    Returns
    -------
    DataFrame : site_id, date (the flight's), depth_m, cell_depth_m, days_apart (of a course's visit, after the flight), and the file
        and line that the site's depth stands in.

    Notes
    -----
    Stations of those days are held to overrides and to the greatest depth alone: a ratio that is out of line is doubted where the
    pairs are used.
    """
    if not flights:
        return pd.DataFrame()
    grid, sites = place
    told = [_station_depths(settings, sites, said, [flight.date for flight in flights], kept).assign(reach=0)]
    if said.visits is not None:
        told.append(said.visits[["site_id", "date", "depth_m", "file", "line"]].assign(reach=VISIT_DAYS))
    depths = pd.concat(told, ignore_index=True)
    pairs = [_with_flight(depths, flight, sites, grid) for flight in flights if len(depths)]
    if not any(len(one) for one in pairs):
        return pd.DataFrame()
    together = pd.concat([one for one in pairs if len(one)], ignore_index=True)
    return together.astype({"site_id": str, "file": str}).sort_values(["site_id", "date"], ignore_index=True)


def _with_flight(depths: pd.DataFrame, flight: EarlierFlight, sites: pd.DataFrame, grid: BasinGrid) -> pd.DataFrame:
    """Return each site's depth nearest to the flight's day, with its cell's."""
    day = pd.Timestamp(flight.date)
    near = depths.assign(days_apart=(depths["date"] - day).dt.days)
    near = near.assign(distance=near["days_apart"].abs())
    near = near[(near["distance"] <= near["reach"]) & near["depth_m"].notna()]
    near = near.sort_values(["site_id", "distance", "date"]).drop_duplicates("site_id")
    row, column = grid.rows_columns(sites["x"].to_numpy(), sites["y"].to_numpy())
    cell = pd.Series(flight.depth_m[row, column], sites["site_id"])
    pairs = near.assign(date=day, cell_depth_m=cell.reindex(near["site_id"]).to_numpy())
    names = ["site_id", "date", "depth_m", "cell_depth_m", "days_apart", "file", "line"]
    return pairs.dropna(subset="cell_depth_m")[names]


def _station_depths(
    settings: Settings, sites: pd.DataFrame, said: EarlierWords, days: Sequence[dt.date], kept: Cache
) -> pd.DataFrame:
    """Return the stations' depth on the days, each the median of its readings, with the first of these."""
    offset = settings.basin.utc_offset_hours
    window = Window(min(days), max(days), frozenset(days))
    rows, _ = read_stations(source_of(settings, "stations", said.stations), offset, window, kept)
    names = ["site_id", "date", "depth_m", "file", "line"]
    rows = in_service(rows, by_site(sites), "stations", [])
    span = min(days), max(days)
    overrides, _ = read_overrides(source_of(settings, "overrides", said.overrides), offset, span)
    rows, _ = without_overridden(rows.astype({"site_id": str}), overrides, set(sites["site_id"]))
    rows = rows[
        rows["date"].isin(pd.to_datetime(list(days))) & rows["depth_m"].between(0.0, settings.checks.depth_high_m)
    ]
    if rows.empty:
        return rows[names]
    of_day = rows.groupby(["site_id", "date"], as_index=False)
    return of_day.agg(depth_m=("depth_m", "median"), file=("file", "first"), line=("line", "first"))[names]
