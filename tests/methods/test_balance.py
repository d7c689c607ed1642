"""The mass balance: its own snow found again, mass kept, the sites' offsets cancelled."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from made_weather import NODES, made_forcing, made_ground

from pipeline.methods.balance import balance_turnover, gathered, march, node_to_sites
from pipeline.methods.carry import CELL_VARIATION, SPARE_MM, Pattern
from pipeline.methods.terrain_balance import season_turnover, site_factors, telling_days

ELEVATION = np.array([1500.0, 1800.0, 2100.0, 2400.0, 2700.0])


def truth(forcing, start, factor, snow_scale, melt_scale):
    snowfall, melt = (node_to_sites(f, NODES, ELEVATION) for f in (forcing.snowfall_mm, forcing.melt_mm))
    return march(start, snow_scale * factor * snowfall, melt_scale * melt)


@pytest.mark.parametrize(("snow_scale", "melt_scale"), [(1.0, 1.0), (1.4, 0.8), (0.7, 1.5)])
def test_the_scales_that_made_the_sites_are_found(snow_scale, melt_scale):
    forcing = made_forcing(60, level_c=2.0, swing_c=4.0)
    start, factor = np.array([300.0, 350.0, 400.0, 450.0, 500.0]), np.array([0.8, 1.2, 1.0, 0.9, 1.3])
    swe = truth(forcing, start, factor, snow_scale, melt_scale)
    ground = made_ground(swe, forcing.days, ELEVATION)
    names = ground.sites.index
    turnover, scales = balance_turnover(ground, forcing, pd.Series(start, names), pd.Series(factor, names))
    assert scales["snowfall_scale"] == pytest.approx(snow_scale, rel=0.12)
    assert scales["melt_scale"] == pytest.approx(melt_scale, rel=0.12)
    carried, _ = turnover.carry(start, factor, ELEVATION, 0.0)
    assert carried == pytest.approx(swe[-1], abs=15.0)


def test_one_wild_site_hardly_matters():
    forcing = made_forcing(60, level_c=2.0, swing_c=4.0)
    start, factor = np.full(5, 400.0), np.ones(5)
    swe = truth(forcing, start, factor, 1.0, 1.0)
    swe[:, 2] += np.linspace(0, 600, 60)
    ground = made_ground(swe, forcing.days, ELEVATION)
    names = ground.sites.index
    _, scales = balance_turnover(ground, forcing, pd.Series(start, names), pd.Series(factor, names))
    assert scales["snowfall_scale"] == pytest.approx(1.0, rel=0.15)
    assert scales["melt_scale"] == pytest.approx(1.0, rel=0.15)


def test_without_sites_the_weather_alone_speaks_and_says_how_unsure_it_is():
    forcing = made_forcing(30)
    ground = made_ground(np.zeros((30, 1)), forcing.days, np.array([2000.0]))
    ground = replace(ground, daily=ground.daily.head(0))
    nothing = pd.Series(dtype=float)
    turnover, scales = balance_turnover(ground, forcing, nothing, nothing)
    assert (scales["snowfall_scale"], scales["melt_scale"]) == (1.0, 1.0)
    assert scales["melt_log_se"] > 0.3
    assert turnover.gain_mm == pytest.approx(forcing.snowfall_mm.sum(axis=0))


@given(st.floats(0, 900), st.floats(0.05, 4.0), st.floats(1000, 3000), st.floats(0.2, 3.0))
@settings(max_examples=50, deadline=None)
def test_no_more_is_carried_than_was_there_and_fell(start, factor, elevation, melt_scale):
    turnover = season_turnover(made_forcing(100, level_c=-2.0, swing_c=10.0), melt_scale)
    swe, covered = turnover.carry(np.array([start]), np.array([factor]), np.array([elevation]), CELL_VARIATION)
    assert 0 <= swe[0] <= start + factor * turnover.at(elevation)[0] + 1e-6
    assert 0 <= covered[0] <= 1
    more, _ = turnover.carry(np.array([start + 50.0]), np.array([factor]), np.array([elevation]), CELL_VARIATION)
    assert more[0] >= swe[0] - 1e-9
    warmer, _ = turnover.with_loss(1.3).carry(
        np.array([start]), np.array([factor]), np.array([elevation]), CELL_VARIATION
    )
    assert warmer[0] <= swe[0] + 1e-9


def test_snow_on_ground_that_went_bare_owes_nothing_to_the_melt_before():
    # Warm first, then cold with a storm: the whole season's melt would take it all.
    forcing = made_forcing(60, level_c=8.0, swing_c=-14.0, storm_every=58, storm_mm=60.0)
    swe, covered = season_turnover(forcing, 1.0).carry(np.zeros(1), np.ones(1), np.array([2500.0]), 0.0)
    assert swe[0] > 40
    assert covered[0] > 0.9


@given(st.lists(st.floats(0.1, 3.0), min_size=5, max_size=5), st.floats(0.5, 1.6))
@settings(max_examples=20, deadline=None)
def test_the_factors_that_made_the_sites_are_found(factors, melt_scale):
    forcing = made_forcing(100, level_c=-5.0, swing_c=8.0)
    swe = truth(forcing, np.zeros(5), np.array(factors), 1.0, melt_scale)
    snowfall, melt = (node_to_sites(f, NODES, ELEVATION) for f in (forcing.snowfall_mm, forcing.melt_mm))
    held = swe.max(axis=0) > 20
    found = site_factors(snowfall, melt_scale * melt, swe, telling_days(swe))
    assert found[held] == pytest.approx(np.array(factors)[held], rel=0.01)


def test_gathered_factor_is_the_share_of_the_gauges():
    forcing = made_forcing(100, level_c=-15.0, swing_c=0.0)
    record = gathered(forcing, Pattern(NODES, np.full(len(NODES), 300.0)))
    fallen = record.snowfall_mm[list(NODES).index(2500.0)]
    assert record.melt_mm[list(NODES).index(2500.0)] < 1.0
    assert record.factor(np.array([1.5 * fallen]), np.array([2500.0]))[0] == pytest.approx(1.5, rel=0.05)
    assert record.factor(np.array([0.0]), np.array([2500.0]))[0] < 0.1


def test_before_snow_has_fallen_the_flight_alone_tells_where_more_lies():
    # Two days into the season a drift of last year's snow is no sign of fivefold catch.
    early = gathered(
        made_forcing(2, level_c=-5.0, storm_every=50, storm_mm=4.0), Pattern(NODES, np.full(len(NODES), 40.0))
    )
    factor = early.factor(np.array([0.0, 40.0, 120.0]), np.full(3, 2500.0))
    assert factor == pytest.approx((np.array([0.0, 40.0, 120.0]) + SPARE_MM) / (40.0 + SPARE_MM), rel=0.05)


def test_snow_since_a_few_days_stands_for_a_march_day_by_day():
    rng = np.random.default_rng(4)
    off = []
    for seed in range(20):
        forcing = made_forcing(
            90, level_c=float(rng.uniform(-1, 3)), swing_c=float(rng.uniform(0, 6)), storm_every=4 + seed % 5
        )
        turnover = season_turnover(forcing, 1.0)
        place = np.linspace(1500.0, 2600.0, 30)
        factor, start = rng.uniform(0.4, 2.0, 30), rng.uniform(0, 250.0, 30)
        snowfall, melt = (node_to_sites(f, NODES, place) for f in (forcing.snowfall_mm, forcing.melt_mm))
        daily = march(start, factor * snowfall, melt)[-1]
        carried, _ = turnover.carry(start, factor, place, 0.0)
        assert (carried <= daily + 1e-6).all()
        late = daily > 5
        off += list(1 - carried[late] / daily[late])
    assert np.mean(off) < 0.015
    assert np.quantile(off, 0.99) < 0.25


def test_a_shaded_place_loses_less_and_must_have_gathered_less():
    forcing = made_forcing(120, level_c=-2.0, swing_c=8.0)
    turnover = season_turnover(forcing, 1.0)
    start, height = np.full(2, 400.0), np.full(2, 2000.0)
    shade = np.array([1.0, 0.4])
    held, _ = turnover.carry(start, np.ones(2), height, CELL_VARIATION, shade)
    assert held[0] < held[1]
    gain, loss = turnover.at(height, shade)
    assert gain[0] == gain[1]
    assert loss[1] == pytest.approx(0.4 * loss[0])
    pattern = Pattern(NODES, np.full(len(NODES), 400.0))
    factor = gathered(forcing, pattern).factor(start, height, shade)
    assert factor[1] < factor[0]


def test_a_season_that_begins_earlier_in_summer_gathers_no_more():
    """A warm dry month before the first snow has nothing to melt, and a season's first day is a matter of habit."""
    winter = made_forcing()
    autumn = made_forcing(days=30, level_c=12.0, swing_c=0.0, storm_mm=0.0, start="2030-10-02")
    longer = replace(
        winter,
        days=autumn.days.append(winter.days),
        temperature_c=np.vstack([autumn.temperature_c, winter.temperature_c]),
        precipitation_mm=np.concatenate([autumn.precipitation_mm, winter.precipitation_mm]),
        heard=np.concatenate([autumn.heard, winter.heard]),
    )
    pattern = Pattern(NODES, np.full(len(NODES), 300.0))
    early, late = (gathered(forcing, pattern) for forcing in (longer, winter))
    assert autumn.melt_mm.sum() > 0
    np.testing.assert_allclose(early.melt_mm, late.melt_mm)
    np.testing.assert_allclose(early.snowfall_mm, late.snowfall_mm)
