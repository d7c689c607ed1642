"""How far an estimate of one night lies from the truth of a made basin, and how well its stated errors hold it."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pandas as pd
import xarray as xr
from recovery_worlds import World

from snowtally.model.day import Day

Z90, Z50 = 1.6448536, 0.6744898
LEAST_SE_MM = 0.5
"""Least standard error of a cell or a zone-band that an error is divided by, mm."""

MOST_Z = 10.0
"""An error of more standard errors counts as so many: a few cells stated as sure would else be all that a mean square tells."""

SNOW_MM = 20.0
"""Density is judged where as much lies."""


def map_scores(world: World, date: dt.date, swe: np.ndarray) -> dict[str, float]:
    """Return a map's relative error of the basin's volume, RMSE of cells (mm), and error of zone-bands (share of the volume)."""
    inside, truth = world.ground.inside, world.truth[date]
    off = np.where(inside, swe - truth, 0.0)
    number, count = zone_bands(world.terrain)
    by_band = np.bincount(number[inside], off[inside], count)
    total = truth[inside].sum()
    return {
        "error": off.sum() / total,
        "rmse": float(np.sqrt(np.mean(off[inside] ** 2))),
        "bands": float(np.abs(by_band).sum() / total),
    }


def zone_bands(terrain: xr.Dataset) -> tuple[np.ndarray, int]:
    """Return each cell's zone-band number, -1 outside, and how many there are."""
    bands = len(terrain.attrs["bands"])
    zone, band = terrain["zone"].to_numpy(), terrain["band"].to_numpy()
    return np.where(zone > 0, (zone - 1) * bands + band - 1, -1), int(zone.max()) * bands


def whole_grid(world: World, day: Day, name: str) -> np.ndarray:
    """Return a published field on the world's grid, missing outside the day's bounding box."""
    row, column = world.ground.grid.rows_columns(day.grid.x[:1], day.grid.y[:1])
    out = np.full(world.ground.grid.shape, np.nan)
    out[row[0] : row[0] + day.grid.height, column[0] : column[0] + day.grid.width] = day.fields[name].to_numpy()
    return out


def day_scores(world: World, date: dt.date, day: Day) -> dict[str, float]:
    """Return the scores of a day's stated errors and of its density.

    Of cells, zone-bands and the basin: the share within the 90 % and the 50 % interval and the mean of z squared, z the error over
    the stated error; the basin's own z; bias and RMSE of density, and its true spatial standard deviation, kg/m3, by cells.
    """
    inside, truth = world.ground.inside, world.truth[date]
    swe, se = whole_grid(world, day, "swe"), whole_grid(world, day, "swe_se")
    snowy = inside & ((truth > 1) | (swe > 1))
    z = (swe - truth)[snowy] / np.maximum(se[snowy], LEAST_SE_MM)
    totals = day.totals[day.totals["level"] == "zone_band"]
    number, count = zone_bands(world.terrain)
    m3 = world.ground.grid.cell_m**2 / 1000.0
    volume = np.bincount(number[inside], truth[inside] * m3, count)
    names = {zone_id: k for k, (zone_id, _) in enumerate(world.zones)}
    lows = {low: k for k, (low, _) in enumerate(world.terrain.attrs["bands"])}
    index = (totals["zone_id"].map(names) * len(lows) + totals["band_low_m"].map(lows)).to_numpy(int)
    # A zone-band of a few cells without snow, estimated and true, tells nothing.
    told = (volume[index] > 0) | (totals["volume_m3"].to_numpy() > 0)
    least_se = LEAST_SE_MM / 1000.0 * 1e6 * totals["area_km2"]
    band_z = ((totals["volume_m3"] - volume[index]) / np.maximum(totals["volume_se_m3"], least_se)).to_numpy()[told]
    basin = day.totals.iloc[0]
    true_volume = float(truth[inside].sum() * m3)
    basin_z = (basin["volume_m3"] - true_volume) / max(basin["volume_se_m3"], 1.0)
    out = {"basin_z": basin_z, "basin_se": basin["volume_se_m3"] / true_volume}
    for level, of_level in (("cell", z), ("band", band_z), ("basin", np.array([basin_z]))):
        out |= {f"{level}90": np.mean(np.abs(of_level) < Z90), f"{level}50": np.mean(np.abs(of_level) < Z50)}
        out[f"{level}_z2"] = np.mean(np.clip(of_level, -MOST_Z, MOST_Z) ** 2)
    return out | _density_scores(world, date, day)


def _density_scores(world: World, date: dt.date, day: Day) -> dict[str, float]:
    truth, depth = world.truth[date], world.true_depth[date]
    density = whole_grid(world, day, "density")
    there = world.ground.inside & (truth > SNOW_MM) & (depth > 0) & np.isfinite(density)
    if there.sum() < 2:
        return {"density_bias": np.nan, "density_rmse": np.nan, "density_sd": np.nan}
    true = truth[there] / depth[there]
    off = density[there] - true
    return {
        "density_bias": float(off.mean()), "density_rmse": float(np.sqrt(np.mean(off**2))), "density_sd": float(true.std()),
    }  # fmt: skip


def site_scores(world: World, date: dt.date) -> pd.Series:
    """Return what a world is like on a night: mean SWE, variation of cells, r2 with elevation, sites against their cells."""
    inside, truth = world.ground.inside, world.truth[date]
    swe = truth[inside]
    day = world.season.days.get_loc(pd.Timestamp(date))
    own, cell = world.record.sites["swe"][day], world.record.sites["cell_swe"][day]
    told = cell > 0.3 * swe.mean()
    ratio = own[told] / cell[told]
    with np.errstate(invalid="ignore"):
        r2 = np.corrcoef(swe, world.terrain["elevation"].to_numpy()[inside])[0, 1] ** 2
    return pd.Series(
        {
            "true_mm": swe.mean(), "variation": swe.std() / swe.mean(), "r2_elevation": r2,
            "site_ratio": ratio.mean() if len(ratio) else np.nan,
        }
    )  # fmt: skip
