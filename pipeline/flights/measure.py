"""One flight's files to depth on the basin grid with its error."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
import xarray as xr

from snowtally.flights.aggregate import CellMeans, aggregate
from snowtally.flights.areas import WithoutAreas, find_area
from snowtally.flights.depth_offset import DepthOffset, Lowered, depth_offset
from snowtally.flights.difference import Difference, moved
from snowtally.flights.limits import FlightLimits
from snowtally.flights.mosaic import open_pixels
from snowtally.flights.noise import PixelNoise
from snowtally.flights.plausible import check_depths, check_surface
from snowtally.flights.rasters import PixelSource, RasterPixels, written_on
from snowtally.flights.register import Registration, register
from snowtally.inputs.raster_band import DEPTHS, HEIGHTS, Values
from snowtally.model.grid import BasinGrid
from snowtally.model.problems import Finding, RefusedFlightError
from snowtally.model.rules import flights as rules
from snowtally.model.rules.rule import Rule

DEPTH_BIAS_SE_M = 0.05
"""Error of depth common to a whole flight where none is declared, m (residual vertical offsets of registered laser surfaces are
a few centimetres: common practice, no source)."""

UNSEEN_BIAS_SE_M = 0.03
"""What registration on bare ground cannot see, m: laser light enters snow and brush lies down under it (common practice)."""

DEFAULT_NOISE = PixelNoise(nugget_m2=0.0, sill_m2=0.14**2, reach_m=12.0)
"""Where no stable ground tells: a pixel errs by 0.14 m, RMSE in meadow and shrub (Tinkham et al. 2014, Remote Sens. Environ.
141, 105-115), all of it shared by neighbours over a dozen metres (chosen: patches of some 30 m)."""

UNDER_TREES = 2.0
"""Under a closed canopy a pixel errs by so many times as much: 0.20 to 0.35 m against 0.14 (common practice, no source)."""


@dataclass(frozen=True)
class FlightFiles:
    """The date and the files of one flight.

    They are a depth raster, or a snow-on and a snow-off surface. Stable ground may be with them.

    Parameters
    ----------
    depth, snow_on, snow_off, stable_ground : files, several where a raster comes in tiles; none where it is not given.
    depth_se_m : declared standard error common to the flight's depths, m.
    metres_per_unit : by depth, snow_on and snow_off, for files that declare no unit.
    codes : stored values that mean no data, besides the files' own.
    """

    flight_id: str
    date: dt.date
    depth: tuple[Path, ...] = ()
    snow_on: tuple[Path, ...] = ()
    snow_off: tuple[Path, ...] = ()
    stable_ground: tuple[Path, ...] = ()
    depth_se_m: float | None = None
    metres_per_unit: Mapping[str, float] = field(default_factory=dict)
    codes: tuple[float, ...] = ()

    def values(self, role: str) -> Values:
        """Return what the numbers of `depth`, `snow_on` or `snow_off` are."""
        kind = DEPTHS if role == "depth" else HEIGHTS
        return replace(kind, codes=self.codes, metres_per_unit=self.metres_per_unit.get(role))


@dataclass(frozen=True)
class GroundLayers:
    """What is known of the ground under a flight.

    A part that is not given is None.

    Parameters
    ----------
    elevation_m, canopy : the terrain's, on the grid, (y, x), m and cover fraction.
    canopy_files : raster of canopy cover, or its tiles, for masking pixels.
    water_file : raster or polygons of open water, for masking pixels.
    """

    elevation_m: np.ndarray | None = None
    canopy: np.ndarray | None = None
    canopy_files: tuple[Path, ...] = ()
    water_file: Path | None = None


NO_LAYERS = GroundLayers()

Outcome = tuple[xr.Dataset, list[Finding]] | RefusedFlightError
"""What becomes of a flight: as `measure_flight` returns or refuses it."""


def measure_flight(
    files: FlightFiles, grid: BasinGrid, limits: FlightLimits, known: GroundLayers = NO_LAYERS
) -> tuple[xr.Dataset, list[Finding]]:
    """Return a flight's depth on the grid, and the findings.

    It depends on its arguments and the files alone, and everything it is given and gives back can be sent to another process.

    Returns
    -------
    Dataset on (y, x): depth (m, negative noise kept), valid_fraction (1), depth_spread (m), depth_random_se (m); attributes
    flight_id, date, depth_bias_se_m, noise_m, noise_correlation_m, and `figures`: the flight's part of the record.

    Raises
    ------
    InputError : a raster cannot be read.
    RefusedFlightError : no cell of the grid has data, or what it shows cannot be snow on this ground (`plausible`), or the
        registration is beyond its limits.
    """
    source, registration, findings = _source(files, grid, limits, known)
    areas = []
    if known.water_file is not None:
        areas.append(find_area("water", (known.water_file,), grid))
    if known.canopy_files and limits.most_canopy < 1:
        areas.append(find_area("canopy", known.canopy_files, grid, above=limits.most_canopy))
    if areas:
        source = WithoutAreas(source, tuple(areas))
    means = aggregate(source, grid, (limits.least_depth_m, limits.most_depth_m))
    about = f"flight {files.flight_id}"
    check_depths(about, means.mean, (means.masked, means.pixels), source, grid)
    most = float(means.valid_fraction.max())
    if most < limits.least_valid_fraction:
        raise RefusedFlightError(
            f"{about}: {_named(files.depth or files.snow_on)} covers no cell of the basin grid by more than {most:.0%}, "
            f"{limits.least_valid_fraction:.0%} is wanted (flights.least_valid_fraction). Check its coordinate system, extent and nodata"
        )
    # Where most of the stable ground reads one and the same number, depths are rounded more coarsely than they err.
    noise = DEFAULT_NOISE if registration is None or not registration.noise.pixel_se_m > 0 else registration.noise
    bias_se_m = _bias_se_m(files, registration)
    flight = _dataset(means, grid, noise, float(np.prod(source.placement.pixel_m())), known.canopy)
    figures = {
        "flight_id": files.flight_id,
        "date": files.date.isoformat(),
        "pixels": means.pixels,
        "masked_pixels": means.masked,
        "seen_area_km2": float(np.sum(means.valid_fraction) * grid.cell_m**2 / 1e6),
        "depth_bias_se_m": bias_se_m,
        "noise": asdict(noise),
        "registration": _without_noise(registration) if isinstance(registration, Registration) else None,
    }
    if isinstance(registration, DepthOffset):
        figures["stable_ground"] = _without_noise(registration)
    flight.attrs = {
        "flight_id": files.flight_id,
        "date": files.date.isoformat(),
        "depth_bias_se_m": bias_se_m,
        "noise_m": noise.pixel_se_m,
        "noise_correlation_m": noise.reach_m,
        "figures": figures,
    }
    if means.masked:
        findings.append(
            _finding(
                files,
                rules.PIXELS_BEYOND_LIMITS,
                f"{means.masked} of {means.pixels} pixels below {limits.least_depth_m:g} or above {limits.most_depth_m:g} m",
            )
        )
    return flight, findings


def _dataset(
    means: CellMeans, grid: BasinGrid, noise: PixelNoise, pixel_m2: float, canopy: np.ndarray | None
) -> xr.Dataset:
    """Return the fields of a flight. The canopy over the cells counts where it is known."""
    random_se = noise.cell_se_m(means.valid_fraction, grid.cell_m, pixel_m2)
    if canopy is not None:
        share = np.clip(np.nan_to_num(canopy), 0.0, 1.0)
        random_se = random_se * np.sqrt(1 - share + share * UNDER_TREES**2)
    fields = {
        "depth": ("m", means.mean),
        "valid_fraction": ("1", means.valid_fraction),
        "depth_spread": ("m", means.spread),
        "depth_random_se": ("m", random_se),
    }
    return xr.Dataset({name: grid.array(values, units=units) for name, (units, values) in fields.items()})


def _without_noise(registration: Registration | DepthOffset) -> dict[str, Any]:
    return {name: figure for name, figure in asdict(registration).items() if name != "noise"}


def _source(
    files: FlightFiles, grid: BasinGrid, limits: FlightLimits, known: GroundLayers
) -> tuple[PixelSource, Registration | DepthOffset | None, list[Finding]]:
    """Return the flight's fine depths, how they were registered, and what was noticed."""
    if files.depth:
        depth = open_pixels(files.depth, grid, files.values("depth"))
        noted = _declared_units(files, {"depth": depth})
        if not files.stable_ground:
            return depth, None, noted
        source, offset, findings = _on_stable_ground(files, depth, grid, limits)
        return source, offset, noted + findings
    snow_on, snow_off = (
        open_pixels(getattr(files, role), grid, files.values(role)) for role in ("snow_on", "snow_off")
    )
    if known.elevation_m is not None:
        for role, surface in (("snow_on", snow_on), ("snow_off", snow_off)):
            check_surface(f"flight {files.flight_id}: {role}", surface, known.elevation_m, grid, limits)
    findings = _declared_units(files, {"snow_on": snow_on, "snow_off": snow_off}) + _newer_snow_off(files)
    if not files.stable_ground:
        unmoved = _finding(files, rules.NO_STABLE_GROUND, "no stable ground")
        return Difference(snow_on, snow_off), None, [*findings, unmoved]
    fitted = register(snow_on, snow_off, files.stable_ground, grid, fit_tilt=limits.fit_tilt)
    findings += _registration_findings(files, fitted, limits)
    return _registered(files, fitted, (snow_on, snow_off), limits), fitted, findings


def _declared_units(files: FlightFiles, rasters: Mapping[str, RasterPixels]) -> list[Finding]:
    """Return a note for each raster that declares another unit than metres itself."""
    return [
        _finding(files, rules.FLIGHT_UNIT, f"{role} in {' and '.join(pixels.raster.units)}")
        for role, pixels in rasters.items()
        if pixels.raster.units
    ]


def _on_stable_ground(
    files: FlightFiles, depth: RasterPixels, grid: BasinGrid, limits: FlightLimits
) -> tuple[PixelSource, DepthOffset | None, list[Finding]]:
    """Return depths less their offset on stable ground, that, and findings.

    Refuses depths that scatter too much there.
    """
    fitted = depth_offset(depth, files.stable_ground, grid)
    if fitted is None:
        evidence = "half of the depths on stable ground are exactly 0, and none is below"
        return depth, None, [_finding(files, rules.DEPTHS_CUT_OFF, evidence)]
    evidence = f"median {fitted.up_m:+.3f} m, NMAD {fitted.nmad_m:.2f} m, {fitted.pixels} stable pixels"
    if fitted.nmad_m > limits.most_nmad_m:
        raise RefusedFlightError(
            f"flight {files.flight_id}: depth on stable ground scatters beyond its limit ({limits.most_nmad_m:g} m of NMAD, "
            f"flights.most_nmad_m): {evidence}. Look at the depths and the stable ground"
        )
    findings = [_finding(files, rules.DEPTHS_REGISTERED, evidence)]
    if abs(fitted.up_m) > limits.vertical_offset_m:
        findings.append(_finding(files, rules.DEPTHS_OFFSET, f"{fitted.up_m:.2f} m"))
    return Lowered(depth, fitted.up_m), fitted, findings


def _registered(
    files: FlightFiles, fitted: Registration, surfaces: tuple[RasterPixels, RasterPixels], limits: FlightLimits
) -> Difference:
    """Return the difference of the registered surfaces, or refuse a registration beyond its limits."""
    snow_on, snow_off = surfaces
    if np.hypot(fitted.east_m, fitted.north_m) > limits.most_shift_m or fitted.nmad_after_m > limits.most_nmad_m:
        raise RefusedFlightError(
            f"flight {files.flight_id}: registration on stable ground beyond its limits ({limits.most_shift_m:g} m of shift, "
            f"{limits.most_nmad_m:g} m of NMAD): {_figures(fitted)}. Look at the surfaces and the stable ground"
        )
    return Difference(moved(snow_on, -fitted.east_m, -fitted.north_m), snow_off, fitted.up_m, fitted.tilt)


def _figures(fitted: Registration) -> str:
    tilt = (
        "" if fitted.tilt is None else f"tilt {1000 * np.hypot(fitted.tilt.per_east, fitted.tilt.per_north):.3f} m/km; "
    )
    return (
        f"shift {fitted.east_m:.2f} m east, {fitted.north_m:.2f} m north, {fitted.up_m:.2f} m up; {tilt}"
        f"NMAD {fitted.nmad_before_m:.2f} m before, {fitted.nmad_after_m:.2f} m after, {fitted.pixels} stable pixels on slopes of "
        f"{fitted.slope_low_deg:.0f} to {fitted.slope_high_deg:.0f} degrees"
    )


def _registration_findings(files: FlightFiles, fitted: Registration, limits: FlightLimits) -> list[Finding]:
    findings = [_finding(files, rules.SURFACES_REGISTERED, _figures(fitted))]
    if not fitted.shift_fitted:
        findings.append(_finding(files, rules.SHIFT_NOT_FITTED, f"slopes of {fitted.slope_deg:.1f} degrees"))
    if abs(fitted.up_m) > limits.vertical_offset_m:
        findings.append(_finding(files, rules.VERTICAL_OFFSET, f"{fitted.up_m:.2f} m"))
    return findings


def _newer_snow_off(files: FlightFiles) -> list[Finding]:
    """Return a finding where the ground was surveyed after the snow.

    By the files' own dates.
    """
    on, off = (max(filter(None, map(written_on, paths)), default=None) for paths in (files.snow_on, files.snow_off))
    if on is None or off is None or off <= on:
        return []
    return [_finding(files, rules.GROUND_NEWER, f"snow_off {off}, snow_on {on}")]


def _bias_se_m(files: FlightFiles, registration: Registration | DepthOffset | None) -> float:
    """Return the error common to the flight, m.

    Declared, else that of the registration's median with the part it cannot see.
    """
    if files.depth_se_m is not None:
        return files.depth_se_m
    if registration is None:
        return DEPTH_BIAS_SE_M
    # The median of normal errors is 1.2533 times as uncertain as their mean.
    return float(np.hypot(UNSEEN_BIAS_SE_M, 1.2533 * registration.lift_se_m))


def _named(paths: tuple[Path, ...]) -> str:
    return str(paths[0]) if len(paths) == 1 else f"{paths[0]} and {len(paths) - 1} more"


def _finding(files: FlightFiles, rule: Rule, evidence: str) -> Finding:
    return Finding(
        rule,
        file=str((files.depth or files.snow_on)[0]),
        site_id=files.flight_id,
        start=files.date.isoformat(),
        end=files.date.isoformat(),
        evidence=evidence,
    )
