"""How much more snow sites hold than their cells: learnt from earlier seasons' flights, and taken off where sites speak for ground."""

import datetime as dt
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from made_balance import place
from made_sites import NO_VISITS

from snowtally.model.ground import GroundRecord
from snowtally.snow.background import TerrainBackground
from snowtally.snow.carry import UNOBSERVED_MM_PER_DAY
from snowtally.snow.kriged_sites import KrigedSites
from snowtally.snow.site_gains import (
    LOCAL_SHARE,
    PAIR_M,
    SEASON_COMMON_LOG_SD,
    SEASON_LOG_SD,
    SITE_OFFSET,
    cell_values,
    gains_of,
    site_gains,
    with_seasons,
)
from snowtally.snow.site_values import site_values
from snowtally.snow.sturm import MIDDLING_KG_M3

SITES = pd.Index([f"S{k}" for k in range(8)])
DATE = dt.date(2031, 3, 1)


def ground_of(swe_mm):
    """Return stations in a row that hold so much on the day, on ground that does not vary."""
    names = [f"S{k}" for k in range(len(swe_mm))]
    x = 500_000.0 + 3000.0 * np.arange(len(names))
    sites = pd.DataFrame(
        {"kind": "station", "x": x, "y": 4_880_000.0, "elevation_m": 1700.0 + 20.0 * np.arange(len(names)), "northness": 0.0,
         "canopy": 0.0, "row": 0, "column": np.arange(len(names))},
        index=pd.Index(names, name="site_id"),
    )  # fmt: skip
    daily = pd.DataFrame(
        {"site_id": names, "date": pd.Timestamp(DATE), "swe_mm": swe_mm, "depth_m": np.nan, "depth_se_m": 0.05}
    )
    return GroundRecord(sites, daily.astype({"date": "datetime64[s]"}), np.full(len(names), 8.0), NO_VISITS)


def pairs(ratios, flights=("2029-03-02", "2030-04-01"), cell_depth_m=2.0):
    """Return a pair for each site and flight."""
    rows = [
        {"site_id": name, "date": pd.Timestamp(day), "depth_m": ratio * cell_depth_m, "cell_depth_m": cell_depth_m}
        for name, ratio in ratios.items()
        for day in flights
    ]
    return with_seasons(pd.DataFrame(rows), dt.date(2030, 10, 1)).assign(days_apart=0)


def test_what_all_sites_gather_more_and_what_one_does_are_told_apart():
    found = site_gains(SITES, pairs(dict.fromkeys(SITES[:6], 1.2) | {"S6": 2.0}))
    assert np.exp(found.log["S0"]) == pytest.approx(1.2, abs=0.06)
    assert 1.5 < np.exp(found.log["S6"]) < 2.0
    # A site that no flight was held against has the basin's gain, and says so.
    assert 1.05 < np.exp(found.log["S7"]) < np.exp(found.log["S6"])
    assert found.own_se["S7"] > 1.5 * found.own_se["S0"]
    assert found.common_se < SITE_OFFSET


def test_one_wild_pair_is_doubted_and_a_lasting_one_believed():
    plain = pairs(dict.fromkeys(SITES, 1.0))
    wild = pairs(dict.fromkeys(SITES, 1.0))
    wild.loc[wild.index[-1], "depth_m"] *= 5.0
    lasting = pairs(dict.fromkeys(SITES[:-1], 1.0) | {"S7": 1.6})
    logs = [site_gains(SITES, one).log["S7"] for one in (plain, wild, lasting)]
    assert logs[0] == pytest.approx(0.0, abs=1e-9)
    assert logs[1] < 0.5 * 0.5 * np.log(5.0)
    assert logs[2] > 0.6 * np.log(1.6)


def test_nothing_is_told_by_no_pair_by_thin_snow_or_by_unknown_sites():
    assert site_gains(SITES, pd.DataFrame()) is None
    assert site_gains(SITES, pairs({"S0": 1.5}, cell_depth_m=0.7 * PAIR_M)) is None
    assert site_gains(SITES, pairs({"elsewhere": 1.5})) is None


def test_two_flights_of_one_season_count_as_one():
    ratios = dict.fromkeys(SITES, 1.5)
    two, one, seasons = (
        site_gains(SITES, pairs(ratios, days))
        for days in (("2030-03-02", "2030-04-02"), ("2030-03-02",), ("2029-03-02", "2030-03-02"))
    )
    assert two.common_se == pytest.approx(one.common_se, rel=1e-9)
    assert seasons.common_se < 0.9 * one.common_se


def test_the_order_of_the_pairs_changes_nothing():
    some = pairs({name: 0.8 + 0.1 * k for k, name in enumerate(SITES)})
    one, other = site_gains(SITES, some), site_gains(SITES, some.iloc[::-1])
    pd.testing.assert_series_equal(one.log, other.log, rtol=1e-12)


@pytest.mark.long
def test_the_errors_hold_under_their_own_model():
    """Gains drawn from the prior, pairs from the gains, another season's from both: what is stated is what is off."""
    rng = np.random.default_rng(5)
    off, common = [], []
    for _ in range(300):
        true = rng.normal(0, SITE_OFFSET) + rng.normal(0, LOCAL_SHARE, len(SITES))
        said = pairs(dict(zip(SITES, np.exp(true), strict=True)))
        flight = said["date"].map({day: rng.normal(0, SEASON_COMMON_LOG_SD) for day in said["date"].unique()})
        said["depth_m"] *= np.exp(flight + rng.normal(0, np.hypot(SEASON_LOG_SD, PAIR_M / 2.2), len(said)))
        found = site_gains(SITES, said)
        tonight = true + rng.normal(0, np.sqrt(0.5) * SEASON_COMMON_LOG_SD)
        error = found.log.to_numpy() - tonight
        off.append(error / np.hypot(found.own_se, found.common_se))
        # The mean over the sites has their own errors too.
        common.append(np.mean(error) / np.hypot(found.common_se, np.sqrt(np.mean(found.own_se**2) / len(SITES))))
    # 300 draws tell an rms to some 4 %; wild pairs are doubted a little where there are none.
    assert np.sqrt(np.mean(np.square(off))) == pytest.approx(1.0, abs=0.1)
    assert np.sqrt(np.mean(np.square(common))) == pytest.approx(1.0, abs=0.12)


@pytest.mark.parametrize("model", [TerrainBackground, KrigedSites])
def test_sites_that_gather_more_than_their_ground_fill_the_basin_with_less(model):
    ground = ground_of(np.full(12, 300.0))
    paired = replace(ground, earlier_pairs=pairs(dict.fromkeys(ground.sites.index, 1.25)))
    plain = model().fit(ground, DATE).predict(place([1750.0, 1850.0]))
    less = model().fit(paired, DATE).predict(place([1750.0, 1850.0]))
    gain = float(np.exp(gains_of(paired).log.mean()))
    assert less.swe_mm == pytest.approx(plain.swe_mm / gain, rel=0.01)
    assert (less.shared_error() < 0.9 * plain.shared_error()).all()


def test_a_gain_s_error_beyond_the_sites_variation_is_the_site_s_and_bare_ground_stays_bare():
    ground = ground_of(np.array([0.0, *np.full(11, 300.0)]))
    paired = replace(ground, earlier_pairs=pairs(dict.fromkeys(ground.sites.index[:-1], 1.25)))
    plain, cells = site_values(ground, DATE), cell_values(paired, DATE)
    assert cells["swe_mm"]["S0"] == 0
    shares = [values["swe_se_mm"] / values["swe_mm"] for values in (plain, cells)]
    assert shares[1]["S1"] == pytest.approx(shares[0]["S1"], abs=0.02)
    assert shares[1]["S11"] > 2.0 * shares[0]["S11"]


def test_a_site_left_out_teaches_nothing():
    ground = ground_of(np.full(3, 300.0))
    paired = replace(ground, earlier_pairs=pairs({"S0": 2.0}))
    assert gains_of(paired).log["S1"] > 0.02
    assert gains_of(paired.without("S0")) is None


def test_a_visit_far_from_the_flight_says_less():
    near, far = pairs(dict.fromkeys(SITES, 1.5)), pairs(dict.fromkeys(SITES, 1.5)).assign(days_apart=-7)
    assert site_gains(SITES, far).log.mean() < site_gains(SITES, near).log.mean()
    assert (site_gains(SITES, far).own_se > site_gains(SITES, near).own_se).all()


def test_the_gain_of_one_site_by_one_pair_by_hand():
    """Normal priors of a sum: what all have, the site's own, the season's, and chance; the pair moves each by its share.

    Depths of 2.4 m beside 2.0: log 1.2, in a mean of 2.2 m; five days apart some snow fell.
    """
    moved = UNOBSERVED_MM_PER_DAY * 5 / MIDDLING_KG_M3
    parts = np.array([SITE_OFFSET, LOCAL_SHARE, SEASON_COMMON_LOG_SD]) ** 2
    chance = SEASON_LOG_SD**2 + ((PAIR_M + moved) / 2.2) ** 2
    whole = parts.sum() + chance
    told = site_gains(SITES, pairs({"S0": 1.2}, ("2030-04-01",)).assign(days_apart=-5))
    assert told.log["S0"] == pytest.approx(parts[:2].sum() / whole * np.log(1.2))
    assert told.log["S1"] == pytest.approx(parts[0] / whole * np.log(1.2))
    # The common error is the mean of all covariances of two sites, of which a fourth of 7 / 28 is with S0.
    with_it, without = parts[0] - parts[:2].sum() * parts[0] / whole, parts[0] - parts[0] ** 2 / whole
    common = (7 * with_it + 21 * without) / 28
    assert told.common_se == pytest.approx(np.sqrt(common + 0.5 * SEASON_COMMON_LOG_SD**2))
    own = parts[:2].sum() - parts[:2].sum() ** 2 / whole
    assert told.own_se["S0"] == pytest.approx(np.sqrt(own - common))
    assert told.own_se["S1"] == pytest.approx(np.sqrt(parts[:2].sum() - parts[0] ** 2 / whole - common))
    gain = round(float(np.exp(parts[:2].sum() / whole * np.log(1.2))), 3)
    parameters = told.parameters()
    assert (parameters["pairs"], parameters["gain"]["S0"]) == (1, gain)
    assert parameters["common_log_se"] == round(told.common_se, 4)


def test_a_season_is_counted_from_the_one_that_begins_on_its_day():
    days = ["2029-09-30", "2029-10-02", "2030-09-30", "2030-10-01", "2031-09-30"]
    counted = with_seasons(pd.DataFrame({"date": pd.to_datetime(days)}), dt.date(2030, 10, 1))
    assert counted["season"].tolist() == [-2, -1, -1, 0, 0]


def test_of_a_seasons_pairs_the_one_in_the_deepest_cell_counts_and_thin_ones_do_not():
    made = pd.concat([pairs({"S0": 1.0}, ("2030-04-01",), cell_depth_m=cell) for cell in (1.0, 2.0)])
    made["depth_m"] = [3.0, 2.0]
    assert site_gains(SITES, made).log["S0"] == pytest.approx(0.0, abs=1e-12)
    assert site_gains(SITES, pairs({"S0": 1.0}, cell_depth_m=PAIR_M)).pairs == 2
    assert site_gains(SITES, pairs({"S0": 1.0}, cell_depth_m=0.99 * PAIR_M)) is None
