"""The blend of a night without a flight: candidate backgrounds weighted by what they get wrong where they did not look."""

from __future__ import annotations

import copy
import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
import xarray as xr

from snowtally.model.ground import GroundRecord
from snowtally.snow.background import LITTLE_MM, CarriedFlight, TerrainBackground
from snowtally.snow.cell_error import Mixture, with_factor
from snowtally.snow.flight_swe import Flown
from snowtally.snow.held_out import (
    EARLIER,
    Candidate,
    HeldOutFlights,
    hold_out_flights,
    pooled_nights,
    sites_left_out,
    sites_left_out_before,
)
from snowtally.snow.kriged_sites import PYKRIGE_SITES, KrigedSites
from snowtally.snow.past_pattern import PAST_PATTERN
from snowtally.snow.site_gains import gain_log
from snowtally.snow.site_values import SITE_VARIATION, site_values
from snowtally.snow.terrain_balance import TerrainBalance, fitted_on_terrain
from snowtally.snow.trees import CarriedTrees
from snowtally.statistics.choice import (
    ALONE_UP_TO,
    GROUPS,
    error_factor,
    stacking_weights,
)
from snowtally.statistics.regression import PRIOR_COUNTS
from snowtally.statistics.scores import scores


class Blend:
    """Candidate backgrounds weighted by held-out errors.

    Standard errors are brought to the size that these show.

    Parameters
    ----------
    candidates : with their weights before any error is known, 1 together.
    earlier_nights : nights of the season whose left-out sites are pooled with the day's.
    flown : the flight that is carried on; None before the first.
    held_flights : what the candidates got wrong of flights held out, which then choose and size the errors; None where there
        is none, and the sites do.

    Attributes
    ----------
    weight_ : (k,) weights of the candidates.
    factor_ : on their standard errors.
    gain_ : how much more each of these sites holds than its cell, whose SWE `held_out_` has.
    held_out_ : a row for each site with a value on the date: observed_mm, noise_mm, and for each candidate that was looked at
        its mean, standard error and that of what all sites share where the site was left out of every step: "NAME mean",
        "NAME se" and "NAME shared".
    pooled_ : the same of the earlier nights and the day, with level_mm, the mean of the sites on the row's night.
    pooled_nights_ : the earlier nights that some site tells of.
    without_ : the same for the blend, each site predicted with weights found without it: mean, se, indexed by site_id.
    """

    def __init__(
        self,
        candidates: Sequence[Candidate],
        earlier_nights: Sequence[dt.date] = (),
        flown: Flown | None = None,
        held_flights: HeldOutFlights | None = None,
    ) -> None:
        """Keep the candidates.

        Raises ValueError where their weights before any error is known are not 1 together.
        """
        self.candidates = list(candidates)
        together = sum(one.prior for one in self.candidates)
        if not np.isclose(together, 1.0):
            raise ValueError(f"the candidates' prior weights are {together:g} together, not 1")
        self.earlier_nights = list(earlier_nights)
        self.flown = flown
        self.held_flights = held_flights

    def fit(self, ground: GroundRecord, date: dt.date, cells: xr.Dataset) -> Blend:
        """Choose and fit to what the sites said up to `date`.

        `cells` is the grid as the candidates' `predict` takes it.
        """
        asked, held = self.candidates, self.held_flights
        if held is not None:
            self.weight_ = held.weights()
            asked = [one for one, w in zip(self.candidates, self.weight_, strict=True) if w > 0]
        slow = any(one.name == CarriedTrees.name for one in asked)
        self.held_out_ = sites_left_out(asked, ground, date, cells, GROUPS if slow else ALONE_UP_TO)
        self.gain_ = np.exp(gain_log(ground, self.held_out_.index))
        earlier = [sites_left_out_before(asked, ground, night, cells) for night in self.earlier_nights]
        self.pooled_ = pd.concat([t.assign(level_mm=t["observed_mm"].mean()) for t in (self.held_out_, *earlier)])
        self.pooled_nights_ = [str(night) for night, t in zip(self.earlier_nights, earlier, strict=True) if len(t)]
        if held is not None:
            self.without_ = self._weighted(self.held_out_, self.weight_)
            self.factor_ = held.factor(self.weight_)
        else:
            self._choose()
            self.factor_ = self._factor_by_sites()
        self.without_["se"] = with_factor(self.without_["se"] ** 2, self.without_["shared"] ** 2, self.factor_)
        self.models_ = [
            (float(w), one.fit(ground, date)) for w, one in zip(self.weight_, self.candidates, strict=True) if w > 0
        ]
        return self

    def anew(self, ground: GroundRecord, date: dt.date) -> Blend:
        """Return the same blend fitted to another record.

        Its weights and its factor stay.
        """
        other = copy.copy(self)
        other.models_ = [(w, model.anew(ground, date)) for w, model in self.models_]
        return other

    @property
    def name(self) -> str:
        """The one model's name where one is taken, else "blend"."""
        names = {model.name for _, model in self.models_}
        return names.pop() if len(names) == 1 else "blend"

    def predict(self, cells: xr.Dataset) -> Mixture:
        """Return SWE at places of the grid, as the candidates take them."""
        return Mixture([model.predict(cells) for _, model in self.models_], [w for w, _ in self.models_], self.factor_)

    def skill(self) -> pd.DataFrame:
        """Return the rows of `skill.csv` of each candidate where there are several.

        Sites, or flights, were held out.
        """
        rows = []
        looked_at = [(one, w) for one, w in zip(self.candidates, self.weight_, strict=True) if self._looked_at(one)]
        # As the sites would hold it, like the row of the whole.
        table = self.held_out_.mul(self.gain_, axis=0)
        for candidate, weight in looked_at if len(looked_at) > 1 else []:
            mean, se = (table[f"{candidate.name} {what}"].to_numpy(float) for what in ("mean", "se"))
            noise = np.hypot(table["noise_mm"], SITE_VARIATION * mean)
            figures = scores(table["observed_mm"].to_numpy(float), mean, np.hypot(se, noise))
            rows.append({"model": candidate.name, "part": "blend", "weight": float(weight)} | figures)
        return pd.DataFrame(rows + ([] if self.held_flights is None else self.held_flights.skill(self.weight_)))

    def parameters(self) -> dict:
        """Return what the record keeps.

        Weights, the factor on errors, how it was chosen, and each model taken.
        """
        names = [one.name for one in self.candidates]
        return {
            "weights": {name: round(float(w), 4) for name, w in zip(names, self.weight_, strict=True)},
            "chosen_by": self._chosen_by(),
            "sites_left_out": len(self.held_out_),
            "pooled_nights": self.pooled_nights_,
            "models": {model.name: model.parameters() for _, model in self.models_},
        }

    def _chosen_by(self) -> str:
        if len(self.candidates) == 1:
            return "the only candidate"
        if self.held_flights is None and self.pooled_.index.nunique() < GROUPS:
            return "prior weights"
        return "sites left out" if self.held_flights is None else "flights held out"

    def _factor_by_sites(self) -> float:
        """Return the factor on standard errors by held-out sites."""
        table = self.pooled_[self.pooled_["level_mm"] >= LITTLE_MM]
        mixed = self._weighted(table, self.weight_)
        # What all sites share is in what is observed as in what is predicted of it: their difference does not show it.
        beside = np.hypot(table["noise_mm"], SITE_VARIATION * mixed["mean"])
        own = np.sqrt(np.maximum(mixed["se"] ** 2 - mixed["shared"] ** 2, 0.0))
        errors = [values.to_numpy(float) for values in (mixed["mean"] - table["observed_mm"], own, beside)]
        factor = error_factor(tuple(errors), group=table.index.to_numpy())
        # After a flight they are never made smaller, as by flights held out.
        return factor if self.flown is None else max(1.0, factor)

    def _looked_at(self, candidate: Candidate) -> bool:
        return f"{candidate.name} mean" in self.held_out_

    def _choose(self) -> None:
        """Set the weights, and each site's estimate with weights found without it."""
        prior = np.array([one.prior for one in self.candidates])
        table = self.pooled_[self.pooled_["level_mm"] >= LITTLE_MM]
        # As shares of the night's level, and no less than the day's: thin snow of November must not outweigh the day.
        size = table["level_mm"].clip(lower=self.held_out_["observed_mm"].mean())
        off = [(table[f"{one.name} mean"] - table["observed_mm"]) / size for one in self.candidates]
        errors, sites = np.column_stack(off), table.index.to_numpy()
        known = np.isfinite(errors).all(axis=1)
        errors, sites = errors[known], sites[known]
        self.weight_ = stacking_weights(errors, prior, sites)
        each = [stacking_weights(errors[sites != site], prior, sites[sites != site]) for site in self.held_out_.index]
        self.without_ = self._weighted(self.held_out_, np.reshape(each, (-1, len(prior))))

    def _weighted(self, table: pd.DataFrame, weight: np.ndarray) -> pd.DataFrame:
        """Return the blend's estimate of held-out sites, mm.

        Mean, se and shared error by the table's rows, no factor applied.

        `weight` is (k,), or (row, k) where each row has its own.
        """
        weights = np.broadcast_to(weight, (len(table), len(self.candidates))).T
        used = [(w, one.name) for w, one in zip(weights, self.candidates, strict=True) if (w > 0).any()]

        def summed(what: str, power: int) -> np.ndarray:
            # A candidate without weight need not have been looked at.
            each = (np.where(w > 0, w * table[f"{name} {what}"].to_numpy() ** power, 0.0) for w, name in used)
            return sum(each, np.zeros(len(table)))

        mean, se, shared = summed("mean", 1), np.sqrt(summed("se", 2)), np.sqrt(summed("shared", 2))
        return pd.DataFrame({"mean": mean, "se": se, "shared": shared}, index=table.index)


@dataclass(frozen=True)
class Night:
    """A night that is estimated.

    Parameters
    ----------
    season_start : first day of the season.
    date : the night's date.
    terrain : the grid with exposure and coordinates; with `LANDFORM`, and `latitude` in its attributes, where trees are asked
        for.
    """

    season_start: dt.date
    date: dt.date
    terrain: xr.Dataset


def blended(
    method: str,
    flights: Sequence[Flown],
    ground: GroundRecord,
    night: Night,
    seed: int,
) -> Blend:
    """Return the fitted blend of a day without a flight.

    Parameters
    ----------
    method : "auto" weighs the candidates by held-out errors, "kriging" takes the simplest, "trees" the trees where there are
        flights enough to teach them.
    flights : the season's flights up to the day, oldest first.
    night : the season's first day, the date and the terrain.
    seed : for the trees, from the inputs' hash.
    """
    season_start, date, terrain = night.season_start, night.date, night.terrain
    if not flights:
        candidates = _without_flight(season_start, len(site_values(ground, date)) if method == "auto" else 0)
        if PAST_PATTERN in terrain:
            # Kriging of SWE as it is knows nothing of where earlier seasons' flights saw snow gather.
            candidates = _without(KrigedSites.name, candidates)
        if len(candidates) > 1 and not isinstance(fitted_on_terrain(season_start, ground, date), TerrainBalance):
            # The regression would stand in for it, and be there twice.
            candidates = _without(TerrainBalance.name, candidates)
        return Blend(candidates, pooled_nights(season_start, date)).fit(ground, date, terrain)
    flown, trees = flights[-1], asks_trees(method, len(flights))
    cells = terrain.assign(flown=(("y", "x"), flown.swe_mm))
    if trees and method == "trees":
        learnt = CarriedTrees(tuple(flights), terrain, season_start, seed)
        return Blend([Candidate(CarriedTrees.name, learnt.anew)], (), flown).fit(ground, date, cells)

    def carrying_on(some: Sequence[Flown]) -> list[Candidate]:
        candidates = _after_flights(some, night, seed if trees else None)
        return candidates[:1] if method == "kriging" else candidates

    held = hold_out_flights(flights, ground, terrain, carrying_on)
    return Blend(carrying_on(flights), (), flown, held).fit(ground, date, cells)


def _after_flights(flights: Sequence[Flown], night: Night, trees_seed: int | None) -> list[Candidate]:
    """Return the candidates that carry on the last of some flights.

    The carried flight has all prior weight; `trees_seed` None asks for no trees.
    """
    carried = CarriedFlight(flights[-1], night.season_start)
    candidates = [Candidate(CarriedFlight.name, carried.anew)]
    if trees_seed is not None:
        trees = CarriedTrees(tuple(flights), night.terrain, night.season_start, trees_seed)
        candidates.append(Candidate(CarriedTrees.name, trees.anew, prior=0.0))
    return candidates


def _without_flight(season_start: dt.date, sites: int) -> list[Candidate]:
    """Return the candidates of a night without a flight.

    By how many sites have a value; the balance alone where none has.

    `PRIOR_COUNTS` sites give the regressions a quarter of the prior weight together, ever more sites a half: with few the balance
    knows more of height by the weather. On real nights of four seasons (28 sites) all are alike within 2 %; on training worlds with
    four to six sites the balance is off by 27 % and the regression by 44.
    Universal kriging finds its trend without a prior, so that it comes in by and by as sites become more than it needs.
    """
    regressions = 0.5 * sites / (sites + PRIOR_COUNTS)
    kriged = 0.5 * regressions * max(0.0, 1.0 - PYKRIGE_SITES / max(sites, 1))
    fits = [
        Candidate(
            TerrainBalance.name, lambda record, day: fitted_on_terrain(season_start, record, day), 1.0 - regressions
        ),
        Candidate(TerrainBackground.name, TerrainBackground().anew, regressions - kriged),
        Candidate(KrigedSites.name, KrigedSites().anew, kriged),
    ]
    return [one for one in fits if one.prior > 0]


def _without(name: str, candidates: list[Candidate]) -> list[Candidate]:
    """Return the candidates without one, whose prior weight the regression takes.

    Kriging doubts no wild site.
    """
    gone = sum(one.prior for one in candidates if one.name == name)
    remaining = [one for one in candidates if one.name != name]
    return [replace(one, prior=one.prior + gone) if one.name == TerrainBackground.name else one for one in remaining]


def asks_trees(method: str, flights: int) -> bool:
    """Return whether trees are asked for.

    A pair of flights must teach them, and to be chosen they must tell two more.

    One flight held out would not do: what build-up taught was held against build-up, and did harm in melt (trial worlds).

    >>> asks_trees("trees", 2), asks_trees("auto", 3), asks_trees("auto", 4), asks_trees("kriging", 9)
    (True, False, True, False)
    """
    return flights >= {"trees": 2, "auto": 2 + EARLIER}.get(method, np.inf)
