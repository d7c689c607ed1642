"""Units of lengths as rasters and settings spell them."""

from __future__ import annotations

import re

LENGTHS = {
    "m": 1.0,
    "metre": 1.0,
    "metres": 1.0,
    "meter": 1.0,
    "meters": 1.0,
    "dm": 0.1,
    "cm": 0.01,
    "centimetre": 0.01,
    "centimetres": 0.01,
    "centimeter": 0.01,
    "centimeters": 0.01,
    "mm": 0.001,
    "millimetre": 0.001,
    "millimetres": 0.001,
    "millimeter": 0.001,
    "millimeters": 0.001,
    "in": 0.0254,
    "inch": 0.0254,
    "inches": 0.0254,
    "ft": 0.3048,
    "foot": 0.3048,
    "feet": 0.3048,
    "international foot": 0.3048,
    "international feet": 0.3048,
    "us survey foot": 1200 / 3937,
    "us survey feet": 1200 / 3937,
    "survey foot": 1200 / 3937,
    "ftus": 1200 / 3937,
    "us ft": 1200 / 3937,
}
"""Metres per unit, of the units that a file may declare for its lengths: lower case, single blanks."""

NOT_DECLARED = {"", "unknown", "none", "1"}
"""Words that declare no unit."""


def plain_unit(declared: str) -> str:
    """Return a unit's name in lower case with single blanks.

    >>> plain_unit("US_survey  Foot")
    'us survey foot'
    """
    return re.sub(r"[\s_-]+", " ", declared.strip().lower())


def length_m(declared: str) -> float | None:
    """Return the metres of a unit of length, None where it is none that is known."""
    return LENGTHS.get(plain_unit(declared))
