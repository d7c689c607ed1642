"""Melt's scales by window: those that made the sites are found, their errors hold, neighbours speak for a silent month."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from made_weather import NODES, made_forcing, made_ground

from snowtally.snow.balance import balance_turnover, march
from snowtally.snow.forcing import node_to_sites
from snowtally.snow.melt_windows import WINDOW_DAYS, Scales, Since, fitted_scales

ELEVATION = np.array([1500.0, 1800.0, 2100.0, 2400.0, 2700.0])


def marched(forcing, start, catch, melt_scale):
    """Return the (day, site) SWE of sites that catch and melt so many times what the weather tells."""
    snowfall, melt = (node_to_sites(f, NODES, ELEVATION) for f in (forcing.snowfall_mm, forcing.melt_mm))
    return march(start, catch * snowfall, melt_scale * melt)


def test_each_window_is_given_the_scale_that_made_it():
    forcing = made_forcing(4 * WINDOW_DAYS, level_c=2.0, swing_c=2.0)
    true = np.repeat([0.6, 0.8, 1.1, 1.5], WINDOW_DAYS)[:, None]
    swe = marched(forcing, np.full(5, 2500.0), 1.0, true)
    assert (swe > 0).all()
    found = fitted_scales(made_ground(swe, forcing.days, ELEVATION), forcing)
    assert found.melt[::WINDOW_DAYS] == pytest.approx([0.6, 0.8, 1.1, 1.5], rel=0.08)
    assert found.melt[WINDOW_DAYS - 1] == found.melt[0]


@pytest.mark.parametrize(("snow_scale", "melt_scale"), [(1.0, 1.0), (1.4, 0.8), (0.7, 1.5)])
def test_since_a_flight_snowfall_has_a_scale_of_its_own(snow_scale, melt_scale):
    forcing = made_forcing(90, level_c=2.0, swing_c=4.0)
    flight = forcing.days[29]
    factor, catch = np.array([0.8, 1.2, 1.0, 0.9, 1.3]), 1.1
    scale = np.where(forcing.days > flight, snow_scale, catch)[:, None]
    swe = marched(forcing, np.full(5, 800.0), scale * factor, melt_scale)
    ground = made_ground(swe, forcing.days, ELEVATION)
    found = fitted_scales(ground, forcing, Since(flight, pd.Series(factor, ground.sites.index)))
    assert found.snowfall == pytest.approx(snow_scale, rel=0.12)
    assert found.melt[-1] == pytest.approx(melt_scale, rel=0.12)
    # More snow and more melt leave the same change.
    assert found.covariance[0, -1] > 0
    carried = balance_turnover(forcing, found, flight).carry(swe[29], factor, ELEVATION, 0.0)
    assert carried.swe_mm == pytest.approx(swe[-1], abs=30.0)


@pytest.mark.parametrize("days", [7, 9])
def test_some_days_after_a_flight_the_sites_tell_the_scale_on_snowfall(days):
    forcing = made_forcing(70, level_c=-6.0, swing_c=2.0)
    flight = forcing.days[-1 - days]
    scale = np.where(forcing.days > flight, 1.8, 1.0)[:, None]
    swe = marched(forcing, np.full(5, 300.0), scale * np.ones(5), 1.0)
    ground = made_ground(swe, forcing.days, ELEVATION)
    assert (swe[-1] - swe[-1 - days] > 15.0).all()
    found = fitted_scales(ground, forcing, Since(flight, pd.Series(1.0, ground.sites.index)))
    assert found.snowfall == pytest.approx(1.8, rel=0.2)
    assert found.covariance[0, 0] < 0.3**2


def test_one_wild_site_hardly_matters():
    forcing = made_forcing(60, level_c=2.0, swing_c=4.0)
    swe = marched(forcing, np.full(5, 400.0), 1.0, 1.0)
    swe[:, 2] += np.linspace(0, 600, 60)
    ground = made_ground(swe, forcing.days, ELEVATION)
    since = Since(forcing.days[0] - pd.Timedelta(days=1), pd.Series(1.0, ground.sites.index))
    found = fitted_scales(ground, forcing, since)
    assert found.snowfall == pytest.approx(1.0, rel=0.15)
    assert found.melt == pytest.approx(np.ones(60), rel=0.15)


def test_without_sites_the_weather_alone_speaks_and_says_how_unsure_it_is():
    forcing = made_forcing(40)
    ground = made_ground(np.zeros((40, 1)), forcing.days, np.array([2000.0]))
    ground = replace(ground, daily=ground.daily.head(0))
    found = fitted_scales(ground, forcing)
    assert (found.snowfall, *found.melt) == (1.0,) * 41
    turnover = balance_turnover(forcing, found, forcing.days[0] - pd.Timedelta(days=1))
    assert turnover.gain_mm == pytest.approx(forcing.snowfall_mm.sum(axis=0))
    by_loss = np.sqrt(sum(one.loss**2 for one in turnover.scale_errors))
    assert (by_loss[turnover.loss_mm > 0] > 0.3).all()


def test_a_window_of_which_no_site_tells_follows_its_neighbour_and_is_less_sure():
    forcing = made_forcing(3 * WINDOW_DAYS, level_c=2.0, swing_c=2.0)
    swe = marched(forcing, np.full(5, 2500.0), 1.0, 1.5)
    swe[2 * WINDOW_DAYS :] = np.nan
    found = fitted_scales(made_ground(swe, forcing.days, ELEVATION), forcing)
    told, silent = found.melt[WINDOW_DAYS], found.melt[-1]
    assert told == pytest.approx(1.5, rel=0.05)
    assert 1.0 < silent < told
    assert found.covariance[3, 3] > 2 * found.covariance[2, 2]


def test_stated_errors_of_the_scale_hold_where_sites_melt_each_at_its_own_rate():
    rng, off = np.random.default_rng(3), []
    for _ in range(60):
        forcing = made_forcing(60, level_c=2.0, swing_c=2.0, storm_every=4)
        scale = np.repeat(np.exp(0.25 * rng.standard_normal() + 0.15 * rng.standard_normal(2)), 30)[:, None]
        own = np.exp(0.2 * rng.standard_normal(5))
        swe = marched(forcing, np.full(5, 1500.0), np.exp(0.3 * rng.standard_normal(5)), scale * own)
        swe = np.maximum(swe + rng.normal(0, 4.0, swe.shape), 0.0)
        found = fitted_scales(made_ground(swe, forcing.days, ELEVATION), forcing)
        z = (found.log_scales[1:] - np.log(scale[::30, 0])) / np.sqrt(np.diag(found.covariance)[1:])
        off.append(z)
    assert 0.75 < np.sqrt(np.mean(np.square(off))) < 1.25


def test_errors_of_gain_and_loss_are_those_of_the_scales():
    rng = np.random.default_rng(5)
    forcing = made_forcing(75, level_c=1.0, swing_c=4.0)
    root = 0.2 * rng.standard_normal((4, 4))
    scales = Scales(0.3 * rng.standard_normal(4), root @ root.T, np.arange(75) // WINDOW_DAYS)
    first = 20
    rows = np.array([[one.gain, *one.loss] for one in scales.errors(forcing.melt_mm, first)])
    drawn = rng.multivariate_normal(np.zeros(4), scales.covariance, 4000)
    loss = [
        (np.exp(off[1:])[scales.window[first:]] * scales.melt[first:]) @ forcing.melt_mm[first:] for off in 0.01 * drawn
    ]
    logs = np.column_stack([0.01 * drawn[:, 0], np.log(loss)])
    assert rows.T @ rows == pytest.approx(1e4 * np.cov(logs.T), rel=0.12, abs=0.004)
