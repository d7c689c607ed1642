"""Bulk density from a published relation, the season's settling and what the sites weighed."""

import datetime as dt

import numpy as np
import pandas as pd
import pytest
import xarray as xr
from made_weather import NODES
from threadpoolctl import threadpool_limits

from snowtally.snow.density import REACH_M, BulkDensity, Locations
from snowtally.snow.density_records import SeasonPrior
from snowtally.snow.settling import Settling
from snowtally.snow.sturm import prior_density, sturm_day

DATE, ORIGIN = dt.date(2031, 4, 10), dt.date(2030, 10, 1)
ELEVATION = np.array([1600.0, 1800.0, 2000.0, 2200.0, 2400.0, 2600.0])
DEPTH = np.array([0.9, 1.3, 1.0, 1.8, 1.5, 2.2])
DEEP = np.array([2.0])


APART_M = 1e6


def level(*elevation_m):
    """Return places far from every site: what is told of them is the line's."""
    return Locations(np.array(elevation_m), *np.full((2, len(elevation_m)), APART_M))


HIGH = level(3000.0)


def model(settled=None):
    return BulkDensity(SeasonPrior("alpine", ORIGIN, settling=settled))


def common_share(densities):
    """Return the error common to all places as a share of the first place's density."""
    return np.sqrt(sum(field[0] ** 2 for field in densities.common)) / densities.mean[0]


def settling():
    """Return snow that melts below and is cold above: 460 kg/m3 at 1000 m, 260 at 3000."""
    days = pd.date_range("2031-03-01", DATE)
    return Settling(days, NODES, np.tile(np.interp(NODES, [1000.0, 3000.0], [460.0, 260.0]), (len(days), 1)))


def records(density, *, age_days=0):
    return pd.DataFrame(
        {
            "site_id": [f"S{k}" for k in range(len(ELEVATION))],
            "date": pd.Timestamp(DATE) - pd.Timedelta(days=age_days),
            "depth_m": DEPTH,
            "density_kg_m3": density,
            "elevation_m": ELEVATION,
            "x": 20_000.0 * np.arange(len(ELEVATION)),
            "y": 0.0,
        }
    )


def test_what_was_weighed_is_believed_and_not_the_settling_model():
    """The model makes snow at 3000 m light; the records, up to 2600 m, show no such thing."""
    with_it, without = (
        model(one).fit(records(np.full(6, 330.0)), DATE).predict(DEEP, HIGH).mean[0] for one in (settling(), None)
    )
    assert with_it == without
    assert with_it > 300.0


def test_without_records_half_way_between_the_two_and_unsure():
    fitted = model(settling()).fit(records(np.full(6, 300.0)).head(0), DATE)
    found = fitted.predict(DEEP, HIGH)
    relation = prior_density(DEEP, sturm_day(DATE, ORIGIN), "alpine")
    assert found.mean == pytest.approx(np.sqrt(260.0 * relation), rel=0.01)  # and the mean of places, not their middle
    few = model(settling()).fit(records(np.full(6, 300.0)), DATE)
    assert common_share(found) > 0.15 > common_share(few.predict(DEEP, HIGH))


def test_thin_snow_says_little_of_deep_snow():
    table = records(np.array([520.0, 520.0, 520.0, 330.0, 330.0, 330.0]))
    table.loc[:2, "depth_m"] = 0.1
    mixed = model().fit(table, DATE).predict(DEEP, level(2300.0)).mean[0]
    assert mixed == pytest.approx(330.0, rel=0.06)


@pytest.mark.parametrize("count", [0, 1, 2, 6])
def test_any_number_of_records_gives_a_density(count):
    """All at one place and depth: no line on either can be told."""
    table = records(np.full(6, 310.0)).head(count).assign(elevation_m=2000.0, depth_m=1.0)
    depth, places = np.linspace(0.0, 8.0, 9), level(*np.linspace(500.0, 4500.0, 9))
    for settled in (None, settling()):
        found = model(settled).fit(table, DATE).predict(depth, places)
        assert np.isfinite([*found.common, found.local, found.pattern]).all()
        assert 100 < found.mean.min() <= found.mean.max() < 650


def test_places_near_a_dense_site_are_dense_and_surer_of_it():
    table = records(330.0 * np.exp([0.0, 0.0, 0.3, 0.3, 0.0, 0.0]))
    fitted = model().fit(table, DATE)
    x = np.array([50_000.0, 100_000.0, APART_M])
    found = fitted.predict(np.full(3, 1.4), Locations(np.full(3, 2100.0), x, np.zeros(3)))
    near, other, far = found.mean
    assert near > 1.05 * far > far > other
    surer, _, unsure = found.pattern / found.mean
    assert surer < 0.97 * unsure


def test_a_site_whose_place_nobody_knows_tells_of_the_line_alone():
    table = records(330.0 * np.exp([0.0, 0.0, 0.3, 0.0, 0.0, 0.0]))
    lost = table.assign(x=table["x"].where(table["site_id"] != "S2"))
    at = Locations(np.array([2000.0]), np.array([40_000.0]), np.zeros(1))
    known, unknown = (model().fit(one, DATE).predict(np.ones(1), at).mean[0] for one in (table, lost))
    assert np.isfinite(unknown)
    assert unknown < known


def test_a_grid_is_told_as_its_cells_are_one_by_one():
    """The pattern is taken between points of the grid: it is off by hardly anything where it bends the most, at a site."""
    fitted = model().fit(records(330.0 * np.exp([0.0, 0.3, 0.0, -0.3, 0.0, 0.0])), DATE)
    axis = np.arange(0.0, 4.0 * REACH_M, 250.0)
    cells = xr.Dataset({"elevation": (("y", "x"), np.full((40, len(axis)), 2100.0))}, {"x": axis, "y": axis[:40]})
    places = Locations.of_terrain(cells)
    grid = fitted.predict(np.full(places.x.shape, 1.4), places)
    flat = Locations(*(field.ravel() for field in (places.elevation_m, places.x, places.y)))
    single = fitted.predict(np.full(places.x.size, 1.4), flat)
    assert grid.mean.ravel() == pytest.approx(single.mean, rel=0.005)
    assert grid.standard_error().ravel() == pytest.approx(single.standard_error(), rel=0.02)


def test_sites_that_agree_make_the_common_error_small_and_sites_that_differ_do_not():
    agreeing = model().fit(records(np.full(6, 310.0)), DATE)
    differing = model().fit(records(310.0 * np.exp([0.3, -0.3, 0.3, -0.3, 0.3, -0.3])), DATE)
    errors = [common_share(model.predict(DEEP, level(2100.0))) for model in (agreeing, differing)]
    assert errors[0] < 0.8 * errors[1]


def test_the_error_of_what_lies_above_and_below_the_sites_cancels_in_a_sum():
    """Nobody knows how density changes with height; the mean of high and low ground is known nearly as well as the middle."""
    fitted = model().fit(records(np.full(6, 310.0)), DATE)
    found = fitted.predict(np.full(3, 1.5), level(1300.0, 2100.0, 2900.0))
    alone = np.sqrt(sum(field**2 for field in found.common))
    together = np.sqrt(sum(field.sum() ** 2 for field in found.common))
    assert alone[0] > 1.2 * alone[1] < alone[2]
    assert together < 0.88 * alone.sum()


def test_a_record_that_the_others_contradict_shows_as_a_bad_miss():
    """One of six weighs three times as much: no error is made wide for it before it is held against the others."""
    told = model().fit(records(380.0 * np.array([1.0, 1.0, 3.0, 1.0, 1.0, 1.0])), DATE).left_out().set_index("site_id")
    z = (told["observed"] - told["predicted"]) / told["predicted_se"]
    assert z["S2"] > 4.0
    assert (z.drop("S2").abs() < 2.0).all()


def test_threads_of_the_linear_algebra_change_no_byte():
    rng = np.random.default_rng(3)
    many = pd.DataFrame(
        {
            "site_id": [f"S{k:03d}" for k in range(700)],
            "date": pd.Timestamp(DATE),
            "depth_m": rng.uniform(0.5, 3.0, 700),
            "density_kg_m3": 330.0 * rng.lognormal(0.0, 0.1, 700),
            "elevation_m": rng.uniform(1200.0, 2800.0, 700),
            "x": rng.uniform(0.0, 9e4, 700),
            "y": rng.uniform(0.0, 9e4, 700),
        }
    )
    places = Locations(*(rng.uniform(low, high, 5000) for low, high in ((1200.0, 2800.0), (0.0, 9e4), (0.0, 9e4))))
    found = []
    for threads in (1, 2):
        with threadpool_limits(threads):
            told = model().fit(many, DATE).predict(np.full(5000, 1.5), places)
            found.append((told.mean.tobytes(), told.pattern.tobytes(), told.common[1].tobytes()))
    assert found[0] == found[1]
