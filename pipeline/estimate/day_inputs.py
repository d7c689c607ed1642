"""What a basin day is estimated from: everything known of it, and what the settings choose."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd
import xarray as xr

from snowtally.model.basin import Basin
from snowtally.model.ground import GroundRecord
from snowtally.model.season import BasinDay
from snowtally.snow.settling import Settling


@dataclass(frozen=True)
class DayInputs:
    """What a day is estimated from.

    All is read, checked and on the basin grid; nothing is dated after the day.

    Parameters
    ----------
    day : the basin's day.
    title, noon_utc : as in `Day`.
    basin : the grid and what is fixed on it.
    ground : the sites and what they said.
    densities : density records: site_id, date, depth_m, density_kg_m3, elevation_m.
    earlier_densities : the same of the courses in earlier seasons; None where there are none.
    flights : flights of the season, oldest first, as `measure_flight` gives them.
    flight_figures : what the record tells of each flight: registration, noise, offset from the sites.
    cover : snow-covered fraction seen on the day itself, on (y, x), missing under cloud; None where there is none.
    earlier_covers : the same seen on days before, with the day of each.
    past_pattern : pattern of earlier seasons' flights on (y, x), as `snow.past_pattern` gives it; None where there is none.
    earlier_pairs : what sites and earlier seasons' flights said on the same days, as `snow.site_gains` takes it; None without any.
    checks : findings, as rows of `checks.csv`.
    normals : normals of the sites, the zones and the basin: site_id, day, swe_mm, period; None where none are given.
    forecast : days of the weather table after the date, each issue known on it; None where there is no weather table.
    albedo : albedo seen of late on the grid, `snow_albedo` and `age_days`; None where there is none.
    settling : the season's modelled density; made by `estimate_day`.
    landform : fields of `terrain.predictors.landform` by name, where they are kept; made anew where they are not.
    """

    day: BasinDay
    title: str
    noon_utc: dt.datetime
    basin: Basin
    ground: GroundRecord
    densities: pd.DataFrame
    flights: list[xr.Dataset]
    cover: np.ndarray | None
    checks: pd.DataFrame
    flight_figures: list[dict[str, Any]] = field(default_factory=list)
    normals: pd.DataFrame | None = None
    forecast: pd.DataFrame | None = None
    albedo: xr.Dataset | None = None
    earlier_densities: pd.DataFrame | None = None
    settling: Settling | None = None
    earlier_covers: list[tuple[dt.date, np.ndarray]] = field(default_factory=list)
    past_pattern: np.ndarray | None = None
    earlier_pairs: pd.DataFrame | None = None
    landform: dict[str, np.ndarray] | None = None


@dataclass(frozen=True)
class Choices:
    """What the settings choose in the science.

    Parameters
    ----------
    snow_class : class of the published density relation.
    least_valid_fraction : a cell that a flight saw less of is left to the background.
    method : how backgrounds are chosen, as in `snow.blend.blended`.
    wind_from_deg : direction that the prevailing wind comes from, clockwise from true north.
    """

    snow_class: str
    least_valid_fraction: float
    method: str = "auto"
    wind_from_deg: float = 270.0
