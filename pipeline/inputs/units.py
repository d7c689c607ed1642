"""From a declared unit to the canonical one."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING, overload

from snowtally.model.problems import InputError

if TYPE_CHECKING:
    import numpy as np
    import pint


@dataclass(frozen=True)
class Conversion:
    """The conversion of a number from one unit to another.

    The new number is `factor * x**power + offset`. With `minutes` it is that of degrees and minutes in one number.
    """

    factor: float = 1.0
    offset: float = 0.0
    power: int = 1
    minutes: bool = False

    @overload
    def of(self, numbers: np.ndarray) -> np.ndarray: ...
    @overload
    def of(self, numbers: float) -> float: ...
    def of(self, numbers: np.ndarray | float) -> np.ndarray | float:
        """Return numbers in the other unit, NaN where 60 or more are minutes."""
        if self.minutes:
            numbers = _degrees(numbers)
        return self.factor * numbers**self.power + self.offset


SAME = Conversion()


def _degrees(ddmm: np.ndarray | float) -> np.ndarray | float:
    import numpy as np  # noqa: PLC0415  settings are checked without it, in half the time

    size = np.abs(ddmm)
    minutes = size % 100.0
    return np.where(minutes < MINUTES, np.sign(ddmm) * (size // 100.0 + minutes / MINUTES), np.nan)[()]


DDMM, MINUTES = "ddmm", 60.0
"""How the settings spell degrees and minutes in one number, and minutes of a degree."""


TENTHS_OF_MM = {"mm": 10, "cm": 100, "dm": 1000, "m": 10_000, "inch": 254, "foot": 3048}
"""The lengths that tables are mostly in, 0.1 mm: exact by definition (international yard, 1959)."""

TO_CELSIUS = {"degF": Conversion(5 / 9, -160 / 9), "kelvin": Conversion(1.0, -273.15)}
"""Temperatures, exact by definition."""


@cache
def conversion(unit: str, to: str) -> Conversion:
    """Return the conversion from `unit` to `to`.

    Both are spelled as pint spells them, and `unit` may also be spelled as in the CF conventions.

    Two units may have another dimension than `to`, since crews and data files use them for the same thing. A cutter's
    diameter gives its area (a circle's). A mass of water over an area gives its depth (1 kg/m2 is 1 mm).

    Raises
    ------
    InputError : the unit is unknown, or of another dimension.

    >>> round(conversion("inch", "cm").of(10.0), 6), round(conversion("degF", "degC").of(50.0), 6)
    (25.4, 10.0)
    >>> round(conversion("inch", "cm**2").of(1.485), 4)
    11.174
    >>> round(conversion("kg m-2", "mm").of(300.0), 6), round(float(conversion("ddmm", "degree").of(-4612.5)), 6)
    (300.0, -46.208333)
    """
    by_definition = _by_definition(unit, to)
    if by_definition is not None:
        return by_definition
    import pint  # noqa: PLC0415  half a second, needed only for units that are rarely declared

    registry = _registry()
    try:
        quantity = registry.Quantity(1.0, _spelled(unit))
        if to == "cm**2" and quantity.check("[length]"):
            return Conversion(math.pi / 4.0 * float(quantity.to("cm").magnitude) ** 2, power=2)
        if to == "mm" and quantity.check("[mass]/[length]**2"):
            return Conversion(float(quantity.to("kg/m**2").magnitude))
        zero = float(registry.Quantity(0.0, _spelled(unit)).to(to).magnitude)
        if zero == 0.0:
            return Conversion(float(quantity.to(to).magnitude))
        return Conversion(float(quantity.to(to).magnitude) - zero, zero)
    except (pint.PintError, AttributeError, ValueError, TypeError, AssertionError, SyntaxError) as trouble:
        raise InputError(f"'{unit}' cannot be turned into {to} ({trouble})") from None


def _by_definition(unit: str, to: str) -> Conversion | None:
    """Return the conversion of the units that tables mostly have, None of others."""
    if unit == to:
        return SAME
    if unit == DDMM and to == "degree":
        return Conversion(minutes=True)
    if unit in TENTHS_OF_MM and to in TENTHS_OF_MM:
        return Conversion(TENTHS_OF_MM[unit] / TENTHS_OF_MM[to])
    return TO_CELSIUS.get(unit) if to == "degC" else None


def _spelled(unit: str) -> str:
    """Return a unit of the CF conventions in pint's spelling.

    A unit in another spelling is returned as it is.

    >>> _spelled("kg m-2")
    'kg*m**-2'
    >>> _spelled("cm**2")
    'cm**2'
    """
    if re.fullmatch(r"[A-Za-z]+-?\d*(?: [A-Za-z]+-?\d*)*", unit) and re.search(r"[ \d]", unit):
        return "*".join(re.sub(r"(-?\d+)$", r"**\1", part) for part in unit.split())
    return unit


@cache
def _registry() -> pint.UnitRegistry:
    import pint  # noqa: PLC0415  half a second, needed only for units that are rarely declared

    return pint.UnitRegistry(autoconvert_offset_to_baseunit=True)
