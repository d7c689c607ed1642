"""Regression trees for what the mass balance does not know: learnt where a flight showed how an earlier one was carried wrongly.

The balance carries a flight on by elevation and by what each place gathered before. Sun on slopes, wind about crests and shade
of trees act beside it, and they act alike from one flight to the next. Each pair of flights shows it cell by cell: the later
flight less the earlier one carried to its day. Trees are trained on those cells and correct the last flight as it is carried
on.
"""

from __future__ import annotations

import datetime as dt
import itertools
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
import xarray as xr
from threadpoolctl import threadpool_limits

from snowtally.model.ground import GroundRecord
from snowtally.snow.background import CarriedFlight
from snowtally.snow.cell_error import Prediction
from snowtally.snow.flight_swe import Flown
from snowtally.terrain.clear_sky import season_sun
from snowtally.terrain.predictors import LANDFORM

CELLS_A_FLIGHT = 12_000
"""Cells taken of a flight, spread evenly, to teach the trees or to hold a prediction against: neighbours say the same, and in made
basins more cells changed no figure. Accuracy and cost alone."""

CLASSES = 48
"""Classes that a predictor is cut into: terrain is known no finer, and with the library's usual 255 a fit to 36,000 rows takes 4.2 in
place of 1.1 s of CPU, nearly all of it weighted quantiles. Accuracy and cost alone."""

TERRAIN = ("elevation", "northness", "eastness", "slope", "canopy", *LANDFORM)


@dataclass(frozen=True)
class Lessons:
    """What the trees learn from.

    Predictors (n, k), the share that carrying missed (n,), and weights (n,).
    """

    columns: np.ndarray
    missed: np.ndarray
    weight: np.ndarray


class ShareTrees:
    """Histogram gradient boosting of a share on predictors.

    The same bytes whatever the number of threads.

    Size and number of the trees are the library's own choice: it stops where rows kept apart are told no better.

    Parameters
    ----------
    seed : of the random numbers behind the binning and the rows kept apart, from the inputs' hash.
    """

    def __init__(self, seed: int) -> None:
        """Keep the seed."""
        self.seed = seed

    def fit(self, lessons: Lessons) -> ShareTrees:
        """Fit to the lessons.

        A missing predictor is a value of its own.
        """
        from sklearn.ensemble import HistGradientBoostingRegressor  # noqa: PLC0415  heavy: read where it is needed

        self.engine_ = HistGradientBoostingRegressor(max_bins=CLASSES, random_state=self.seed)
        with threadpool_limits(limits=1, user_api="openmp"):
            self.engine_.fit(lessons.columns, lessons.missed, sample_weight=lessons.weight)
        return self

    def predict(self, columns: np.ndarray) -> np.ndarray:
        """Return the (m,) share at (m, k) predictors."""
        if not len(columns):
            return np.zeros(0)
        # Threads of the library's own wait for each other in a loop, which on a busy machine costs more than they save.
        with threadpool_limits(limits=1, user_api="openmp"):
            return _held(self.engine_.predict(columns))


def _held(share: np.ndarray) -> np.ndarray:
    """Return corrections held within all of what was turned over.

    Beyond, a flight's fault speaks.
    """
    return np.clip(share, -1.0, 1.0)


class CarriedTrees:
    """The last flight carried on, corrected by trees.

    Parameters
    ----------
    flights : the season's flights, oldest first, at least two.
    terrain : the grid with elevation, exposure, canopy, east, north and `LANDFORM`, latitude in its attributes' `latitude`.
    season_start : first day of the snow season.
    seed : from the inputs' hash.

    Attributes
    ----------
    carried_ : the last flight carried on, without the trees.
    trees_ : fitted; None where the pairs teach nothing, and the carried flight stands alone.
    lessons_ : how many cells the trees have learnt from.
    """

    name = "trees"

    def __init__(self, flights: tuple[Flown, ...], terrain: xr.Dataset, season_start: dt.date, seed: int) -> None:
        """Keep flights and terrain."""
        self.flights = flights
        self.terrain = terrain
        self.season_start = season_start
        self.seed = seed

    @property
    def flown(self) -> Flown:
        """The flight that is carried on."""
        return self.flights[-1]

    def anew(self, ground: GroundRecord, date: dt.date) -> CarriedTrees:
        """Return the same model fitted to another record."""
        return CarriedTrees(self.flights, self.terrain, self.season_start, self.seed).fit(ground, date)

    def fit(self, ground: GroundRecord, date: dt.date) -> CarriedTrees:
        """Fit to pairs of flights, the earlier carried to the later."""
        self.date_ = date
        self.carried_ = CarriedFlight(self.flown, self.season_start).fit(ground, date)
        lessons = []
        for before, after in itertools.pairwise(self.flights):
            model = CarriedFlight(before, self.season_start).fit(known_by(ground, after.date), after.date)
            lessons.append(self._cells(model, before, after))
        self.lessons_ = {"cells": sum(len(one.missed) for one in lessons)}
        self.trees_ = ShareTrees(self.seed).fit(_together(lessons)) if self.lessons_["cells"] else None
        return self

    def predict(self, cells: xr.Dataset) -> Prediction:
        """Return SWE at places of the grid.

        As `CarriedFlight.predict`, with the terrain's predictors beside.
        """
        carried = self.carried_.predict(cells)
        if self.trees_ is None:
            return carried
        size = carried.residual.scale_mm
        # Where nothing was turned over, or nothing is left, nothing can have been carried wrongly.
        asked = np.isfinite(size) & (size > 0) & (carried.swe_mm > 0)
        share = np.zeros(size.shape)
        share[asked] = self.trees_.predict(self._columns(cells, self.carried_, (self.flown.date, self.date_), asked))
        return replace(carried, swe_mm=np.maximum(carried.swe_mm + share * size, 0.0))

    def parameters(self) -> dict:
        """Return what the record keeps of the model."""
        return {"learnt_from": self.lessons_, "seed": self.seed, "carried": self.carried_.parameters()}

    def _cells(self, model: CarriedFlight, before: Flown, after: Flown) -> Lessons:
        """Return what a pair of flights teaches.

        Where and by what share the earlier was carried wrongly to the later's day.
        """
        seen = before.seen & after.seen & (self.terrain["cell_area"].to_numpy() > 0)
        cells = spread_cells(seen, CELLS_A_FLIGHT)
        points = at_cells(self.terrain, cells, before)
        carried = model.predict(points)
        size = carried.residual.scale_mm
        off = after.swe_mm.ravel()[cells] - carried.swe_mm
        # The level of a flight is its density's and the sites' business; the trees are to learn the pattern about it.
        off = off - size * (np.sum(off * size) / max(float(np.sum(size**2)), 1e-12))
        known = np.isfinite(off) & (size > 0)
        share = _held(off[known] / size[known])
        return Lessons(self._columns(points, model, (before.date, after.date), known), share, np.square(size[known]))

    def _columns(
        self, cells: xr.Dataset, model: CarriedFlight, span: tuple[dt.date, dt.date], asked: np.ndarray
    ) -> np.ndarray:
        """Return the predictors of the places asked for.

        Terrain, sun since the flight, the flight's pattern, the season so far.
        """
        of = {name: cells[name].to_numpy()[asked] for name in (*TERRAIN, "flown")}
        aspect = np.rad2deg(np.arctan2(of["eastness"], of["northness"]))
        sun = season_sun(of["slope"], aspect, self.terrain.attrs["latitude"], *span)
        gain, loss = model.turnover_.at(of["elevation"])
        lost = loss / np.maximum(gain + loss, 1.0)
        return np.column_stack(
            [
                *(of[name] for name in TERRAIN),
                sun,
                model.flown.pattern.factor(of["flown"], of["elevation"]),
                lost,
            ]
        ).astype(np.float32)


def known_by(ground: GroundRecord, date: dt.date) -> GroundRecord:
    """Return the record as known on a date's evening."""
    day = pd.Timestamp(date)
    daily = (ground.daily["date"] <= day).to_numpy()
    weather = ground.weather
    return replace(
        ground,
        daily=ground.daily[daily],
        station_se_mm=ground.station_se_mm[daily],
        visits=ground.visits[ground.visits["date"] <= day],
        weather=weather[weather["date"] <= day] if "date" in weather else weather,
    )


def spread_cells(wanted: np.ndarray, most: int) -> np.ndarray:
    """Return at most `most` of the wanted cells, spread evenly.

    >>> spread_cells(np.array([[True, False, True], [True, True, True]]), 2)
    array([0, 3])
    """
    cells = np.flatnonzero(wanted)
    if len(cells) <= most:
        return cells
    return cells[(np.arange(most) * len(cells)) // most]


def at_cells(terrain: xr.Dataset, cells: np.ndarray, flown: Flown | None) -> xr.Dataset:
    """Return cells by flat number, as the backgrounds take them.

    With a flight's SWE where one is given.
    """
    row, column = np.unravel_index(cells, terrain["elevation"].shape)
    fields = {name: ("cell", field.to_numpy()[row, column]) for name, field in terrain.data_vars.items()}
    points = xr.Dataset(fields | {"row": ("cell", row), "column": ("cell", column)}, attrs=terrain.attrs)
    return points if flown is None else points.assign(flown=("cell", flown.swe_mm[row, column]))


def _together(lessons: list[Lessons]) -> Lessons:
    weight = np.concatenate([one.weight for one in lessons])
    return Lessons(
        np.concatenate([one.columns for one in lessons]),
        np.concatenate([one.missed for one in lessons]),
        # In units of a mean cell, so that the library's least sums mean the same in a thin and in a deep year.
        weight / max(float(weight.mean()) if len(weight) else 1.0, 1e-12),
    )
