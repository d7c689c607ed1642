"""The shape that leaves the science: one basin day, ready to be published."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field
from typing import Any

import pandas as pd
import xarray as xr

from snowtally.model.grid import BasinGrid
from snowtally.model.metadata import Metadata


@dataclass(frozen=True)
class Outlook:
    """Possible melt of a day's snow over the forecast days.

    Parameters
    ----------
    dates : the days, without a gap from the day after.
    table : rows and columns of `outlook.csv`.
    fields : on (time, y, x) of the day's grid, float32, missing outside the basin: potential_melt, melt and melt_se (mm in the
        day), snow_cover (1, at the day's end).
    """

    dates: list[dt.date]
    table: pd.DataFrame
    fields: xr.Dataset


@dataclass(frozen=True)
class Day:
    """One basin on one date.

    Parameters
    ----------
    basin_id, title : the basin's identifier and its name for people.
    date : the local day of the estimate.
    noon_utc : the estimate's instant, local noon in UTC (naive).
    grid : the cells of the basin's bounding box; `fields` lies on it.
    zones : (zone_id, name) of the zones; zone number n of `fields.zone` is zones[n - 1].
    bands : (low, high) edges in metres; band number n of `fields.elevation_band` is bands[n - 1].
    fields : the published variables on (y, x), unrounded, missing (NaN; 0 for zone, elevation_band and source) outside the basin.
    totals : rows and columns of `totals.csv`.
    totals_covariance : rows and columns of `totals_covariance.parquet`.
    sites, checks, skill : rows and columns of `sites.csv`, `checks.csv` and `skill.csv`.
    normals : rows and columns of `normals.csv`; None where no normals are given.
    outlook : how the snow may melt; None where no forecast reaches past the date.
    models : the models taken with their parameters, for the record.
    error_budget : share of the basin total's variance by error part, for the record.
    metadata : who made it and on what terms, as the settings say.
    """

    basin_id: str
    title: str
    date: dt.date
    noon_utc: dt.datetime
    grid: BasinGrid
    zones: list[tuple[str, str]]
    bands: list[tuple[float, float]]
    fields: xr.Dataset
    totals: pd.DataFrame
    totals_covariance: pd.DataFrame
    sites: pd.DataFrame
    checks: pd.DataFrame
    skill: pd.DataFrame
    normals: pd.DataFrame | None = None
    outlook: Outlook | None = None
    models: dict[str, Any] = field(default_factory=dict)
    error_budget: dict[str, Any] = field(default_factory=dict)
    metadata: Metadata = field(default_factory=Metadata)
