"""The sun on slopes: published positions, an independent incidence, and laws of level ground, mirrors and horizons."""

import datetime as dt

import numpy as np
import pvlib
import pytest

from snowtally.terrain.horizon import BEARINGS, STEPS, horizons, sky_view
from snowtally.terrain.predictors import horn_gradient
from snowtally.terrain.sun import (
    Location,
    beam_factor,
    clear_sky_mj_m2,
    cloud_cover,
    diffuse_share,
    incidence_cosine,
    slope_normals,
    sun_path,
)

PLACE = Location(45.0, -20.0, 2000.0)
MIDNIGHT = dt.datetime(2031, 4, 15, 1, 20)  # noqa: DTZ001  UTC, naive: local solar midnight at 20 W
PATH = sun_path(PLACE, MIDNIGHT)
OPEN = np.zeros((16, 1), np.float32)


def normal(slope_degrees, aspect_degrees):
    rise = np.tan(np.deg2rad(slope_degrees))
    aspect = np.deg2rad(aspect_degrees)
    # The ground rises against its aspect.
    return slope_normals(np.array([-rise * np.sin(aspect)]), np.array([rise * np.cos(aspect)]))


def test_normals_meet_the_sun_at_the_angle_that_an_independent_library_gives():
    rng = np.random.default_rng(1)
    for slope, aspect, zenith, azimuth in zip(
        rng.uniform(0, 60, 50), rng.uniform(0, 360, 50), rng.uniform(0, 89, 50), rng.uniform(0, 360, 50), strict=True
    ):
        height, bearing = np.deg2rad(90 - zenith), np.deg2rad(azimuth)
        sun = [np.cos(height) * np.sin(bearing), np.cos(height) * np.cos(bearing), np.sin(height)]
        expected = pvlib.irradiance.aoi_projection(slope, aspect, zenith, azimuth)
        assert (normal(slope, aspect) @ sun)[0] == pytest.approx(expected, abs=1e-12)
        own = incidence_cosine(*np.deg2rad([slope, aspect, zenith, azimuth]))
        assert own == pytest.approx(expected, abs=1e-12)


def test_level_ground_with_an_open_horizon_gets_the_level_sun_exactly():
    assert beam_factor(normal(0, 0), OPEN, PATH)[0] == pytest.approx(1.0, abs=1e-12)
    assert sky_view(OPEN, normal(0, 0))[0] == pytest.approx(1.0, abs=1e-12)


def test_slopes_mirrored_in_the_meridian_get_the_same_and_the_sunny_side_more():
    east, west, south, north = (beam_factor(normal(30, aspect), OPEN, PATH)[0] for aspect in (90, 270, 180, 0))
    # The sun's two halves of the day differ by what the declination moves and the clock's steps, under a per cent.
    assert east == pytest.approx(west, rel=0.01)
    assert south > 1.05 > east > north
    # At solar noon itself, to the last digit.
    sun = [0.0, -np.cos(0.9), np.sin(0.9)]
    assert normal(30, 130)[0] @ sun == pytest.approx(normal(30, 230)[0] @ sun, abs=1e-15)


def test_the_factor_is_the_integral_that_pvlib_gives_step_by_step():
    slope, aspect = 35.0, 140.0
    zenith, azimuth = 90 - np.rad2deg(PATH.height), np.rad2deg(PATH.azimuth)
    lit = np.maximum(pvlib.irradiance.aoi_projection(slope, aspect, zenith, azimuth), 0)
    expected = np.sum(PATH.energy * lit / np.sin(PATH.height))
    assert beam_factor(normal(slope, aspect), OPEN, PATH)[0] == pytest.approx(expected, rel=1e-9)


def test_a_turned_grid_turns_the_sun_with_it():
    turned = sun_path(Location(45.0, -20.0, 2000.0, convergence_degrees=10.0), MIDNIGHT)
    assert beam_factor(normal(30, 140 - 10), OPEN, turned)[0] == pytest.approx(
        beam_factor(normal(30, 140), OPEN, PATH)[0], rel=1e-9
    )


def test_a_wall_in_the_south_takes_the_sun_of_noon_away():
    wall = OPEN.copy()
    wall[(BEARINGS > 2) & (BEARINGS < 4.3)] = np.deg2rad(80)
    assert beam_factor(normal(0, 0), wall, PATH)[0] < 0.45
    assert sky_view(wall, normal(0, 0))[0] < 0.75


def by_hand(elevation, cell_m, step):
    """Return the horizon of each cell of a grid along steps of rows and columns, in the plainest way."""
    out = np.zeros(elevation.shape)
    for (row, column), here in np.ndenumerate(elevation):
        k = 1
        while 0 <= row + k * step[0] < elevation.shape[0] and 0 <= column + k * step[1] < elevation.shape[1]:
            there = elevation[row + k * step[0], column + k * step[1]]
            out[row, column] = max(out[row, column], np.arctan((there - here) / (k * cell_m * np.hypot(*step))))
            k += 1
    return out


def test_horizons_are_those_of_a_plain_walk():
    rng = np.random.default_rng(4)
    elevation = 2000 + rng.normal(0, 200, (23, 31)).cumsum(axis=0) * 0.3
    for step, found in zip(STEPS, horizons(elevation, 50.0), strict=True):
        assert found == pytest.approx(by_hand(elevation, 50.0, step), abs=1e-6)


def test_on_a_plane_the_horizon_is_the_plane_itself():
    row, column = np.mgrid[:20, :30]
    plane = 3000.0 - 50.0 * row * 0.4 + 50.0 * column * 0.2  # falls to the south, rises to the east
    for bearing, view in zip(BEARINGS, horizons(plane, 50.0), strict=True):
        rise = 0.4 * np.cos(bearing) + 0.2 * np.sin(bearing)
        assert view[3:-3, 3:-3] == pytest.approx(max(0.0, np.arctan(rise)), abs=1e-6)


def test_an_open_slope_sees_the_sky_above_its_plane():
    for slope, aspect in ((20, 30), (40, 200)):
        assert sky_view(OPEN, normal(slope, aspect))[0] == pytest.approx((1 + np.cos(np.deg2rad(slope))) / 2, abs=0.01)


def test_missing_cells_hide_nothing():
    elevation = np.full((9, 9), 2000.0)
    elevation[2, 4] = np.nan
    assert (horizons(elevation, 50.0)[:, 6] == 0).all()


def test_a_valley_sees_less_of_the_sky_than_a_ridge():
    column = np.arange(41)
    valley = np.tile(2000 + 60.0 * np.abs(column - 20), (41, 1))
    views = []
    for ground in (valley, -valley):
        normals = slope_normals(*horn_gradient(ground, 100.0)).reshape(-1, 3)
        views.append(sky_view(horizons(ground, 100.0).reshape(16, -1), normals).reshape(41, 41)[20])
    # The floor of a long valley with even sides sees the cosine of their slope.
    assert views[0][20] == pytest.approx(np.cos(np.arctan(0.6)), abs=0.005)
    assert views[1][20] > 0.95


def test_a_day_splits_between_all_diffuse_and_mostly_direct():
    clear, dull = diffuse_share(np.array([27.0, 4.0]), PATH)
    assert clear < 0.25
    assert 0.95 < dull <= 1
    assert diffuse_share(np.zeros(1), PATH)[0] == 1


def test_cloud_that_dims_the_sun_is_found_again():
    cloud = np.array([0.0, 0.4, 0.8, 1.0])
    assert cloud_cover(30.0 * (1 - 0.75 * cloud**3.4), np.full(4, 30.0)) == pytest.approx(cloud, abs=1e-9)
    assert clear_sky_mj_m2(40.0, 3000.0) == pytest.approx(32.4)
