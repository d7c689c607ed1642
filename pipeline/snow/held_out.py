"""What candidate backgrounds say of sites and flights that were kept from every step of their fit."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np
import pandas as pd
import xarray as xr

from snowtally.model.ground import GroundRecord
from snowtally.snow.cell_error import Predicted
from snowtally.snow.flight_swe import Flown
from snowtally.snow.site_gains import cell_values
from snowtally.snow.site_values import keep_site_values, site_values
from snowtally.snow.trees import CELLS_A_FLIGHT, at_cells, known_by, spread_cells
from snowtally.statistics.choice import ALONE_UP_TO, GROUPS, error_factor, left_out_groups, surely_better_weights
from snowtally.statistics.regression import PRIOR_COUNTS
from snowtally.statistics.scores import scores

EARLIER = 2
"""So many of the last flights are each predicted from the ones before, to choose between trees and none; and so many earlier nights
of the season, the firsts of the last months, tell of the candidates of a night without a flight. Each costs a fit or six of every
candidate. One, two and three nights are alike (real nights of four seasons: 50 % intervals hold 58, 57 and 58 sites in a hundred,
with the day alone 61); with one flight what build-up taught was held against build-up, and did harm in melt (trial worlds)."""


class Model(Protocol):
    """A background: fitted to a record, it predicts the SWE of cells."""

    @property
    def name(self) -> str:
        """The model's name in records and tables."""

    def anew(self, ground: GroundRecord, date: dt.date) -> Model:
        """Return the same model fitted to another record."""

    def predict(self, cells: xr.Dataset) -> Predicted:
        """Return SWE of cells."""

    def parameters(self) -> dict:
        """Return what the record keeps of the model."""


@dataclass(frozen=True)
class Candidate:
    """A background that may be chosen.

    Its name, what fits it to a record and a date, and its weight before any errors.
    """

    name: str
    fit: Callable[[GroundRecord, dt.date], Model]
    prior: float = 1.0


def pooled_nights(season_start: dt.date, date: dt.date) -> list[dt.date]:
    """Return the earlier nights that are pooled, newest first.

    >>> [str(night) for night in pooled_nights(dt.date(2030, 10, 1), dt.date(2030, 12, 1))]
    ['2030-11-01']
    """
    firsts = pd.date_range(season_start + dt.timedelta(days=1), date - dt.timedelta(days=1), freq="MS")
    return [first.date() for first in firsts[::-1][:EARLIER]]


def sites_left_out(
    candidates: Sequence[Candidate],
    ground: GroundRecord,
    date: dt.date,
    grid: xr.Dataset,
    alone_up_to: int = ALONE_UP_TO,
) -> pd.DataFrame:
    """Return each candidate's prediction at the cells of sites held out.

    Each site is left out of every step of the fit.

    Parameters
    ----------
    grid : every cell of the grid, as the candidates take them.
    alone_up_to : as in `left_out_groups`.

    Returns
    -------
    DataFrame : by site_id the columns of `Blend.held_out_`; missing where nothing is left to fit to.
    """
    return _left_out(candidates, ground, date, grid, alone_up_to, lambda rest, _: rest)


def sites_left_out_before(
    candidates: Sequence[Candidate], ground: GroundRecord, night: dt.date, grid: xr.Dataset
) -> pd.DataFrame:
    """Return `sites_left_out` of an earlier night, as known then.

    Sites are held out in groups. The courses of the others are moved to the night by all stations, those held out too: to do
    that again for each group would take two thirds of the time.
    """
    known = known_by(ground, night)
    values = site_values(known, night)

    def carried(rest: GroundRecord, group: pd.Index) -> GroundRecord:
        keep_site_values(rest, night, values.drop(index=group))
        return rest

    return _left_out(candidates, known, night, grid, GROUPS, carried)


def _left_out(
    candidates: Sequence[Candidate],
    ground: GroundRecord,
    date: dt.date,
    grid: xr.Dataset,
    alone_up_to: int,
    prepared: Callable[[GroundRecord, pd.Index], GroundRecord],
) -> pd.DataFrame:
    """Return the table of `sites_left_out`.

    `prepared` takes the record without a group, and the group, before models are fitted.
    """
    values = cell_values(ground, date)
    table = pd.DataFrame({"observed_mm": values["swe_mm"], "noise_mm": values["swe_se_mm"]})
    columns = {one.name: [f"{one.name} {what}" for what in ("mean", "se", "shared")] for one in candidates}
    table = table.assign(**{column: np.nan for names in columns.values() for column in names})
    for group in left_out_groups(ground.sites.loc[values.index, "elevation_m"], alone_up_to):
        rest = prepared(ground.without(*group), group)
        if rest.sites.empty or site_values(rest, date).empty:
            continue
        sites = ground.sites.loc[group]
        cells = at_cells(grid, np.ravel_multi_index((sites["row"], sites["column"]), grid["elevation"].shape), None)
        for one in candidates:
            predicted = one.fit(rest, date).predict(cells)
            table.loc[group, columns[one.name]] = np.column_stack(
                [predicted.swe_mm, predicted.standard_error(), predicted.shared_error()]
            )
    return table


@dataclass(frozen=True)
class HeldOutFlights:
    """The candidates' errors on flights held out.

    At cells spread over each.

    Parameters
    ----------
    names : the candidates.
    observed, noise : (n,) SWE as flown and its standard error, mm.
    mean, se : (n, k) what each candidate said, mm.
    patch : (n,) number of the flight's patch that each cell lies in.
    flights : how many flights were held out.
    """

    names: tuple[str, ...]
    observed: np.ndarray
    noise: np.ndarray
    mean: np.ndarray
    se: np.ndarray
    patch: np.ndarray
    flights: int

    def weights(self) -> np.ndarray:
        """Return the candidates' weights.

        A held-out flight counts as much as what is known beforehand, however many its cells: it shows one spell of weather.
        """
        errors = self.mean - self.observed[:, None]
        return surely_better_weights(errors, self.patch, PRIOR_COUNTS * self.flights / len(np.unique(self.patch)))

    def factor(self, weight: np.ndarray) -> float:
        """Return the factor on standard errors, 1 at least.

        Of the candidates mixed by `weight`.

        A flight of the build-up says little of melt (trial worlds: narrowed errors held 2 to 9 cells fewer in a hundred). All
        flights count as one, since an error common to the basin is in all of their cells.
        """
        errors = self.mean @ weight - self.observed, np.sqrt(self.se**2 @ weight), self.noise
        return max(1.0, error_factor(errors, PRIOR_COUNTS))

    def skill(self, weight: np.ndarray) -> list[dict]:
        """Return each candidate's row of `skill.csv`."""
        return [
            {"model": f"{name}, flights held out", "part": "blend", "weight": float(w)}
            | scores(self.observed, self.mean[:, k], np.hypot(self.se[:, k], self.noise))
            for k, (name, w) in enumerate(zip(self.names, weight, strict=True))
        ]


def hold_out_flights(
    flights: Sequence[Flown],
    ground: GroundRecord,
    terrain: xr.Dataset,
    carrying_on: Callable[[Sequence[Flown]], Sequence[Candidate]],
) -> HeldOutFlights | None:
    """Return how the last flights are predicted from earlier ones.

    None where no flight has one before it.

    Parameters
    ----------
    carrying_on : returns the candidates that carry on the last of some flights, the same ones in the same order for any flights.

    Notes
    -----
    The record ends on the evening of the flight that is held out; no candidate has seen that flight or a later one.
    """
    names: tuple[str, ...] = ()
    held_out: list[tuple[np.ndarray, ...]] = []
    for number in range(max(len(flights) - EARLIER, 1), len(flights)):
        # What was carried is in the flight's combined level: it would be held against itself.
        before, held = tuple(flights[:number]), flights[number].as_measured()
        cells = spread_cells(held.seen & (terrain["cell_area"].to_numpy() > 0), CELLS_A_FLIGHT)
        if not len(cells):
            continue
        known, asked = known_by(ground, held.date), carrying_on(before)
        names = tuple(one.name for one in asked)
        said = [one.fit(known, held.date).predict(at_cells(terrain, cells, before[-1])) for one in asked]
        held_out.append(
            (
                held.swe_mm.ravel()[cells],
                held.standard_error().ravel()[cells],
                np.column_stack([one.swe_mm for one in said]),
                np.column_stack([one.standard_error() for one in said]),
                _patches(cells, terrain["elevation"].shape) + number * GROUPS**2,
            )
        )
    if not held_out:
        return None
    observed, noise, mean, se, patch = (np.concatenate(values) for values in zip(*held_out, strict=True))
    known = np.isfinite(np.column_stack([observed, noise, mean, se])).all(axis=1)
    if not known.any():
        return None
    return HeldOutFlights(names, observed[known], noise[known], mean[known], se[known], patch[known], len(held_out))


def _patches(cells: np.ndarray, shape: tuple[int, ...]) -> np.ndarray:
    """Return the number of each cell's patch.

    `GROUPS` a side: the cells of a patch err alike.
    """
    row, column = np.unravel_index(cells, shape)
    return (row * GROUPS // shape[0]) * GROUPS + column * GROUPS // shape[1]
