"""What is seen of a made basin from above: flights with their offsets and voids, snow cover with cloud and trees."""

from __future__ import annotations

import numpy as np
import xarray as xr
from world_places import FINE, Ground, cells, noise

STABLE_SHARE = 0.7
"""Share of flights that come with stable ground."""

RAW_OFFSET_SD_M, FINISHED_OFFSET_SD_M = 0.12, 0.06
"""Vertical offset of a flight, drawn for each: as it comes where stable ground will show it, and where somebody has taken most of
it out before."""

STABLE_SE_M = 0.015
"""Standard error of the median over stable ground: by so much what is taken out misses the offset."""

BRUSH_M = (-0.02, 0.03)
"""What stable ground cannot show, mean and spread by flight: brush lies down under snow, light enters it."""

CANOPY_BIAS_M = (-0.03, 0.12)
"""Common error of depth under a closed canopy, mean and spread by flight."""

PIXEL_NOISE_M, WAVES_M = 0.05, 0.03
"""Noise of a pixel's depth (trees double it) and slow waves along the flight lines."""

VOID_SHARE, PART_FLOWN = (0.01, 0.10), 0.2
"""Share of a flight that has no data, and share of flights that see a part of the basin only."""

COVER_SD, COVER_SD_CANOPY, COVER_CANOPY_BIAS = 0.12, 0.3, (-0.15, 0.12)
"""Error of a cover grid's fraction in the open and more under trees, and a common bias there, mean and spread by world."""


def fly(ground: Ground, depth: np.ndarray, date: str, rng: np.random.Generator) -> tuple[xr.Dataset, dict[str, float]]:
    """Return a flight on the grid, its offset taken out where it has stable ground, and the errors that were drawn.

    Parameters
    ----------
    depth : true depth on pixels, m.
    """
    shape = depth.shape
    stable = rng.random() < STABLE_SHARE
    offset = float(rng.normal(0.0, RAW_OFFSET_SD_M if stable else FINISHED_OFFSET_SD_M))
    taken_out = offset + float(rng.normal(0.0, STABLE_SE_M)) if stable else 0.0
    brush, under_trees = float(rng.normal(*BRUSH_M)), float(rng.normal(*CANOPY_BIAS_M))
    error = PIXEL_NOISE_M * (1 + ground.canopy) * rng.standard_normal(shape)
    error += WAVES_M * noise(rng, shape, 2500.0 / ground.pixel_m)
    error += offset - taken_out + np.where(depth > 0, brush + under_trees * ground.canopy, 0.0)
    void = noise(rng, shape, 400.0 / ground.pixel_m)
    seen = (void > np.quantile(void, rng.uniform(*VOID_SHARE))) & np.kron(ground.around, np.ones((FINE, FINE), bool))
    if rng.random() < PART_FLOWN:
        seen &= _part(shape, rng)
    flight = _on_grid(ground, depth + error, seen, date)
    bias_se = float(np.hypot(0.03, 1.2533 * STABLE_SE_M)) if stable else 0.05
    drawn = {"offset_m": offset, "left_m": offset - taken_out, "brush_m": brush, "canopy_m": under_trees}
    return flight.assign_attrs(depth_bias_se_m=bias_se), drawn | {"stable": float(stable)}


def fly_without_error(ground: Ground, depth: np.ndarray, date: str) -> xr.Dataset:
    """Return a flight that sees the true depth everywhere."""
    seen = np.kron(ground.around, np.ones((FINE, FINE), bool))
    flight = _on_grid(ground, depth, seen, date)
    sure = xr.where(np.isfinite(flight["depth"]), 0.002, np.nan)
    return flight.assign(depth_random_se=sure).assign_attrs(depth_bias_se_m=0.002)


def _part(shape: tuple[int, int], rng: np.random.Generator) -> np.ndarray:
    """Return the pixels on one side of a line that cuts off a tenth to a half."""
    row, column = np.mgrid[: shape[0], : shape[1]]
    turn = rng.uniform(0, 2 * np.pi)
    along = np.cos(turn) * row / shape[0] + np.sin(turn) * column / shape[1]
    return along > np.quantile(along, rng.uniform(0.1, 0.5))


def _on_grid(ground: Ground, depth: np.ndarray, seen: np.ndarray, date: str) -> xr.Dataset:
    valid = cells(seen.astype(float))
    share = np.where(valid > 0, valid, np.nan)
    mean = cells(np.where(seen, depth, 0.0)) / share
    square = cells(np.where(seen, depth**2, 0.0)) / share
    # A cell's few pixels miss what varies within them: a quarter of the depth (common practice, no source).
    spread = np.sqrt(np.clip(square - mean**2, 0, None) + (0.25 * np.clip(mean, 0, None)) ** 2 + 0.1**2)
    random_se = np.where(np.isfinite(mean), 0.03 * (1 + cells(ground.canopy)), np.nan)
    fields = {"depth": mean, "valid_fraction": valid, "depth_spread": spread, "depth_random_se": random_se}
    flight = xr.Dataset({name: ground.grid.array(values) for name, values in fields.items()})
    told = {"flight_id": f"F{date}", "date": date, "noise_m": 0.1, "noise_correlation_m": 30.0}
    return flight.assign_attrs(told)


def see_cover(ground: Ground, swe: np.ndarray, bias: float, rng: np.random.Generator) -> np.ndarray:
    """Return the snow-covered fraction seen on (y, x), missing under cloud; `bias` is what a closed canopy adds to it."""
    canopy = cells(ground.canopy)
    # Patches show through thin snow.
    true = cells(1 - np.exp(-np.clip(swe, 0, None) / 15.0))
    shape = ground.grid.shape
    error = (COVER_SD + COVER_SD_CANOPY * canopy) * noise(rng, shape, 1000.0 / ground.grid.cell_m, 2.0)
    # Wholly bare and wholly white open ground are seldom mistaken.
    error *= 0.3 + 0.7 * np.clip(4 * true * (1 - true) + canopy, 0, 1)
    seen = np.clip(true + error + bias * canopy * (true > 0), 0.0, 1.0)
    cloud = noise(rng, shape, 8000.0 / ground.grid.cell_m)
    cloudy = cloud < np.quantile(cloud, np.clip(rng.beta(0.6, 0.9), 0.0, 0.98))
    return np.where(cloudy | ~ground.around, np.nan, seen)
