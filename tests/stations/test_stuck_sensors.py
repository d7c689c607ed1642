"""SWE that stands still: what its own gauge, its air and the others say decides whether the sensor is stuck."""

import numpy as np
import pandas as pd
import pytest

from snowtally.sites.limits import SnowLimits
from snowtally.stations.checks import check_stations
from snowtally.stations.limits import StationLimits
from snowtally.stations.stuck_sensors import sensor_step

LIMITS = StationLimits(), SnowLimits()
DAYS = pd.date_range("2030-12-01", periods=60).astype("datetime64[s]")
FIRST, LAST = 25, 36
"""Days between which the high station stands still."""


def station(name, gains_mm, caught_mm, air_c, step_mm=2.54):
    """Daily readings of a station that gains 3 mm a day but in the plateau, and then so much a day (`gains_mm`)."""
    gain, caught, air = np.full(60, 3.0), np.full(60, 3.0), np.full(60, -9.0)
    still = slice(FIRST + 1, LAST + 1)
    gain[still], caught[still], air[still] = gains_mm, caught_mm, air_c
    swe = np.round((200.0 + np.cumsum(gain)) / step_mm) * step_mm
    return pd.DataFrame({
        "site_id": name, "time": DAYS + pd.Timedelta(hours=19), "date": DAYS, "swe_mm": swe, "depth_m": np.nan,
        "air_temperature_c": air + 0.3 * np.arange(60) % 1, "precipitation_mm": np.nan,
        "precipitation_total_mm": 50.0 + np.cumsum(caught), "file": "s.csv", "line": np.arange(60) + 2,
    })  # fmt: skip


def found(high, low):
    """Return whether the high station's plateau is set aside, beside three others alike."""
    others = [low.assign(site_id=f"L{i}") for i in range(3)]
    checked, findings = check_stations(pd.concat([high, *others], ignore_index=True), *LIMITS)
    told = [f for f in findings if f.rule.name == "flat line"]
    assert {f.site_id for f in told} <= {"H"}
    kept = checked.loc[(checked["site_id"] == "H").to_numpy(), "swe_mm"].notna().to_numpy()
    assert kept[FIRST + 1 : LAST].all() == (not told)
    return bool(told)


SNOWFALL, MELT = station("L", 4.0, 4.0, -9.0), station("L", -4.0, 0.0, 4.0)
LIGHT_SNOW = station("L", 2.0, 2.0, -9.0)


@pytest.mark.parametrize("low", [MELT, LIGHT_SNOW])
def test_a_plateau_with_an_empty_gauge_in_frost_is_what_snow_does(low):
    assert not found(station("H", 0.0, 0.0, -9.0), low)


def test_snow_in_its_own_gauge_that_the_sensor_did_not_feel_is_a_stuck_sensor():
    assert found(station("H", 0.0, 3.0, -9.0), SNOWFALL)
    # Half of that, 16 mm, is told alone; what others do not tell of must be more than 8 mm, which a gauge errs by.
    assert found(station("H", 0.0, 1.5, -9.0), MELT)
    assert not found(station("H", 0.0, 0.7, -9.0), MELT)
    assert found(station("H", 0.0, 0.9, -9.0), SNOWFALL)


def test_rain_or_snow_that_melts_at_once_is_no_snow():
    assert not found(station("H", 0.0, 3.0, 2.0), station("L", 0.0, 3.0, 2.0))


def test_a_plateau_is_judged_by_the_step_of_the_sensor():
    coarse = station("H", 0.0, 3.0, -9.0, step_mm=25.4)
    assert not found(coarse, SNOWFALL)


def test_without_a_gauge_what_fell_at_most_of_the_others_fell_here():
    gone = station("H", 0.0, 0.0, -9.0).assign(precipitation_total_mm=np.nan)
    assert found(gone, SNOWFALL)
    assert not found(gone, MELT)


def test_a_gauge_that_stands_still_where_all_others_caught_much_is_no_witness():
    assert found(station("H", 0.0, 0.0, -9.0), station("L", 8.0, 8.0, -9.0))


def test_warm_air_takes_snow_once_it_takes_the_others_too():
    warm = station("H", 0.0, 0.0, 6.0)
    assert found(warm, MELT)
    # A ripening pack holds its first melt, and one whose neighbours do not melt does not either.
    assert not found(warm, station("L", 0.0, 0.0, 6.0))
    assert not found(station("H", 0.0, 0.0, 1.5), MELT)


def test_one_station_without_a_gauge_is_not_judged():
    alone = station("H", 0.0, 0.0, -9.0).assign(precipitation_total_mm=np.nan)
    assert not [f for f in check_stations(alone, *LIMITS)[1] if f.rule.name == "flat line"]


@pytest.mark.parametrize("step", [0.1, 1.0, 2.54])
def test_the_step_of_a_sensor_is_found_from_its_readings(step):
    truth = 300.0 + 250.0 * np.sin(np.linspace(0.0, 3.0, 200)) + np.random.default_rng(3).normal(0, 2, 200)
    read = np.round(np.round(truth / step) * step, 1)
    assert sensor_step(read) == pytest.approx(step, rel=0.05)
    assert sensor_step(np.append(read, 123.456)) == pytest.approx(step, rel=0.05)
    assert sensor_step(np.full(9, 40.0)) == 0.0
