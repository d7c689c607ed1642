"""Laws of a basin day's estimate, whatever the snow: what must not change it, and what must change it by just so much."""

import datetime as dt
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
import xarray as xr
from made_day_inputs import CHOICES, COLUMNS, DATE, DAY, FLOWN_ON, FLOWN_OR_NOT, day_of, made, made_flight
from threadpoolctl import threadpool_info, threadpool_limits

from snowtally.estimate.estimate import estimate_day, map_of_day
from snowtally.estimate.swe_map import SweMap, published_fields, zone_band_covariance
from snowtally.model.variables import SOURCE_FLAGS
from snowtally.snow.density import Densities
from snowtally.snow.flight_swe import CANOPY_DEPTH_SE_M, flight_swe
from snowtally.statistics.totals import ZoneBands, totals_rows
from snowtally.terrain.predictors import add_exposure


def fields_of(day):
    return {name: day.fields[name].to_numpy() for name in day.fields}


def assert_same(one, other, *, rel=0.0):
    for name, values in fields_of(one).items():
        np.testing.assert_allclose(values, fields_of(other)[name], rtol=rel, atol=rel, err_msg=name)
    numbers = one.totals.select_dtypes("number").columns
    np.testing.assert_allclose(one.totals[numbers], other.totals[numbers], rtol=rel, atol=rel)


@FLOWN_OR_NOT
def test_threads_and_chunks_change_no_byte(flight, seed):
    inputs = made(seed, flight=flight)
    once = day_of(seed, flight=flight)
    chunked = replace(
        inputs,
        basin=replace(inputs.basin, terrain=inputs.basin.terrain.chunk({"y": 9, "x": 11})),
        flights=[one.chunk({"y": 7, "x": 13}) for one in inputs.flights],
    )
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("snowtally.statistics.tiles.own_cores", lambda: 5)
        assert_same(once, estimate_day(chunked, CHOICES))


def test_linear_algebra_keeps_to_one_thread_so_that_bytes_hang_on_no_machine(monkeypatch):
    seen = []

    def looked(inputs, choices):
        seen.extend(library["num_threads"] for library in threadpool_info() if library["user_api"] == "blas")
        return map_of_day(inputs, choices)

    monkeypatch.setattr("snowtally.estimate.estimate.map_of_day", looked)
    with threadpool_limits(limits=2, user_api="blas"):
        estimate_day(made(3), CHOICES)
    assert set(seen) == {1}


@FLOWN_OR_NOT
def test_shifted_coordinates_change_nothing(flight, seed):
    here = day_of(seed, flight=flight)
    there = estimate_day(made(seed, flight=flight, shift_m=(-38_000.0, 17_000.0)), CHOICES)
    assert_same(here, there, rel=1e-6)


@FLOWN_OR_NOT
def test_the_order_of_sites_and_rows_changes_nothing(flight, seed):
    inputs = made(seed, flight=flight)
    rng = np.random.default_rng(seed)
    ground = inputs.ground
    shuffled = replace(
        ground,
        sites=ground.sites.iloc[rng.permutation(len(ground.sites))],
        daily=ground.daily.iloc[rng.permutation(len(ground.daily))].reset_index(drop=True),
        visits=ground.visits.iloc[rng.permutation(len(ground.visits))].reset_index(drop=True),
    )
    turned = replace(inputs, ground=shuffled, densities=inputs.densities.iloc[::-1].reset_index(drop=True))
    assert_same(day_of(seed, flight=flight), estimate_day(turned, CHOICES), rel=1e-8)


@pytest.mark.parametrize("seed", [3, 4])
def test_merged_zones_hold_the_sum_and_the_covariances_error(seed):
    inputs = made(seed)
    apart = day_of(seed)
    zone = inputs.basin.terrain["zone"]
    merged = estimate_day(
        replace(
            inputs,
            basin=replace(
                inputs.basin, terrain=inputs.basin.terrain.assign(zone=zone.clip(max=1)), zones=[("all", "All")]
            ),
        ),
        CHOICES,
    )
    basin, zones = (apart.totals[apart.totals["level"] == level] for level in ("basin", "zone"))
    whole = merged.totals[merged.totals["level"] == "zone"].iloc[0]
    assert whole["volume_m3"] == pytest.approx(zones["volume_m3"].sum(), rel=1e-12)
    assert whole["volume_se_m3"] == pytest.approx(np.sqrt(apart.totals_covariance["covariance_m6"].sum()), rel=1e-6)
    assert whole["volume_se_m3"] == pytest.approx(basin["volume_se_m3"].iloc[0], rel=1e-6)
    # Neither fully apart nor all one: the zones' errors hang together in part.
    assert np.sqrt((zones["volume_se_m3"] ** 2).sum()) < whole["volume_se_m3"] < zones["volume_se_m3"].sum()


@pytest.mark.parametrize("seed", [3, 4])
def test_twice_the_depth_is_twice_the_water_and_its_error(seed):
    """At a density that does not change, and without trees: their error of depth does not grow with it."""
    inputs = made(seed)
    flown_on, terrain = replace(inputs, day=replace(inputs.day, date=FLOWN_ON)), add_exposure(inputs.basin.terrain)
    terrain = terrain.assign(canopy=0.0 * terrain["canopy"])
    twice = inputs.flights[0].assign(
        depth=2 * inputs.flights[0]["depth"], depth_random_se=2 * inputs.flights[0]["depth_random_se"]
    )
    twice.attrs["depth_bias_se_m"] *= 2
    found = []
    for flight in (inputs.flights[0], twice):
        flown = flight_swe(flight, Uniform(), terrain, 0.5)
        today = SweMap(flown.swe_mm, flown.standard_error(), flown.covered, flown.parts, flown)
        area = inputs.basin.terrain["cell_area"].to_numpy()
        fields = (
            inputs.basin.terrain[["zone", "band", "cell_area"]]
            .rename(band="elevation_band")
            .assign(
                swe=(("y", "x"), flown.swe_mm),
                depth=(("y", "x"), flown.depth_m),
                snow_cover=(("y", "x"), flown.covered),
            )
        )
        units = ZoneBands("made", ["west", "east"], inputs.basin.terrain.attrs["bands"])
        covariance = zone_band_covariance(today, fields.where(area > 0, 0), units, 100.0)
        found.append(totals_rows(fields, units, covariance.total, flown_on.day.date))
    for name in ("volume_m3", "volume_se_m3", "swe_mean_mm", "depth_mean_m"):
        assert found[1][name].to_numpy() == pytest.approx(2 * found[0][name].to_numpy(), rel=1e-9), name


class Uniform:
    """Density that is the same everywhere."""

    def predict(self, depth_m, _places):
        density, common, local = (np.full(np.shape(depth_m), value) for value in (315.0, 12.0, 20.0))
        return Densities(density, [common], local, np.zeros_like(density))


def test_depth_under_trees_errs_alike_however_many_cells_there_are():
    inputs = made(4)
    bare, wooded = (
        flight_swe(
            inputs.flights[0],
            Uniform(),
            (terrain := add_exposure(inputs.basin.terrain)).assign(canopy=xr.full_like(terrain["canopy"], canopy)),
            0.5,
        )
        for canopy in (0.0, 0.5)
    )
    lies = wooded.depth_m > 0.5  # no doubt that snow lies
    part = next(part for part in wooded.parts if part.name == "flight canopy")
    assert np.isinf(part.correlation_m)
    assert part.error_mm[lies] == pytest.approx(315.0 * 0.5 * CANOPY_DEPTH_SE_M)
    # Where the laser reads nought, snow lies in one case of two.
    assert part.error_mm[wooded.depth_m == 0] == pytest.approx(0.5 * 315.0 * 0.5 * CANOPY_DEPTH_SE_M)
    grown = wooded.depth_se_m[lies] ** 2 - bare.depth_se_m[lies] ** 2
    assert grown == pytest.approx((0.5 * CANOPY_DEPTH_SE_M) ** 2)
    assert (wooded.swe_mm[lies] == bare.swe_mm[lies]).all()


@pytest.mark.parametrize(("seed", "flight"), [(4, False), (3, False), (4, True)])
def test_no_snow_anywhere_is_no_water_with_a_small_error(seed, flight):
    """With a flight only without weather: a gauge that says it snowed since makes some mm that bare stations cannot deny."""
    inputs = made(seed, flight=False, swe_mm=0.0)
    if flight:
        inputs = replace(inputs, flights=[made_flight(inputs.basin.grid, np.zeros(inputs.basin.grid.shape))])
    basin = estimate_day(inputs, CHOICES).totals.iloc[0]
    assert basin["swe_mean_mm"] <= 1.0
    assert basin["swe_se_mm"] <= 5.0
    # Nine times in ten there is hardly any snow to be sure of.
    assert basin["volume_p10_m3"] <= 0.0002 * 1e6 * basin["area_km2"]


def test_the_same_snow_everywhere_stays_the_same():
    """All sites and the flight agree on one depth and density: no site, height or residual may invent a pattern.

    A world without weather: where it snows above and thaws below, the same snow does not stay the same.
    """
    inputs = made(4, flight=False, swe_mm=300.0)
    flat = replace(inputs, flights=[made_flight(inputs.basin.grid, np.full(inputs.basin.grid.shape, 300.0 / 320.0))])
    density = flat.densities.assign(density_kg_m3=320.0)
    swe = estimate_day(replace(flat, densities=density), CHOICES).fields["swe"]
    held = swe.to_numpy()[np.isfinite(swe)]
    assert held.max() / held.min() < 1.02
    assert held.mean() == pytest.approx(300.0, rel=0.03)


def test_thin_snow_that_a_low_flight_takes_for_bare_ground_stays_in_the_error():
    """Every tenth cell holds 5 cm, and the flight lies 3 cm (one standard error) too low: the zone-bands' errors know of it."""
    inputs = made(3, flight=False, swe_mm=100.0)
    true_depth = np.where(np.arange(inputs.basin.grid.shape[1]) % 10 == 0, 0.05, 0.0) + np.zeros(
        inputs.basin.grid.shape
    )
    flight = made_flight(inputs.basin.grid, true_depth - 0.03).assign_attrs(date=str(DATE))
    day = estimate_day(replace(inputs, flights=[flight]), CHOICES)
    missed = 0.1 * 0.05 * 300.0 - mean_mm(day)
    assert missed > 0.7
    assert missed < 1.5 * float(day.totals["swe_se_mm"].iloc[0])
    # Ground far below the flight's nought is bare beyond doubt.
    sure = estimate_day(replace(inputs, flights=[flight.assign(depth=flight["depth"] - 0.5)]), CHOICES)
    assert float(sure.totals["swe_se_mm"].iloc[0]) < 0.2 * float(day.totals["swe_se_mm"].iloc[0])


def twice_flown(days_before, *, first=1.0, second=1.1):
    """Return inputs of a basin that holds 300 mm everywhere, flown on the day and so many days before, depths too great by factors."""
    inputs = made(4, flight=False, swe_mm=300.0)
    flat = np.full(inputs.basin.grid.shape, 300.0 / 320.0)
    dates = [str(DATE - dt.timedelta(days=days_before)), str(DATE)]
    flights = [
        made_flight(inputs.basin.grid, factor * flat).assign_attrs(date=date)
        for factor, date in zip((first, second), dates, strict=True)
    ]
    return replace(inputs, flights=flights)


def mean_mm(day):
    return float(day.totals["swe_mean_mm"].iloc[0])


def test_a_flight_too_heavy_after_a_sound_one_comes_nearer():
    """A tenth too much on the day after a sound flight: the level comes nearer by the weight, the shape and the depth stay."""
    both = twice_flown(8)
    day, alone, sound = (
        estimate_day(one, CHOICES)
        for one in (both, replace(both, flights=both.flights[1:]), twice_flown(8, second=1.0))
    )
    assert mean_mm(alone) == pytest.approx(1.1 * mean_mm(sound), rel=0.02)
    level = day.models["blend"]["flight_level"]
    assert level["innovation"] == pytest.approx(np.log(1.1), abs=0.05)
    assert mean_mm(day) == pytest.approx(mean_mm(alone) * np.exp(-level["weight"] * level["innovation"]), rel=1e-3)
    assert mean_mm(sound) < mean_mm(day) < 0.985 * mean_mm(alone)
    ratio = (day.fields["swe"] / alone.fields["swe"]).to_numpy()
    assert np.nanmax(ratio) - np.nanmin(ratio) < 1e-9
    np.testing.assert_array_equal(day.fields["depth"], alone.fields["depth"])
    np.testing.assert_allclose(day.fields["density"] * day.fields["depth"], day.fields["swe"])


def test_a_flight_of_more_than_sixty_days_ago_says_nothing_of_the_level():
    both = twice_flown(61)
    assert_same(estimate_day(both, CHOICES), estimate_day(replace(both, flights=both.flights[1:]), CHOICES))


def test_the_night_after_a_flight_starts_from_its_combined_level():
    """No step in the series between a flight's day and the night after, when nothing changed."""
    both = twice_flown(8)
    late = replace(both, day=replace(both.day, date=DATE + dt.timedelta(days=1)))
    moved = mean_mm(estimate_day(late, CHOICES)) / mean_mm(estimate_day(both, CHOICES))
    assert moved == pytest.approx(1.0, abs=0.003)


def test_the_only_site_that_tells_of_the_weather_can_be_left_out():
    """One station has the basin's gauge and thermometer: without it the others are still judged, by the terrain alone."""
    inputs = made(4, flight=False)
    ground = inputs.ground
    days = pd.date_range(DAY.season_start, DATE)
    season = pd.DataFrame(
        {"site_id": "S0", "date": days.astype("datetime64[s]"), "swe_mm": np.linspace(0, 200, len(days)),
         "depth_m": 0.7, "depth_se_m": 0.02, "air_temperature_c": -5.0, "precipitation_mm": 3.0}
    )  # fmt: skip
    daily = pd.concat([season, ground.daily[ground.daily["site_id"] != "S0"]], ignore_index=True)
    one = replace(inputs, ground=replace(ground, daily=daily, station_se_mm=np.full(len(daily), 8.0)))
    day = estimate_day(one, CHOICES)
    assert "terrain balance" in day.models["blend"]["models"]
    assert day.sites["estimate_without_mm"].notna().all()


def test_weather_without_a_word_of_snow_yet_leaves_the_terrain_alone():
    inputs = made(3, flight=False)
    ground = inputs.ground
    later = ground.visits.assign(date=pd.Timestamp(DATE) + pd.Timedelta(days=5))
    silent = replace(ground, daily=ground.daily.head(0), station_se_mm=np.zeros(0), visits=later)
    day = estimate_day(replace(inputs, ground=silent), CHOICES)
    assert "terrain balance" not in day.models["blend"]["models"]
    assert "terrain regression" in day.models["blend"]["models"]


@pytest.mark.parametrize("flight", [True, False])
def test_ground_seen_bare_yesterday_holds_hardly_any_snow_but_an_error(flight):
    inputs = made(3, flight=flight)
    west = np.zeros(inputs.basin.grid.shape, bool)
    west[:, : COLUMNS // 2] = True
    open_ground = inputs.basin.terrain.assign(canopy=0 * inputs.basin.terrain["canopy"])
    inputs = replace(inputs, basin=replace(inputs.basin, terrain=open_ground))
    seen = DATE - dt.timedelta(days=1), np.where(west, 0.0, np.nan)
    plain, bounded = (estimate_day(one, CHOICES) for one in (inputs, replace(inputs, earlier_covers=[seen])))
    swe, se, se_before = (
        day.fields[name].to_numpy() for day, name in ((bounded, "swe"), (bounded, "swe_se"), (plain, "swe_se"))
    )
    before = plain.fields["swe"].to_numpy()
    inside = np.isfinite(before)
    here = west[2:-2, 2:-2] & inside
    assert swe[here].mean() < 0.25 * before[here].mean()
    # What was taken away leaves an error wherever there was something, and what is left is within some errors of nothing.
    assert (se[here & (before > 1)] > 0).all()
    assert (se[here & (before > 50)] > 0.5 * swe[here & (before > 50)]).all()
    assert (swe[inside & ~here] == before[inside & ~here]).all()
    assert (se[inside & ~here] == se_before[inside & ~here]).all()


@pytest.mark.parametrize("fraction", [0.0, 0.04])
def test_a_cover_grid_of_the_same_day_does_not_overrule_the_laser(fraction):
    """A cell of 700 mm measured by laser stays when a grid of the day saw a fraction of 0.04 there."""
    inputs = made(3)
    flown = inputs.flights[0].assign_attrs(date=str(DATE))
    inputs = replace(inputs, flights=[flown])
    plain, seen = (
        estimate_day(one, CHOICES)
        for one in (inputs, replace(inputs, cover=np.full(inputs.basin.grid.shape, fraction)))
    )
    assert float(plain.fields["swe"].max()) > 300
    assert_same(plain, seen)


@pytest.mark.long
def test_trees_widen_the_doubt_of_a_cover_grid():
    """Without a flight: the more trees, the more is left of what the map had, and nothing is without an error."""
    inputs = made(3, flight=False)
    inputs = replace(inputs, cover=np.full(inputs.basin.grid.shape, 0.02))
    left, errors = [], []
    for canopy in (0.0, 0.8):
        terrain = inputs.basin.terrain.assign(canopy=0 * inputs.basin.terrain["canopy"] + canopy)
        plain = estimate_day(replace(inputs, basin=replace(inputs.basin, terrain=terrain), cover=None), CHOICES)
        day = estimate_day(replace(inputs, basin=replace(inputs.basin, terrain=terrain)), CHOICES)
        had = plain.fields["swe"].to_numpy() > 20
        left.append(float((day.fields["swe"].to_numpy()[had] / plain.fields["swe"].to_numpy()[had]).mean()))
        errors.append(day.fields["swe_se"].to_numpy()[had].min())
    assert left[0] < 0.2
    assert left[1] > 2 * left[0]
    assert min(errors) > 0


def test_a_flight_is_believed_over_an_earlier_view_of_bare_ground():
    inputs = made(3)
    before = FLOWN_ON - dt.timedelta(days=1), np.zeros(inputs.basin.grid.shape)
    assert_same(day_of(3), estimate_day(replace(inputs, earlier_covers=[before]), CHOICES))


def test_where_no_snow_is_told_there_is_no_density_and_where_there_is_it_covers_something():
    """As the archive rounds: SWE to 0.1 mm, cover to 0.01, volumes to 1 m3."""
    inputs = made(4, flight=False)
    trace = np.linspace(0.0, 0.3, inputs.basin.grid.shape[0])[:, None] * np.ones(inputs.basin.grid.shape)

    class Uniform:
        def predict_from_swe(self, swe_mm, _places):
            density, common, local = (np.full(np.shape(swe_mm), value) for value in (315.0, 12.0, 20.0))
            return Densities(density, [common], local, np.zeros_like(density))

    today = SweMap(trace, 0.1 + trace, np.full(trace.shape, 0.001), [], None)
    fields = published_fields(
        today, Uniform(), replace(inputs, basin=replace(inputs.basin, terrain=add_exposure(inputs.basin.terrain)))
    )
    inside = fields["cell_area"].to_numpy() > 0
    swe, cover = np.round(fields["swe"].to_numpy()[inside], 1), np.round(fields["snow_cover"].to_numpy()[inside], 2)
    snow = swe > 0
    assert 0 < snow.sum() < snow.size
    assert (np.isfinite(fields["density"].to_numpy()[inside]) == snow).all()
    assert (np.isfinite(fields["density_se"].to_numpy()[inside]) == snow).all()
    assert ((cover > 0) == snow).all()
    assert ((fields["depth"].to_numpy()[inside] > 0) == snow).all()
    assert ((fields["source"].to_numpy()[inside] == SOURCE_FLAGS["no_snow"]) == ~snow).all()


@pytest.mark.parametrize(("swe_mm", "told"), [(0.1, True), (1e-5, False), (0.0, False)])
def test_a_band_without_a_cubic_metre_of_water_has_no_density(swe_mm, told):
    one = np.ones((2, 2))
    fields = xr.Dataset(
        {
            name: (("y", "x"), value * one)
            for name, value in (("zone", 1), ("elevation_band", 1), ("cell_area", 1e4), ("swe", swe_mm), ("depth", swe_mm / 300), ("snow_cover", 0.01))
        }
    )  # fmt: skip
    rows = totals_rows(fields, ZoneBands("made", ["west"], [(1800.0, 2000.0)]), np.zeros((1, 1)), DATE)
    assert (rows["density_mean_kg_m3"].notna() == told).all()
