"""The mass balance: its own snow found again, mass kept, the sites' offsets cancelled."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from made_weather import NODES, made_forcing

from snowtally.snow.balance import gathered, march, turnover_of
from snowtally.snow.carry import SPARE_MM, Pattern
from snowtally.snow.forcing import node_to_sites
from snowtally.snow.melting import CELL_VARIATION, melted
from snowtally.snow.terrain_balance import factor_rows, site_factors

ELEVATION = np.array([1500.0, 1800.0, 2100.0, 2400.0, 2700.0])


def season_turnover(forcing, melt_scale):
    """Return the turnover of the whole season with one scale on melt."""
    return turnover_of(forcing.nodes_m, forcing.snowfall_mm, melt_scale * forcing.melt_mm)


def truth(forcing, start, factor, snow_scale, melt_scale):
    snowfall, melt = (node_to_sites(f, NODES, ELEVATION) for f in (forcing.snowfall_mm, forcing.melt_mm))
    return march(start, snow_scale * factor * snowfall, melt_scale * melt)


@given(st.floats(0, 900), st.floats(0.05, 4.0), st.floats(1000, 3000), st.floats(0.2, 3.0))
@settings(max_examples=50, deadline=None)
def test_no_more_is_carried_than_was_there_and_fell(start, factor, elevation, melt_scale):
    turnover = season_turnover(made_forcing(100, level_c=-2.0, swing_c=10.0), melt_scale)
    place = np.array([factor]), np.array([elevation]), CELL_VARIATION
    held = turnover.carry(np.array([start]), *place)
    assert 0 <= held.swe_mm[0] <= start + factor * turnover.at(elevation)[0] + 1e-6
    assert 0 <= held.covered[0] <= 1
    more = turnover.carry(np.array([start + 50.0]), *place)
    assert more.swe_mm[0] >= held.swe_mm[0] - 1e-9
    warmer = turnover.with_loss(1.3).carry(np.array([start]), *place)
    assert warmer.swe_mm[0] <= held.swe_mm[0] + 1e-9


def test_snow_on_ground_that_went_bare_owes_nothing_to_the_melt_before():
    # Warm first, then cold with a storm: the whole season's melt would take it all.
    forcing = made_forcing(60, level_c=8.0, swing_c=-14.0, storm_every=58, storm_mm=60.0)
    held = season_turnover(forcing, 1.0).carry(np.zeros(1), np.ones(1), np.array([2500.0]), 0.0)
    assert held.swe_mm[0] > 40
    assert held.covered[0] > 0.9
    assert not held.old[0]


@given(st.lists(st.floats(0.1, 3.0), min_size=5, max_size=5), st.floats(0.5, 1.6))
@settings(max_examples=20, deadline=None)
def test_the_factors_that_made_the_sites_are_found(factors, melt_scale):
    forcing = made_forcing(100, level_c=-5.0, swing_c=8.0)
    swe = truth(forcing, np.zeros(5), np.array(factors), 1.0, melt_scale)
    snowfall, melt = (node_to_sites(f, NODES, ELEVATION) for f in (forcing.snowfall_mm, forcing.melt_mm))
    held = swe.max(axis=0) > 20
    found = site_factors(snowfall, melt_scale * melt, swe, factor_rows(swe))
    assert found[held] == pytest.approx(np.array(factors)[held], rel=0.01)


@example(1.125, 0.0, 1.0, 0.3)
@given(st.floats(1, 900), st.floats(0, 600), st.floats(1, 2000), st.sampled_from([0.3, CELL_VARIATION, 0.8]))
@settings(max_examples=50, deadline=None)
def test_slopes_are_those_of_the_melt_formula(start, gain, loss, variation):
    def swe(of_start=0.0, of_gain=0.0, of_loss=0.0):
        moved = start + of_start, gain * np.exp(of_gain), loss * np.exp(of_loss)
        return float(melted(*(np.array([value]) for value in moved), variation).swe_mm[0])

    found = melted(*(np.array([value]) for value in (start, gain, loss)), variation)
    near = {"abs": 1e-3, "rel": 1e-3}
    # A part of the snow: a step that counts against thin snow bends the slope.
    step = 1e-3 * start
    assert found.remaining[0] == pytest.approx((swe(of_start=step) - swe(of_start=-step)) / (2 * step), **near)
    assert found.gained_mm[0] == pytest.approx((swe(of_gain=1e-4) - swe(of_gain=-1e-4)) / 2e-4, **near)
    assert -found.lost_mm[0] == pytest.approx((swe(of_loss=1e-4) - swe(of_loss=-1e-4)) / 2e-4, **near)


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
        carried = turnover.carry(start, factor, place, 0.0).swe_mm
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
    held = turnover.carry(start, np.ones(2), height, CELL_VARIATION, shade).swe_mm
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
        observed=np.concatenate([autumn.observed, winter.observed]),
    )
    pattern = Pattern(NODES, np.full(len(NODES), 300.0))
    early, late = (gathered(forcing, pattern) for forcing in (longer, winter))
    assert autumn.melt_mm.sum() > 0
    np.testing.assert_allclose(early.melt_mm, late.melt_mm)
    np.testing.assert_allclose(early.snowfall_mm, late.snowfall_mm)


def test_a_pattern_is_a_mean_of_cells_by_area_and_nearness_to_its_node():
    """Half of the cell at 1550 m tells of each node beside it; 1700 m has no cell and lies half way between its neighbours."""
    swe, height, area = (np.array(v, float) for v in ([100, 200, 400, 300], [1500, 1550, 1600, 1800], [1, 2, 1, 3]))
    pattern = Pattern.of(swe, height, area)
    assert pattern.nodes_m.tolist() == [1500.0, 1600.0, 1700.0, 1800.0]
    assert pattern.mean_mm == pytest.approx([(100 + 200) / 2, (200 + 400) / 2, 300.0, 300.0])
    assert pattern.at([1000.0, 1550.0, 9000.0]) == pytest.approx([150.0, 225.0, 300.0])
    assert pattern.factor([150.0, 0.0], [1500.0, 1500.0]) == pytest.approx([1.0, 30 / 180])


def test_what_was_gathered_by_hand():
    """100 mm fell and 20 melted: a place of 200 mm gathered (200 + 20 + 30) / (100 + 30) of it, weighed by 100^2 with 30^2."""
    forcing = SimpleNamespace(
        snowfall_mm=np.array([[0.0], [60.0], [40.0]]),
        melt_mm=np.array([[7.0], [0.0], [20.0]]),
        nodes_m=np.array([1000.0]),
    )
    told = gathered(forcing, Pattern(np.array([1000.0]), np.array([70.0])))
    assert (told.snowfall_mm.tolist(), told.melt_mm.tolist()) == ([100.0], [20.0])
    weight = 100**2 / (100**2 + 30**2)
    expected = (250 / 130) ** weight * (230 / 100) ** (1 - weight)
    assert told.factor(np.array([200.0]), np.array([1000.0])) == pytest.approx([expected])
    # A place that could melt twenty times as much was bare by then: 80 mm count.
    expected = (310 / 130) ** weight * (230 / 100) ** (1 - weight)
    assert told.factor(np.array([200.0]), np.array([1000.0]), 20.0) == pytest.approx([expected])
    assert told.factor(np.array([9000.0]), np.array([1000.0])) == [5.0]
