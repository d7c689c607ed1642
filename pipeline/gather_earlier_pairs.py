"""What sites and flights of earlier seasons said of depth at the same places and days: it tells the sites against their cells."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from pipeline.gather_flights import file_formats
from pipeline.grid import BasinGrid
from pipeline.inputs.read_sites import by_site
from pipeline.inputs.read_stations import read_stations
from pipeline.kept_files import KeptFiles
from pipeline.measurements.in_service import in_service
from pipeline.settings import Settings

EARLIER_PAIRS = "earlier_pairs"
"""Name of the pairs among a day's tables."""

VISIT_DAYS = 10
"""A course's visit tells of a flight so many days before or after it: crews go about the first of the month, aircraft when the sky
is clear, and what falls or melts meanwhile falls and melts about the site too."""


@dataclass(frozen=True)
class EarlierFlight:
    """A flight of an earlier season: its day, and depth in m on (y, x), missing where it did not see."""

    date: dt.date
    depth_m: np.ndarray


def earlier_pairs(
    settings: Settings,
    place: tuple[BasinGrid, pd.DataFrame],
    said: tuple[Sequence[Path], pd.DataFrame | None],
    flights: Sequence[EarlierFlight],
    kept: KeptFiles,
) -> pd.DataFrame:
    """Return the pairs of a site's depth and its cell's on the days of earlier flights.

    Parameters
    ----------
    place : the basin grid, and the sites' table.
    said : the stations' files, and the courses' checked visits of earlier seasons.
    kept : where rows of large station files are kept.

    Returns
    -------
    DataFrame : site_id, date (the flight's), depth_m, cell_depth_m, and the file and line that the site's depth stands in.

    Notes
    -----
    Stations of those days are not checked as this season's are: a ratio that is out of line is doubted where the pairs are used.
    """
    grid, sites = place
    files, visits = said
    told = [_station_depths(settings, sites, files, [flight.date for flight in flights], kept)] if flights else []
    if flights and visits is not None:
        told.append(visits[["site_id", "date", "depth_m", "file", "line"]])
    depths = pd.concat(told, ignore_index=True) if told else pd.DataFrame()
    pairs = [_with_flight(depths, flight, sites, grid) for flight in flights if len(depths)]
    if not any(len(one) for one in pairs):
        return pd.DataFrame()
    together = pd.concat([one for one in pairs if len(one)], ignore_index=True)
    return together.astype({"site_id": str, "file": str}).sort_values(["site_id", "date"], ignore_index=True)


def _with_flight(depths: pd.DataFrame, flight: EarlierFlight, sites: pd.DataFrame, grid: BasinGrid) -> pd.DataFrame:
    """Return each site's depth nearest to the flight's day, with its cell's."""
    day = pd.Timestamp(flight.date)
    near = depths.assign(apart=(depths["date"] - day).abs())
    near = near[(near["apart"] <= pd.Timedelta(days=VISIT_DAYS)) & near["depth_m"].notna()]
    near = near.sort_values(["site_id", "apart", "date"]).drop_duplicates("site_id")
    row, column = grid.rows_columns(sites["x"].to_numpy(), sites["y"].to_numpy())
    cell = pd.Series(flight.depth_m[row, column], sites["site_id"])
    pairs = near.assign(date=day, cell_depth_m=cell.reindex(near["site_id"]).to_numpy())
    return pairs.dropna(subset="cell_depth_m")[["site_id", "date", "depth_m", "cell_depth_m", "file", "line"]]


def _station_depths(
    settings: Settings, sites: pd.DataFrame, files: Sequence[Path], days: Sequence[dt.date], kept: KeptFiles
) -> pd.DataFrame:
    """Return the stations' depth on the days, each the median of its readings, with the first of these."""
    rows, _ = read_stations(
        list(files),
        settings.columns.get("stations", {}),
        settings.missing,
        settings.basin.utc_offset_hours,
        formats=file_formats(settings, "stations"),
        kept=kept,
        since=min(days),
        until=max(days),
        days=frozenset(days),
        least_share=0.0,
    )
    names = ["site_id", "date", "depth_m", "file", "line"]
    rows = in_service(rows, by_site(sites), "stations", [])
    rows = rows[rows["date"].isin(pd.to_datetime(list(days))) & rows["depth_m"].notna()].astype({"site_id": str})
    if rows.empty:
        return rows[names]
    of_day = rows.groupby(["site_id", "date"], as_index=False)
    return of_day.agg(depth_m=("depth_m", "median"), file=("file", "first"), line=("line", "first"))[names]
