"""The factor that brings modelled melt to what the stations lost this season."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from pipeline.ground import GroundRecord
from pipeline.methods.albedo import FRESH
from pipeline.methods.melt_energy import march_held, snowfall_mm
from pipeline.methods.melt_weather import DailyWeather
from pipeline.methods.regression import doubt

STEP_DAYS = 3
"""Losses are counted over steps of three days: a pillow's noise of some mm a day would drown a day's melt."""

DRY_MM = 1.0
"""Steps with more new snow than this tell nothing: gain and loss cannot be told apart."""

LEAST_SWE_MM = 30.0
"""A station under thinner snow at the end of a step may have run out of snow within it."""

LEAST_MELT_MM = 20.0
"""A station at which less than this could have melted tells nothing of melt."""

PRIOR_SD = 0.25
"""Prior spread of the logarithm of the factor between basins (chosen: wind, humidity and canopy are not known)."""

SITE_SD = 0.25
"""Spread of the logarithm of one station's factor about the basin's: shade, wind and albedo of the place (common practice, no
source)."""

NOISE_MM = 6.0
"""Error of a station's loss over a step, mm: two readings of some mm each."""

LEAST_SD = 0.08
"""The factor is never surer than this: stations stand in clearings, the basin does not."""

BOUNDS = (0.5, 2.0)
"""The factor stays within these: beyond, something else than melt is at work."""

CLEARING = 0.5
"""Stations stand in clearings: they feel this share of their cell's canopy (common practice, no source)."""


@dataclass(frozen=True)
class MeltFactor:
    """Factor on all energy, the standard error of its logarithm, and what told it.

    Parameters
    ----------
    stations : by site_id: observed_mm and modelled_mm (before the factor) over the steps that count.
    """

    factor: float
    log_se: float
    stations: pd.DataFrame


def station_melt(ground: GroundRecord, past: DailyWeather, sky_view: pd.Series, factor: float) -> pd.DataFrame:
    """Return each station's observed and modelled melt over the dry steps with snow enough, mm, and how many steps.

    Parameters
    ----------
    sky_view : by site_id, share of diffuse sun received. Direct sun is that on level ground: stations stand on gentle ground.
    factor : on all energy.
    """
    seen = ground.station_series.reindex(past.dates)
    seen = seen.loc[:, seen.notna().any()]
    if seen.empty:
        return pd.DataFrame(columns=["observed_mm", "modelled_mm", "steps"], dtype=float)
    sites = ground.sites.loc[seen.columns]
    canopy = sites["canopy"].to_numpy(float) if "canopy" in sites else np.zeros(len(sites))
    places = np.column_stack([sites["elevation_m"].to_numpy(float), CLEARING * canopy, sky_view[seen.columns]])
    swe = seen.fillna(0.0).to_numpy().T.copy()
    shape = swe.shape
    potential, cold, albedo, keeps = (np.empty(shape) for _ in range(4))
    march_held(
        places, np.ones(shape), past.rows, np.array([past.lapse_k_per_km, past.height_m, factor]), swe,
        np.full(len(swe), 350.0), np.column_stack([np.zeros(len(swe)), np.full(len(swe), FRESH)]),
        potential, cold, albedo, keeps,
    )  # fmt: skip
    warmth = past.rows[:, 0] + past.lapse_k_per_km * (places[:, :1] - past.height_m) / 1000.0
    snow = np.vectorize(snowfall_mm, otypes=[float])(past.rows[:, 6], warmth)
    observed = seen.to_numpy().T
    rows = {}
    for k, site_id in enumerate(seen.columns):
        lost, could, steps = 0.0, 0.0, 0
        for first in range(0, shape[1] - STEP_DAYS, STEP_DAYS):
            last = first + STEP_DAYS
            # A day's value is its mean, so melt between two is half of the first day's and half of the last's.
            within = np.full(STEP_DAYS + 1, 1.0)
            within[[0, -1]] = 0.5
            dry = within @ snow[k, first : last + 1] < DRY_MM
            if dry and observed[k, last] >= LEAST_SWE_MM and np.isfinite(observed[k, first]):
                lost += observed[k, first] - observed[k, last]
                could += within @ potential[k, first : last + 1]
                steps += 1
        rows[site_id] = (lost, could, steps)
    return pd.DataFrame.from_dict(rows, orient="index", columns=["observed_mm", "modelled_mm", "steps"])


def melt_factor(ground: GroundRecord, past: DailyWeather | None, sky_view: pd.Series) -> MeltFactor:
    """Return the factor with which the model melts what the stations lost, drawn to 1 by its prior.

    Since cold content makes melt more than proportional to energy, the factor is found in four rounds of secants.
    """
    none = MeltFactor(1.0, PRIOR_SD, pd.DataFrame(columns=["observed_mm", "modelled_mm"], dtype=float))
    if past is None:
        return none
    log_factor, log_se, first = 0.0, PRIOR_SD, None
    for _ in range(4):
        told = station_melt(ground, past, sky_view, float(np.exp(log_factor)))
        first = told if first is None else first
        told = told[(told["modelled_mm"] >= LEAST_MELT_MM) & (told["steps"] > 0)]
        if told.empty:
            return none
        ratio = np.log(np.maximum(told["observed_mm"], 0.2 * told["modelled_mm"]) / told["modelled_mm"])
        noise = NOISE_MM * np.sqrt(told["steps"]) / told["modelled_mm"]
        variance = (SITE_SD**2 + noise**2).to_numpy()
        target = log_factor + ratio.to_numpy()
        weight = 1.0 / (variance * doubt((target - np.median(target)) / np.sqrt(variance)))
        precision = weight.sum() + PRIOR_SD**-2.0
        log_factor = float(np.clip(weight @ target / precision, *np.log(BOUNDS)))
        log_se = float(max(precision**-0.5, LEAST_SD))
    return MeltFactor(float(np.exp(log_factor)), log_se, first.loc[told.index, ["observed_mm", "modelled_mm"]])
