"""One flight's files to depth on the basin grid with its error."""

from __future__ import annotations

import datetime as dt
from dataclasses import asdict, dataclass
from pathlib import Path

import numpy as np
import xarray as xr

from pipeline.flights.aggregate import aggregate
from pipeline.flights.difference import Difference, moved
from pipeline.flights.limits import FlightLimits
from pipeline.flights.rasters import HEIGHTS, RasterPixels, raster_pixels
from pipeline.flights.register import Registration, register
from pipeline.grid import BasinGrid
from pipeline.problems import Finding, RefusedFlightError

DEPTH_BIAS_SE_M = 0.05
"""Error of depth common to a whole flight where none is declared, m (residual vertical offsets of registered laser surfaces are
a few centimetres: common practice, no source)."""

UNSEEN_BIAS_SE_M = 0.03
"""What registration on bare ground cannot see, m: laser light enters snow and brush lies down under it (common practice)."""

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


def measure_flight(files: FlightFiles, grid: BasinGrid, limits: FlightLimits) -> tuple[xr.Dataset, list[Finding]]:
    """Return a flight's depth on the grid, and the findings.

    Returns
    -------
    Dataset on (y, x): depth (m, negative noise kept), valid_fraction (1), depth_spread (m), depth_random_se (m); attributes
    flight_id, date, depth_bias_se_m, noise_m, noise_correlation_m, masked_pixels, and the registration's figures where there was one.

    Raises
    ------
    InputError : a raster cannot be read.
    RefusedFlightError : no cell of the grid has data, or the registration is beyond its limits.
    """
    source, registration, findings = _source(files, grid, limits)
    means = aggregate(source, grid, (limits.least_depth_m, limits.most_depth_m))
    most = float(means.valid_fraction.max())
    if most < limits.least_valid_fraction:
        raise RefusedFlightError(
            f"flight {files.flight_id}: {files.depth or files.snow_on} covers no cell of the basin grid by more than {most:.0%}, "
            f"{limits.least_valid_fraction:.0%} is wanted (flights.least_valid_fraction). Check its coordinate system, extent and nodata"
        )
    noise_m = PIXEL_NOISE_M if registration is None else registration.nmad_after_m
    # Pixels err alike within the noise's reach: a cell averages as many independent ones as such patches fit in.
    independent = np.maximum(means.valid_fraction * (grid.cell_m / NOISE_REACH_M) ** 2, 1.0)
    fields = {
        "depth": ("m", means.mean),
        "valid_fraction": ("1", means.valid_fraction),
        "depth_spread": ("m", means.spread),
        "depth_random_se": ("m", np.where(np.isfinite(means.mean), noise_m / np.sqrt(independent), np.nan)),
    }
    flight = xr.Dataset({name: grid.array(values, units=units) for name, (units, values) in fields.items()})
    flight.attrs = {
        "flight_id": files.flight_id,
        "date": files.date.isoformat(),
        "depth_bias_se_m": _bias_se_m(files, registration),
        "noise_m": noise_m,
        "noise_correlation_m": NOISE_REACH_M,
        "masked_pixels": means.masked,
    }
    if registration is not None:
        flight.attrs |= asdict(registration)
    if means.masked:
        findings.append(
            _finding(
                files,
                "pixels beyond the limits",
                f"{means.masked} of {means.pixels} pixels below {limits.least_depth_m:g} or above {limits.most_depth_m:g} m",
                (
                    "set aside",
                    "outliers of the laser, such as trees and wires; raise flights.most_depth_m if drifts are truly deeper",
                ),
            )
        )
    return flight, findings


def _source(
    files: FlightFiles, grid: BasinGrid, limits: FlightLimits
) -> tuple[RasterPixels | Difference, Registration | None, list[Finding]]:
    """Return the flight's fine depths, how they were registered, and what was noticed."""
    if files.depth is not None:
        return raster_pixels(files.depth, grid), None, []
    snow_on, snow_off = (raster_pixels(path, grid, HEIGHTS) for path in (files.snow_on, files.snow_off))
    if files.stable_ground is None:
        unmoved = _finding(
            files,
            "not registered",
            "no stable ground",
            ("used", "give stable_ground to have the surfaces brought together before they are compared"),
        )
        return Difference(snow_on, snow_off), None, [unmoved]
    found = register(snow_on, snow_off, files.stable_ground, grid)
    figures = (
        f"shift {found.east_m:.2f} m east, {found.north_m:.2f} m north, {found.up_m:.2f} m up; NMAD {found.nmad_before_m:.2f} m before, "
        f"{found.nmad_after_m:.2f} m after, {found.pixels} stable pixels"
    )
    if np.hypot(found.east_m, found.north_m) > limits.most_shift_m or found.nmad_after_m > limits.most_nmad_m:
        raise RefusedFlightError(
            f"flight {files.flight_id}: registration on stable ground beyond its limits ({limits.most_shift_m:g} m of shift, "
            f"{limits.most_nmad_m:g} m of NMAD): {figures}. Look at the surfaces and the stable ground"
        )
    registered = _finding(
        files, "registered", figures, ("corrected", "the snow-on surface was moved by this onto the snow-off surface")
    )
    return Difference(moved(snow_on, -found.east_m, -found.north_m), snow_off, found.up_m), found, [registered]


def _bias_se_m(files: FlightFiles, registration: Registration | None) -> float:
    """Return the error common to the flight: declared, else of the registration's median with the part it cannot see."""
    if files.depth_se_m is not None:
        return files.depth_se_m
    if registration is None:
        return DEPTH_BIAS_SE_M
    # The median of n errors has 1.2533 times the error of their mean; neighbours err alike, so that a hundredth count.
    median_se = 1.2533 * registration.nmad_after_m / np.sqrt(max(registration.pixels / 100, 1.0))
    return float(np.hypot(UNSEEN_BIAS_SE_M, median_se))


def _finding(files: FlightFiles, rule: str, evidence: str, outcome: tuple[str, str]) -> Finding:
    action, detail = outcome
    return Finding(
        table="flights",
        file=str(files.depth or files.snow_on),
        site_id=files.flight_id,
        start=files.date.isoformat(),
        end=files.date.isoformat(),
        rule=rule,
        severity="warning" if action == "used" else "note",
        evidence=evidence,
        action=action,
        detail=detail,
    )
