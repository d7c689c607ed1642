"""Trees, candidates and their choice on a basin whose sunny slopes lose more than its level sites say."""

from dataclasses import replace
from functools import partial
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from made_sites import DATE
from made_sites import record as made_record
from made_slopes import FLIGHTS, NIGHT, START, X, Y, flown_on, ground_shape, stations, truth_on
from sklearn.ensemble import HistGradientBoostingRegressor
from threadpoolctl import threadpool_limits

from snowtally.snow.background import CarriedFlight, TerrainBackground
from snowtally.snow.blend import Blend, Night, _after_flights, asks_trees, blended
from snowtally.snow.cell_error import Mixture
from snowtally.snow.held_out import (
    EARLIER,
    Candidate,
    hold_out_flights,
    pooled_nights,
    sites_left_out,
    sites_left_out_before,
)
from snowtally.snow.site_values import SITE_VARIATION
from snowtally.snow.trees import CarriedTrees, Lessons, ShareTrees, known_by
from snowtally.statistics.choice import GROUPS, error_factor, stacking_weights
from snowtally.statistics.errors import ErrorPart, KrigedPart, volume_covariance


@pytest.fixture(scope="module")
def terrain():
    return ground_shape()


@pytest.fixture(scope="module")
def record(terrain):
    return stations(terrain)


@pytest.fixture(scope="module")
def flights(terrain):
    return tuple(flown_on(terrain, date) for date in FLIGHTS)


@pytest.fixture
def small_trees(monkeypatch):
    """Trees of a few steps, for tests of what they are given and not of what they learn."""
    monkeypatch.setattr(
        "sklearn.ensemble.HistGradientBoostingRegressor", partial(HistGradientBoostingRegressor, max_iter=10)
    )


@pytest.fixture(scope="module")
def auto(terrain, record, flights):
    return blended("auto", flights, record, Night(START, NIGHT, terrain), 1)


def places(terrain, flown):
    return terrain.assign(flown=(("y", "x"), flown.swe_mm))


def held_out_flights(flights, ground, terrain, trees_seed):
    night = Night(START, NIGHT, terrain)
    return hold_out_flights(flights, ground, terrain, lambda some: _after_flights(some, night, trees_seed))


def rmse(estimate, truth):
    return float(np.sqrt(np.mean((estimate - truth) ** 2)))


def test_trees_learn_what_lasts_from_flight_to_flight(terrain, record, flights):
    truth = truth_on(terrain, NIGHT)
    model = CarriedTrees(flights, terrain, START, 1).fit(record, NIGHT)
    here = places(terrain, flights[-1])
    assert rmse(model.predict(here).swe_mm, truth) < 0.5 * rmse(model.carried_.predict(here).swe_mm, truth)
    assert model.lessons_["cells"] == 3 * terrain["elevation"].size


@pytest.mark.long
def test_auto_takes_trees_where_held_out_flights_show_that_they_help(terrain, record, flights, auto):
    assert auto.parameters()["weights"]["trees"] > 0.5
    assert auto.parameters()["chosen_by"] == "flights held out"
    truth, here = truth_on(terrain, NIGHT), places(terrain, flights[-1])
    plain = CarriedFlight(flights[-1], START).fit(record, NIGHT)
    assert rmse(auto.predict(here).swe_mm, truth) < 0.7 * rmse(plain.predict(here).swe_mm, truth)
    skill = auto.skill().set_index("model")
    held = skill.loc[["carried flight, flights held out", "trees, flights held out"]]
    assert held["rmse"].iloc[1] < held["rmse"].iloc[0]
    assert held["weight"].sum() == pytest.approx(1.0)


def test_auto_leaves_trees_alone_where_no_pattern_lasts(terrain, record):
    flights = tuple(flown_on(terrain, date, lasting=False, seed=3) for date in FLIGHTS)
    assert held_out_flights(flights, record, terrain, 1).weights().tolist() == [1.0, 0.0]


@pytest.mark.parametrize(
    ("method", "count", "trees"), [("trees", 3, True), ("trees", 1, False), ("auto", 3, False), ("kriging", 9, False)]
)
def test_trees_are_asked_for_where_there_are_flights_enough(method, count, trees):
    assert asks_trees(method, count) == trees


@pytest.mark.usefixtures("small_trees")
def test_a_held_out_flight_is_not_in_the_trees_nor_later_records(terrain, record, flights):
    """What came after the flight that is held out, and the flight itself, change nothing of what is predicted for it."""
    told = held_out_flights(flights, record, terrain, 1)
    assert told.flights == 2
    later = record.daily["swe_mm"].where(record.daily["date"] <= np.datetime64(FLIGHTS[3]), 9.0)
    changed = (*flights[:3], replace(flights[3], swe_mm=2.0 * flights[3].swe_mm))
    again = held_out_flights(changed, replace(record, daily=record.daily.assign(swe_mm=later)), terrain, 1)
    assert again.mean.tobytes() == told.mean.tobytes()
    last = told.patch >= told.patch.max() - (GROUPS**2 - 1)
    assert again.observed == pytest.approx(np.where(last, 2.0, 1.0) * told.observed)
    assert known_by(record, FLIGHTS[1]).daily["date"].max() == np.datetime64(FLIGHTS[1])
    assert held_out_flights(flights[:1], record, terrain, None) is None


def test_held_out_flights_size_the_errors(terrain, record, flights):
    told = held_out_flights(flights[:2], record, terrain, None)
    assert told.weights().tolist() == [1.0]
    wide, narrow = (
        replace(told, se=factor * told.se, noise=0.0 * told.noise).factor(np.ones(1)) for factor in (8.0, 0.1)
    )
    assert wide == 1.0
    assert narrow > 1.3


@pytest.mark.usefixtures("small_trees")
def test_a_site_left_out_is_out_of_every_step(terrain, record, flights):
    record = record.without("S0").without("S6").without("S7")
    wild = record.daily["swe_mm"].where(record.daily["site_id"] != "S4", 3.0 * record.daily["swe_mm"])
    shaken = replace(record, daily=record.daily.assign(swe_mm=wild))
    here = places(terrain, flights[1])
    candidate = [Candidate("trees", CarriedTrees(flights[:2], terrain, START, 1).anew)]
    one, two = (sites_left_out(candidate, ground, NIGHT, here)["trees mean"] for ground in (record, shaken))
    assert two["S4"] == one["S4"]
    assert (two[["S2", "S3"]] != one[["S2", "S3"]]).any()


def test_without_a_flight_the_sites_choose_and_are_named_in_skill(terrain, record):
    found = blended("auto", (), record, Night(START, NIGHT, terrain), 1)
    # Nobody tells of this record's weather, so that no balance stands beside the regression.
    assert found.skill()["model"].tolist() == ["terrain regression", "universal kriging"]
    assert list(found.parameters()["weights"]) == ["terrain regression", "universal kriging"]
    assert found.skill()["weight"].sum() == pytest.approx(1.0)
    assert (found.skill()["n"] == len(record.sites)).all()
    assert found.without_.index.tolist() == record.sites.index.tolist()
    here = found.predict(terrain)
    assert np.isfinite(here.swe_mm).all()
    again = found.anew(record, NIGHT).predict(terrain)
    assert again.swe_mm.tobytes() == here.swe_mm.tobytes()
    fewer = found.anew(record.without("S3"), NIGHT).predict(terrain)
    assert (fewer.swe_mm != here.swe_mm).any()


def test_a_mixture_errs_no_more_than_its_parts_on_average(terrain, record, flights):
    one, two = (CarriedFlight(one, START).fit(record, NIGHT).predict(places(terrain, one)) for one in flights[2:])
    mixed = Mixture([one, two], [0.3, 0.7], factor=1.2)
    assert mixed.swe_mm == pytest.approx(0.3 * one.swe_mm + 0.7 * two.swe_mm)
    variance = 0.3 * one.standard_error() ** 2 + 0.7 * two.standard_error() ** 2
    # No factor that left-out sites tell on what all sites share.
    shared = 0.3 * one.shared_error() ** 2 + 0.7 * two.shared_error() ** 2
    assert (shared > 0).any()
    assert mixed.standard_error() == pytest.approx(np.sqrt(1.2**2 * (variance - shared) + shared))
    area, group = terrain["cell_area"].to_numpy(), np.zeros(terrain["elevation"].shape, int)
    group[:, 35:] = 1

    def of_volumes(predicted, factor):
        parts = [p if getattr(p, "shared", False) else p.scaled(factor) for p in predicted.all_parts(X, Y)]
        return volume_covariance(parts, area, group, 2, 100.0).total

    total = 0.3 * of_volumes(one, 1.2) + 0.7 * of_volumes(two, 1.2)
    assert of_volumes(mixed, 1.0) == pytest.approx(total, rel=1e-6)


def test_what_all_sites_share_is_not_scaled(terrain, record):
    alone = TerrainBackground().fit(record, NIGHT).predict(terrain)
    shared, mixed = alone.shared_error(), Mixture([alone], [1.0], factor=0.5)
    assert shared.max() > 5.0
    own = alone.standard_error() ** 2 - shared**2
    assert mixed.standard_error() == pytest.approx(np.sqrt(0.25 * own + shared**2))
    before, after = (
        {part.name: part for part in one.all_parts(X, Y) if not isinstance(part, KrigedPart)} for one in (alone, mixed)
    )
    assert (after["site offset"].error_mm == before["site offset"].error_mm).all()
    assert after["terrain local"].error_mm == pytest.approx(0.5 * before["terrain local"].error_mm)


def test_earlier_nights_of_the_season_are_pooled(terrain, record):
    nights = pooled_nights(START, NIGHT)
    assert 1 <= len(nights) <= EARLIER
    assert all(START < night < NIGHT and night.day == 1 for night in nights)
    found = blended("auto", (), record, Night(START, NIGHT, terrain), 1)
    assert found.parameters()["pooled_nights"] == [str(night) for night in nights]
    assert len(found.pooled_) == len(record.sites) * (1 + len(nights))
    regression = [Candidate("terrain regression", TerrainBackground().anew)]
    later = record.daily["swe_mm"].where(record.daily["date"] <= np.datetime64(nights[0]), 9.0)
    shaken = replace(record, daily=record.daily.assign(swe_mm=later))
    one, two = (sites_left_out_before(regression, ground, nights[0], terrain) for ground in (record, shaken))
    pd.testing.assert_frame_equal(one, two)
    wild = record.daily["swe_mm"].where(record.daily["site_id"] != "S4", 3.0 * record.daily["swe_mm"])
    shaken = replace(record, daily=record.daily.assign(swe_mm=wild))
    two = sites_left_out_before(regression, shaken, nights[0], terrain)
    assert two.loc["S4", "terrain regression mean"] == one.loc["S4", "terrain regression mean"]
    assert (two["terrain regression mean"] != one["terrain regression mean"]).any()


def test_the_order_of_rows_changes_nothing(terrain, record):
    mixed_up = replace(record, daily=record.daily.sample(frac=1, random_state=2), sites=record.sites.iloc[::-1])
    one, two = (blended("auto", (), ground, Night(START, NIGHT, terrain), 1) for ground in (record, mixed_up))
    assert one.weight_ == pytest.approx(two.weight_, rel=1e-6)
    assert one.predict(terrain).swe_mm == pytest.approx(two.predict(terrain).swe_mm, rel=1e-6)


def test_the_same_lessons_make_the_same_trees_whatever_the_threads():
    rng = np.random.default_rng(1)
    columns = rng.normal(size=(4000, 6))
    columns[::7, 2] = np.nan
    lessons = Lessons(columns, np.tanh(columns[:, 0]) * 0.4, rng.uniform(0.5, 2, 4000))
    found = []
    for threads in (1, 2):
        with threadpool_limits(threads):
            found.append(ShareTrees(7).fit(lessons).predict(columns).tobytes())
    assert found[0] == found[1]


def test_one_site_never_fails(terrain, record, flights):
    lone = record
    for site in record.sites.index[1:]:
        lone = lone.without(site)
    for given in ((), flights[:1]):
        found = blended("auto", given, lone, Night(START, NIGHT, terrain), 1)
        here = terrain if not given else places(terrain, given[-1])
        assert np.isfinite(found.predict(here).swe_mm).all()
        assert np.isfinite(found.predict(here).standard_error()).all()
        assert found.factor_ > 0
    assert isinstance(found, Blend)


@pytest.mark.usefixtures("small_trees")
@pytest.mark.parametrize("kind", ["no sites", "nothing but bare ground", "unseen flights"])
@pytest.mark.parametrize("method", ["auto", pytest.param("trees", marks=pytest.mark.long)])
def test_neither_sites_nor_snow_nor_sight_never_fails(kind, method, terrain, record, flights):
    ground = record
    if kind != "unseen flights":
        for site in record.sites.index:
            ground = ground.without(site)
    if kind == "nothing but bare ground":
        flights = tuple(
            replace(one, swe_mm=0 * one.swe_mm, pattern=replace(one.pattern, mean_mm=0 * one.pattern.mean_mm))
            for one in flights
        )
    if kind == "unseen flights":
        ground = ground.without("S2").without("S4").without("S6")
        flights = tuple(replace(one, depth_m=np.full_like(one.depth_m, np.nan)) for one in flights)
    found = blended(method, flights, ground, Night(START, NIGHT, terrain), 1)
    here = found.predict(places(terrain, flights[-1]))
    assert np.isfinite(here.swe_mm).all()
    assert np.isfinite(here.standard_error()).all()
    assert (here.swe_mm.max() == 0) == (kind == "nothing but bare ground")
    assert 1.0 <= found.factor_ <= 1.5


def test_a_flights_error_lives_on_as_the_carried_snow_answers_to_it(terrain, record, flights):
    one_mm = ErrorPart("one mm", np.ones(flights[-1].swe_mm.shape), np.inf)
    model = CarriedFlight(replace(flights[-1], parts=[one_mm]), START).fit(record, NIGHT)
    here = places(terrain, flights[-1])
    stated = model.predict(here)
    answer = model.predict(here.assign(flown=here["flown"] + 1.0)).swe_mm - stated.swe_mm
    told = next(part.error_mm for part in stated.parts if part.name == "one mm")
    assert told == pytest.approx(answer, rel=0.1)
    common = next(part for part in stated.parts if part.name == "melt common")
    assert common.shared
    assert common.error_mm.max() > 0


def test_weights_and_errors_follow_what_was_off_at_the_sites_left_out(monkeypatch):
    """One candidate is right within 10 mm, the other has half of the snow; errors count as shares of the night's level."""
    ten = made_record(np.arange(20.0).reshape(10, 2) * 500, np.linspace(1500, 2400, 10), np.linspace(110, 290, 10))
    observed, off = np.linspace(110, 290, 10), 10.0 * (-1.0) ** np.arange(10)
    table = pd.DataFrame(
        {"observed_mm": observed, "noise_mm": 0.0, "right mean": observed + off, "low mean": 0.5 * observed, "right se": 30.0,
         "low se": 40.0, "right shared": 0.0, "low shared": 20.0},
        index=ten.sites.index,
    )  # fmt: skip
    monkeypatch.setattr("snowtally.snow.blend.sites_left_out", lambda *_: table)
    candidates = [Candidate(name, lambda *_, name=name: SimpleNamespace(name=name), 0.5) for name in ("right", "low")]
    blend = Blend(candidates).fit(ten, DATE, None)
    errors = np.column_stack([off, -0.5 * observed]) / 200.0
    assert blend.weight_ == pytest.approx(stacking_weights(errors, np.array([0.5, 0.5]), table.index.to_numpy()))
    right, low = blend.weight_
    assert right > 0.8
    mean = right * (observed + off) + low * 0.5 * observed
    beside = SITE_VARIATION * mean
    unshared = np.sqrt(right * 30.0**2 + low * 40.0**2 - low * 20.0**2)
    factor = error_factor((mean - observed, np.full(10, unshared), beside), group=table.index.to_numpy())
    assert blend.factor_ == pytest.approx(factor)
    assert blend.held_out_ is table
    # Each site's own estimate is by weights that the others give.
    others = stacking_weights(errors[1:], np.array([0.5, 0.5]), table.index.to_numpy()[1:])
    assert blend.without_["mean"].iloc[0] == pytest.approx(others @ [120.0, 55.0])
    whole = others @ [30.0**2, 40.0**2]
    shared = others[1] * 20.0**2
    assert blend.without_["se"].iloc[0] == pytest.approx(np.sqrt(factor**2 * (whole - shared) + shared))
