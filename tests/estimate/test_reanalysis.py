"""A past day smoothed by later flights: what stays as it was published, what moves, and what must not matter."""

import datetime as dt
from dataclasses import replace

import numpy as np
import pandas as pd
from made_day_inputs import CHOICES, DATE, FLOWN_OR_NOT, made

from snowtally.estimate.estimate import estimate_day, map_of_day
from snowtally.estimate.reanalysis import WholeSeason, smoothed_map
from snowtally.estimate.swe_map import day_of

LATER = dt.date(2031, 3, 18)
HOLLOW = np.s_[10:14, 8:30]
"""Where the later flight finds more than the map had."""


def season_with(inputs, *flights):
    """Return the season eight days on, with flights at its end beside those of the day."""
    flights = [*inputs.flights, *(one.assign_attrs(date=str(LATER)) for one in flights)]
    return WholeSeason.of(replace(inputs, day=replace(inputs.day, date=LATER), flights=flights), CHOICES)


def flight_over(found, lift=1.0):
    """Return a flight over as much as the map has, and half as much again in the hollow."""
    depth = found.today.swe_mm / 315.0
    depth[HOLLOW] *= 1.5
    one = np.ones(depth.shape)
    fields = {
        "depth": lift * depth,
        "valid_fraction": one,
        "depth_spread": 0.3 * one,
        "depth_random_se": 0.02 * one,
    }
    told = found.inputs.basin.terrain[["elevation"]].assign(
        {name: (("y", "x"), field) for name, field in fields.items()}
    )
    return told.drop_vars("elevation").assign_attrs(depth_bias_se_m=0.03, noise_correlation_m=100.0, noise_m=0.1)


@FLOWN_OR_NOT
def test_cells_follow_the_flight_and_zone_bands_keep_their_volume_and_its_error(flight, seed):
    inputs = made(seed, flight=flight)
    found = map_of_day(inputs, CHOICES)
    smoothed = smoothed_map(found, season_with(inputs, flight_over(found)))
    nightly, later = found.today, smoothed.today
    snowy = nightly.swe_mm[HOLLOW] > 50
    assert np.mean((later.swe_mm[HOLLOW] > nightly.swe_mm[HOLLOW])[snowy]) > 0.9
    inside = inputs.basin.terrain["cell_area"].to_numpy() > 0
    assert (later.se_mm[inside] ** 2).mean() < (nightly.se_mm[inside] ** 2).mean()
    np.testing.assert_array_equal(later.swe_mm[~inside], nightly.swe_mm[~inside])
    before, after = (day_of(one).totals for one in (found, smoothed))
    for name in ("swe_mean_mm", "volume_m3", "volume_se_m3"):
        # Volumes are of published cells: a trace that is rounded to nothing is nothing.
        np.testing.assert_allclose(after[name], before[name], rtol=2e-4, atol=1.0)


def test_without_a_later_flight_nothing_changes():
    inputs = made(3)
    found = map_of_day(inputs, CHOICES)
    pd.testing.assert_frame_equal(
        day_of(smoothed_map(found, season_with(inputs))).totals, estimate_day(inputs, CHOICES).totals
    )


def test_a_flight_of_the_day_itself_stays_as_it_was_measured():
    inputs = made(3)
    inputs = replace(inputs, flights=[one.assign_attrs(date=str(DATE)) for one in inputs.flights])
    found = map_of_day(inputs, CHOICES)
    assert smoothed_map(found, season_with(inputs, flight_over(found))) is found


def test_the_level_of_the_later_flight_matters_little():
    """A tenth more of depth, as density may be wrong by: cells move by less than half of what it adds."""
    inputs = made(3)
    found = map_of_day(inputs, CHOICES)
    one, other = (
        smoothed_map(found, season_with(inputs, flight_over(found, lift))).today.swe_mm for lift in (1.0, 1.1)
    )
    inside = inputs.basin.terrain["cell_area"].to_numpy() > 0
    added = 0.1 * found.today.swe_mm[inside].mean()
    assert np.sqrt(np.mean((other - one)[inside] ** 2)) < 0.5 * added


def test_each_cell_follows_the_first_flight_that_saw_it():
    inputs = made(3)
    found = map_of_day(inputs, CHOICES)
    first, half = flight_over(found), np.arange(found.today.swe_mm.shape[0])[:, None] < 20
    first = first.assign(depth=first["depth"].where(half))
    last = season_with(inputs, flight_over(found))
    later = replace(last.flights[-1], date=LATER + dt.timedelta(days=9), swe_mm=0.2 * last.flights[-1].swe_mm)
    of_first = season_with(inputs, first)
    both = replace(of_first, flights=[*of_first.flights, later])
    alone, together = (smoothed_map(found, one).today.swe_mm for one in (of_first, both))
    np.testing.assert_array_equal(alone[:20], together[:20])
    assert not np.allclose(alone[20:], together[20:])
