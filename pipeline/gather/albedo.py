"""The albedo that was seen of late: the newest value of each cell on the basin grid, and how old it is."""

from __future__ import annotations

import datetime as dt

import numpy as np
import xarray as xr

from pipeline.flights.cache import FlightCache
from pipeline.gather.flights import cover_entries, unusable_cover
from pipeline.inputs.find import InputFile, unreadable_file
from pipeline.inputs.raster_frame import refuse_large
from pipeline.inputs.rasters import fraction_on_grid
from pipeline.inputs.read_covers import CoverEntry
from pipeline.model.grid import BasinGrid
from pipeline.model.problems import Finding, InputError, StillArrivingError
from pipeline.settings.basin import Settings

ALBEDO_DAYS = 30
"""An albedo seen longer ago tells nothing any more: it moves by a fifth of its way a day."""


def gather_albedo(
    settings: Settings, grid: BasinGrid, found: dict[str, list[InputFile]], kept: FlightCache, date: dt.date
) -> tuple[xr.Dataset | None, list[CoverEntry], list[Finding]]:
    """Return `snow_albedo` and `age_days` on (y, x), missing where none was seen, the grids used, and the findings.

    What is wrong with rows of an earlier day was told on that day; a raster that cannot be read is told as long as it would count.
    """
    first = max(date - dt.timedelta(days=ALBEDO_DAYS), settings.season_start(date))
    entries, _ = cover_entries(settings, found, (first, date))
    albedo, age = (np.full(grid.shape, np.nan) for _ in range(2))
    used, findings = [], []
    for entry in entries:
        if entry.variable != "snow_albedo":
            continue
        try:
            kept.refuse_arriving(entry.path)
            refuse_large(entry.path, grid, settings.operations.limits.raster_gb)
            values = fraction_on_grid(entry.path, grid)
        except StillArrivingError as trouble:
            findings.append(unusable_cover(entry, trouble))
            continue
        except InputError as trouble:
            findings.append(unreadable_file("covers", entry.path, str(trouble).removeprefix(f"{entry.path} ")))
            continue
        seen = np.isfinite(values)
        albedo[seen], age[seen] = values[seen], (date - entry.date).days
        used.append(entry)
    if not used:
        return None, [], findings
    fields = {"snow_albedo": grid.array(albedo, units="1"), "age_days": grid.array(age, units="days")}
    return xr.Dataset(fields, attrs={"crs": grid.crs.to_wkt()}), used, findings
