"""A background model is added by one class and two candidates; sites and flights held out then weigh it."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pytest
from made_day_inputs import CHOICES, made, made_flight

from snowtally.estimate.estimate import estimate_day
from snowtally.snow import blend
from snowtally.snow.background import CarriedFlight
from snowtally.snow.blend import Blend
from snowtally.snow.held_out import Candidate
from snowtally.snow.site_gains import cell_values
from snowtally.statistics.errors import ErrorPart, shared_error

SHARE = 0.1
"""Of the prior weight on a night without a flight."""


@dataclass(frozen=True)
class Everywhere:
    """One SWE in every cell, with one error common to the basin."""

    swe_mm: np.ndarray
    se_mm: np.ndarray

    @property
    def covered(self):
        return (self.swe_mm > 0).astype(float)

    def standard_error(self):
        return self.se_mm

    def shared_error(self):
        return shared_error(self.all_parts(None, None))

    def all_parts(self, _x, _y):
        return [ErrorPart("mean of sites", self.se_mm, np.inf)]


class SitesMean:
    """The sites' mean in every cell."""

    name = "mean of sites"

    def anew(self, ground, date):
        return SitesMean().fit(ground, date)

    def fit(self, ground, date):
        swe = cell_values(ground, date)["swe_mm"].to_numpy()
        self.mean_mm_, self.se_mm_ = float(swe.mean()), float(swe.std() / np.sqrt(len(swe))) + 10.0
        return self

    def predict(self, cells):
        shape = cells["elevation"].shape
        return Everywhere(np.full(shape, self.mean_mm_), np.full(shape, self.se_mm_))

    def parameters(self):
        return {"mean_mm": round(self.mean_mm_, 2)}


@pytest.fixture(autouse=True)
def added(monkeypatch):
    """Add the model in both lists of candidates."""
    without_flight, after_flights = blend._without_flight, blend._after_flights

    def one_more_without(season_start, sites):
        others = [replace(one, prior=(1 - SHARE) * one.prior) for one in without_flight(season_start, sites)]
        return [*others, Candidate(SitesMean.name, SitesMean().anew, SHARE)]

    def one_more_after(flights, night, trees_seed):
        return [*after_flights(flights, night, trees_seed), Candidate(SitesMean.name, SitesMean().anew, 0.0)]

    monkeypatch.setattr(blend, "_without_flight", one_more_without)
    monkeypatch.setattr(blend, "_after_flights", one_more_after)


def flown_twice(inputs, earlier_depth_m):
    """Return the inputs with one more flight, ten days before theirs."""
    earlier = made_flight(inputs.basin.grid, earlier_depth_m).assign_attrs(date="2031-02-20")
    return replace(inputs, flights=[earlier, *inputs.flights])


def estimated(inputs):
    """Return the record of the blend and the skill by model of a day whose map, errors and totals are finite."""
    day = estimate_day(inputs, CHOICES)
    inside = day.fields["cell_area"].to_numpy() > 0
    assert all(np.isfinite(day.fields[name].to_numpy()[inside]).all() for name in ("swe", "swe_se"))
    assert np.isfinite(day.totals[["volume_m3", "volume_se_m3"]]).all(axis=None)
    taken = day.models["blend"]
    assert sum(taken["weights"].values()) == pytest.approx(1.0, abs=1e-3)
    return taken, day.skill.set_index("model")


@pytest.mark.parametrize(("inputs", "least", "most"), [
    # All sites hold the same, so that no model is better.
    (made(5, flight=False, swe_mm=200.0), 0.2, 0.5),
    (made(4, flight=False), 0.0, 0.05),
])  # fmt: skip
def test_without_a_flight_the_sites_left_out_weigh_it(inputs, least, most):
    taken, skill = estimated(inputs)
    assert taken["chosen_by"] == "sites left out"
    assert least <= taken["weights"][SitesMean.name] <= most
    row = skill.loc[SitesMean.name]
    assert row["n"] == len(inputs.ground.sites)
    assert row["weight"] == pytest.approx(taken["weights"][SitesMean.name], abs=1e-3)
    assert np.isfinite(row["rmse"])


def test_after_one_flight_the_sites_left_out_weigh_it():
    taken, skill = estimated(made(3))
    assert list(taken["weights"]) == [CarriedFlight.name, SitesMean.name]
    assert taken["chosen_by"] == "sites left out"
    assert np.isfinite(skill.loc[SitesMean.name, "rmse"])


@pytest.mark.parametrize("better", [True, pytest.param(False, marks=pytest.mark.long)])
def test_after_two_flights_the_flight_held_out_weighs_it(better):
    inputs = made(3, swe_mm=200.0 if better else None)
    depth = inputs.flights[0]["depth"].to_numpy()
    if better:
        # The later flight sees what the sites hold; the earlier saw nothing in one zone and twice of it in the other.
        even = np.full(depth.shape, 200.0 / 320.0)
        inputs = replace(inputs, flights=[made_flight(inputs.basin.grid, even)])
        depth = np.where(inputs.basin.terrain["zone"] == 1, 2.0, 0.0) * even
    taken, skill = estimated(flown_twice(inputs, depth))
    assert taken["chosen_by"] == "flights held out"
    # One flight held out counts as much as what is known beforehand.
    weight = taken["weights"][SitesMean.name]
    assert weight > 0.4 if better else weight < 0.1
    carried, mean = (skill.loc[f"{name}, flights held out"] for name in (CarriedFlight.name, SitesMean.name))
    assert (mean["rmse"] < carried["rmse"]) == better
    assert mean["n"] == carried["n"] > 0
    assert mean["weight"] == pytest.approx(weight, abs=1e-3)


def test_the_simplest_method_has_one_candidate():
    inputs = made(3)
    inputs = flown_twice(inputs, inputs.flights[0]["depth"].to_numpy())
    day = estimate_day(inputs, replace(CHOICES, method="kriging"))
    assert day.models["blend"]["weights"] == {CarriedFlight.name: 1.0}


def test_prior_weights_are_one_together():
    with pytest.raises(ValueError, match=r"prior weights are 1\.1 together, not 1"):
        Blend([Candidate("one", SitesMean().anew), Candidate(SitesMean.name, SitesMean().anew, SHARE)])
