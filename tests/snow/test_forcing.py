"""The season's weather by elevation, from records that lie, begin, end and miss days."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from made_weather import NODES, made_forcing, made_ground

from snowtally.snow.forcing import season_forcing

DAYS = pd.date_range("2030-11-01", periods=60)
ELEVATION = np.array([1500.0, 1900.0, 2300.0, 2700.0])


def records(lapse=-6.5, offset=(0.4, -0.6, 0.5, -0.3), seed=0):
    rng = np.random.default_rng(seed)
    common = 3 * np.sin(np.arange(60) / 4.0)
    temperature = common[:, None] + lapse * (ELEVATION - 2000) / 1000 + np.array(offset) + rng.normal(0, 0.2, (60, 4))
    fallen = np.where(np.arange(60) % 4 == 0, 12.0, 0.0)[:, None] * np.array([0.8, 1.0, 1.1, 0.9])
    return common, made_ground(
        np.zeros((60, 4)), DAYS, ELEVATION, air_temperature_c=temperature, precipitation_mm=fallen
    )


def test_temperature_follows_the_records_and_their_lapse():
    common, ground = records()
    found = season_forcing(ground, DAYS[0], DAYS[-1], NODES)
    at_2000 = found.temperature_c[:, list(NODES).index(2000.0)]
    assert at_2000 == pytest.approx(common, abs=0.7)
    assert found.lapse_k_per_km == pytest.approx(-6.5, abs=0.8)
    assert found.precipitation_mm.sum() == pytest.approx(15 * 12 * 0.95, rel=0.03)


def test_a_record_that_begins_late_makes_no_step():
    _, ground = records(offset=(4.0, 0.0, 0.0, 0.0))
    whole = season_forcing(ground, DAYS[0], DAYS[-1], NODES)
    late = ground.daily.assign(
        air_temperature_c=ground.daily["air_temperature_c"].where(
            (ground.daily["site_id"] != "S0") | (ground.daily["date"] >= DAYS[30])
        )
    )
    ground = replace(ground, daily=late)
    found = season_forcing(ground, DAYS[0], DAYS[-1], NODES)
    step = (found.temperature_c - whole.temperature_c)[:, 5]
    assert abs(step[30:].mean() - step[:30].mean()) < 0.3


def test_a_day_that_nobody_tells_of_lies_between_its_neighbours():
    _, ground = records()
    silent = ground.daily["date"].isin(DAYS[20:23])
    ground = replace(ground, daily=ground.daily[~silent])
    found = season_forcing(ground, DAYS[0], DAYS[-1], NODES)
    assert np.isfinite(found.temperature_c).all()
    around = found.temperature_c[[19, 23], 5]
    assert around.min() <= found.temperature_c[21, 5] <= around.max()
    assert not found.precipitation_mm[20:23].any()


def test_the_weather_table_stands_in_where_stations_have_no_thermometer():
    ground = made_ground(np.zeros((60, 4)), DAYS, ELEVATION)
    assert season_forcing(ground, DAYS[0], DAYS[-1], NODES) is None
    table = pd.DataFrame(
        {"date": DAYS, "elevation_m": 2000.0, "air_temperature_c": -3.0, "precipitation_mm": np.arange(60) % 3.0}
    )
    ground = replace(ground, weather=table)
    found = season_forcing(ground, DAYS[0], DAYS[-1], NODES)
    assert found.temperature_c[:, list(NODES).index(2000.0)] == pytest.approx(np.full(60, -3.0))
    assert found.precipitation_mm == pytest.approx(np.arange(60) % 3.0)


def test_gauges_that_cannot_have_made_the_snow_are_not_believed():
    _, ground = records()
    ground = replace(ground, daily=ground.daily.assign(precipitation_mm=0.0, swe_mm=250.0))
    assert season_forcing(ground, DAYS[0], DAYS[-1], NODES) is None
    ground = replace(ground, daily=ground.daily.assign(precipitation_mm=0.0, swe_mm=0.0))
    assert season_forcing(ground, DAYS[0], DAYS[-1], NODES) is not None


def test_snow_above_and_rain_below_and_more_melt_where_it_is_warm():
    forcing = made_forcing()
    assert (np.diff(forcing.snowfall_mm.sum(axis=0)) >= 0).all()
    assert (np.diff(forcing.melt_mm.sum(axis=0)) <= 0).all()
    assert (forcing.snowfall_mm <= forcing.precipitation_mm[:, None]).all()
    assert (forcing.melt_mm >= 0).all()


def test_southern_melt_is_the_northern_of_half_a_year_later():
    north, south = made_forcing(start="2030-12-21"), made_forcing(start="2031-06-21")
    south = replace(south, southern=True)
    assert south.melt_mm == pytest.approx(north.melt_mm, rel=0.02, abs=1e-6)


def test_days_that_nobody_tells_of_are_known_as_such():
    _, ground = records()
    ground = replace(ground, daily=ground.daily[~ground.daily["date"].isin(DAYS[40:45])])
    found = season_forcing(ground, DAYS[0], DAYS[-1], NODES)
    assert np.flatnonzero(~found.observed).tolist() == list(range(40, 45))
    assert found.enough_days
    ground = replace(ground, daily=ground.daily[ground.daily["date"] >= DAYS[20]])
    late = season_forcing(ground, DAYS[0], DAYS[-1], NODES)
    assert not late.enough_days
    assert late.since(DAYS[25]).observed_share == pytest.approx(1 - 5 / 34)


def test_rain_alone_cannot_have_made_the_snow():
    _, ground = records()
    warm = ground.daily.assign(air_temperature_c=ground.daily["air_temperature_c"] + 25.0, swe_mm=250.0)
    ground = replace(ground, daily=warm)
    assert season_forcing(ground, DAYS[0], DAYS[-1], NODES) is None


def test_a_record_keeps_what_was_asked_of_it_and_tells_no_other_record():
    _, ground = records()
    nodes = NODES.copy()
    found = season_forcing(ground, DAYS[0], DAYS[-1], nodes)
    nodes += 1.0
    assert season_forcing(ground, DAYS[0], DAYS[-1], NODES) is found
    assert found.nodes_m.tolist() == NODES.tolist()
    # Whatever the answer hangs on makes another question.
    others = (DAYS[1], DAYS[-1], NODES), (DAYS[0], DAYS[-2], NODES), (DAYS[0], DAYS[-1], NODES + 1.0)
    assert all(season_forcing(ground, *other) is not found for other in others)
    warmer = replace(ground, daily=ground.daily.assign(air_temperature_c=ground.daily["air_temperature_c"] + 1.0))
    assert season_forcing(warmer, DAYS[0], DAYS[-1], NODES).temperature_c == pytest.approx(found.temperature_c + 1.0)


@pytest.mark.parametrize("name", ["nodes_m", "temperature_c", "precipitation_mm", "observed"])
def test_nobody_writes_into_weather_that_others_are_told_too(name):
    _, ground = records()
    values = getattr(season_forcing(ground, DAYS[0], DAYS[-1], NODES), name)
    with pytest.raises(ValueError, match="read-only"):
        values[:1] = 0
