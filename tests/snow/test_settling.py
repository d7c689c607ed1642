"""Modelled density: between new snow and settled snow, older and warmer snow denser."""

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from made_weather import NODES, made_forcing

from snowtally.snow.settling import SETTLED, fresh_density, settled_density


def test_new_snow_by_temperature():
    # Hedstrom and Pomeroy 1998, Hydrol. Process. 12, 1611-1625, eq. 7: 67.92 + 51.25 exp(T / 2.59).
    assert fresh_density(np.array([-5.0])) == pytest.approx([75.36], abs=0.01)


def test_density_stays_between_new_and_settled():
    model = settled_density(made_forcing(200, level_c=-8, swing_c=16))
    known = model.density[np.isfinite(model.density)]
    assert known.min() >= 60
    assert known.max() <= SETTLED[1] + 1e-9


def test_without_new_snow_density_never_falls():
    forcing = made_forcing(150, storm_every=200, storm_mm=300.0)
    density = settled_density(forcing).density[1:]
    change = np.diff(density, axis=0)
    assert (change[np.isfinite(change)] >= -1e-9).all()


def test_a_storm_makes_the_pack_lighter_and_it_settles_again():
    forcing = made_forcing(100, swing_c=0.0, level_c=-6, storm_every=50, storm_mm=100.0)
    column = settled_density(forcing).density[:, list(NODES).index(2000.0)]
    assert column[50] < column[49] - 50
    assert column[70] > column[50] + 50


def test_how_much_fell_does_not_matter():
    one, two = (settled_density(made_forcing(storm_mm=amount, level_c=-9, swing_c=0.0)) for amount in (10.0, 40.0))
    # Half freezing at 1000 m: melt there takes more of the thinner snow.
    assert one.density[30:, 12:] == pytest.approx(two.density[30:, 12:], rel=0.02)


def test_at_elevations_and_days():
    model = settled_density(made_forcing())
    between = model.at(model.days[-1], np.array([2050.0]))[0]
    ends = model.at(model.days[-1], np.array([2000.0, 2100.0]))
    assert min(ends) <= between <= max(ends)


def test_no_snow_anywhere_has_no_density():
    model = settled_density(made_forcing(storm_mm=0.0))
    assert np.isnan(model.at(model.days[-1], np.array([2000.0, 2500.0]))).all()


def test_two_days_by_hand():
    """Day 1: 20 mm fall at 0 C; day 2: 4 mm melt, the rest settles towards 500 kg/m3 by a day of 200 hours, and 10 mm fall."""
    forcing = SimpleNamespace(
        days=pd.date_range("2031-01-01", periods=2),
        snowfall_mm=np.array([[20.0, 0.0], [10.0, 1.0]]),
        melt_mm=np.array([[5.0, 3.0], [4.0, 0.0]]),
        temperature_c=np.zeros((2, 2)),
        nodes_m=np.array([1000.0, 2000.0]),
    )
    fresh = 67.92 + 51.25
    first, second = settled_density(forcing).density
    assert first == pytest.approx([fresh, np.nan], nan_ok=True)
    settled = 500.0 - (500.0 - fresh) * np.exp(-24 / 200)
    # The second node has a millimetre, which is no snow of the model's.
    assert second == pytest.approx([26.0 / (16.0 / settled + 10.0 / fresh), np.nan], nan_ok=True)


@pytest.mark.parametrize(("melt_mm", "target"), [(1.0, 300.0), (1.01, 500.0)])
def test_more_than_a_millimetre_of_melt_makes_the_snow_wet(melt_mm, target):
    forcing = SimpleNamespace(
        days=pd.date_range("2031-01-01", periods=2),
        snowfall_mm=np.array([[20.0], [0.0]]),
        melt_mm=np.array([[0.0], [melt_mm]]),
        temperature_c=np.zeros((2, 1)),
        nodes_m=np.array([1000.0]),
    )
    fresh = 67.92 + 51.25
    assert settled_density(forcing).density[1, 0] == pytest.approx(target - (target - fresh) * np.exp(-24 / 200))
