"""Density's own pattern over many sites: kriged where it is there, left alone where it is not."""

import datetime as dt

import numpy as np
import pandas as pd
import pytest

from pipeline.methods.density import BulkDensity, DensityPlaces, leave_one_out

DATE, ORIGIN = dt.date(2031, 3, 1), dt.date(2030, 10, 1)


def sites(count=60, wave=0.15, spread=0.04):
    """Return density records on ground of one height: twice as dense as not along a wave of 40 km, and their own spread."""
    rng = np.random.default_rng(5)
    x, y = rng.uniform(0, 40_000.0, (2, count))
    off = wave * np.sin(2 * np.pi * x / 40_000.0) + rng.normal(0, spread, count)
    return pd.DataFrame(
        {
            "site_id": [f"S{k:02d}" for k in range(count)], "date": pd.Timestamp(DATE), "depth_m": 2.0,
            "density_kg_m3": 320.0 * np.exp(off), "elevation_m": 2000.0, "x": x, "y": y,
        }
    )  # fmt: skip


def grid(step_m=500.0):
    x, y = np.meshgrid(np.arange(0, 40_000.0, step_m), np.arange(0, 40_000.0, step_m))
    return DensityPlaces(np.full(x.shape, 2000.0), np.zeros(x.shape), x, y)


def fitted(records):
    return BulkDensity("alpine", ORIGIN).fit(records, DATE)


def test_a_pattern_that_sites_share_is_found_and_makes_the_local_error_smaller():
    plain, waved = fitted(sites(wave=0.0)), fitted(sites())
    assert plain.residual_ is None
    found = waved.predict(np.full(grid().x.shape, 2.0), grid())
    truth = 320.0 * np.exp(0.15 * np.sin(2 * np.pi * grid().x / 40_000.0))
    off = np.log(found.mean / truth)
    assert np.std(off) < 0.5 * 0.15 / np.sqrt(2)
    assert (found.local / found.mean).mean() < waved.spread_
    assert waved.parameters()["residual"]["reach_m"] > 3000


def test_fewer_sites_are_left_to_the_line():
    assert fitted(sites(29)).residual_ is None


def test_the_grid_is_told_as_its_points_are_one_by_one():
    model = fitted(sites())
    places = grid()
    there = DensityPlaces(*(values.ravel() for values in (places.elevation_m, places.poleward, places.x, places.y)))
    depth = np.full(there.x.shape, 2.0)
    coarse = model.predict(depth.reshape(places.x.shape), places).mean.ravel()
    assert np.abs(np.log(coarse / model.predict(depth, there).mean)).max() < 0.02


def test_sites_left_out_are_told_better_with_the_pattern():
    records = sites()
    told = leave_one_out(fitted(records), records, DATE)
    left = np.log(told["observed"] / told["predicted"])
    assert list(told["site_id"]) == list(records["site_id"])
    assert left.std() < 0.75 * np.log(records["density_kg_m3"]).std()


def test_swe_gives_the_density_that_depth_gives():
    model, places = fitted(sites()), grid(2000.0)
    depth = np.full(places.x.shape, 1.7)
    density = model.predict(depth, places).mean
    assert model.predict_from_swe(density * depth, places).mean == pytest.approx(density, rel=1e-4)
