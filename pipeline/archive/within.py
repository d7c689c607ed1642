"""The water within any polygon, with its error, from a day's published grids and the covariance of its zone-bands.

The archive tells each cell's standard error and how the volumes of zone-bands err together, not how two cells do. So a
polygon's error has two parts. Of each zone-band it has a share (weighted by the cells' errors), and the shares err as the
zone-bands do: a polygon of whole zone-bands gets exactly their error. Where it takes some cells of a zone-band and leaves
others, the difference between the two errs too. For that, errors of cells are taken to be correlated by a common part and one
that falls off with distance as exp(-d / length); both are fitted to the covariance of the zone-bands, and what their volumes
tell of the difference is taken from it (as kriging of sums does).
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
import shapely
import xarray as xr
from pyproj import CRS, Geod, Transformer

from snowtally.model.problems import ArchiveError

_MM_PER_M = 1000.0

_MOST_CELLS = 256
"""Cells along a side up to which errors are summed cell by cell; above, cells are first put together in blocks (cost alone)."""

_LENGTHS = 16
"""Lengths of correlation that are tried, in equal ratios (each some 1.5 times the next): errors of sums change little in between."""

_WHOLE = 0.999
"""A cell with more than this part of its ground in the basin lies in it whole: ways to reckon its area differ by less."""

_NOTHING = 1e-9
"""Part of a figure that is rounding."""


@dataclass(frozen=True)
class Volume:
    """Water in an area of a day's map.

    Parameters
    ----------
    volume_m3, volume_se_m3 : water, and its standard error.
    area_km2 : ground area of what lies in the basin.
    swe_mean_mm : mean over this area, bare ground counted.
    """

    volume_m3: float
    volume_se_m3: float
    area_km2: float
    swe_mean_mm: float


def volume_of(day: xr.Dataset, covariance: pd.DataFrame, geometry: object, crs: str | int) -> Volume:
    """Return the water within a polygon. Raises ArchiveError where it holds no part of the basin.

    Parameters
    ----------
    day : the grids on (y, x), as `reading.open_day` gives them.
    covariance : rows of `totals_covariance.parquet`.
    geometry : polygon or polygons: of shapely, GeoJSON, or anything with `__geo_interface__`.
    crs : coordinate system of the geometry.
    """
    weight = covered(day, geometry, crs)
    area = np.nan_to_num(day["cell_area"].to_numpy().astype(float)) * weight
    if not area.any():
        raise ArchiveError("The polygon holds no part of the basin. Is its coordinate system the one given by `crs`?")
    held = area > 0
    volume = float(np.sum((area * day["swe"].to_numpy().astype(float))[held])) / _MM_PER_M
    errors = np.nan_to_num((day["cell_area"].astype(float) * day["swe_se"]).to_numpy()) / _MM_PER_M
    variance = variance_of(weight, errors, _zone_bands(day, covariance), cell_width(day))
    total = float(area.sum())
    return Volume(volume, float(np.sqrt(variance)), total / 1e6, _MM_PER_M * volume / total)


def covered(day: xr.Dataset, geometry: object, crs: str | int) -> np.ndarray:
    """Return which part of each cell's ground in the basin a polygon holds. From 0 to 1, on (y, x).

    A cell on the basin's edge counts with its part inside: a polygon that holds at least as much of the cell holds all of it.
    """
    grid_crs = CRS(day["crs"].attrs["crs_wkt"])
    to_grid = Transformer.from_crs(CRS(crs), grid_crs, always_xy=True)
    polygon = shapely.transform(_shape(geometry), lambda points: np.column_stack(to_grid.transform(*points.T)))
    x, y, area = day["x"].to_numpy(), day["y"].to_numpy(), day["cell_area"].to_numpy().astype(float)
    half = cell_width(day) / 2
    left, bottom, right, top = polygon.bounds
    near = (y[:, None] > bottom - half) & (y[:, None] < top + half) & (x > left - half) & (x < right + half)
    rows, columns = np.nonzero(near & (area > 0))
    boxes = shapely.box(x[columns] - half, y[rows] - half, x[columns] + half, y[rows] + half)
    shapely.prepare(polygon)
    part = np.where(shapely.covers(polygon, boxes), 1.0, 0.0)
    cut = np.flatnonzero((part == 0) & shapely.intersects(polygon, boxes))
    part[cut] = shapely.area(shapely.intersection(polygon, boxes[cut])) / (2 * half) ** 2
    geod, to_degrees = Geod(ellps="WGS84"), Transformer.from_crs(grid_crs, grid_crs.geodetic_crs, always_xy=True)
    for n in cut:
        corners = to_degrees.transform(*shapely.get_coordinates(boxes[n]).T)
        inside = float(area[rows[n], columns[n]] / abs(geod.polygon_area_perimeter(*corners)[0]))
        if inside < _WHOLE:
            part[n] = min(1.0, part[n] / inside)
    weight = np.zeros(area.shape)
    weight[rows, columns] = part
    return weight


def _shape(geometry: object) -> shapely.Geometry:
    """Return a polygon as shapely's. Raises ArchiveError for anything else."""
    given: Any = getattr(geometry, "__geo_interface__", geometry)
    try:
        polygon = (
            geometry if isinstance(geometry, shapely.Geometry) else shapely.geometry.shape(given.get("geometry", given))
        )
    except (AttributeError, KeyError, TypeError, ValueError, shapely.errors.ShapelyError) as error:
        raise ArchiveError(f"This is no polygon ({error}). Give one of shapely, or GeoJSON's.") from error
    if polygon.is_empty or polygon.area == 0 or not polygon.is_valid:
        why = shapely.is_valid_reason(polygon) if polygon.area else "it has no area"
        raise ArchiveError(f"This is no polygon that holds anything: {why}. Mend it, as by shapely.make_valid.")
    return polygon


def cell_width(day: xr.Dataset) -> float:
    """Return the width of a day's cells, m."""
    axis = day["x"] if day.sizes["x"] > 1 else day["y"]
    return float(abs(axis[1] - axis[0]))


def _zone_bands(day: xr.Dataset, covariance: pd.DataFrame) -> tuple[np.ndarray, np.ndarray]:
    """Return the number of each cell's zone-band, -1 for none, and the covariance of the zone-bands' volumes, m6."""
    zones, lows = json.loads(day["zone"].attrs["zone_ids"]), np.atleast_1d(day["elevation_band"].attrs["band_low_m"])
    zone, band = (np.nan_to_num(day[name].to_numpy().astype(float)).astype(int) for name in ("zone", "elevation_band"))
    number = np.where((zone > 0) & (band > 0), (zone - 1) * len(lows) + band - 1, -1)
    rank = {(z, round(float(low), 1)): n for n, (z, low) in enumerate((z, low) for z in zones for low in lows)}
    matrix = np.zeros((len(rank), len(rank)))
    first, second = (
        [rank[key] for key in zip(covariance[f"zone_id{end}"], covariance[f"band_low_m{end}"].round(1), strict=True)]
        for end in ("", "_2")
    )
    matrix[first, second] = covariance["covariance_m6"]
    return number, matrix


def variance_of(
    weight: np.ndarray, errors: np.ndarray, zone_bands: tuple[np.ndarray, np.ndarray], cell_m: float
) -> float:
    """Return the variance of the volume in a weighted part of the cells, m6.

    Parameters
    ----------
    weight : part of each cell that counts, (y, x), 0 to 1.
    errors : standard error of each cell's volume, (y, x), m3; 0 outside the basin.
    zone_bands : each cell's zone-band, (y, x), -1 for none, and the covariance of the zone-bands' volumes, m6.
    cell_m : width of a cell, m.
    """
    numbers, covariance = zone_bands
    held = np.flatnonzero(np.bincount(numbers[numbers >= 0], errors[numbers >= 0], len(covariance)) > 0)
    fields = np.stack([np.where(numbers == k, errors, 0.0) for k in held])
    covariance = covariance[np.ix_(held, held)]
    sums = fields.sum(axis=(1, 2))
    share = (fields * weight).sum(axis=(1, 2)) / sums
    rest = (fields * (weight - share[:, None, None])).sum(axis=0)
    if not np.any(np.abs(rest) > _NOTHING * errors.max()):
        return float(share @ covariance @ share)
    common, products = _fitted(np.concatenate([fields, rest[None]]), covariance, sums, cell_m)
    apart = (1.0 - common) * products
    model = common * np.outer(sums, sums) + apart[:-1, :-1]
    # The rest has no part in a common error: within each zone-band its weights add up to nothing.
    known = np.linalg.lstsq(model, apart[:-1, -1], rcond=None)[0]
    own = max(float(apart[-1, -1] - known @ apart[:-1, -1]), 0.0)
    both = share + known
    return float(both @ covariance @ both) + own


def _fitted(fields: np.ndarray, covariance: np.ndarray, sums: np.ndarray, cell_m: float) -> tuple[float, np.ndarray]:
    """Return the common part of cells' correlation, and the sums of products of fields under the part that falls off.

    Of the lengths tried, from the grid's size down to half a cell, that which gives the covariance best; the longest of equals.
    """
    fields, width = _in_blocks(fields, cell_m)
    rows, columns = fields.shape[1] * 2, fields.shape[2] * 2
    spectra = np.fft.rfft2(fields, (rows, columns)).reshape(len(fields), -1)
    down, across = (np.minimum(np.arange(n), n - np.arange(n)) for n in (rows, columns))
    distance = width * np.hypot(down[:, None], across[None, :])
    # A transform of real values tells half of the waves: all but the first and the last column stand for two.
    twice = np.full(columns // 2 + 1, 2.0)
    twice[[0, -1]] = 1.0
    target = covariance / np.outer(sums, sums)
    trials = []
    for length in np.geomspace(distance.max(), width / 2, _LENGTHS):
        kernel = (np.fft.rfft2(np.exp(-distance / length)).real * twice).ravel() / (rows * columns)
        products = ((spectra * kernel) @ spectra.conj().T).real
        falling = products[:-1, :-1] / np.outer(sums, sums)
        slope = float(np.sum((1.0 - falling) ** 2))
        common = float(np.clip(np.sum((target - falling) * (1.0 - falling)) / slope, 0.0, 1.0)) if slope else 0.0
        misfit = float(np.sum((common * (1.0 - falling) + falling - target) ** 2))
        trials.append((misfit, common, products))
    least = min(misfit for misfit, _, _ in trials)
    return next((common, products) for misfit, common, products in trials if misfit <= least * (1.0 + _NOTHING))


def _in_blocks(fields: np.ndarray, cell_m: float) -> tuple[np.ndarray, float]:
    """Return fields of a large grid summed over square blocks, and the width of these."""
    size = -(-max(fields.shape[1:]) // _MOST_CELLS)
    if size == 1:
        return fields, cell_m
    rows, columns = (-(-n // size) for n in fields.shape[1:])
    padded = np.zeros((len(fields), rows * size, columns * size))
    padded[:, : fields.shape[1], : fields.shape[2]] = fields
    return padded.reshape(len(fields), rows, size, columns, size).sum(axis=(2, 4)), cell_m * size
