"""The sites' SWE kriged over the basin: PyKrige where it can, the same from our own solver, and never a failure."""

import numpy as np
import pytest
import xarray as xr
from made_sites import DATE, record

from snowtally.snow import kriged_sites
from snowtally.snow.carry import TERRAIN_LOCAL
from snowtally.snow.kriged_sites import KrigedPrediction, KrigedSites


def world(seed, n):
    rng = np.random.default_rng(seed)
    xy, elevation = rng.random((n, 2)) * 9000.0, rng.uniform(1500, 2600, n)
    return record(xy, elevation, np.maximum(0.4 * (elevation - 1500) + rng.normal(80, 30, n), 0.0))


def grid():
    east, north = np.meshgrid(np.arange(0, 9000, 300.0), np.arange(9000, 0, -300.0))
    elevation = 1500.0 + east / 8.0 + 40.0 * np.sin(north / 900.0)
    elevation[3, 4] = np.nan
    return xr.Dataset({k: (("y", "x"), v) for k, v in (("east", east), ("north", north), ("elevation", elevation))})


@pytest.mark.parametrize("n", [8, 40])
def test_pykrige_and_our_own_solver_say_the_same(n, monkeypatch):
    model = KrigedSites().fit(world(n, n), DATE)
    assert model.engine_ is not None
    with_pykrige = model.predict(grid())
    monkeypatch.setattr(kriged_sites, "PYKRIGE_PAIRS", 0)
    alone = model.predict(grid())
    np.testing.assert_allclose(with_pykrige.swe_mm, alone.swe_mm, rtol=1e-6)
    np.testing.assert_allclose(with_pykrige.standard_error(), alone.standard_error(), rtol=1e-6)
    assert np.isfinite(alone.swe_mm).sum() == np.isfinite(grid()["elevation"]).sum()


def test_a_trend_with_elevation_pays_where_there_is_one():
    off, plain = [], []
    for seed in range(12):
        ground = world(seed, 24)
        held = ground.sites.index[::4]
        rest = ground
        for site in held:
            rest = rest.without(site)
        sites = ground.sites.loc[held]
        place = xr.Dataset(
            {
                k: ("site", sites[c].to_numpy(float))
                for k, c in (("east", "x"), ("north", "y"), ("elevation", "elevation_m"))
            }
        )
        observed = ground.daily.set_index("site_id")["swe_mm"][held].to_numpy()
        off.append(KrigedSites().fit(rest, DATE).predict(place).swe_mm - observed)
        plain.append(rest.daily["swe_mm"].mean() - observed)
    assert np.std(np.concatenate(off)) < 0.5 * np.std(np.concatenate(plain))
    # Sites are their cells: nothing is taken off.
    assert abs(np.mean(np.concatenate(off))) < 3 * np.std(np.concatenate(off)) / np.sqrt(12 * 6)


@pytest.mark.parametrize(
    ("xy", "elevation", "swe"),
    [
        (np.array([[10.0, 10.0]]), [1800.0], [250.0]),
        (np.array([[10.0, 10.0], [900.0, 10.0]]), [1800.0, 1800.0], [250.0, 90.0]),
        (np.full((6, 2), 400.0), np.linspace(1600, 2000, 6), np.linspace(100, 300, 6)),
        (np.column_stack([np.arange(6) * 800.0, np.zeros(6)]), np.full(6, 1900.0), np.linspace(100, 300, 6)),
        (np.repeat(np.random.default_rng(1).random((4, 2)) * 9000, 2, axis=0), np.linspace(1600, 2000, 8), np.full(8, 200.0)),
        (np.random.default_rng(2).random((9, 2)) * 9000, np.linspace(1600, 2000, 9), np.zeros(9)),
        (np.random.default_rng(3).random((9, 2)) * 9000, np.linspace(1600, 2000, 9), [200.0] * 8 + [9000.0]),
    ],
    ids=["one", "two", "one place", "in a row", "pairs", "bare", "outlier"],
)  # fmt: skip
def test_no_set_of_sites_makes_it_fail(xy, elevation, swe):
    model = KrigedSites().fit(record(xy, np.asarray(elevation), np.asarray(swe)), DATE)
    found = model.predict(grid().fillna(1700.0))
    assert np.isfinite(found.swe_mm).all()
    assert (found.swe_mm >= 0).all()
    assert np.isfinite(found.standard_error()).all()
    assert all(np.isfinite(part.error_mm).all() for part in found.all_parts(np.arange(30.0), np.arange(30.0))[:2])
    assert model.parameters()["range_m"] > 0
    if not np.any(swe):
        assert found.swe_mm.max() == 0


@pytest.mark.parametrize("swe_mm", [200.0, 400.0])
def test_sites_that_agree_leave_a_tenth_of_their_snow_as_the_fields_spread(swe_mm):
    """The least sill is (0.1 SWE)^2; a few sites that agree prove nothing."""
    rng = np.random.default_rng(2)
    model = KrigedSites().fit(
        record(rng.random((20, 2)) * 9000.0, rng.uniform(1500, 2600, 20), np.full(20, swe_mm)), DATE
    )
    assert model.variogram_.sill + model.variogram_.nugget == pytest.approx((0.1 * swe_mm) ** 2)
    assert model.parameters()["coefficients"] == pytest.approx([swe_mm, 0.0], abs=1e-3)


def test_the_trend_is_level_beyond_the_sites_reach_and_needs_a_metre_of_relief():
    steep = record(
        np.array([[0.0, 0], [3000, 0], [0, 3000], [3000, 3000], [1500, 900]]),
        np.linspace(1600, 2000, 5),
        np.linspace(100, 300, 5),
    )
    model = KrigedSites().fit(steep, DATE)
    low, high = model.columns_.reach_m
    cells = xr.Dataset(
        {
            "elevation": ("site", [low - 500, low, high, high + 500]),
            "east": ("site", [1e6] * 4),
            "north": ("site", [1e6] * 4),
        }
    )
    swe = model.predict(cells).swe_mm
    assert (swe[0], swe[3]) == (swe[1], swe[2])
    assert swe[2] - swe[1] == pytest.approx(0.5 * (high - low), rel=0.2)  # 200 mm in 400 m
    flat = record(steep.sites[["x", "y"]].to_numpy(), 1600.0 + np.linspace(0, 0.9, 5), np.linspace(100, 300, 5))
    assert KrigedSites().fit(flat, DATE).engine_ is None


def test_the_error_is_the_root_of_its_parts_and_bare_ground_has_no_kriging_error():
    """Patchy snow of 10 mm has half the kriging's error, 40 mm all of it."""
    model = KrigedSites().fit(world(1, 12), DATE)
    made = KrigedPrediction(np.array([0.0, 10.0, 40.0]), np.full(3, 8.0), model, np.zeros((3, 1)))
    offset, local = made.swe_mm * model.offset_, made.swe_mm * TERRAIN_LOCAL
    assert made.standard_error() == pytest.approx(np.sqrt(offset**2 + local**2 + np.array([0.0, 4.0, 8.0]) ** 2))
    assert made.shared_error() == pytest.approx(offset)
    assert made.covered == pytest.approx(1 - np.exp(-made.swe_mm / 20.0))
    offset_part, local_part, _ = made.all_parts(np.arange(3.0), np.zeros(1))
    assert (offset_part.shared, local_part.shared) == (True, False)
