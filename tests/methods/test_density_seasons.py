"""What earlier seasons' courses teach of density, and what they must not."""

import datetime as dt

import numpy as np
import pandas as pd
import pytest

from pipeline.methods.density import BulkDensity, DensityPlaces, leave_one_out
from pipeline.methods.density_seasons import EARLIER_SHARE, EarlierSeasons, relation_bias
from pipeline.methods.sturm import autumn_origin, prior_density, sturm_day

START, ORIGIN, DATE = dt.date(2030, 9, 1), dt.date(2030, 10, 1), dt.date(2031, 3, 1)
HEIGHTS = {"A": 1600.0, "B": 1900.0, "C": 2200.0, "D": 2500.0}


def visits(seasons=6, *, southern=False, excess=lambda height: 0.2 - 0.2 * (height - 1600.0) / 900.0, spread=0.03):
    """Return visits of the first of the month from midwinter on; density lies `excess` (by height) off the relation."""
    rng = np.random.default_rng(8)
    rows = []
    for year in range(2031 - seasons, 2031):
        origin = autumn_origin(dt.date(year, 3 if southern else 9, 15), southern)
        for months in range(3, 8):
            date = (pd.Timestamp(origin) + pd.DateOffset(months=months)).date()
            for site_id, height in HEIGHTS.items():
                depth = rng.uniform(0.6, 2.5)
                relation = float(prior_density(np.array(depth), sturm_day(date, origin), "alpine"))
                off = excess(height) + rng.normal(0, spread)
                rows.append((site_id, pd.Timestamp(date), depth, relation * np.exp(off), height))
    return pd.DataFrame(rows, columns=["site_id", "date", "depth_m", "density_kg_m3", "elevation_m"])


def places(*elevation_m):
    return DensityPlaces(np.array(elevation_m), *np.zeros((3, len(elevation_m))))


@pytest.mark.parametrize("southern", [False, True])
def test_the_season_without_records_follows_what_earlier_ones_had(southern):
    origin = dt.date(2031, 4, 1) if southern else ORIGIN
    date = dt.date(2031, 9, 1) if southern else DATE
    earlier = EarlierSeasons("alpine", origin, origin).fit(visits(southern=southern))
    none = visits().head(0).assign(x=0.0, y=0.0)
    there = places(1600.0, 2500.0)
    alone, taught = (
        BulkDensity("alpine", origin, None, one).fit(none, date).predict(np.ones(2), there).mean
        for one in (None, earlier)
    )
    # The courses' mean is taken whole, and half of how they differ.
    assert np.log(taught / alone) == pytest.approx(0.1 + EARLIER_SHARE * np.array([0.1, -0.1]), abs=0.03)


def test_a_site_left_out_is_out_of_the_earlier_seasons_too():
    """One course is much denser every year than the others: told by them alone it is not."""
    odd = visits(excess=lambda height: 0.5 if height == HEIGHTS["D"] else 0.2)
    earlier = EarlierSeasons("alpine", START, ORIGIN).fit(odd)
    at = np.array([HEIGHTS["D"]])
    assert earlier.excess(np.ones(1), at, [DATE])[0] > 0.2 + 0.03
    assert earlier.excess(np.ones(1), at, [DATE], without=["D"])[0] == pytest.approx(0.2, abs=0.03)
    now = odd.groupby("site_id").head(1).assign(date=pd.Timestamp(DATE), x=0.0, y=0.0, density_kg_m3=300.0)
    model = BulkDensity("alpine", ORIGIN, None, earlier).fit(now, DATE)
    unmoved = odd[odd["site_id"] != "D"]
    without_d = BulkDensity("alpine", ORIGIN, None, EarlierSeasons("alpine", START, ORIGIN).fit(unmoved))
    expected = (
        without_d.fit(now, DATE, without=["D"]).predict(now["depth_m"].to_numpy()[3:], places(HEIGHTS["D"])).mean[0]
    )
    found = leave_one_out(model, now, DATE).set_index("site_id")
    assert found.loc["D", "predicted"] == pytest.approx(expected, rel=0.01)


def test_what_does_not_hold_at_other_courses_is_not_taken():
    """Each course lies off by its own: what the others say is no better than the relation."""
    own = dict(zip(HEIGHTS.values(), (0.3, -0.3, 0.3, -0.3), strict=True))
    earlier = EarlierSeasons("alpine", START, ORIGIN).fit(visits(excess=own.get))
    assert earlier.share_ == 0.0
    assert earlier.excess_on(np.ones(2), np.array([1600.0, 1900.0]), DATE) == pytest.approx([0.0, 0.0])
    assert earlier.skill()["weight"].tolist() == [1.0, 0.0]


@pytest.mark.parametrize("few", [visits(2), visits(9)[lambda t: t["site_id"] == "A"], visits().head(0)])
def test_too_few_teach_nothing(few):
    assert EarlierSeasons("alpine", START, ORIGIN).fit(few) is None


def test_the_order_of_the_records_does_not_matter():
    records = visits()
    turned = records.iloc[::-1].reset_index(drop=True)
    depth, height = np.linspace(0.0, 8.0, 7), np.linspace(1000.0, 3000.0, 7)
    found = [
        EarlierSeasons("alpine", START, ORIGIN).fit(one).excess_on(depth, height, DATE) for one in (records, turned)
    ]
    np.testing.assert_array_equal(*found)
    assert np.isfinite(found[0]).all()


@pytest.mark.parametrize("southern", [False, True])
def test_late_summer_snow_belongs_to_the_season_that_it_fell_in(southern):
    """Densities exactly on the relation, courses visited until the season's last month: nothing is to be learned from them."""
    start, origin, late = (dt.date(2031, 4, 1), dt.date(2031, 4, 1), "03-15") if southern else (ORIGIN, ORIGIN, "09-15")
    rows = []
    for year in range(2025, 2031):
        season = origin.replace(year=year)
        days = [(pd.Timestamp(season) + pd.DateOffset(months=months)).date() for months in (2, 4, 6, 8)]
        days.append(dt.date.fromisoformat(f"{year + 1}-{late}"))
        for date in days:
            for site_id, height in HEIGHTS.items():
                relation = float(prior_density(np.array(1.5), sturm_day(date, season), "alpine"))
                rows.append((site_id, pd.Timestamp(date), 1.5, relation, height))
    records = pd.DataFrame(rows, columns=["site_id", "date", "depth_m", "density_kg_m3", "elevation_m"])
    earlier = EarlierSeasons("alpine", start, origin).fit(records)
    assert earlier.skill()["rmse"].to_numpy() == pytest.approx(0.0, abs=1e-6)


def test_what_held_in_each_season_alone_is_not_taken():
    """Every season is dense or light as a whole, whatever the one before was: the others do not tell it."""
    records = visits(6, excess=lambda _height: 0.0)
    season = records["date"].dt.year - records["date"].dt.year.min()
    records["density_kg_m3"] *= np.exp(np.where(season % 2 == 0, 0.15, -0.15))
    earlier = EarlierSeasons("alpine", START, ORIGIN).fit(records)
    assert (earlier.share_, earlier.bias_) == (0.0, pytest.approx(0.0, abs=0.01))


def biases(mean, courses, seasons, spread):
    """Return the bias taken of `mean` where courses and seasons each lie off by `spread` in turn, and single visits by nothing."""
    rows = [
        (f"C{course}", season, mean + spread * ((-1) ** course + (-1) ** season))
        for course in range(courses)
        for season in range(seasons)
    ]
    return relation_bias(pd.DataFrame(rows, columns=["site_id", "season", "excess"]), np.ones(len(rows)))


def test_a_bias_that_all_courses_and_seasons_have_is_taken_whole_and_a_chance_one_not():
    assert biases(-0.2, 20, 10, 0.0) == pytest.approx((-0.2, -0.2))
    # Spread 0.1 among n: variance 0.01 / (n - 1); 4 courses and 4 seasons: 1 - 2 * 0.01 / 3 / 0.04.
    assert biases(-0.2, 4, 4, 0.1) == pytest.approx((-0.2, -0.2 * (1 - 0.02 / 3 / 0.04)))
    taken = [biases(-0.2, n, n, 0.1)[1] / -0.2 for n in (2, 4, 10, 40)]
    assert taken == sorted(taken)
    assert taken[-1] > 0.98
    assert biases(0.05, 2, 2, 0.1)[1] == 0.0
    assert biases(-0.2, 1, 10, 0.0)[1] == 0.0
    assert biases(0.0, 4, 4, 0.1) == pytest.approx((0.0, 0.0))


def test_a_gap_in_the_elevation_is_a_gap_and_courses_of_one_height_are_no_trouble():
    earlier = EarlierSeasons("alpine", START, ORIGIN).fit(visits())
    found = earlier.excess_on(np.ones(3), np.array([np.nan, 500.0, 4000.0]), DATE)
    assert np.isfinite(found).tolist() == [False, True, True]
    level = EarlierSeasons("alpine", START, ORIGIN).fit(visits(excess=lambda _height: 0.2).assign(elevation_m=2000.0))
    assert level.excess_on(np.ones(1), np.array([2000.0]), DATE)[0] == pytest.approx(0.2, abs=0.03)
