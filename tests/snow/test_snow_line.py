"""What a cover grid of an earlier day still says: no more snow than has fallen since on ground that it saw bare."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from made_weather import NODES, made_forcing, made_ground
from scipy.stats import norm

from snowtally.snow.background import UNOBSERVED_MM_PER_DAY
from snowtally.snow.forcing import node_to_sites
from snowtally.snow.snow_line import COVER_SE, COVER_SE_CANOPY, chance_bare, most_since_bare

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
    seen = most_since_bare(with_weather(), START, {day(49): cover}, LAST, np.full((1, 4), 2500.0))
    most, covered = seen.most_mm, seen.covered
    assert seen.fraction[0, :2].tolist() == [0.0, 0.04]
    assert np.isnan(seen.fraction[0, 2:]).all()
    fallen = FORCING.snowfall_mm[50:, list(NODES).index(2500.0)].sum()
    assert fallen > 20
    assert most[0, :2] == pytest.approx(np.full(2, fallen), rel=0.1)
    assert np.isinf(most[0, 2:]).all()
    assert (covered > 0.9).all()


def test_the_newest_view_of_bare_ground_decides_and_cloud_leaves_the_older():
    newer, older = np.array([[0.0, np.nan]]), np.array([[0.0, 0.0]])
    height = np.full((1, 2), 2500.0)
    views = {day(54): newer, day(30): older}
    most = most_since_bare(with_weather(), START, views, LAST, height).most_mm
    turned = most_since_bare(with_weather(), START, dict(reversed(views.items())), LAST, height).most_mm
    assert most[0, 0] < most[0, 1] < np.inf
    assert turned == pytest.approx(most)


def test_without_weather_the_sites_tell_what_fell():
    gained = np.linspace(100.0, 220.0, 60)[:, None] * np.ones(3)
    stations = made_ground(gained, FORCING.days, ELEVATION)
    bare = {day(29): np.zeros((1, 1))}
    most = most_since_bare(stations, START, bare, LAST, np.full((1, 1), 2000.0)).most_mm
    assert most[0, 0] == pytest.approx(gained[-1, 0] - gained[29, 0], rel=0.15)


def test_days_that_nobody_told_of_may_have_brought_snow():
    stations = ground()
    silent = replace(stations, daily=stations.daily[stations.daily["date"] <= FORCING.days[29]])
    seen = most_since_bare(silent, START, {day(29): np.zeros((1, 1))}, LAST, np.full((1, 1), 2000.0))
    assert seen.most_mm[0, 0] == pytest.approx(30 * UNOBSERVED_MM_PER_DAY)
    assert seen.covered[0, 0] == 1.0


def test_no_view_limits_nothing():
    most = most_since_bare(with_weather(), START, {}, LAST, np.full((2, 2), 2000.0)).most_mm
    assert np.isinf(most).all()
    last = pd.Timestamp(LAST) - pd.Timedelta(days=1)
    seen = {last.date(): np.ones((2, 2))}
    assert np.isinf(most_since_bare(with_weather(), START, seen, LAST, np.full((2, 2), 2000.0)).most_mm).all()


def test_a_grid_weighs_against_what_the_map_knows():
    """A map without a flight gives way, a laser's 700 +- 60 mm of the day before does so in part only, thin snow gives way."""
    swe, se, covered = np.array([300.0, 700.0, 30.0]), np.array([150.0, 60.0, 20.0]), np.array([1.0, 1.0, 0.4])
    chance = chance_bare(np.full(3, 0.04), np.zeros(3), (swe, se), covered)
    assert chance[0] > 0.97
    assert 0.4 < chance[1] < 0.8
    assert chance[2] > 0.95
    # A share that is not covered is the chance of bare ground before: the less is covered, the likelier it is bare.
    rising = chance_bare(np.full(5, 0.04), np.zeros(5), (np.full(5, 50.0), np.full(5, 10.0)), np.linspace(0.9, 0.1, 5))
    assert (rising > 0.9).all()
    # Two that agree on bare ground are not certain.
    agreed = chance_bare(np.zeros(1), np.zeros(1), (np.zeros(1), np.full(1, 59.0)), np.zeros(1))
    assert 0.98 < agreed.item() < 1.0


def test_bayes_rule_by_counting():
    """Of many cells, bare or fully covered, seen with the grid's error, the share that was bare among those seen at one fraction."""
    rng = np.random.default_rng(2)
    canopy, covered, before = 0.6, 0.7, 0.3
    error = COVER_SE + COVER_SE_CANOPY * canopy
    bare = rng.random(4_000_000) < before
    seen = np.where(bare, 0.0, covered) + rng.normal(0, error, bare.size)
    near = np.abs(seen - 0.03) < 0.01
    # Few cells are mistaken, so that the rule must lie just below the count.
    swe = np.array([100.0]), np.array([1.0])
    found = chance_bare(np.array([0.03]), np.array([canopy]), swe, np.array([covered])).item()
    assert found == pytest.approx(bare[near].mean(), abs=0.02)
    assert found < bare[near].mean() + 0.003


def test_bayes_rule_by_hand():
    """scipy's normal density, on two cases: 30 % bare before, seen at 0.2 with an error of 0.12."""
    bare = 0.3 * norm.pdf(0.2, 0.0, 0.12)
    snow = 0.7 * (norm.pdf(0.2, 0.7, 0.12) + 0.01)
    found = chance_bare(np.array([0.2]), np.zeros(1), (np.array([100.0]), np.array([1.0])), np.array([0.7])).item()
    assert found == pytest.approx(bare / (bare + snow), rel=1e-9)
