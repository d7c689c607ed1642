"""What a visit may be expected to find: each yardstick on a season worked out by hand."""

import numpy as np
import pandas as pd
import pytest

from snowtally.courses.context import Context, Expected, Neighbours
from snowtally.courses.station_days import StationDays
from snowtally.sites.seasons import typical_density

DAY = pd.Timestamp("2031-03-01")


def expected(**known):
    return Expected(**({"density": np.log(300.0), "density_sd": 0.2, "density_sites": 3} | known))


def visits(*rows):
    """Visits in the order of their days: course, day, density in kg/m3, depth in m."""
    made = pd.DataFrame(
        [
            {"site_id": site, "date": pd.Timestamp(day), "log_density": np.log(density), "depth_m": depth, "swe_mm": density * depth}
            for site, day, density, depth in rows
        ]
    )  # fmt: skip
    return made.sort_values(["date", "site_id"], ignore_index=True)


def context(made, daily=None, **heights):
    height = pd.Series(dict.fromkeys("ABCDSTU", 2000.0) | heights)
    around = Neighbours(height) if daily is None else Neighbours(height, daily)
    return Context(made, around, 300.0, 12.0)


def last(made, daily=None, **heights):
    """What the season's last visit is expected to find."""
    return context(made, daily, **heights).expected(len(made) - 1)


def stations(density=300.0, **swe_mm):
    """Days from 1 January on of stations with their SWE by day, and snow of one density."""
    return pd.concat(
        pd.DataFrame(
            {"site_id": name, "date": pd.date_range("2031-01-01", periods=len(swe)), "swe_mm": swe, "depth_m": np.divide(swe, density)}
        )
        for name, swe in swe_mm.items()
    )  # fmt: skip


def test_light_snow_may_be_new_snow_on_old_no_more_than_fell():
    # 1 m of 150 kg/m3 is 30 mm of new snow in 60 cm on 120 mm of old in 40.
    for fell, may_be in ((30.3, True), (29.7, False)):
        assert expected(fresh_mm=fell).may_be_fresh(1.0, np.log(150.0)) is may_be
    assert expected(fresh_mm=15.2).may_be_fresh(0.5, np.log(150.0))
    assert not expected(fresh_mm=14.8).may_be_fresh(0.5, np.log(150.0))
    # Nothing is lighter than new snow, and snow as dense as expected needs none.
    assert expected(fresh_mm=1e6).may_be_fresh(1.0, np.log(50.5))
    assert not expected(fresh_mm=1e6).may_be_fresh(1.0, np.log(49.5))
    assert expected(fresh_mm=0.0).may_be_fresh(9.0, np.log(301.0))
    assert expected(density=np.log(40.0), fresh_mm=0.0).may_be_fresh(9.0, np.log(40.0))


def test_thin_snow_may_be_of_any_density():
    for depth, added in ((0.05, 0.35), (0.1, 0.35), (0.2, 0.175), (0.25, 0.0875), (0.3, 0.0), (2.0, 0.0)):
        assert expected().density_sd_at(depth) == pytest.approx((0.2**2 + added**2) ** 0.5)


def test_expected_swe_weighs_places_and_last_visit_by_their_variances():
    near = {"near": np.log(400.0), "near_sd": 0.4}
    assert np.isnan(expected().swe()).all()
    assert expected(**near).swe() == pytest.approx((np.log(400.0), np.hypot(0.4, 20.0 / 400.0)))
    # 40 of 200 mm is a fifth; with 0.3 beside it the variance is 0.13.
    before = {"last_mm": 200.0, "last_sd_mm": 40.0}
    assert expected(**before).swe() == pytest.approx((np.log(200.0), np.hypot(0.13**0.5, 20.0 / 200.0)))
    mean = (np.log(400.0) / 0.16 + np.log(200.0) / 0.13) / (1 / 0.16 + 1 / 0.13)
    sd = np.hypot((1 / 0.16 + 1 / 0.13) ** -0.5, 20.0 / np.exp(mean))
    assert expected(**near, **before).swe() == pytest.approx((mean, sd))
    # A last visit that is unsure by a quarter of itself tells no ratio.
    assert np.isnan(expected(last_mm=160.0, last_sd_mm=40.0).swe()).all()


def test_density_and_swe_are_the_median_of_other_courses():
    found = last(visits(("A", DAY, 300, 1.0), ("B", DAY, 330, 1.0), ("C", DAY, 100, 1.0)))
    middle = 0.5 * (np.log(300) + np.log(330))
    assert (found.density, found.near) == pytest.approx((middle, middle))
    assert found.density_sd == pytest.approx(0.15 * (1 + 1.5 / 2) ** 0.5)
    assert found.near_sd == pytest.approx(0.5 * (1 + 1.5 / 2) ** 0.5)
    assert (found.density_sites, found.lost_mm, found.fresh_mm) == (2, 0.0, 25.0)
    assert np.isnan([found.last_mm, found.last_sd_mm]).all()


def test_what_is_a_courses_own_lasts_by_half():
    """The densities of the last two visits count, and the SWE of the last three: 3 / 3.5 of it."""
    density = {"2030-11-01": 900, "2030-12-01": 200, "2031-01-01": 240, "2031-02-01": 330, "2031-03-01": 600}
    others = [(name, day, 300, 1.0) for name in "AB" for day in density]
    found = last(visits(*others, *(("C", day, value, 1.0) for day, value in density.items())))
    assert found.density == pytest.approx(np.log(300) + 0.5 * np.mean(np.log([330 / 300, 240 / 300])))
    own = np.mean(np.log([330 / 300, 240 / 300, 200 / 300]))
    assert found.near == pytest.approx(np.log(300) + 3 / 3.5 * own)
    assert found.near_sd == pytest.approx(np.hypot(0.3, 0.5 / 3.5 * 0.5) * (1 + 1.5 / 2) ** 0.5)


def test_without_two_other_places_the_season_and_the_last_visit_tell():
    season = np.log(typical_density(DAY, southern=False))
    alone = last(visits(("C", DAY, 100, 1.0)))
    assert (alone.density, alone.density_sd, alone.density_sites) == pytest.approx((season, 0.35, 0))
    weights = np.array([0.35, 0.3, np.hypot(0.15, 0.3 * 28 / 30)]) ** -2.0
    found = last(visits(("A", DAY, 250, 1.0), ("C", "2031-02-01", 280, 1.0), ("C", DAY, 100, 1.0)))
    assert found.density == pytest.approx(weights @ [season, np.log(250), np.log(280)] / weights.sum())
    assert found.density_sd == pytest.approx(weights.sum() ** -0.5)
    assert found.density_sites == 1
    assert np.isnan(found.near)


@pytest.mark.parametrize(("days", "counts"), [(-12, True), (-13, False), (12, True), (13, False)])
def test_a_neighbour_lies_within_its_days(days, counts):
    day = DAY + pd.Timedelta(days=days)
    made = visits(("A", day, 300, 1.0), ("B", day, 330, 1.0), ("C", DAY, 100, 1.0))
    found = context(made).expected(made.index[made["site_id"] == "C"][0])
    assert found.density_sites == (2 if counts else 0)
    assert np.isfinite(found.near) == counts


def test_only_the_nearest_visit_of_a_course_counts():
    made = visits(
        ("A", "2031-02-20", 200, 1.0), ("A", "2031-02-26", 300, 1.0), ("B", DAY, 300, 1.0), ("C", DAY, 100, 1.0)
    )
    assert last(made).density == pytest.approx(np.log(300))


@pytest.mark.parametrize(("height", "counts"), [(2300.0, True), (2301.0, False), (1700.0, True), (1699.0, False)])
def test_swe_is_told_by_places_of_like_elevation_alone(height, counts):
    made = visits(("A", DAY, 300, 1.0), ("B", DAY, 330, 1.0), ("C", DAY, 100, 1.0))
    found = last(made, A=height)
    assert found.density_sites == 2
    assert np.isfinite(found.near) == counts
    # So are stations.
    daily = stations(S=np.full(70, 300.0), T=np.full(70, 330.0))
    assert np.isfinite(last(visits(("C", DAY, 100, 1.0)), daily, S=height).near) == counts


def test_thin_and_bare_places_are_no_yardstick():
    thin = visits(("A", DAY, 300, 0.25), ("B", DAY, 330, 0.26), ("C", DAY, 100, 1.0))
    assert last(thin).density_sites == 1
    bare = visits(("A", DAY, 64.0, 0.1), ("B", DAY, 330, 1.0), ("C", DAY, 100, 1.0))
    assert np.isnan(last(bare).near)
    assert np.isfinite(last(bare.assign(swe_mm=bare["swe_mm"].replace(6.4, 6.5))).near)


def test_a_visit_that_is_set_aside_is_a_yardstick_no_longer():
    season = context(visits(("A", DAY, 300, 1.0), ("B", DAY, 330, 1.0), ("C", DAY, 100, 1.0)))
    assert season.expected(2).density_sites == 2
    season.set_aside(0)
    assert season.expected(2).density_sites == 1
    assert [visit.site_id for visit in season.each_visit()] == ["A", "B", "C"]


def test_the_last_visit_goes_on_by_what_the_stations_gained_and_lost():
    """200 mm where the stations had 100: the course gains (200 + 50) / (100 + 50) times what they do."""
    steady, rising, falling = np.full(31, 100.0), np.linspace(0, 1, 16)[1:], np.linspace(0, 1, 16)[1:]
    series = {
        name: np.concatenate([steady, 100 + gain * rising, 100 + gain - 30 * falling])
        for name, gain in (("S", 30), ("T", 45), ("U", 60))
    }
    made = visits(("C", "2031-01-31", 200, 1.0), ("C", "2031-03-02", 300, 1.0))
    found = last(made, stations(**series))
    # Changes 5 / 3 of 30, 45 and 60 less 30: 20, 45 and 70 mm.
    assert found.last_mm == pytest.approx(245.0)
    assert found.lost_mm == pytest.approx(30.0)
    spread = 1.4826 * 25.0 * (1 + 1.5 / 3) ** 0.5
    gained = 0.4 * 5 / 3 * 45.0
    assert found.last_sd_mm == pytest.approx((spread**2 + gained**2 + 30.0**2 + 20.0**2 + 30.0**2) ** 0.5)
    # Ten times the stations' snow gains no more than two and a half times theirs.
    deep = last(made.assign(swe_mm=[2000.0, 300.0]), stations(**series))
    assert deep.last_mm == pytest.approx(2000.0 + 2.5 * 45.0 - 30.0)
    # Where the stations have far more it gains half of what they do, and nothing is less than bare.
    for held, expected_mm in ((20.0, 12.5), (5.0, 0.0)):
        thin = last(made.assign(swe_mm=[held, 300.0]), stations(**{name: swe + 100 for name, swe in series.items()}))
        assert thin.last_mm == pytest.approx(expected_mm)


@pytest.mark.parametrize(("days", "tells"), [(75, True), (76, False)])
def test_a_visit_of_long_ago_tells_nothing(days, tells):
    made = visits(("C", "2031-01-01", 200, 1.0), ("C", pd.Timestamp("2031-01-01") + pd.Timedelta(days=days), 300, 1.0))
    assert np.isfinite(last(made, stations(S=np.full(90, 100.0))).last_mm) == tells


@pytest.mark.parametrize(("day", "rise"), [(-7, 0.0), (-6, 40.0), (0, 40.0), (1, 40.0), (2, 0.0)])
def test_new_snow_is_what_fell_in_the_week_up_to_the_next_day(day, rise):
    """Twice what stations gained, and 10 mm: a station read at midnight has the day's snow on the next."""
    swe = 100.0 + 40.0 * (np.arange(80) >= 59 + day)
    assert last(visits(("C", DAY, 100, 1.0)), stations(S=swe, T=swe)).fresh_mm == pytest.approx(10.0 + 2.0 * rise)


def test_new_snow_is_what_a_tenth_of_the_stations_exceeded_above_their_lowest_before():
    """Of falls of 0 and 40 mm that is 36; what was lost before the fall is not taken off."""
    falls = 200.0 + 40.0 * (np.arange(80) >= 58) - 100.0 * (np.arange(80) >= 55)
    found = last(visits(("C", DAY, 100, 1.0)), stations(S=np.full(80, 100.0), T=falls))
    assert found.fresh_mm == pytest.approx(10.0 + 2.0 * 36.0)


def test_gaps_of_station_days_are_bridged_by_the_nearest_two_days():
    swe = np.array([90.0, 90.0, *[np.nan] * 5, 60.0, 60.0])
    laid = StationDays.of(stations(S=swe), pd.Series({"S": 2000.0}))
    assert laid.swe_mm[:, 0].tolist()[:4] == [90.0] * 4
    assert np.isnan(laid.swe_mm[4, 0])
    assert laid.swe_mm[:, 0].tolist()[5:] == [60.0] * 4
    # Each third day: 90, 90, 60.
    assert laid.gained_mm[:, 0].tolist() == [0.0, 0.0, 0.0]
    assert laid.lost_mm[:, 0].tolist() == [0.0, 0.0, 30.0]
    assert np.isnan(laid.at(laid.swe_mm, laid.first - 1)).all()
    assert np.isnan(laid.at(laid.swe_mm, laid.first + 9)).all()
    assert laid.at(laid.swe_mm, laid.first).tolist() == [90.0]
    assert laid.at(laid.swe_mm, laid.first + 8).tolist() == [60.0]


def test_stations_tell_density_where_snow_is_thicker_than_thin():
    daily = stations(S=np.full(70, 75.0), T=np.full(70, 78.0), U=np.zeros(70))
    found = last(visits(("C", DAY, 100, 1.0)), daily)
    assert found.density_sites == 1  # 25 cm tell nothing, 26 cm do
    laid = StationDays.of(daily, pd.Series(dtype=float))
    assert laid.log_density[0, 1] == pytest.approx(np.log(300.0))
    assert np.isnan(laid.log_density[0, [0, 2]]).all()
