"""What earlier seasons' visits teach of density, and what they must not."""

import datetime as dt

import numpy as np
import pandas as pd
import pytest

from snowtally.snow import density_records as records_module
from snowtally.snow.density import BulkDensity, Locations
from snowtally.snow.density_records import SeasonPrior, density_records
from snowtally.snow.sturm import autumn_origin, prior_density, sturm_day

START, ORIGIN, DATE = dt.date(2030, 9, 1), dt.date(2030, 10, 1), dt.date(2031, 3, 1)
HEIGHTS = {"A": 1600.0, "B": 1900.0, "C": 2200.0, "D": 2500.0}
PRIOR = SeasonPrior("alpine", ORIGIN, 30)


def visits(years=range(2025, 2030), *, southern=False, excess=lambda _site, _year: 0.2, spread=0.03, depth=(0.6, 2.5)):
    """Return visits of the first of the month from midwinter on; density lies `excess` (by site and year) off the relation."""
    rng = np.random.default_rng(8)
    rows = []
    for year in years:
        origin = autumn_origin(dt.date(year, 3 if southern else 9, 15), southern)
        for months in range(3, 8):
            date = (pd.Timestamp(origin) + pd.DateOffset(months=months)).date()
            for site_id, height in HEIGHTS.items():
                h = rng.uniform(*depth)
                relation = float(prior_density(np.array(h), sturm_day(date, origin), "alpine"))
                off = excess(site_id, year) + rng.normal(0, spread)
                rows.append((site_id, pd.Timestamp(date), h, relation * np.exp(off), height, 100.0 * height, 0.0))
    return pd.DataFrame(rows, columns=["site_id", "date", "depth_m", "density_kg_m3", "elevation_m", "x", "y"])


NONE = visits().head(0)


def places(elevation_m):
    """Return places far from every site."""
    return Locations(np.asarray(elevation_m, float), *np.full((2, len(elevation_m)), 1e6))


def off_relation(model, height=2000.0, depth=1.5):
    """Return the logarithm of the model's density over the relation's on its date."""
    found = model.predict(np.full(1, depth), places([height])).mean[0]
    return float(
        np.log(found / prior_density(np.full(1, depth), sturm_day(model.date_, model.prior.origin), "alpine")[0])
    )


@pytest.mark.parametrize("southern", [False, True])
def test_the_season_without_records_follows_what_earlier_ones_had_whole(southern):
    prior = SeasonPrior("alpine", dt.date(2031, 4, 1)) if southern else PRIOR
    date = dt.date(2031, 9, 1) if southern else DATE
    alone, taught = (
        BulkDensity(prior, one).fit(NONE, date) for one in (None, visits(southern=southern, excess=lambda *_: -0.26))
    )
    assert off_relation(taught) - off_relation(alone) == pytest.approx(-0.26, abs=0.02)
    assert taught.covariance_[0, 0] < 0.5 * alone.covariance_[0, 0]


def test_a_bias_of_two_courses_and_one_season_is_taken_in_part():
    two = visits([2029], excess=lambda *_: -0.26)
    found = off_relation(BulkDensity(PRIOR, two[two["site_id"].isin(["A", "B"])]).fit(NONE, DATE))
    assert -0.22 < found < -0.08


def test_this_season_departs_from_earlier_ones_as_its_own_records_say():
    now = visits([2030], excess=lambda *_: -0.1)
    now = now[now["date"] == pd.Timestamp(DATE)]
    model = BulkDensity(PRIOR, visits(excess=lambda *_: 0.2)).fit(now, DATE)
    assert -0.12 < off_relation(model) < 0.0


def test_a_course_that_is_always_dense_is_taken_for_itself_and_not_for_the_day():
    """Two courses were visited this time, of which one is dense every year: elsewhere snow is as the other has it."""
    odd = lambda site, _year: 0.3 if site == "D" else 0.0  # noqa: E731
    now = visits([2030], excess=odd, spread=0.0)
    now = now[(now["date"] == pd.Timestamp(DATE)) & now["site_id"].isin(["C", "D"])]
    alone, taught = (off_relation(BulkDensity(PRIOR, one).fit(now, DATE)) for one in (None, visits(excess=odd)))
    assert alone > 0.1 > taught


def test_late_in_the_season_thin_records_count_as_much_as_deep_ones_did():
    """All snow is thin by then: what all records say of it is believed."""
    thin = visits([2030], excess=lambda *_: 0.3, depth=(0.3, 0.5))
    thin = thin[thin["date"] == pd.Timestamp(2031, 5, 1)]
    model = BulkDensity(PRIOR).fit(thin, dt.date(2031, 5, 1))
    assert off_relation(model, 2050.0, 0.4) == pytest.approx(0.3, abs=0.06)


def test_wet_spring_snow_passes_what_any_relation_or_settling_says():
    wet = visits([2030]).assign(density_kg_m3=600.0, depth_m=1.5)
    wet = wet[wet["date"] == pd.Timestamp(2031, 5, 1)]
    model = BulkDensity(PRIOR).fit(wet, dt.date(2031, 5, 1))
    found = model.predict(np.array([1.5]), places([2050.0])).mean[0]
    assert found == pytest.approx(600.0, rel=0.04)


def test_a_slip_at_one_site_does_not_move_the_others():
    now = visits([2030], excess=lambda *_: 0.0, spread=0.02)
    now = now[now["date"] == pd.Timestamp(DATE)]
    wrong = now.assign(density_kg_m3=np.where(now["site_id"] == "B", 3.0, 1.0) * now["density_kg_m3"])
    right, moved = (BulkDensity(PRIOR, visits(excess=lambda *_: 0.0)).fit(one, DATE) for one in (now, wrong))
    assert abs(off_relation(moved) - off_relation(right)) < 0.05  # a quarter of ln 3 by plain weights


def test_a_site_is_told_by_the_others_as_a_fit_without_it_tells_it():
    odd = visits(excess=lambda site, _year: 0.4 if site == "D" else 0.1)
    now = visits([2030], excess=lambda site, _year: 0.4 if site == "D" else 0.1)
    now = now[now["date"] == pd.Timestamp(DATE)]
    told = BulkDensity(PRIOR, odd).fit(now, DATE).left_out().set_index("site_id").loc["D"]
    rest = BulkDensity(PRIOR, odd[odd["site_id"] != "D"]).fit(now[now["site_id"] != "D"], DATE)
    site = now[now["site_id"] == "D"]
    expected = rest.predict(site["depth_m"].to_numpy(), Locations.of_sites(site))
    assert told["observed"] == site["density_kg_m3"].iloc[0]
    assert told["predicted"] == pytest.approx(expected.mean[0], rel=0.02)
    assert told["predicted_se"] > np.hypot.reduce([field[0] for field in expected.common[:-1]])


def test_sites_without_a_record_of_this_season_are_not_in_the_skill():
    now = visits([2030])
    now = now[(now["date"] == pd.Timestamp(DATE)) & (now["site_id"] != "A")]
    assert BulkDensity(PRIOR, visits()).fit(now, DATE).left_out()["site_id"].tolist() == ["B", "C", "D"]
    assert BulkDensity(PRIOR, visits()).fit(NONE, DATE).left_out().empty


def test_the_order_of_the_records_does_not_matter():
    turned = visits().iloc[::-1].reset_index(drop=True)
    found = [off_relation(BulkDensity(PRIOR, one).fit(one.head(0), DATE)) for one in (visits(), turned)]
    assert found[0] == pytest.approx(found[1], abs=1e-12)


@pytest.mark.parametrize("southern", [False, True])
def test_late_summer_snow_belongs_to_the_season_that_it_fell_in(southern):
    """Where a season begins with its origin, a visit of the month before is the last of the season before."""
    origin, late = (dt.date(2031, 4, 1), "2029-03-15") if southern else (ORIGIN, "2028-09-15")
    visit = visits().head(1).assign(date=pd.Timestamp(late))
    known = density_records(NONE, visit, SeasonPrior("alpine", origin), origin)
    assert known[["season", "later", "now"]].to_numpy().tolist() == [
        [int(late[:4]) - 1, 349 if southern else 351, False]
    ]


def test_of_many_earlier_visits_those_of_the_same_time_of_the_season_are_used(monkeypatch):
    monkeypatch.setattr(records_module, "MOST_EARLIER", 20)
    known = density_records(NONE, visits(), PRIOR, DATE)
    assert len(known) == 20
    assert known["later"].abs().max() <= 1


def test_the_newest_record_of_a_site_stands_for_it():
    now = visits([2030])
    known = density_records(now, None, PRIOR, dt.date(2031, 3, 20))
    assert known["later"].tolist() == [12.0] * 4  # of 1 April; that of 1 March lies 19 days off


def test_a_gap_in_the_elevation_is_a_gap_and_courses_of_one_height_are_no_trouble():
    model = BulkDensity(PRIOR, visits().assign(elevation_m=2000.0)).fit(NONE, DATE)
    assert np.isfinite(model.predict(np.ones(3), places([np.nan, 500.0, 4000.0])).mean).tolist() == [False, True, True]


def test_swe_gives_the_density_that_depth_gives():
    model = BulkDensity(PRIOR, visits()).fit(NONE, DATE)
    depth, there = np.linspace(0.2, 5.0, 9), places(np.linspace(1000.0, 3000.0, 9))
    density = model.predict(depth, there).mean
    assert model.predict_from_swe(density * depth, there).mean == pytest.approx(density, rel=1e-4)


def test_records_of_several_seasons_are_numbered_through():
    known = density_records(visits([2030]), visits(), PRIOR, dt.date(2031, 3, 20))
    assert len(known) > 4
    assert known.index.tolist() == list(range(len(known)))
