"""The season's balance without a flight: which sites tell of their place, and when the balance is not to be believed."""

from dataclasses import replace

import numpy as np
import pytest
from made_balance import ELEVATION, START, ground_of, place
from made_weather import made_forcing, made_ground

from snowtally.snow.background import UNOBSERVED_MM_PER_DAY, TerrainBackground
from snowtally.snow.site_gains import cell_values
from snowtally.snow.terrain_balance import TerrainBalance, fitted_on_terrain
from snowtally.snow.terrain_regression import TerrainRegression


def test_a_low_site_where_it_only_rained_does_not_steepen_the_rise_with_height():
    forcing = made_forcing(100, level_c=1.0, swing_c=2.0)
    ground, swe = ground_of(forcing, np.ones(6))
    assert swe[-1, 0] == 0
    last = forcing.days[-1].date()
    with_low = fitted_on_terrain(START, ground, last)
    without = fitted_on_terrain(START, ground.without("S0").without("S1"), last)
    assert isinstance(with_low, TerrainBalance)
    high = place([2600.0, 3000.0])
    assert with_low.predict(high).swe_mm == pytest.approx(without.predict(high).swe_mm, rel=0.1)


def test_weather_that_cannot_have_made_the_snow_gives_way_to_the_sites_themselves():
    forcing = made_forcing(100, level_c=-4.0, swing_c=2.0)
    ground, swe = ground_of(forcing, np.ones(6), warmer=14.0)
    last = forcing.days[-1].date()
    found = fitted_on_terrain(START, ground, last)
    high = found.predict(place([2700.0]))
    assert high.swe_mm[0] > 0.4 * swe[-1, -1]
    assert high.standard_error()[0] > 0.1 * swe[-1, -1]
    # A gauge that caught an eighth of the snow would need factors beyond any drift.
    ground, _ = ground_of(forcing, np.ones(6), gauge=0.12)
    assert not isinstance(fitted_on_terrain(START, ground, last), TerrainBalance)


def test_weather_that_begins_in_mid_season_is_no_dry_start():
    forcing = made_forcing(100, level_c=-6.0, swing_c=4.0)
    ground, _ = ground_of(forcing, np.ones(6))
    late = ground.daily["date"] >= forcing.days[40]
    ground = replace(ground, daily=ground.daily.assign(precipitation_mm=ground.daily["precipitation_mm"].where(late)))
    assert not isinstance(fitted_on_terrain(START, ground, forcing.days[-1].date()), TerrainBalance)


def test_the_error_grows_when_the_last_days_fall_silent():
    forcing = made_forcing(100, level_c=-6.0, swing_c=4.0)
    ground, _ = ground_of(forcing, np.ones(6))
    last = forcing.days[-1].date()
    whole = fitted_on_terrain(START, ground, last).predict(place([2200.0]))
    early = ground.daily["date"] < forcing.days[-11]
    names = ["air_temperature_c", "precipitation_mm"]
    ground = replace(ground, daily=ground.daily.assign(**{name: ground.daily[name].where(early) for name in names}))
    silent = fitted_on_terrain(START, ground, last).predict(place([2200.0]))
    unheard = [{part.name: part.error_mm[0] for part in found.parts}["unheard change"] for found in (whole, silent)]
    assert unheard == pytest.approx([0.0, 11 * UNOBSERVED_MM_PER_DAY], rel=0.05)
    assert silent.standard_error()[0] > whole.standard_error()[0]


def test_a_drift_or_two_among_bare_sites_late_in_melt_do_not_empty_the_map():
    """Most sites are bare, two hold much: the balance has little at their heights, and the high ground its snow still."""
    forcing = made_forcing(150, level_c=-6.0, swing_c=14.0)
    ground, swe = ground_of(forcing, np.array([0.5, 0.6, 0.7, 0.7, 0.5, 0.3]))
    assert swe[-1].max() == 0
    drift = ground.daily["site_id"].isin(["S2", "S3"])
    last = ground.daily["date"] >= forcing.days[-20]
    ground = replace(ground, daily=ground.daily.assign(swe_mm=ground.daily["swe_mm"].where(~(drift & last), 220.0)))
    found = fitted_on_terrain(START, ground, forcing.days[-1].date()).predict(place([3000.0]))
    assert found.swe_mm[0] > 20
    assert found.standard_error()[0] > 20


def test_the_terrain_alone_says_that_it_doubts_sites_that_hold_snow():
    forcing = made_forcing(40)
    held = np.zeros((40, 6))
    held[:, 2] = 300.0
    ground, _ = ground_of(forcing, np.ones(6))
    silent = made_ground(held, forcing.days, ELEVATION)
    silent = replace(silent, sites=ground.sites)
    found = fitted_on_terrain(START, silent, forcing.days[-1].date())
    assert found.name == "terrain regression"
    prediction = found.predict(place([2000.0]))
    assert prediction.standard_error()[0] > 0.5 * (held[-1].mean() - prediction.swe_mm[0])


def test_the_terrain_alone_believes_sites_by_the_variance_of_their_cells():
    forcing = made_forcing(40)
    ground, _ = ground_of(forcing, np.array([0.5, 0.6, 0.7, 1.1, 1.5, 1.9]))
    date = forcing.days[-1].date()
    values = cell_values(ground, date)
    sites = ground.sites.loc[values.index].assign(northness=0.0)[["elevation_m", "northness", "canopy"]].to_numpy(float)
    variance = values["swe_se_mm"].to_numpy() ** 2
    by_hand = TerrainRegression().fit(values["swe_mm"].to_numpy(), sites, variance)
    found = TerrainBackground().fit(ground, date).regression_
    np.testing.assert_allclose(found.predict(sites)[0], by_hand.predict(sites)[0], rtol=1e-12)
