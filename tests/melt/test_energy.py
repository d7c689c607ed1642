"""Melt: energy and mass close, limits hold, and snow under more sun, less albedo or colder air does as it must."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from melt_steps import melt_of_steps

from snowtally.melt.calibration import PRIOR, _as_tuned
from snowtally.melt.energy import FUSION_MJ_KG, PACK_SHARE, melt_of_day, sun_mj_m2
from snowtally.melt.ensemble import sample_of, swe_factors
from snowtally.melt.march import CELL_COLUMNS, Cells, Melt, depletion, march_cells
from snowtally.snow.melting import melted

TABLE = depletion(0.5)
AIR = np.array([-6.0, 2000.0, 0.0, *_as_tuned(PRIOR)])


def weather(temperature=3.0, solar=25.0, precipitation=0.0, days=10):
    """Return days of weather in the march's columns, the same each day unless given as arrays."""
    row = [temperature, 5.0, 0.55, solar, 0.3, 0.75, precipitation]
    return np.column_stack([np.broadcast_to(np.asarray(value, float), days) for value in row])


PLAIN = {"elevation": 2000.0, "canopy": 0.0, "sky": 1.0, "swe": 400.0, "covered": 1.0, "density": 350.0}
PLAIN |= {"albedo": 0.6, "cold": 0.0, "dry": 0.0}


def cell(**other):
    """Return one cell in the march's columns, plain but for what is given."""
    return np.array([list((PLAIN | other).values())])


def marched(state, days, air=AIR, beam=1.0):
    """Return potential melt, melt, cover and new snow, (cell, day) each."""
    out = Melt.room(len(state), len(days))
    assert state.shape[1] == CELL_COLUMNS
    march_cells(Cells(state, np.full((len(state), 1), beam), np.zeros(len(days)), TABLE), days, air, out)
    return out[:4]


@settings(deadline=None)  # the first call compiles
@given(energy=st.lists(st.floats(-8, 25), min_size=1, max_size=20), cold=st.floats(0, 30), most=st.floats(0, 30))
def test_energy_closes_in_steps_of_any_length(energy, cold, most):
    potential, melt, held = melt_of_steps(
        np.array(energy)[:, None], np.array([50.0]), np.array([cold]), np.array([most])
    )
    before = np.concatenate([[cold], held[:-1, 0]])
    # What cooled the pack is what of the losses it paid; the rest is what melted and warmed.
    cooled = np.maximum(held[:, 0] - before, 0.0)
    gained = np.maximum(energy, 0.0).sum() / FUSION_MJ_KG
    assert potential.sum() == pytest.approx(gained - cold - cooled.sum() + held[-1, 0], rel=1e-9, abs=1e-9)
    assert (cooled <= np.maximum(-np.array(energy), 0) * PACK_SHARE / FUSION_MJ_KG + 1e-12).all()
    assert melt.sum() <= 50.0 + 1e-9


def test_hours_and_days_agree_where_nothing_freezes():
    hourly = np.abs(np.sin(np.arange(240) / 24 * 2 * np.pi))[:, None]
    by_hour = melt_of_steps(hourly, np.array([1e3]), np.array([12.0]), np.zeros(1))
    by_day = melt_of_steps(hourly.reshape(10, 24).sum(axis=1)[:, None], np.array([1e3]), np.array([12.0]), np.zeros(1))
    assert by_hour[1].sum() == pytest.approx(by_day[1].sum(), rel=1e-12)


def test_cold_snow_melts_later_and_dry_snow_keeps_its_first_water():
    day = (6.0, 0.0, 0.0, 0.0, 0.0)
    ripe, _, _ = melt_of_day(day, 0.0, 0.0, 5.0)
    assert ripe == pytest.approx(6.0 / FUSION_MJ_KG)
    assert melt_of_day(day, 4.0, 3.0, 5.0) == pytest.approx((ripe - 7.0, 0.0, 0.0))
    assert melt_of_day((0.5, 0.0, 0.0, -2.0, 0.0), 0.0, 0.0, 5.0)[0] == 0.0


def test_a_cold_clear_day_melts_in_its_middle_hours():
    # Over the whole day the balance is negative; the hours of high sun still melt, more than what the night froze.
    melt, cold, _ = melt_of_day((5.0, -4.0, 0.0, -1.5, 0.0), 0.0, 0.0, 2.0)
    assert melt == pytest.approx(
        (0.72 * 5.0 - 2.0) / FUSION_MJ_KG - 1.5 * PACK_SHARE / FUSION_MJ_KG - 0.6 * PACK_SHARE / FUSION_MJ_KG
    )
    assert cold == 0.0


@settings(deadline=None)  # the first call compiles
@given(
    pack=st.tuples(st.floats(0, 2000), st.floats(0.01, 1), st.floats(0.4, 0.9)),
    air=st.tuples(st.floats(-15, 20), st.floats(0, 35), st.floats(0, 60)),
)
def test_mass_closes_and_melt_stays_within_snow_and_potential(pack, air):
    swe, covered, albedo = pack
    potential, melt, cover, fallen = marched(cell(swe=swe, covered=covered, albedo=albedo), weather(*air, days=30))
    left = swe + np.cumsum(fallen, axis=1) - np.cumsum(melt, axis=1)
    assert (melt >= 0).all()
    assert left.min() >= -1e-9 * max(swe, 1.0)
    # The last micrometres of the log-normal tail go at once.
    assert (melt <= potential + 2e-3).all()
    assert ((cover >= 0) & (cover <= 1)).all()
    assert (cover[0][left[0] < 1e-9] == 0).all()


def test_snow_goes_within_the_cell_as_in_the_estimate():
    days = weather(days=25)
    potential, melt, cover, _ = marched(cell(swe=300.0), days)
    eaten = np.cumsum(potential)
    for day in (5, 12, 18):
        left = melted(np.array([300.0]), np.zeros(1), np.array([eaten[day]]), 0.5)
        assert 300.0 - melt[0, : day + 1].sum() == pytest.approx(left.swe_mm[0], abs=0.02)
        assert cover[0, day] == pytest.approx(left.covered[0], abs=1e-3)


def test_more_sun_warmer_air_darker_snow_and_open_ground_melt_more():
    plain = marched(cell(), weather())[1].sum()
    assert marched(cell(), weather(), beam=1.3)[1].sum() > plain
    assert marched(cell(), weather(temperature=6.0))[1].sum() > plain
    assert marched(cell(albedo=0.5), weather())[1].sum() > plain
    assert marched(cell(canopy=0.8), weather())[1].sum() < plain
    assert marched(cell(elevation=2600.0), weather())[1].sum() < plain
    assert marched(cell(cold=20.0), weather())[1].sum() < plain
    fresh = marched(cell(), weather(temperature=0.5, precipitation=np.array([20.0] + 9 * [0.0])))
    bare_of_it = marched(cell(), weather(temperature=0.5))
    assert fresh[1].sum() < bare_of_it[1].sum()


def test_thin_snow_lets_the_ground_through():
    deep, thin = (marched(cell(swe=swe), weather(days=1))[0][0, 0] for swe in (400.0, 20.0))
    assert thin > 1.2 * deep


def test_a_bare_place_has_no_melt_until_snow_falls_on_it():
    potential, melt, cover, fallen = marched(
        cell(swe=0.0, covered=0.0), weather(temperature=-1.0, precipitation=np.array([0.0, 30.0] + 8 * [0.0]))
    )
    assert potential[0, 0] == melt[0, 0] == cover[0, 0] == 0
    assert fallen[0, 1] == 30.0
    assert cover[0, 1] == 1.0


def test_level_ground_receives_what_is_told():
    assert sun_mj_m2(20.0, 0.4, 1.0, 0.0, 1.0) == pytest.approx(20.0, rel=1e-15)


def test_members_snow_has_the_volumes_covariance():
    rng = np.random.default_rng(2)
    volume, share = np.array([1e7, 4e7, 1e5]), np.array([[0.01, 0.006, 0.0], [0.006, 0.02, 0.0], [0.0, 0.0, 0.04]])
    factors = swe_factors(volume, share * np.outer(volume, volume), rng.standard_normal((40_000, 3)))
    assert factors.mean(axis=0) == pytest.approx(1.0, abs=0.005)
    assert np.cov(np.log(factors).T) == pytest.approx(share, abs=0.002)
    assert np.isfinite(swe_factors(np.array([0.0, 1e-12]), np.diag([1.0, 1e6]), rng.standard_normal((4, 2)))).all()


def test_rounding_decides_nothing_of_how_zone_bands_err():
    """Three equal variances leave the eigenvectors to chance: whatever they are, the same draws give the same factors."""
    rng = np.random.default_rng(6)
    draws, volume = rng.standard_normal((40, 3)), np.full(3, 1000.0)
    whole = 0.04 * np.outer(volume, volume) * (np.eye(3) + 0.3)
    rounded = whole + 1e-9 * (shift := rng.normal(size=(3, 3))) + 1e-9 * shift.T
    assert swe_factors(volume, rounded, draws) == pytest.approx(swe_factors(volume, whole, draws), rel=1e-9)


def test_a_sample_keeps_each_units_area():
    rng = np.random.default_rng(3)
    unit, area = rng.integers(0, 5, 20_000), rng.uniform(1, 2, 20_000)
    unit[unit == 3] = 2
    sample = sample_of(unit, area, 6)
    assert len(sample.cells) < 3000
    assert np.bincount(unit[sample.cells], sample.weight, 6) == pytest.approx(np.bincount(unit, area, 6))
