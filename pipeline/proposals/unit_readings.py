"""A column's unit with its evidence, and the choice among the units that fit its numbers."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from snowtally.inputs.columns import Table
from snowtally.inputs.units import conversion
from snowtally.proposals.cells import CODES, Cells
from snowtally.proposals.proposal import BasinHint
from snowtally.proposals.seen_columns import SeenColumn
from snowtally.proposals.units_known import AREA, ENERGY, LENGTH, MASS, TEMPERATURE, WATER

LENGTHS = ("cm", "mm", "m", "inch", "foot")
MASSES = ("g", "kg", "ounce", "pound")
CUTTERS = ("cm**2", "mm**2", "inch**2", "cm", "mm", "inch")
TEMPERATURES = ("degC", "degF", "kelvin")
ENERGIES = ("MJ/m**2", "W*day/m**2", "kW*hour/m**2", "J/cm**2")
"""Units that tables of the trade are written in, the canonical one first. A cutter's length is its diameter."""

MEASURES = {
    "depth": (LENGTH,),
    "core": (LENGTH,),
    "swe": (LENGTH, WATER),
    "mass_full": (MASS,),
    "mass_empty": (MASS,),
    "cutter": (AREA, LENGTH),
    "air_temperature": (TEMPERATURE,),
    "air_temperature_min": (TEMPERATURE,),
    "air_temperature_max": (TEMPERATURE,),
    "precipitation": (LENGTH, WATER),
    "precipitation_total": (LENGTH, WATER),
    "solar": (ENERGY,),
    "elevation": (LENGTH,),
    "depth_se": (LENGTH,),
}
"""What the unit of a key may measure."""


@dataclass(frozen=True)
class UnitReading:
    """The unit of a column, with the evidence.

    Parameters
    ----------
    unit : as pint spells it.
    evidence : in plain words.
    others : units that the evidence does not exclude.
    is_stated : whether the file says the unit.
    fits : whether the numbers fit it, or one of the others.
    """

    unit: str
    evidence: str
    others: tuple[str, ...] = ()
    is_stated: bool = False
    fits: bool = True


@dataclass(frozen=True)
class Surveyed:
    """The columns of a table whose units are asked for.

    Parameters
    ----------
    columns : by canonical key.
    table : the canonical columns.
    days : day of each row, datetime64[D], NaT where unknown; None where the table has no days.
    hint : where the basin lies.
    said : units that lines above the header, the file's name or its other headers name.
    """

    columns: Mapping[str, SeenColumn]
    table: Table
    days: np.ndarray | None
    hint: BasinHint | None
    said: frozenset[str]

    @property
    def hemispheres(self) -> tuple[bool, ...]:
        """Whether the basin lies in the south; both where nothing tells it."""
        return (False, True) if self.hint is None else (self.hint.north + self.hint.south < 0.0,)

    def cells(self, key: str) -> Cells | None:
        """Return a key's fields, None where there is no such column."""
        return self.columns[key].cells if key in self.columns else None


def stated_unit(these: Surveyed, key: str) -> str | None:
    """Return the unit that a column's header or units line says."""
    column = these.columns.get(key)
    if column is None or column.unit is None or column.unit.measures not in MEASURES[key]:
        return None
    return column.unit.name


def factor(unit: str, to: str) -> float:
    """Return how many of one unit a step of another is."""
    return float(conversion(unit, to).of(1.0) - conversion(unit, to).of(0.0))


def usual(numbers: np.ndarray) -> np.ndarray:
    """Return numbers without codes for no value and without negative ones.

    NaN in their place.
    """
    return np.where((numbers < 0) | np.isin(np.abs(numbers), CODES), np.nan, numbers)


def reading(
    these: Surveyed,
    key: str,
    fitting: Sequence[str],
    stated: str | None,
    evidence: str,
    instead: Sequence[str] = (),
) -> UnitReading:
    """Return the unit of a column from the units that fit its numbers.

    Parameters
    ----------
    fitting : of the units that may be, those that fit; where one is stated, that or none.
    instead : units that fit where the stated one does not.
    """
    header = f"header '{these.columns[key].header}'"
    if stated and stated in fitting:
        return UnitReading(stated, evidence if header in evidence else f"{header}, {evidence}", is_stated=True)
    if stated:
        others = tuple(unit for unit in instead if unit != stated)
        what = f"would fit {' or '.join(others)}" if others else "fit no unit"
        return UnitReading(
            stated, f"{header} says {stated}, but the numbers {what} ({evidence})", others, True, bool(others)
        )
    if len(fitting) == 1:
        return UnitReading(fitting[0], f"{evidence}: only {fitting[0]} fits")
    said = [unit for unit in fitting if unit in these.said]
    if len(said) == 1:
        return UnitReading(said[0], f"{evidence}; of {', '.join(fitting)} the file names {said[0]}")
    if not fitting:
        return UnitReading(_canonical(these, key), f"{evidence}: no unit fits", fits=False)
    return UnitReading(fitting[0], f"{evidence}: {' or '.join(fitting)}", tuple(fitting[1:]))


def _canonical(these: Surveyed, key: str) -> str:
    return next(column.unit or "" for column in these.table.columns if column.key == key)
