"""Predictors of where snow lies, held against ground whose shape is known exactly."""

import datetime as dt

import numpy as np
import pytest
import xarray as xr

from snowtally.terrain.clear_sky import season_sun
from snowtally.terrain.predictors import LANDFORM, landform, landform_of

CELL_M = 100.0
EAST, NORTH = np.meshgrid((np.arange(60) - 30) * CELL_M, (25 - np.arange(50)) * CELL_M)
INNER = (slice(15, -15), slice(15, -15))


def test_a_plane_has_no_curvature_and_no_position_and_shelter_is_its_slope():
    ground = 2000.0 + 0.2 * EAST - 0.1 * NORTH
    found = landform(ground, CELL_M, 90.0)
    assert set(found) == set(LANDFORM)
    # Metres of ground as float32, and sums over squares in double.
    assert found["curvature"][INNER] == pytest.approx(0.0, abs=1e-9)
    assert found["position"][INNER] == pytest.approx(0.0, abs=1e-6)
    assert found["shelter"][INNER] == pytest.approx(np.rad2deg(np.arctan(0.2)), abs=1e-4)
    assert (landform(ground, CELL_M, 270.0)["shelter"][INNER] < 0).all()


def test_a_bowl_has_the_curvature_of_its_formula():
    ground = 1000.0 + 3e-5 * EAST**2 + 1e-5 * NORTH**2
    found = landform(ground, CELL_M, 270.0)
    assert found["curvature"][INNER] == pytest.approx(2 * (3e-5 + 1e-5), rel=1e-5)
    assert (found["position"][INNER] < 0).all()
    # Mean of x^2 over 2 k + 1 cells of width c is k (k + 1) c^2 / 3.
    assert found["position"][25, 30] == pytest.approx(-4e-5 * 10 * 11 * CELL_M**2 / 3, rel=1e-5)


def test_the_wind_is_told_from_true_north():
    rng = np.random.default_rng(6)
    ground = 1800.0 + rng.normal(0, 30, (30, 40))
    axes = {"y": -np.arange(30) * CELL_M, "x": np.arange(40) * CELL_M}
    fields = {"elevation": (("y", "x"), ground), "convergence": (("y", "x"), np.full(ground.shape, 20.0))}
    found = landform_of(xr.Dataset(fields, axes), 270.0)
    # The grid's north lies 20 degrees clockwise of true north: what comes from 270 comes from 250 on the grid.
    assert found["shelter"] == pytest.approx(landform(ground, CELL_M, 250.0)["shelter"], abs=1e-5)


def test_missing_ground_is_missing_and_makes_no_cliff():
    ground = 2000.0 + 0.2 * EAST
    holed = ground.copy()
    holed[:, :8] = np.nan
    found, whole = landform(holed, CELL_M, 270.0), landform(ground, CELL_M, 270.0)
    for name, field in found.items():
        assert np.isnan(field[:, :8]).all()
        assert np.isfinite(field[:, 8:]).all()
        assert field[INNER[0], 20:45] == pytest.approx(whole[name][INNER[0], 20:45], abs=1e-6)
    with pytest.raises(ValueError, match="without a known cell"):
        landform(np.full((9, 9), np.nan), CELL_M, 270.0)


def test_turning_the_world_turns_the_predictors():
    rng = np.random.default_rng(4)
    ground = 1800.0 + 300.0 * np.cumsum(np.cumsum(rng.normal(size=(40, 40)), axis=0), axis=1) / 400.0
    a, b = landform(ground, CELL_M, 270.0), landform(np.rot90(ground), CELL_M, 180.0)
    for name in LANDFORM:
        assert np.rot90(a[name]) == pytest.approx(b[name], rel=1e-4, abs=2e-3 if name == "shelter" else 1e-3)


def test_slopes_get_the_sun_of_the_closed_form():
    """Level ground gets 1; on the equinox at the equator a slope to the east gets its sun with the slope's cosine, and a rest."""
    day = dt.date(2031, 3, 21)
    slope = np.array([0.0, 30.0, 30.0, 30.0])
    level, north, east, west = season_sun(slope, np.array([0.0, 0.0, 90.0, 270.0]), 0.0, day, day)
    assert level == pytest.approx(1.0, rel=1e-9)
    # The sun passes overhead from east to west: a slope to the north has each hour's sun times the cosine of 30 degrees.
    assert north == pytest.approx(np.cos(np.deg2rad(30.0)), rel=0.01)
    # Where sin(height) = cos(hour) a clear day brings cos(h) exp(-0.059 / cos(h)) (Haurwitz 1945): a slope's sun by quadrature.
    h = np.linspace(-np.pi / 2, np.pi / 2, 20_001)[1:-1]
    brought, facing = np.cos(h) * np.exp(-0.059 / np.cos(h)), np.maximum(np.cos(h + np.deg2rad(30.0)), 0.0)
    assert east == pytest.approx(np.sum(brought * facing / np.cos(h)) / np.sum(brought), rel=0.01)
    assert west == pytest.approx(east, rel=0.02)


def test_sun_is_symmetric_and_turned_over_in_the_south():
    slope, aspect = np.full(2, 25.0), np.array([60.0, 300.0])
    season = dt.date(2030, 10, 1), dt.date(2031, 4, 1)
    east, west = season_sun(slope, aspect, 44.0, *season)
    assert east == pytest.approx(west, rel=0.03)  # half-hourly steps
    turned = dt.date(2030, 4, 1), dt.date(2030, 10, 1)
    north_face = season_sun(np.array(25.0), np.array(0.0), -44.0, *turned)
    south_face = season_sun(np.array(25.0), np.array(180.0), 44.0, *season)
    assert north_face == pytest.approx(south_face, rel=0.05)  # the dates


def test_the_table_is_fine_enough():
    rng = np.random.default_rng(2)
    slope, aspect = rng.uniform(0, 60, 40), rng.uniform(0, 360, 40)
    season = dt.date(2030, 12, 1), dt.date(2031, 2, 1)
    found = season_sun(slope, aspect, 40.0, *season)
    nodes = season_sun(np.round(slope / 5) * 5, np.round(aspect / 10) * 10, 40.0, *season)
    assert np.abs(found - nodes).max() < 0.15 * found.max()  # half a step away
    assert (found >= 0).all()
