"""What the settings' choice of a method does to a whole day, and what the record tells of it."""

import datetime as dt
from dataclasses import replace

import numpy as np
import pytest
from made_day_inputs import CHOICES, made, made_flight

from snowtally.estimate.estimate import estimate_day
from snowtally.terrain.predictors import landform_of


@pytest.fixture(scope="module")
def flown_thrice():
    """Return inputs with three flights whose sunny side lost more each time, the last eight days ago."""
    inputs = made(2)
    (last,) = inputs.flights
    row, column = np.mgrid[: last.sizes["y"], : last.sizes["x"]]
    flights = []
    for days in (42, 21, 0):
        date = dt.date.fromisoformat(last.attrs["date"]) - dt.timedelta(days=days)
        depth = last["depth"].to_numpy() * (1.0 + days / 42.0 * 0.3 * np.sin(row / 6.0)) + 0.004 * days * (
            column / 10.0
        )
        flights.append(made_flight(inputs.basin.grid, depth).assign_attrs(date=str(date)))
    return replace(inputs, flights=flights)


@pytest.fixture(scope="module")
def days(flown_thrice):
    return {
        method: estimate_day(flown_thrice, replace(CHOICES, method=method)) for method in ("kriging", "trees", "auto")
    }


def test_the_method_takes_effect_and_the_record_names_it(days):
    names = {method: day.models["blend"]["name"] for method, day in days.items()}
    assert names == {"kriging": "carried flight", "trees": "trees", "auto": "carried flight"}
    swe = {method: day.fields["swe"].to_numpy() for method, day in days.items()}
    assert np.nanmax(np.abs(swe["trees"] - swe["kriging"])) > 5.0
    np.testing.assert_array_equal(swe["auto"], swe["kriging"])
    assert days["trees"].models["blend"]["models"]["trees"]["learnt_from"]["cells"] > 1000
    assert "trees" in days["trees"].skill["model"].tolist()
    assert all(day.skill["model"].is_unique for day in days.values())
    assert "carried flight, flights held out" in days["kriging"].skill["model"].tolist()


def test_errors_are_told_by_zone(days):
    for day in days.values():
        errors = day.models["errors"]
        assert 1.0 <= errors["factor"] <= 1.5
        assert set(errors["budget_by_zone"]) == {"west", "east"}
        for shares in errors["budget_by_zone"].values():
            assert sum(shares.values()) == pytest.approx(1.0)


@pytest.mark.long
def test_the_ground_as_kept_gives_the_same_bytes(flown_thrice, days):
    kept = replace(flown_thrice, landform=landform_of(flown_thrice.basin.terrain, 270.0))
    again = estimate_day(kept, replace(CHOICES, method="trees"))
    for name in ("swe", "swe_se"):
        assert again.fields[name].to_numpy().tobytes() == days["trees"].fields[name].to_numpy().tobytes()


@pytest.mark.long
def test_the_wind_is_heard_by_the_trees(flown_thrice, days):
    turned = estimate_day(flown_thrice, replace(CHOICES, method="trees", wind_from_deg=180.0))
    assert np.nanmax(np.abs((turned.fields["swe"] - days["trees"].fields["swe"]).to_numpy())) > 0


def test_sites_say_what_the_estimate_is_without_them(days):
    sites = days["auto"].sites
    assert np.isfinite(sites["estimate_without_mm"]).all()
    assert (sites["estimate_without_se_mm"] > 0).all()
