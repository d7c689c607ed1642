"""The melt outlook's functions against values from outside the project; sources beside each.

Not held here: MLT-02, MLT-11 and MLT-12 come from memory alone; MLT-07, MLT-08 and MLT-13 are yardsticks that the outlook reports or
takes a constant from, not values to meet.
"""

import datetime as dt
from importlib.resources import files

import numpy as np
import pvlib
import pytest
from melt_steps import melt_of_steps

from snowtally.melt.albedo import aged
from snowtally.melt.outlook import DEGREE_DAY_RANGE
from snowtally.terrain.sun import extraterrestrial_mj_m2, incidence_cosine, slope_normals

RIPE = np.zeros(1)
WATT_DAY_MJ = 0.0864


def ripe_melt(absorbed_mj_m2, swe_mm=1e6):
    """Return potential melt and melt of ripe snow by step, mm."""
    potential, melt, _ = melt_of_steps(np.asarray(absorbed_mj_m2, float)[:, None], np.array([swe_mm]), RIPE, RIPE)
    return potential[:, 0], melt[:, 0]


def test_melt_of_absorbed_energy():
    # MLT-01: latent heat of fusion 0.334 MJ/kg (handbook constant), computed.
    melt, _ = ripe_melt([1.0, WATT_DAY_MJ])
    assert melt == pytest.approx([2.994012, 0.2586826], rel=1e-6)


def test_constant_sun_melts_the_snow_away_on_the_seventeenth_day():
    # MLT-03, from MLT-01: 500 mm, 300 W/m2, albedo 0.60.
    absorbed = 0.4 * 300 * WATT_DAY_MJ
    assert absorbed == pytest.approx(10.368)
    potential, melt = ripe_melt(np.full(25, absorbed), 500.0)
    assert potential[0] == pytest.approx(31.04192, abs=1e-4)
    assert 500 / potential[0] == pytest.approx(16.10725, abs=1e-4)
    assert np.flatnonzero(melt)[-1] + 1 == 17
    assert melt.sum() == pytest.approx(500.0, abs=1e-9)
    assert (melt[17:] == 0).all()


def test_albedo_ages_melting_and_cold():
    # MLT-04: Verseghy 1991, constants read in the author's own land-surface source code.
    found = [aged(0.84, melting, days) for melting in (True, False) for days in (1.0, 5.0, 10.0)]
    assert found == pytest.approx([0.767454, 0.602406, 0.530844, 0.810128, 0.742167, 0.712701], abs=1e-5)


def test_sun_on_ageing_snow():
    # MLT-05: Verseghy 1991 and MLT-01, 20 MJ/m2 a day from 0.84, melting; closed form for the first ten days.
    albedo, absorbed = 0.84, []
    for _ in range(30):
        absorbed.append(20.0 * (1 - albedo))
        albedo = aged(albedo, True, 1.0)
    potential, melt = ripe_melt(absorbed, 500.0)
    assert potential[0] == pytest.approx(9.580838, abs=1e-6)
    assert potential[:10].sum() == pytest.approx(212.640437, abs=1e-6)
    assert potential.sum() == pytest.approx(802.858054, abs=1e-6)
    assert np.flatnonzero(melt)[-1] + 1 == 20


def test_the_published_range_of_degree_day_factors():
    # MLT-06: National Engineering Handbook, part 630, chapter 11: 0.035 to 0.13 in/(F day); 1 in/F is 45.72 mm/K.
    assert pytest.approx((0.035 * 45.72, 0.13 * 45.72), abs=0.06) == DEGREE_DAY_RANGE


def test_incidence_of_the_published_solar_position_example():
    # MLT-09: Reda and Andreas 2004/2008, NREL/TP-560-34302: 2003-10-17 12:30:30 UTC-7, 39.742476 N, 105.1786 W, 1830.14 m.
    time = dt.datetime(2003, 10, 17, 19, 30, 30, tzinfo=dt.UTC)
    position = pvlib.solarposition.get_solarposition(
        time, 39.742476, -105.1786, 1830.14, pressure=82000, temperature=11, delta_t=67
    ).iloc[0]
    assert position["apparent_zenith"] == pytest.approx(50.11162, abs=1e-4)
    assert position["azimuth"] == pytest.approx(194.34024, abs=1e-4)
    cosine = incidence_cosine(*np.deg2rad([30.0, 170.0, 50.11162, 194.34024]))
    assert np.rad2deg(np.arccos(cosine)) == pytest.approx(25.18700, abs=1e-5)
    rise = np.tan(np.deg2rad(30.0))
    normal = slope_normals(-rise * np.sin(np.deg2rad(170.0)), rise * np.cos(np.deg2rad(170.0)))
    height, bearing = np.deg2rad(90 - 50.11162), np.deg2rad(194.34024)
    sun = [np.cos(height) * np.sin(bearing), np.cos(height) * np.cos(bearing), np.sin(height)]
    assert np.rad2deg(np.arccos(normal @ sun)) == pytest.approx(25.18700, abs=1e-5)


def test_sun_above_the_air():
    # MLT-10: Allen et al. 1998, FAO-56, eq. 21 and example 8.
    assert extraterrestrial_mj_m2(-20.0, 246) == pytest.approx(32.194, abs=2e-3)
    assert extraterrestrial_mj_m2(40.0, 105) == pytest.approx(34.67241, abs=2e-3)


def test_real_hourly_sun_through_the_melt():
    # MLT-14: hourly typical year in pvlib's own package (703165TY.csv), 55.3 N; sums computed from it.
    hourly, _ = pvlib.iotools.read_tmy3(files(pvlib) / "data" / "703165TY.csv", map_variables=True)
    by_hour = hourly["ghi"].to_numpy() * 3600e-6
    # An hour is stamped with its end, so the first of a month's stamps closes the month before.
    label = np.asarray((hourly.index - np.timedelta64(30, "m")).month)
    sums = [by_hour[label == month].sum() for month in (4, 5, 6)]
    assert sums == pytest.approx([330.2892, 365.8536, 411.0912], rel=1e-6)
    melt, _ = ripe_melt(0.4 * by_hour[label == 4])
    assert melt.sum() == pytest.approx(395.5559, rel=1e-6)
