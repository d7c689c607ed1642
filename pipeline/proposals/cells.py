"""What the fields of a column are: numbers, dates, codes and words."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np

from snowtally.proposals.dates_known import DateReading, date_readings
from snowtally.proposals.raw_table import RawTable

NUMBER_SHARE = 0.6
"""Fields of a column of numbers that are numbers, at least: gaps may be written as words."""

MOST_WORDS = 8
"""Different words that stand for no value in a column of numbers, at most."""

CODES = (9999.0, 999.0, 99.9, 99.99, 999.9, 9999.9, 999.99, 9999.99, 99999.0, 6999.0, 7999.0, 8888.0, 7777.0)
"""Numbers that files write for no value, of either sign (common practice, no source)."""

MOST_LOOKED_AT = 200
"""Different texts from which it is told what a column holds (cost alone)."""

RASTER_SUFFIXES = (".tif", ".tiff", ".nc", ".asc", ".img", ".vrt", ".flt", ".bil", ".jp2", ".hgt", ".grd", ".adf")
"""Ends of a raster's name (common practice)."""


@dataclass(frozen=True)
class Cells:
    """A column's fields and what they are.

    Parameters
    ----------
    texts : every field, trimmed.
    numbers : float64, NaN where a field is no number.
    dates : the ways in which they are dates; empty where they are none.
    words : what stands in a column of numbers beside numbers, with how often.
    """

    texts: tuple[str, ...]
    numbers: np.ndarray
    dates: tuple[DateReading, ...] = ()
    words: Counter[str] = field(default_factory=Counter)

    @cached_property
    def filled(self) -> list[str]:
        """The fields that hold something."""
        return [text for text in self.texts if text]

    @cached_property
    def is_empty(self) -> bool:
        """Whether no field holds something."""
        return not any(self.texts)

    @cached_property
    def is_numeric(self) -> bool:
        """Whether it is a column of numbers, words for gaps apart."""
        many = int(np.isfinite(self.numbers).sum())
        return many > 0 and many >= NUMBER_SHARE * len(self.filled) and len(self.words) <= MOST_WORDS

    @property
    def is_dated(self) -> bool:
        """Whether it is a column of dates or times."""
        return bool(self.dates)

    @cached_property
    def is_paths(self) -> bool:
        """Whether its texts name rasters."""
        filled = self.filled
        return bool(filled) and all(text.casefold().endswith(RASTER_SUFFIXES) for text in filled)

    @cached_property
    def few(self) -> list[str]:
        """The different texts, the first `MOST_LOOKED_AT` of them."""
        return list(dict.fromkeys(self.filled))[:MOST_LOOKED_AT]

    @cached_property
    def known(self) -> np.ndarray:
        """The numbers that there are."""
        return self.numbers[np.isfinite(self.numbers)]

    def shown_range(self) -> str:
        """Return the range of the numbers in words: "12 to 190"."""
        known = self.known[~np.isin(np.abs(self.known), CODES)]
        return f"{known.min():g} to {known.max():g}" if len(known) else "no numbers"


def numbers_of(texts: Sequence[str], decimal: str) -> np.ndarray:
    """Return texts as numbers, float64.

    NaN where one is none by this decimal mark.
    """
    unique = {text: _number(text, decimal) for text in set(texts)}
    return np.array([unique[text] for text in texts], float)


def _number(text: str, decimal: str) -> float:
    if not re.fullmatch(_NUMBERS[decimal], text):
        return float("nan")
    return float(text.replace(",", "."))


_NUMBERS = {
    ".": r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?",
    ",": r"[+-]?(\d+,?\d*|,\d+)([eE][+-]?\d+)?",
}


def cells_of(texts: Sequence[str], decimal: str, *, may_be_serial: bool = False) -> Cells:
    """Return a column's fields and what they are.

    Parameters
    ----------
    may_be_serial : whether plain numbers may be days, as the header says.
    """
    numbers = numbers_of(texts, decimal)
    words = Counter(text for text, number in zip(texts, numbers, strict=True) if text and not np.isfinite(number))
    return Cells(tuple(texts), numbers, date_readings(texts, may_be_serial=may_be_serial), words)


def decimal_mark(raw: RawTable) -> tuple[str, int, int]:
    """Return the decimal mark of a table's numbers, and how many different fields have it and the other mark."""
    commas = points = 0
    for position in range(raw.width):
        texts = set(raw.column(position))
        with_comma = sum(bool(re.fullmatch(r"[+-]?\d*,\d+", text)) for text in texts)
        with_point = sum(bool(re.fullmatch(r"[+-]?\d*\.\d+", text)) for text in texts)
        # A column of coordinates like 46.12 beside one of 12,5 has its own mark: the more frequent one counts.
        commas, points = commas + with_comma, points + with_point
    return (",", commas, points) if commas > points else (".", points, commas)
