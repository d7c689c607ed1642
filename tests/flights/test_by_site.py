"""Flights against the ground, the snow cover and each other."""

import numpy as np
import pandas as pd
import pytest
from flown import GRID

from snowtally.flights.by_site import check_unit, depths_by_site, offset_of, without_offset
from snowtally.flights.together import bare_where_seen_bare, one_a_day
from snowtally.model.ground import GroundRecord
from snowtally.model.problems import RefusedFlightError


def flight(depth=1.0, *, flight_id="F1", date="2031-03-02", valid=1.0, se=0.05):
    shape = GRID.shape
    fields = {"depth": depth, "valid_fraction": valid, "depth_spread": 0.2, "depth_random_se": se}
    made = {name: GRID.array(np.broadcast_to(np.asarray(value, float), shape).copy()) for name, value in fields.items()}
    attrs = {
        "flight_id": flight_id,
        "date": date,
        "depth_bias_se_m": 0.05,
        "noise_m": 0.14,
        "noise_correlation_m": 12.0,
    }
    return made["depth"].to_dataset(name="depth").assign(made).assign_attrs(attrs)


def ground(depths, days=0, visits=None):
    sites = pd.DataFrame(
        {"row": range(len(depths)), "column": 2, "kind": "station"}, index=[f"S{n}" for n in range(len(depths))]
    )
    sites.index.name = "site_id"
    date = np.datetime64("2031-03-02", "s") + np.timedelta64(days, "D")
    daily = pd.DataFrame({"site_id": sites.index, "date": date, "depth_m": depths})
    if visits is None:
        visits = pd.DataFrame(
            {"site_id": pd.Series(dtype=str), "date": daily["date"][:0], "depth_m": daily["depth_m"][:0]}
        )
    return GroundRecord(sites, daily, np.zeros(len(daily)), visits)


def test_the_difference_of_every_site_and_their_median():
    table = depths_by_site(flight(1.0), ground([0.9, 0.8, 1.3, np.nan]), 0.5)
    assert table["site_id"].tolist() == ["S0", "S1", "S2"]
    assert table["difference_m"].to_numpy() == pytest.approx([0.1, 0.2, -0.3])
    told = offset_of(table)
    assert (told["sites"], told["offset_m"]) == (3, pytest.approx(0.1))
    # 1.4826 times the median of 0, 0.1, 0.4 about the median.
    assert told["nmad_m"] == pytest.approx(0.14826)
    assert offset_of(table[:2])["offset_m"] is None


def test_only_the_days_own_depths_of_stations_and_near_visits_of_courses_count():
    assert depths_by_site(flight(), ground([1.0] * 3, days=1), 0.5).empty
    dates = np.array(["2031-02-27", "2031-03-05", "2031-03-01"], "datetime64[s]")
    visits = pd.DataFrame({"site_id": ["S0", "S0", "S0"], "date": dates, "depth_m": [9.0, 2.0, 3.0]})
    table = depths_by_site(flight(), ground([np.nan], visits=visits), 0.5)
    assert table[["days_after", "ground_depth_m"]].to_numpy().tolist() == [[-1, 3.0]]
    assert depths_by_site(flight(valid=0.4), ground([1.0] * 3), 0.5).empty


@pytest.mark.parametrize(
    ("factor", "words"),
    [
        (1 / 0.3048, r"F1: its depths are 3\.28 times those of 3 sites on the ground: they are feet taken for metres"),
        (0.3048, r"0\.30 times those of 3 sites on the ground: they are metres taken for feet"),
    ],
)
def test_feet_and_metres_mixed_up_are_told_by_their_factor(factor, words):
    with pytest.raises(RefusedFlightError, match=words):
        check_unit(depths_by_site(flight(factor), ground([1.1, 0.9, 1.0]), 0.5), "F1")


@pytest.mark.parametrize("factor", [0.6, 1.0, 1.5, 2.2])
def test_a_flight_that_is_merely_off_is_not_taken_for_feet(factor):
    check_unit(depths_by_site(flight(factor), ground([1.1, 0.9, 1.0]), 0.5), "F1")
    # Thin snow tells no factor.
    check_unit(depths_by_site(flight(0.33), ground([0.1, 0.1, 0.1]), 0.5), "F1")


def test_offset_taken_off_leaves_its_own_error():
    moved = without_offset(flight(1.4), 0.4, 0.12)
    assert moved["depth"].to_numpy() == pytest.approx(np.full(GRID.shape, 1.0))
    assert moved.attrs["depth_bias_se_m"] == 0.12


def test_snow_that_the_laser_tells_from_noise_stays_where_a_cover_grid_saw_bare_ground():
    cover = np.ones(GRID.shape)
    cover[0, :4], cover[1, 0] = 0.04, np.nan
    depth = np.full(GRID.shape, 0.8)
    # The error of a depth is hypot(0.05, 0.05) = 0.07 m: 0.15 m stand out of it, 0.13 m do not.
    depth[0, :4] = 0.8, 0.15, 0.13, -0.02
    cleared, told = bare_where_seen_bare(flight(depth), cover, 0.05)
    assert cleared["depth"].to_numpy()[0, :4].tolist() == [0.8, 0.15, 0, 0]
    assert cleared["depth_spread"].to_numpy()[0, :4].tolist() == [0.2, 0.2, 0, 0]
    assert (cleared["depth_random_se"] == 0.05).all()
    assert cleared["depth"].to_numpy()[1, 0] == 0.8
    assert told == {"cells": 2, "share": pytest.approx(0.5), "depth_m": pytest.approx(0.475)}


def test_flights_of_one_day_are_one_in_any_order():
    west, east = np.zeros(GRID.shape), np.zeros(GRID.shape)
    west[:, :4], east[:, 3:] = 1.0, 1.0
    first = flight(np.where(west > 0, 1.0, np.nan), flight_id="A", valid=west, se=np.where(west > 0, 0.05, np.nan))
    second = flight(np.where(east > 0, 2.0, np.nan), flight_id="B", valid=east, se=np.where(east > 0, 0.1, np.nan))
    later = flight(3.0, flight_id="C", date="2031-03-04")
    one, two = one_a_day([later, second, first])
    assert one.attrs["flight_id"] == "A and B"
    assert two.attrs["flight_id"] == "C"
    depth = one["depth"].to_numpy()
    # Where both saw, by precision: 4 parts of the surer one to 1.
    assert depth[0].tolist() == pytest.approx([1, 1, 1, 1.2, 2, 2, 2])
    assert one["depth_random_se"].to_numpy()[0].tolist() == pytest.approx([0.05] * 3 + [0.1 / np.sqrt(5)] + [0.1] * 3)
    again, _ = one_a_day([first, later, second])
    assert again["depth"].to_numpy().tobytes() == depth.tobytes()
