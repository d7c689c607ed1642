"""Units of the page, and numbers rounded to their error.

A number stands on the page as `<data value="..." data-of="...">text</data>`: the value is the archive's own, in the
archive's unit, and the text is what a person reads.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from jinja2 import pass_context
from jinja2.runtime import Context
from markupsafe import Markup

THIN_SPACE = "\u202f"
"""Between thousands on metric pages: in no country is it read as a decimal mark."""

MINUS = "\u2212"

NO_VALUE = Markup('<span class="none" title="no value">\u2013</span>')


_TWO_DIGITS = 9.5
"""From here on a number rounds to two digits."""


@dataclass(frozen=True)
class Unit:
    """One unit of the page.

    Parameters
    ----------
    label : as it is printed.
    factor : times the archive's value.
    decimals : where there is no error to round to.
    most_decimals : finer than this no error makes a number, but by one where it would be told as 0.
    thousands : what stands between thousands.
    """

    label: str
    factor: float
    decimals: int
    most_decimals: int
    thousands: str = THIN_SPACE

    def decimals_for(self, se: float | None, value: float = math.inf) -> int:
        """Return the decimals that leave an error two digits. Negative ones round to tens and hundreds.

        Without an error they are the unit's own, more where that would leave a single digit.

        Two digits of an error at most: JCGM 100:2008 (GUM), 7.2.6.

        >>> METRIC.volume.decimals_for(15_559_841.0), METRIC.swe.decimals_for(3.14), METRIC.swe.decimals_for(None)
        (0, 1, 0)
        >>> US.volume.decimals_for(15_559_841.0), US.swe.decimals_for(12.7), US.swe.decimals_for(1.5)
        (-3, 1, 2)
        """
        if se is None or not math.isfinite(se) or se * self.factor <= 0:
            single = 0 < abs(value * self.factor) * 10**self.decimals < _TWO_DIGITS
            return self.most_decimals if single else self.decimals
        # 9.96 has two digits as 10, and 15.56 as 16: the digits are counted after rounding.
        first = math.floor(math.log10(float(f"{se * self.factor:.1e}")))
        # No error is told as nothing.
        return min(1 - first, self.most_decimals + (first < -self.most_decimals))

    def text(self, value: float, se: float | None = None, *, signed: bool = False) -> str:
        r"""Return an archive's value in this unit, rounded to its error.

        >>> ascii([METRIC.volume.text(143_779_730.0, 15_559_841.0), US.volume.text(143_779_730.0, 15_559_841.0)])
        "['144', '117,000']"
        >>> METRIC.swe.text(3.26, 0.5, signed=True)
        '+3.3'
        """
        return grouped(value * self.factor, self.decimals_for(se, value), self.thousands, signed=signed)

    def plain(self, value: float) -> float:
        """Return an archive's value in this unit, unrounded."""
        return value * self.factor


@dataclass(frozen=True)
class Units:
    """The units of a page. The archive's are mm, m3, m, kg/m3 and km2; `band` is of the limits of elevation bands."""

    name: str
    swe: Unit
    volume: Unit
    depth: Unit
    elevation: Unit
    band: Unit
    density: Unit
    area: Unit
    distance: Unit


_MM_PER_INCH = 25.4
_M_PER_FOOT = 0.3048
_M3_PER_ACRE_FOOT = 1233.48183755
"""International acre-foot, as docs/inputs.md has it."""
_KM_PER_MILE = 1.609344
"""The international inch, foot and mile (1959)."""

METRIC = Units(
    "metric",
    swe=Unit("mm", 1.0, 0, 1),
    volume=Unit("million m³", 1e-6, 2, 3),
    depth=Unit("m", 1.0, 2, 3),
    elevation=Unit("m", 1.0, 0, 1),
    band=Unit("m", 1.0, 0, 1),
    density=Unit("kg/m³", 1.0, 0, 1),
    area=Unit("km²", 1.0, 1, 2),
    distance=Unit("km", 1e-3, 0, 1),
)
"""Factors and decimals of metric pages; the decimals are those that the trade reads (common practice, no source)."""

US = Units(
    "us",
    swe=Unit("in", 1 / _MM_PER_INCH, 1, 1, ","),
    volume=Unit("acre-feet", 1 / _M3_PER_ACRE_FOOT, 0, 0, ","),
    depth=Unit("in", 1000 / _MM_PER_INCH, 0, 1, ","),
    elevation=Unit("ft", 1 / _M_PER_FOOT, 0, 0, ","),
    # A limit that is round in feet stays so; one that is round in metres is no foot sharp.
    band=Unit("ft", 1 / _M_PER_FOOT, -1, -1, ","),
    # The trade's figure: water per depth of snow, in per cent (common practice, no source).
    density=Unit("%", 0.1, 0, 1, ","),
    area=Unit("sq mi", 1 / _KM_PER_MILE**2, 1, 2, ","),
    distance=Unit("mi", 1 / (1000 * _KM_PER_MILE), 0, 1, ","),
)
"""Tenths of an inch of SWE, whole inches of depth and a comma between thousands are the trade's (common practice, no source)."""

UNITS = {"metric": METRIC, "us": US}


def grouped(value: float, decimals: int, thousands: str = THIN_SPACE, *, signed: bool = False) -> str:
    r"""Return a number with its thousands apart and a true minus sign.

    >>> ascii([grouped(1234567.8, -2), grouped(-0.04, 1), grouped(1250.26, 1, ",", signed=True)])
    "['1\\u202f234\\u202f600', '0.0', '+1,250.3']"
    """
    rounded = round(value, decimals) + 0.0
    digits = f"{abs(rounded):,.{max(decimals, 0)}f}".replace(",", thousands)
    sign = MINUS if rounded < 0 else "+" if signed and rounded > 0 else ""
    return sign + digits


def number(value: float | None, unit: Unit, se: float | None = None, *, of: str = "", signed: bool = False) -> Markup:
    """Return a number of the archive as it stands on the page. `of` names its column."""
    if value is None or not math.isfinite(value):
        return NO_VALUE
    return Markup('<data value="{}" data-of="{}">{}</data>').format(
        repr(float(value)), of, unit.text(value, se, signed=signed)
    )


@pass_context
def count(page: Context, value: float | None, decimals: int = 0, *, of: str = "", signed: bool = False) -> Markup:
    """Return a number without a unit, such as a score. Its thousands are those of the page's units, `u`."""
    if value is None or not math.isfinite(value):
        return NO_VALUE
    return Markup('<data value="{}" data-of="{}">{}</data>').format(
        repr(float(value)), of, grouped(value, decimals, page["u"].swe.thousands, signed=signed)
    )
