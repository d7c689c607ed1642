"""The line on terrain: what few, skewed and wild sites make of it, and what it says beyond their heights."""

import numpy as np
import pytest

from snowtally.snow.terrain_regression import REACH_M, TerrainRegression


def terrain(elevation):
    """Return (n, 3) elevation, northness and canopy of level open ground."""
    elevation = np.atleast_1d(np.asarray(elevation, float))
    return np.column_stack([elevation, np.zeros((len(elevation), 2))])


def fitted(elevation, swe):
    swe = np.asarray(swe, float)
    return TerrainRegression().fit(swe, terrain(elevation), (5.0 + 0.03 * swe) ** 2)


def error(model, elevation):
    return np.sqrt((model.predict(terrain(elevation))[1] ** 2).sum(axis=0))


def test_skewed_sites_do_not_leave_the_line_too_low():
    """SWE about a line is skewed, as snow is: the line's mean over many nights must be the sites'."""
    rng, off = np.random.default_rng(1), []
    for _ in range(60):
        height = rng.uniform(2400, 3300, 28)
        mean = 300.0 + 0.4 * (height - 2850)
        swe = mean * np.exp(rng.normal(-0.5 * 0.4**2, 0.4, 28))
        model = fitted(height, swe)
        off.append(np.mean(model.predict(terrain(height))[0] - mean) / 300.0)
    assert abs(np.mean(off)) < 0.025


def test_one_wild_site_hardly_moves_the_line():
    height = np.linspace(1600, 2400, 12)
    swe = 200.0 + 0.2 * (height - 2000) + 10.0 * np.sin(np.arange(12.0))
    wild = swe.copy()
    wild[5] = 2000.0
    moved = fitted(height, wild).predict(terrain(2000.0))[0] - fitted(height, swe).predict(terrain(2000.0))[0]
    # A twelfth of the slip would be 150 mm.
    assert 0.0 <= moved[0] < 50.0


def test_beyond_the_sites_the_line_goes_level_and_its_error_grows():
    model = fitted(np.linspace(1900, 2100, 12), 250.0 + 0.4 * (np.linspace(1900, 2100, 12) - 2000))
    mean = model.predict(terrain([2000, 2100 + REACH_M, 3200]))[0]
    assert mean[1] == pytest.approx(mean[2])
    assert mean[1] > mean[0]
    ahead = error(model, [2000, 2200, 2500, 3000, 3500])
    assert (np.diff(ahead) > 0).all()
    assert ahead[-1] > 0.5 * 250.0
    assert error(model, 1000.0) > 3 * error(model, 2000.0)


@pytest.mark.parametrize("count", [1, 2, 3, 6])
def test_few_sites_give_their_level_and_an_honest_slope_error(count):
    height = np.linspace(2000, 2060, count)
    model = fitted(height, np.full(count, 200.0))
    assert model.predict(terrain(height.mean()))[0][0] == pytest.approx(200.0, rel=0.02)
    # Sites on one height tell of no slope: half a kilometre away its prior speaks.
    assert error(model, height.mean() + 400.0) > 0.4 * 200.0
