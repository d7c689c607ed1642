"""What a cover grid of an earlier day still says: no more snow than has fallen since on ground that it saw bare."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from made_weather import NODES, made_forcing, made_ground

from pipeline.methods.background import UNHEARD_MM_PER_DAY
from pipeline.methods.balance import node_to_sites
from pipeline.methods.snow_line import most_since_bare

ELEVATION = np.array([1500.0, 2000.0, 2500.0])
FORCING = made_forcing(60, level_c=-8.0, swing_c=0.0)
START, LAST = FORCING.days[0].date(), FORCING.days[-1].date()


def ground(**columns):
    return made_ground(np.full((60, 3), 200.0), FORCING.days, ELEVATION, **columns)


def with_weather():
    fallen = np.repeat(FORCING.precipitation_mm[:, None], 3, axis=1)
    air = node_to_sites(FORCING.temperature_c, NODES, ELEVATION)
    return ground(air_temperature_c=air, precipitation_mm=fallen)


def day(number):
    return FORCING.days[number].date()


def test_only_what_fell_since_lies_where_it_was_bare():
    cover = np.array([[0.0, 0.04, 0.6, np.nan]])
    most, covered = most_since_bare(with_weather(), START, [(day(49), cover)], LAST, np.full((1, 4), 2500.0))
    fallen = FORCING.snowfall_mm[50:, list(NODES).index(2500.0)].sum()
    assert fallen > 20
    assert most[0, :2] == pytest.approx(np.full(2, fallen), rel=0.1)
    assert np.isinf(most[0, 2:]).all()
    assert (covered > 0.9).all()


def test_the_newest_view_of_bare_ground_decides_and_cloud_leaves_the_older():
    newer, older = np.array([[0.0, np.nan]]), np.array([[0.0, 0.0]])
    height = np.full((1, 2), 2500.0)
    views = [(day(54), newer), (day(30), older)]
    most, _ = most_since_bare(with_weather(), START, views, LAST, height)
    turned, _ = most_since_bare(with_weather(), START, views[::-1], LAST, height)
    assert most[0, 0] < most[0, 1] < np.inf
    assert turned == pytest.approx(most)


def test_without_weather_the_sites_tell_what_fell():
    gained = np.linspace(100.0, 220.0, 60)[:, None] * np.ones(3)
    stations = made_ground(gained, FORCING.days, ELEVATION)
    bare = [(day(29), np.zeros((1, 1)))]
    most, _ = most_since_bare(stations, START, bare, LAST, np.full((1, 1), 2000.0))
    assert most[0, 0] == pytest.approx(gained[-1, 0] - gained[29, 0], rel=0.15)


def test_days_that_nobody_told_of_may_have_brought_snow():
    stations = ground()
    silent = replace(stations, daily=stations.daily[stations.daily["date"] <= FORCING.days[29]])
    most, covered = most_since_bare(silent, START, [(day(29), np.zeros((1, 1)))], LAST, np.full((1, 1), 2000.0))
    assert most[0, 0] == pytest.approx(30 * UNHEARD_MM_PER_DAY)
    assert covered[0, 0] == 1.0


def test_no_view_limits_nothing():
    most, _ = most_since_bare(with_weather(), START, [], LAST, np.full((2, 2), 2000.0))
    assert np.isinf(most).all()
    last = pd.Timestamp(LAST) - pd.Timedelta(days=1)
    seen = [(last.date(), np.ones((2, 2)))]
    assert np.isinf(most_since_bare(with_weather(), START, seen, LAST, np.full((2, 2), 2000.0))[0]).all()
