"""The sites' gains against the mixed-model equations: C. R. Henderson 1975, Biometrics 31, 423-447 (from memory).

With y = Z u + e, u normal with variance G and e with variance R, the best linear unbiased prediction of u is
G Z' (Z G Z' + R)^-1 y. It is reckoned here by that formula, and the program's by a line with priors.
"""

import datetime as dt

import numpy as np
import pandas as pd
import pytest

from snowtally.snow.site_gains import (
    LOCAL_SHARE,
    PAIR_M,
    SEASON_COMMON_LOG_SD,
    SEASON_LOG_SD,
    SITE_OFFSET,
    site_gains,
    with_seasons,
)


def test_gains_are_the_best_linear_prediction_of_a_mixed_model():
    rng = np.random.default_rng(11)
    sites = pd.Index([f"S{k}" for k in range(6)])
    site, flight = np.array([0, 0, 1, 2, 2, 3, 4, 4, 4]), np.array([0, 1, 0, 1, 2, 2, 0, 1, 2])
    ratio = 0.1 + rng.normal(0, 0.2, len(site))
    days = pd.to_datetime(["2028-03-01", "2029-03-01", "2030-03-01"])
    told = pd.DataFrame(
        {
            "site_id": sites[site],
            "date": days[flight],
            "depth_m": 2.0 * np.exp(ratio),
            "cell_depth_m": 2.0,
            "days_apart": 0,
        }
    )
    z = np.column_stack([np.ones(len(site)), np.eye(6)[site], np.eye(3)[flight]])
    prior = np.diag([SITE_OFFSET**2, *[LOCAL_SHARE**2] * 6, *[SEASON_COMMON_LOG_SD**2] * 3])
    whole = z @ prior @ z.T + np.diag(SEASON_LOG_SD**2 + (PAIR_M / told[["depth_m", "cell_depth_m"]].mean(axis=1)) ** 2)
    effect = prior @ z.T @ np.linalg.solve(whole, ratio)
    variance = prior - prior @ z.T @ np.linalg.solve(whole, z @ prior)
    gain = np.column_stack([np.ones(6), np.eye(6)])
    of_gain = gain @ variance[:7, :7] @ gain.T
    shared = of_gain[~np.eye(6, dtype=bool)].mean()
    found = site_gains(sites, with_seasons(told, dt.date(2030, 10, 1)))
    assert found.log.to_numpy() == pytest.approx(effect[0] + effect[1:7], abs=1e-9)
    assert found.common_se**2 == pytest.approx(shared + 0.5 * SEASON_COMMON_LOG_SD**2, rel=1e-9)
    assert found.own_se.to_numpy() ** 2 == pytest.approx(np.diag(of_gain) - shared, rel=1e-6)
