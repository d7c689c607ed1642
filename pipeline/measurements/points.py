"""What the ground says: course visits and station days as SWE, depth and density with their errors."""

from __future__ import annotations

import numpy as np
import pandas as pd

STATION_SWE_SE = (5.0, 0.03)
"""Error of a station's daily SWE: 5 mm plus 3 % (weighing instruments, common practice, no source)."""

STATION_DEPTH_SE_M = 0.02
"""Error of a station's daily depth, m (ultrasonic and laser sensors, common practice, no source)."""

SAMPLER_SE = 0.05
"""Error of a tube sampler that does not average out over a course, as a share of SWE. Beaudoin-Galaise and Jutras 2022 (The
Cryosphere 16, 3199-3214) find biases from 2.6 to 11.4 % by sampler."""

LEAST_POINTS = 3
"""A course's spread is taken from its points when there are at least so many; else 20 % of its mean stands in for it."""


def course_visits(samples: pd.DataFrame) -> pd.DataFrame:
    """Return one row a course and date: the course's value from its samples in use.

    Parameters
    ----------
    samples : checked samples: site_id, date, depth_m, swe_mm, cores, used, swe_used.

    Returns
    -------
    DataFrame : site_id, date, swe_mm (mean over points, bare points counted as zero; Agriculture Handbook 169), swe_se_mm
        (sampling error of that mean with the sampler's), depth_m, depth_se_m, density_kg_m3 (ratio of the means over the
        points that were weighed, never the mean of ratios), points. SWE is missing where no point was weighed; depth-only
        points strengthen the depth and, through the density, the SWE.
    """
    kept = samples[samples["used"]].copy()
    # A bulk row stands for as many cores as were weighed together.
    kept["weight"] = kept["cores"].fillna(1.0).clip(lower=1.0)
    kept["bare"] = (kept["depth_m"] == 0) & kept["swe_mm"].isna()
    kept.loc[kept["bare"], ["swe_mm", "swe_used"]] = [0.0, True]
    rows = [
        {"site_id": site_id, "date": date, **_course_value(visit)}
        for (site_id, date), visit in kept.groupby(["site_id", "date"], sort=True)
    ]
    names = ["site_id", "date", "swe_mm", "swe_se_mm", "depth_m", "depth_se_m", "density_kg_m3", "points"]
    # An empty table has no types of its own.
    return pd.DataFrame(rows, columns=names).astype({"date": "datetime64[s]", **dict.fromkeys(names[2:], float)})


def _course_value(visit: pd.DataFrame) -> dict[str, float]:
    weight = visit["weight"].to_numpy(float)
    depth = visit["depth_m"].to_numpy(float)
    depth_mean, depth_se = _mean(depth, weight)
    weighed = visit["swe_used"].to_numpy(bool)
    swe, swe_depth = visit["swe_mm"].to_numpy(float)[weighed], depth[weighed]
    swe_mean, swe_se = _mean(swe, weight[weighed])
    both = np.isfinite(swe) & np.isfinite(swe_depth)
    weighed_depth = float(np.average(swe_depth[both], weights=weight[weighed][both])) if both.any() else np.nan
    density = (
        float(np.average(swe[both], weights=weight[weighed][both])) / weighed_depth if weighed_depth > 0 else np.nan
    )
    if np.isfinite(density) and np.isfinite(depth_mean) and not weighed.all():
        # The weighed points say how dense, all points say how deep.
        swe_mean, swe_se = density * depth_mean, density * depth_se
    swe_se = float(np.hypot(swe_se, SAMPLER_SE * swe_mean))
    return {
        "swe_mm": swe_mean,
        "swe_se_mm": swe_se,
        "depth_m": depth_mean,
        "depth_se_m": depth_se,
        "density_kg_m3": density,
        "points": float(weight.sum()),
    }


def _mean(values: np.ndarray, weights: np.ndarray) -> tuple[float, float]:
    """Return the weighted mean and its standard error, missing values left out."""
    there = np.isfinite(values)
    if not there.any():
        return np.nan, np.nan
    values, weights = values[there], weights[there]
    mean = float(np.average(values, weights=weights))
    n = float(weights.sum())
    enough = len(values) >= LEAST_POINTS
    spread = float(np.sqrt(np.average((values - mean) ** 2, weights=weights) * n / (n - 1))) if enough else 0.2 * mean
    return mean, spread / np.sqrt(n)


def station_density(daily: pd.DataFrame, least_depth_m: float) -> pd.DataFrame:
    """Return the station days that weigh the snow: SWE and depth both there and deep enough.

    Returns
    -------
    DataFrame : site_id, date, depth_m, density_kg_m3. Below `least_depth_m` the two sensors' own errors swamp the ratio.
    """
    deep = daily[(daily["depth_m"] > least_depth_m) & (daily["swe_mm"] > 0)]
    return deep.assign(density_kg_m3=deep["swe_mm"] / deep["depth_m"])[
        ["site_id", "date", "depth_m", "density_kg_m3"]
    ].reset_index(drop=True)


def station_swe_se_mm(swe_mm: np.ndarray) -> np.ndarray:
    """Return the instrument error of stations' daily SWE, mm."""
    fixed, share = STATION_SWE_SE
    return np.hypot(fixed, share * np.asarray(swe_mm, float))
