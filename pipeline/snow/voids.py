"""What a flight did not see, filled from the background of its day."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import xarray as xr

from snowtally.snow.carry import SPARE_MM, Pattern
from snowtally.snow.cell_error import Prediction
from snowtally.snow.flight_swe import Flown
from snowtally.snow.melting import CELL_VARIATION
from snowtally.snow.past_pattern import known_variation
from snowtally.snow.trees import spread_cells
from snowtally.statistics.errors import SLOPE_REACH_M, ErrorPart, few_fields

VOID_SHARE = known_variation(CELL_VARIATION)
"""Error of a filled cell as a share of its SWE, at most. The flight gives the level about it, so that only the pattern within
a height is unknown: less than the variation within a cell, as a void spans several cells."""


LEVEL_CELLS = 100_000
"""Of a larger basin so many of the cells that a flight saw, spread evenly, tell the background's level: a cell's snow over its background's
spreads by a third, so that their mean is within 0.1 % of that of all. Accuracy and cost alone."""


@dataclass(frozen=True)
class AskedCells:
    """The cells for which the background of a flight's day is asked, by flat number.

    Parameters
    ----------
    void : those that the flight did not see.
    seen : those that it did, within the basin where there are any there, at most `LEVEL_CELLS`; they tell the background's level.
    """

    void: np.ndarray
    seen: np.ndarray

    @classmethod
    def of(cls, flown: Flown, area_m2: np.ndarray) -> AskedCells:
        """Return the cells to ask for, by the (y, x) area of each cell."""
        inside = flown.seen & (area_m2 > 0)
        return cls(np.flatnonzero(~flown.seen), spread_cells(inside if inside.any() else flown.seen, LEVEL_CELLS))

    @property
    def all(self) -> np.ndarray:
        """Void cells first."""
        return np.concatenate([self.void, self.seen])

    def of_seen(self, values: np.ndarray) -> np.ndarray:
        """Return of values at all asked cells those at the seen ones."""
        return values[len(self.void) :]


@dataclass(frozen=True)
class Filling:
    """What a flight's unseen cells are filled from.

    Parameters
    ----------
    swe_mm, covered : (n,) SWE and covered share of the void cells by the background of the flight's day.
    parts : error parts of that SWE; none where nothing is known of them.
    level : the background's mean SWE by elevation over cells that the flight saw.
    """

    swe_mm: np.ndarray
    covered: np.ndarray
    parts: list[ErrorPart]
    level: Pattern

    @classmethod
    def of(cls, carried: Prediction, asked: AskedCells, terrain: xr.Dataset) -> Filling:
        """Return the filling from the background at all asked cells."""
        elevation, area = (terrain[name].to_numpy().ravel()[asked.seen] for name in ("elevation", "cell_area"))
        void = slice(len(asked.void))
        level = Pattern.of(asked.of_seen(carried.swe_mm), elevation, np.where(area > 0, area, 1.0))
        parts = [ErrorPart(part.name, part.error_mm[void], part.correlation_m) for part in carried.plain_parts()]
        return cls(carried.swe_mm[void], carried.covered[void], parts, level)


def fill_voids(flown: Flown, filling: Filling, terrain: xr.Dataset) -> Flown:
    """Return the flight with its voids filled.

    From the day's background, brought to the flight's level.

    The background's mean by elevation over the seen cells is brought to the flight's own: the background gives the pattern, the
    flight the level. A filled cell errs as the background does, at most by `VOID_SHARE`: where an earlier flight saw it, it is
    known much better than that.
    """
    elevation, void = terrain["elevation"].to_numpy(), ~flown.seen
    ratio = (flown.pattern.at(elevation[void]) + SPARE_MM) / (filling.level.at(elevation[void]) + SPARE_MM)
    filled = filling.swe_mm * ratio
    errors = [(part.correlation_m, part.error_mm) for part in filling.parts]
    whole = np.sqrt(sum(error_mm**2 for _, error_mm in errors)) * ratio if errors else np.inf
    with np.errstate(divide="ignore", invalid="ignore"):
        share = np.where(whole > 0, np.minimum(VOID_SHARE * filled / whole, 1.0), 0.0) * ratio if errors else 0.0
    # What hangs together over one distance is one part from here on: flight after flight its origins would multiply.
    by_reach: dict[float, np.ndarray] = {} if errors else {SLOPE_REACH_M: VOID_SHARE * filled}
    for reach, error_mm in errors:
        if np.isfinite(reach):
            by_reach[reach] = np.hypot(by_reach.get(reach, 0.0), share * error_mm)
    common = few_fields([share * error_mm for reach, error_mm in errors if np.isinf(reach)])
    nothing = np.zeros(elevation.shape)
    parts = [ErrorPart(part.name, _put(part.error_mm, void, 0.0), part.correlation_m) for part in flown.parts]
    parts += [ErrorPart("void", _put(nothing, void, field), np.inf) for field in common]
    parts += [ErrorPart("void", _put(nothing, void, se), reach) for reach, se in sorted(by_reach.items())]
    return replace(
        flown,
        swe_mm=_put(flown.swe_mm, void, filled),
        covered=_put(flown.covered, void, filling.covered),
        parts=parts,
    )


def _put(field: np.ndarray, cells: np.ndarray, values: np.ndarray | float) -> np.ndarray:
    """Return a field with other values in some cells."""
    out = field.copy()
    out[cells] = values
    return out
