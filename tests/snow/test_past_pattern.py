"""The pattern of earlier seasons' flights: what it is, and that a season without a flight follows it."""

from dataclasses import replace

import numpy as np
import pytest
import xarray as xr
from made_balance import START, ground_of, place
from made_weather import made_forcing

from snowtally.snow.background import TerrainBackground
from snowtally.snow.density import EVEN_DEPTH_M
from snowtally.snow.past_pattern import PAST_PATTERN, PAST_SHARE, past_pattern
from snowtally.snow.terrain_balance import TerrainBalance, fitted_on_terrain
from snowtally.terrain.canopy import CANOPY_LOG

SHAPE = (40, 50)
ELEVATION = 1500.0 + 30.0 * np.arange(SHAPE[0])[:, None] * np.ones(SHAPE)


def terrain(canopy=0.0):
    fields = {"elevation": ELEVATION, "cell_area": np.full(SHAPE, 1e4), "canopy": np.broadcast_to(canopy, SHAPE)}
    return xr.Dataset({name: (("y", "x"), values) for name, values in fields.items()})


def drifts():
    """Return how many times what its row gathers each cell gathers: half and half about 1."""
    return np.where(np.arange(SHAPE[1]) % 2 == 0, 1.5, 0.5) * np.ones(SHAPE)


def test_what_flights_of_different_depth_share_is_found_whatever_the_rise_with_height():
    rise = 0.5 + (ELEVATION - 1500.0) / 400.0
    thin, deep = (level * rise * drifts() for level in (2.0, 4.0))
    found = past_pattern([thin, deep], terrain())
    # Not at the ends, where the mean by elevation is one of ground to one side.
    assert np.exp(found[8:-8]) == pytest.approx(drifts()[8:-8], rel=0.12)
    # A deeper flight says more.
    shallow = 0.25 * thin
    other = past_pattern([shallow, deep[:, ::-1]], terrain())
    assert np.corrcoef(other.ravel(), np.log(drifts()[:, ::-1]).ravel())[0, 1] > 0.9


def test_unseen_cells_have_none_and_thin_flights_do_not_count():
    depth = drifts()
    depth[:, :10] = np.nan
    found = past_pattern([depth], terrain())
    assert np.isnan(found[:, :10]).all()
    assert np.abs(found[:, 10:]).min() > 0.2
    assert past_pattern([0.5 * EVEN_DEPTH_M * drifts()], terrain()) is None
    assert past_pattern([np.full(SHAPE, np.nan)], terrain()) is None
    assert past_pattern([], terrain()) is None


def test_a_corner_is_no_pattern_of_the_basin():
    depth = 2.0 * drifts()
    depth[:, 20:] = np.nan
    assert past_pattern([depth], terrain()) is None
    other = np.where(np.isfinite(depth), np.nan, 2.0 * drifts())
    assert np.isfinite(past_pattern([depth, other], terrain())).all()


def test_what_canopy_is_expected_to_do_is_not_in_it():
    wooded = np.where(np.arange(SHAPE[1]) < 25, 0.0, 0.8) * np.ones(SHAPE)
    depth = 2.0 * np.exp(CANOPY_LOG * wooded)
    found = past_pattern([depth], terrain(wooded))
    assert np.abs(found).max() < 0.05


def with_pattern(places, values):
    return places.assign({PAST_PATTERN: (places["elevation"].dims, np.asarray(values, float))})


@pytest.mark.parametrize("weather", [True, False])
def test_a_season_without_a_flight_gathers_where_earlier_ones_did(weather):
    forcing = made_forcing(100, level_c=-6.0, swing_c=4.0)
    ground, _ = ground_of(forcing, np.ones(6))
    ground = replace(ground, sites=ground.sites.assign(**{PAST_PATTERN: 0.0}))
    last = forcing.days[-1].date()
    model = fitted_on_terrain(START, ground, last) if weather else TerrainBackground().fit(ground, last)
    assert isinstance(model, TerrainBalance) is weather
    at = with_pattern(place([2200.0, 2200.0, 2200.0]), [np.log(1.5), 0.0, np.log(0.5)])
    said = model.predict(at)
    expected = np.exp(PAST_SHARE * np.array([np.log(1.5), 0.0, np.log(0.5)]))
    assert said.swe_mm / said.swe_mm[1] == pytest.approx(expected, rel=0.1)
    # A place that has been seen from the air errs less than one that never was.
    unseen = model.predict(with_pattern(place([2200.0] * 3), [np.nan] * 3))
    assert said.standard_error()[1] < unseen.standard_error()[1]
    assert unseen.swe_mm[1] == pytest.approx(said.swe_mm[1])


def test_sites_on_drifted_ground_do_not_stand_for_the_basin():
    forcing = made_forcing(100, level_c=-6.0, swing_c=4.0)
    ground, _ = ground_of(forcing, np.full(6, 1.5))
    plain = fitted_on_terrain(START, ground, forcing.days[-1].date()).predict(place([2200.0])).swe_mm
    ground = replace(ground, sites=ground.sites.assign(**{PAST_PATTERN: np.log(1.5)}))
    known = fitted_on_terrain(START, ground, forcing.days[-1].date())
    there = known.predict(with_pattern(place([2200.0]), [0.0])).swe_mm
    assert there == pytest.approx(plain / 1.5**PAST_SHARE, rel=0.1)
