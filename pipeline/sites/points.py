"""What the ground says: course visits and station days as SWE, depth and density with their errors."""

from __future__ import annotations

import numpy as np
import pandas as pd

STATION_SWE_SE = (5.0, 0.03)
"""Error of a station's daily SWE: 5 mm plus 3 % (weighing instruments, common practice, no source)."""

STATION_DEPTH_SE_M = 0.02
"""Error of a station's daily depth, m (ultrasonic and laser sensors, common practice, no source)."""

SAMPLER_SE = 0.05
"""Error of a tube sampler that does not average out over a course, as a share of SWE: it is there whether a known bias is taken
off or not. Beaudoin-Galaise and Jutras 2022 (The Cryosphere 16, 3199-3214) find biases from 2.6 to 11.4 % by sampler, half of
whose range this is."""

LEAST_POINTS = 3
"""A course's spread is taken from its points when there are at least so many; else `POINT_VARIATION` stands in for it."""

POINT_VARIATION = {"swe_mm": 0.2, "depth_m": 0.2, "ratio": 0.1}
"""Spread among a course's points as a share of their mean, where there are too few to tell: of SWE and depth, and of SWE about
density times depth (common practice, no source)."""

VISIT_NUMBERS = ["swe_mm", "swe_se_mm", "depth_m", "depth_se_m", "density_kg_m3", "density_se_kg_m3", "points"]


def course_visits(samples: pd.DataFrame) -> pd.DataFrame:
    """Return one row for each course and date.

    Its values come from the samples in use.

    Parameters
    ----------
    samples : checked samples: site_id, date, depth_m, swe_mm, cores, used, swe_used, [nominal_date].

    Returns
    -------
    DataFrame : site_id, date (the true one), nominal_date (missing where the sheet gives none), swe_mm (mean over
        points, bare points counted as zero; Agriculture Handbook 169), swe_se_mm (sampling error of that mean with the
        sampler's), depth_m, depth_se_m, density_kg_m3 (ratio of the means over the points that were weighed, never the
        mean of ratios), density_se_kg_m3, points, by_depth (always false here: no SWE comes from depth alone). SWE is
        missing where no point was weighed. Points with a depth alone strengthen the depth and, through the density, the
        SWE.
    """
    counted = samples[samples["used"] & ~_only_bare_left(samples)].copy()
    # A bulk row stands for as many cores as were weighed together.
    counted["weight"] = counted["cores"].fillna(1.0).clip(lower=1.0)
    counted["bare"] = (counted["depth_m"] == 0) & counted["swe_mm"].isna()
    counted.loc[counted["bare"], ["swe_mm", "swe_used"]] = [0.0, True]
    nominal = counted["nominal_date"] if "nominal_date" in counted else pd.Series(pd.NaT, counted.index)
    counted["nominal_date"] = nominal.astype("datetime64[s]")
    groups = counted.groupby(["site_id", "date"], sort=True)
    weight, depth = counted["weight"].to_numpy(float), counted["depth_m"].to_numpy(float)
    swe = np.where(counted["swe_used"].to_numpy(bool), counted["swe_mm"].to_numpy(float), np.nan)
    rows = [
        {"site_id": site_id, "date": date, "nominal_date": nominal, **_course_value(weight[at], depth[at], swe[at])}
        for (site_id, date), nominal in groups["nominal_date"].min().items()
        for at in [groups.indices[site_id, date]]
    ]
    names = ["site_id", "date", "nominal_date", *VISIT_NUMBERS]
    # An empty table has no types of its own.
    days = dict.fromkeys(["date", "nominal_date"], "datetime64[s]")
    visits = pd.DataFrame(rows, columns=names).astype({**days, **dict.fromkeys(VISIT_NUMBERS, float)})
    return visits.assign(by_depth=False)


def _only_bare_left(samples: pd.DataFrame) -> pd.Series:
    """Return the samples of visits with only bare points left.

    All points with snow of such a visit were set aside. Its bare points alone are no course.
    """
    snow = (samples["depth_m"] > 0) | (samples["swe_mm"] > 0)
    visit = [samples["site_id"], samples["date"]]
    had = snow.groupby(visit, observed=True).transform("any")
    # A point whose water was set aside and that has no depth is used for nothing.
    said = samples["used"] & ((samples["depth_m"] > 0) | (samples["swe_used"] & (samples["swe_mm"] > 0)))
    has = said.groupby(visit, observed=True).transform("any")
    return had & ~has


def _course_value(weight: np.ndarray, depth: np.ndarray, swe: np.ndarray) -> dict[str, float]:
    """Return a visit's means, its density and their standard errors.

    Parameters
    ----------
    weight : (n,) how many cores each row stands for.
    depth, swe : (n,) m and mm, missing where the row gives none to use.

    Notes
    -----
    Where all points give a depth and some a core, this is double sampling (Rovansek et al. 1993, Eastern Snow Conf. 50) with
    Thompson's ratio estimator: SWE = r x mean depth of all n' points, r the ratio of the means over the n weighed ones, and
    Var = s_y^2 / n' + (1/n - 1/n') s_r^2, s_y the spread of SWE and s_r that of SWE about r times depth (formula from memory).
    With n = n' it is the plain error of the mean.
    """
    depth_mean, depth_spread, deep = _mean(depth, weight, "depth_m")
    swe_mean, swe_spread, cores = _mean(swe, weight, "swe_mm")
    both = np.isfinite(swe) & np.isfinite(depth)
    density, density_se = np.nan, np.nan
    if both.any() and (core_depth := float(np.average(depth[both], weights=weight[both]))) > 0:
        density = float(np.average(swe[both], weights=weight[both])) / core_depth
        about = _spread_about_ratio(swe[both] - density * depth[both], weight[both], density * core_depth)
        n = float(weight[both].sum())
        density_se = (
            density * float(np.hypot(about / np.sqrt(n) / (density * core_depth), SAMPLER_SE)) if density else np.nan
        )
        if deep > cores:
            swe_mean = density * depth_mean
            variance = (density * depth_spread) ** 2 / deep + max(1 / n - 1 / deep, 0.0) * about**2
            swe_spread, cores = np.sqrt(variance), 1.0
    if depth_mean > 0 and swe_mean == 0 and np.isnan(density):
        # Bare points alone were weighed: they say nothing of what lies at the others.
        swe_mean, cores = np.nan, 0.0
    return {
        "swe_mm": swe_mean,
        "swe_se_mm": float(np.hypot(swe_spread / np.sqrt(cores), SAMPLER_SE * swe_mean)) if cores else np.nan,
        "depth_m": depth_mean,
        "depth_se_m": depth_spread / np.sqrt(deep) if deep else np.nan,
        # Cores too light for the scale say that little lies there, not that it weighs nothing.
        "density_kg_m3": density or np.nan,
        "density_se_kg_m3": density_se,
        "points": float(weight.sum()),
    }


def _mean(values: np.ndarray, weights: np.ndarray, name: str) -> tuple[float, float, float]:
    """Return weighted mean, spread and total weight of the values.

    Missing values are left out. With fewer than `LEAST_POINTS` values the spread is a usual share of the mean.
    """
    there = np.isfinite(values)
    if not there.any():
        return np.nan, np.nan, 0.0
    values, weights = values[there], weights[there]
    mean, n = float(np.average(values, weights=weights)), float(weights.sum())
    if len(values) < LEAST_POINTS:
        return mean, POINT_VARIATION[name] * mean, n
    return mean, float(np.sqrt(np.average((values - mean) ** 2, weights=weights) * n / (n - 1))), n


def _spread_about_ratio(residual_mm: np.ndarray, weights: np.ndarray, mean_mm: float) -> float:
    """Return the spread of SWE about density times depth, mm."""
    if len(residual_mm) < LEAST_POINTS:
        return POINT_VARIATION["ratio"] * mean_mm
    n = float(weights.sum())
    return float(np.sqrt(np.average(residual_mm**2, weights=weights) * n / (n - 1)))


def station_density(daily: pd.DataFrame, least_depth_m: float) -> pd.DataFrame:
    """Return the station days that have a density.

    They have both SWE and depth, and the snow is deep enough.

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
