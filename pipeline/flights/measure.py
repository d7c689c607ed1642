"""One flight's files to depth on the basin grid with its error."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import xarray as xr

from pipeline.flights.aggregate import aggregate
from pipeline.flights.rasters import raster_pixels
from pipeline.grid import BasinGrid
from pipeline.problems import Finding, RefusedFlightError

DEPTH_BIAS_SE_M = 0.05
"""Error of depth common to a whole flight where none is declared, m (residual vertical offsets of registered laser surfaces are
a few centimetres: common practice, no source)."""

PIXEL_NOISE_M = 0.14
"""Error of one pixel's depth, m: RMSE in meadow and shrub (Tinkham et al. 2014, Remote Sens. Environ. 141, 105-115)."""

NOISE_REACH_M = 30.0
"""Distance over which neighbouring pixels err alike, m (chosen: some two pixels of a demo flight)."""


@dataclass(frozen=True)
class FlightFiles:
    """What belongs to one flight: its date and a depth raster, or snow-on and snow-off surfaces with stable ground."""

    flight_id: str
    date: dt.date
    depth: Path | None = None
    snow_on: Path | None = None
    snow_off: Path | None = None
    stable_ground: Path | None = None
    depth_se_m: float | None = None


@dataclass(frozen=True)
class FlightLimits:
    """Limits on what a flight may say.

    Parameters
    ----------
    least_depth_m : pixels below are outliers; small negative depths are noise about zero and stay.
    most_depth_m : pixels above are outliers: no drift of the basin is deeper.
    """

    least_depth_m: float = -1.0
    most_depth_m: float = 12.0


def measure_flight(files: FlightFiles, grid: BasinGrid, limits: FlightLimits) -> tuple[xr.Dataset, list[Finding]]:
    """Return a flight's depth on the grid, and the findings.

    Returns
    -------
    Dataset on (y, x): depth (m, negative noise kept), valid_fraction (1), depth_spread (m), depth_random_se (m); attributes
    flight_id, date, depth_bias_se_m, noise_m, noise_correlation_m, masked_pixels.

    Raises
    ------
    InputError : a raster cannot be read.
    RefusedFlightError : no cell of the grid has data, or the flight comes as surfaces, which are not differenced yet.
    """
    if files.depth is None:
        raise RefusedFlightError(f"flight {files.flight_id}: snow-on and snow-off surfaces cannot be used yet. Give a depth raster")
    means = aggregate(raster_pixels(files.depth, grid), grid, (limits.least_depth_m, limits.most_depth_m))
    if not np.isfinite(means.mean).any():
        raise RefusedFlightError(
            f"flight {files.flight_id}: {files.depth} has no data on the basin grid. Check its coordinate system, extent and nodata"
        )
    # Pixels err alike within the noise's reach: a cell averages as many independent ones as such patches fit in.
    independent = np.maximum(means.valid_fraction * (grid.cell_m / NOISE_REACH_M) ** 2, 1.0)
    fields = {
        "depth": ("m", means.mean),
        "valid_fraction": ("1", means.valid_fraction),
        "depth_spread": ("m", means.spread),
        "depth_random_se": ("m", np.where(np.isfinite(means.mean), PIXEL_NOISE_M / np.sqrt(independent), np.nan)),
    }
    flight = xr.Dataset({name: grid.array(values, units=units) for name, (units, values) in fields.items()})
    flight.attrs = {
        "flight_id": files.flight_id,
        "date": files.date.isoformat(),
        "depth_bias_se_m": DEPTH_BIAS_SE_M if files.depth_se_m is None else files.depth_se_m,
        "noise_m": PIXEL_NOISE_M,
        "noise_correlation_m": NOISE_REACH_M,
        "masked_pixels": means.masked,
    }
    if not means.masked:
        return flight, []
    masked = Finding(
        table="flights",
        file=str(files.depth),
        site_id=files.flight_id,
        start=files.date.isoformat(),
        end=files.date.isoformat(),
        rule="pixels beyond the limits",
        severity="note",
        evidence=f"{means.masked} of {means.pixels} pixels below {limits.least_depth_m:g} or above {limits.most_depth_m:g} m",
        action="set aside",
        detail="outliers of the laser, such as trees and wires; raise flights.most_depth_m if drifts are truly deeper",
    )
    return flight, [masked]
