"""Days on which there is hardly anything to go by: never a failure, never a hole in the basin, and numbers that make sense."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from made_day_inputs import CHOICES, day_of, made

from snowtally.estimate.estimate import estimate_day
from snowtally.model.problems import NoEstimateError


def with_sites(inputs, names):
    """Return the inputs as if only the named sites had ever been."""
    ground = inputs.ground
    for name in ground.sites.index.difference(names):
        ground = ground.without(name)
    return replace(inputs, ground=ground, densities=inputs.densities[inputs.densities["site_id"].isin(names)])


def told(ground, swe_of):
    """Return the record with every SWE put through a function of the site's place in the table."""
    place = pd.Series(range(len(ground.sites)), ground.sites.index)
    return replace(
        ground,
        daily=ground.daily.assign(swe_mm=swe_of(ground.daily["site_id"].map(place), ground.daily["swe_mm"])),
        visits=ground.visits.assign(swe_mm=swe_of(ground.visits["site_id"].map(place), ground.visits["swe_mm"])),
    )


def sound(day):
    """Hold what every day must hold, and return the basin's row."""
    inside = day.fields["cell_area"].to_numpy() > 0
    for name in ("swe", "swe_se", "swe_p10", "swe_p90", "depth", "depth_se", "snow_cover"):
        values = day.fields[name].to_numpy()[inside]
        assert np.isfinite(values).all(), name
        assert (values >= 0).all(), name
    assert (day.fields["swe_p10"].to_numpy() <= day.fields["swe_p90"].to_numpy())[inside].all()
    basin = day.totals.iloc[0]
    assert np.isfinite(basin[["swe_mean_mm", "swe_se_mm", "volume_p10_m3", "volume_p90_m3"]].astype(float)).all()
    return basin


@pytest.mark.parametrize("flight", [True, False])
@pytest.mark.parametrize("count", [0, 1, 3])
def test_few_sites_or_none(count, flight):
    inputs = with_sites(made(3, flight=flight), [f"S{k}" for k in range(count)])
    if count == 0 and not flight:
        with pytest.raises(NoEstimateError):
            estimate_day(inputs, CHOICES)
        return
    basin = sound(estimate_day(inputs, CHOICES))
    assert 20 < basin["swe_mean_mm"] < 2000
    assert basin["swe_se_mm"] > 0.03 * basin["swe_mean_mm"]


@pytest.mark.parametrize("flight", [True, False])
def test_all_sites_in_one_cell(flight):
    inputs = made(3, flight=flight)
    first = inputs.ground.sites.iloc[0]
    same = inputs.ground.sites.assign(**{name: first[name] for name in ("x", "y", "row", "column", "elevation_m")})
    sound(estimate_day(replace(inputs, ground=replace(inputs.ground, sites=same)), CHOICES))


@pytest.mark.parametrize("flight", [True, False])
def test_all_sites_in_one_line_at_one_height(flight):
    inputs = made(3, flight=flight)
    sites = inputs.ground.sites.assign(y=inputs.ground.sites["y"].iloc[0], elevation_m=1800.0)
    sound(estimate_day(replace(inputs, ground=replace(inputs.ground, sites=sites)), CHOICES))


def test_all_bare_and_no_flight_is_no_snow():
    inputs = made(3, flight=False)
    basin = sound(estimate_day(replace(inputs, ground=told(inputs.ground, lambda _, swe: 0.0 * swe)), CHOICES))
    assert basin["swe_mean_mm"] <= 1.0


@pytest.mark.parametrize("flight", [True, False])
def test_one_huge_outlier_hardly_moves_the_basin(flight):
    inputs = made(3, flight=flight)
    plain = sound(day_of(3, flight=flight))
    huge = told(inputs.ground, lambda place, swe: swe.where(place != 2, 20.0 * swe + 5000.0))
    basin = sound(estimate_day(replace(inputs, ground=huge), CHOICES))
    assert basin["swe_mean_mm"] == pytest.approx(plain["swe_mean_mm"], rel=0.3)


def test_a_flight_of_nothing_leaves_the_sites_to_tell():
    inputs = made(3, flight=True)
    blind = [
        flight.assign(depth=flight["depth"] * np.nan, valid_fraction=flight["valid_fraction"] * 0)
        for flight in inputs.flights
    ]
    basin = sound(estimate_day(replace(inputs, flights=blind), CHOICES))
    alone = sound(day_of(3, flight=False))
    assert basin["swe_mean_mm"] == alone["swe_mean_mm"]


def test_a_basin_of_one_band_and_one_zone():
    inputs = made(3, flight=True)
    terrain = inputs.basin.terrain.assign(
        band=inputs.basin.terrain["band"].where(inputs.basin.terrain["band"] == 0, 1),
        zone=inputs.basin.terrain["zone"].where(inputs.basin.terrain["zone"] == 0, 1),
    ).assign_attrs(bands=[(1200.0, 2800.0)])
    day = estimate_day(
        replace(inputs, basin=replace(inputs.basin, terrain=terrain, zones=inputs.basin.zones[:1])), CHOICES
    )
    sound(day)
    assert day.totals["level"].tolist() == ["basin", "zone", "band", "zone_band"]
    assert day.totals["volume_m3"].tolist() == [day.totals["volume_m3"].iloc[0]] * 4


@pytest.mark.parametrize("flight", [True, False])
def test_sites_that_all_say_the_same(flight):
    inputs = made(3, flight=flight, swe_mm=200.0)
    basin = sound(estimate_day(inputs, CHOICES))
    if not flight:
        assert basin["swe_mean_mm"] == pytest.approx(200.0, rel=0.35)


def test_a_flat_basin_under_an_even_flight():
    inputs = made(3, flight=True)
    terrain = inputs.basin.terrain.assign(
        elevation=0 * inputs.basin.terrain["elevation"] + 2000.0, band=inputs.basin.terrain["band"] * 0 + 1
    )
    flights = [
        flight.assign(depth=0 * flight["depth"] + 1.0, depth_spread=0 * flight["depth"]) for flight in inputs.flights
    ]
    sites = inputs.ground.sites.assign(elevation_m=2000.0)
    day = estimate_day(
        replace(
            inputs,
            basin=replace(inputs.basin, terrain=terrain),
            flights=flights,
            ground=replace(inputs.ground, sites=sites),
        ),
        CHOICES,
    )
    basin = sound(day)
    assert 150 < basin["swe_mean_mm"] < 600
