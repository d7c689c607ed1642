"""The recovery trial's worlds are what they say: balances close, seeds repeat, errors are drawn as stated, nobody looks ahead."""

from functools import cache

import numpy as np
import pandas as pd
import pytest
import world_surveys
from recovery_worlds import HEAPS, KINDS, PHYSICS, make_world, plan_of
from trial_tables import OURS, comparison, interval, summary
from world_measurements import FAILS, FAILURES, LIES, SENSOR_SWE_MM, SENSOR_SWE_SHARE, weather_table
from world_places import KM2_PER_SITE, SITES, cells, noise
from world_surveys import fly, see_cover

SMALL_KM2, TINY_KM2 = 8.0, 2.0
SEEDS = {"degree-day": 2, "energy": 3}


@cache
def world_of(physics):
    return make_world(SEEDS[physics], SMALL_KM2)


@pytest.fixture(params=[pytest.param(one, marks=pytest.mark.long) if one == "energy" else one for one in PHYSICS])
def world(request):
    return world_of(request.param)


@pytest.mark.long
def test_every_point_keeps_what_it_gained_and_did_not_lose(world):
    record = world.record
    np.testing.assert_allclose(record.gained - record.lost, record.at_end, atol=0.05)
    assert record.gained[: world.record.points.pixels].max() > 50


@pytest.mark.long
def test_wind_and_slides_move_water_and_make_none():
    moved = world_of("energy").record.moved
    assert moved["slides"][1] > 0
    assert moved["slides"][0] == pytest.approx(moved["slides"][1], rel=1e-6)
    # A tenth of what wind carries goes into the air.
    assert moved["wind"][0] == pytest.approx(0.9 * moved["wind"][1], rel=1e-6)
    assert moved["wind"][1] > 0


def test_worlds_look_like_mountain_snow(world):
    inside = world.ground.inside
    peak = max(world.truth.values(), key=lambda swe: swe[inside].mean())
    depth = next(world.true_depth[date] for date, swe in world.truth.items() if swe is peak)
    snowy = inside & (peak > 20)
    density = peak[snowy] / depth[snowy]
    assert 0.2 < peak[inside].std() / peak[inside].mean() < 1.5
    assert 150 < density.mean() < 550
    assert density.std() > 8
    assert np.median(world.ground.slope_deg) > 8


@pytest.mark.parametrize("seed", [2, pytest.param(3, marks=pytest.mark.long)])
def test_the_same_seed_makes_the_same_world(seed):
    world, again = (make_world(seed, TINY_KM2) for _ in range(2))
    for date, swe in world.truth.items():
        np.testing.assert_array_equal(swe, again.truth[date])
    pd.testing.assert_frame_equal(world.tables.stations, again.tables.stations)
    pd.testing.assert_frame_equal(world.tables.courses, again.tables.courses)
    for one, two in zip(world.flights, again.flights, strict=True):
        np.testing.assert_array_equal(one["depth"], two["depth"])


def test_inputs_hold_nothing_dated_after_the_night(world):
    day = world.plan.nights[2][0]
    date = world.date(day)
    given = world.inputs(date)
    until = pd.Timestamp(date)
    tables = given.ground.daily, given.ground.visits, given.densities, given.ground.weather
    assert all((table["date"] <= until).all() for table in tables if len(table))
    assert given.flights
    assert all(flight.attrs["date"] <= str(date) for flight in given.flights)
    assert all(seen < date for seen, _ in given.earlier_covers)


def test_the_truth_takes_one_ingredients_place(world):
    date = world.date(world.plan.nights[1][0])
    flown = world.inputs(date, "depth").flights[-1]["depth"].to_numpy()
    there = world.ground.inside
    np.testing.assert_allclose(flown[there], world.true_depth[date][there], atol=1e-6)
    assert not np.allclose(world.inputs(date).flights[-1]["depth"].to_numpy()[there], flown[there], atol=0.01)
    daily = world.inputs(date, "sites").ground.daily
    own = daily[daily["date"] == pd.Timestamp(date)].set_index("site_id")["swe_mm"].dropna()
    row, column = world.sites.table.set_index("site_id").loc[own.index, ["row", "column"]].to_numpy().T
    np.testing.assert_allclose(own, world.truth[date][row, column], atol=0.5)
    true = weather_table(world.season, None)["air_temperature_c"]
    given = world.inputs(date, "weather").ground.weather["air_temperature_c"]
    np.testing.assert_allclose(given, true[: len(given)])


def test_a_flights_errors_are_the_drawn_ones(world):
    ground, depth = world.ground, np.full(world.ground.elevation.shape, 2.0)
    canopy = cells(ground.canopy)
    lefts = []
    for number in range(40):
        flight, drawn = fly(ground, depth, "2031-03-01", np.random.default_rng(number))
        off = flight["depth"].to_numpy() - 2.0
        there = np.isfinite(off)
        slope, level = np.polyfit(canopy[there], off[there], 1)
        assert level == pytest.approx(drawn["left_m"] + drawn["brush_m"], abs=0.05)
        if canopy[there].std() > 0.1:
            assert slope == pytest.approx(drawn["canopy_m"], abs=0.1)
        lefts.append((drawn["stable"], drawn["offset_m"], drawn["left_m"]))
    stable, offset, left = np.array(lefts).T
    # Stable ground takes out a wide offset but for its own standard error; what was finished elsewhere keeps its narrower one.
    assert np.std(left[stable > 0]) < 2 * world_surveys.STABLE_SE_M
    assert np.std(offset[stable > 0]) == pytest.approx(world_surveys.RAW_OFFSET_SD_M, rel=0.4)
    np.testing.assert_array_equal(left[stable == 0], offset[stable == 0])
    assert 0.5 < stable.mean() < 0.9


def test_covers_miss_what_clouds_hide_and_err_more_under_trees(world):
    swe = np.where(np.arange(world.ground.elevation.shape[1]) % 2, 30.0, 0.0) * np.ones(world.ground.elevation.shape)
    true = cells(1 - np.exp(-swe / 15.0))
    off = np.stack([see_cover(world.ground, swe, 0.0, np.random.default_rng(k)) - true for k in range(30)])
    inside, canopy = world.ground.inside, cells(world.ground.canopy)
    spread = np.nanstd(off[:, inside], axis=0)
    canopy = canopy[inside]
    assert 0.1 < np.isnan(off[:, inside]).mean() < 0.9
    assert spread[canopy > np.quantile(canopy, 0.8)].mean() > 1.2 * spread[canopy <= np.quantile(canopy, 0.2)].mean()


def test_stations_err_and_fail_as_stated(world):
    record, sites = world.record, world.sites
    names = list(sites.table["site_id"])
    rows = world.tables.stations
    assert set(rows["site_id"]) == set(sites.table.loc[sites.table["kind"] == "station", "site_id"])
    for site_id, own in rows.groupby("site_id"):
        if site_id in world.tables.failures:
            continue
        day = world.season.days.get_indexer(own["date"])
        true = record.of_sites("swe")[day, names.index(site_id)]
        off = own["swe_mm"].to_numpy() - true
        assert np.abs(off).max() < 4 * (SENSOR_SWE_MM + SENSOR_SWE_SHARE * true.max())
    assert all(words.startswith(("lies", *FAILURES)) for words in world.tables.failures.values())


def test_plans_hold_each_kind_of_night_and_both_heaps_are_apart():
    plans = [plan_of(seed) for seed in HEAPS["training"][:8]]
    assert {kind for plan in plans for _, kind in plan.nights} == set(KINDS)
    assert {plan.physics for plan in plans} == set(PHYSICS)
    assert not set(HEAPS["training"]) & set(HEAPS["judging"])
    for plan in plans:
        for day, kind in plan.nights:
            flown = [flight for flight in plan.flights if flight <= day]
            age = day - flown[-1] if flown else None
            wanted = {
                "flight day": (0, 0),
                "1 to 7": (1, 7),
                "8 to 21": (8, 21),
                "22 to 45": (22, 45),
                "later": (46, 400),
            }
            assert (age is None) == (kind not in wanted)
            assert age is None or wanted[kind][0] <= age <= wanted[kind][1]
            assert kind != "last season" or plan.past_flights


def test_noise_hangs_together_over_its_reach():
    field = noise(np.random.default_rng(1), (200, 200), 20.0)
    assert field.std() == pytest.approx(1.0)
    near, far = (np.corrcoef(field[:, :-lag].ravel(), field[:, lag:].ravel())[0, 1] for lag in (2, 60))
    assert near > 0.9
    assert abs(far) < 0.5


def _rows(scale):
    rng = np.random.default_rng(4)
    basin = np.repeat(rng.normal(0, 0.05, 20), 3)
    nights = pd.DataFrame(
        {"seed": np.repeat(np.arange(20), 3), "date": np.tile(["a", "b", "c"], 20), "night": "no flight"}
    )
    nights = nights.assign(method=OURS, error=scale * (basin + rng.normal(0, 0.02, 60)), rmse=100.0 * scale, bands=0.2)
    names = [
        "basin_z",
        "basin_se",
        "density_bias",
        "density_rmse",
        "density_sd",
        "true_mm",
        "variation",
        "r2_elevation",
    ]
    names += [f"{level}{figure}" for level in ("cell", "band", "basin") for figure in ("90", "50", "_z2")]
    return nights.assign(**dict.fromkeys([*names, "site_ratio", "sites", "area_km2"], 1.0), physics="energy")


def test_bootstrap_draws_basins_not_nights():
    rows = _rows(1.0)
    told = interval(rows["seed"], rows[["error"]], lambda means: means).loc["error"]
    basins = rows.groupby("seed")["error"].mean()
    assert told["high"] - told["low"] == pytest.approx(2 * 1.645 * basins.std(ddof=0) / np.sqrt(20), rel=0.15)


def test_a_comparison_marks_a_sure_difference_and_no_other():
    before = _rows(1.0)
    better = comparison(before, _rows(0.5)).split("volume bias")[0]
    same = comparison(before, before).split("volume bias")[0]
    assert "*" in better
    assert "*" not in same
    assert "0.500" in comparison(before, _rows(0.5))


def test_the_summary_takes_the_best_method_that_has_every_night():
    ours = _rows(1.0)
    lines = ours.assign(method="line on elevation", error=0.2, rmse=200.0)
    partial = ours.assign(method="last flight", error=0.0, rmse=1.0).iloc[:10]
    text = summary(pd.concat([ours, lines, partial], ignore_index=True))
    assert "line on elevation" in text.split("stated errors")[0]
    assert "0.50" in text.split("stated errors")[0]
    assert "last flight" not in text.split("stated errors")[0]


def test_sites_stand_where_sites_stand(world):
    height = world.ground.elevation[np.kron(world.ground.inside, np.ones((2, 2), bool))]
    rank = np.searchsorted(np.sort(height), world.ground.elevation[world.sites.row, world.sites.column]) / len(height)
    assert (rank < 0.9).all()
    assert SITES[0] <= len(world.sites.row) <= SITES[1]
    assert KM2_PER_SITE[0] < KM2_PER_SITE[1]
    assert 0 < LIES < FAILS < 1
