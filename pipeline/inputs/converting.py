"""From the fields of some rows to canonical columns."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pyarrow as pa

from snowtally.inputs import values
from snowtally.inputs.columns import Column
from snowtally.inputs.coordinates import Compass, angles
from snowtally.inputs.headers import FieldMap
from snowtally.inputs.lines import BadLine, Split
from snowtally.inputs.printable import MOST_OF_TEXT
from snowtally.inputs.units import SAME, Conversion

FIRST_CELL = "first_cell"
"""Name of the text that stands first in a line, whatever column that is."""

MOST_TEXTS = 1000
"""Unreadable texts of a column and piece that are remembered as evidence; the others are counted.

Chosen: findings name three of a site, and memory stays small in a file that is all wrong."""


@dataclass(frozen=True)
class Wrong:
    """Values of a column that could not be read.

    Their rows, and the texts of the first of them.
    """

    key: str
    rows: np.ndarray
    texts: list[str]


@dataclass
class Converted:
    """Canonical columns of some rows.

    Parameters
    ----------
    arrays : by the program's name: float64, datetime64[s]; a time is `seconds` and `kind`.
    texts : by the program's name, the columns of text.
    line : each row's line, from 0 where the piece begins.
    lines : lines of the piece.
    bad : lines that are no rows.
    wrong : values that could not be read.
    """

    arrays: dict[str, np.ndarray]
    texts: dict[str, pa.DictionaryArray]
    line: np.ndarray
    lines: int
    bad: list[BadLine]
    wrong: list[Wrong]


def converted(piece: Split, field_map: FieldMap) -> Converted:
    """Return a piece's fields as canonical columns."""
    n = len(piece.line)
    arrays: dict[str, np.ndarray] = {}
    texts: dict[str, pa.DictionaryArray] = {}
    wrong: list[Wrong] = []
    for column in field_map.table.columns:
        if column.key in field_map.positions:
            text = piece.fields[field_map.positions[column.key]]
        elif column.key in field_map.constants:
            text = pa.repeat(pa.scalar(field_map.constants[column.key], pa.string()), n)
        elif column.kind == "text":
            texts[column.name] = no_text(n)
            continue
        else:
            arrays[column.name] = nothing(column, n)
            continue
        if column.kind == "text":
            texts[column.name] = values.texts(text, field_map.writing, field_map.words.get(column.key, {}))
            continue
        read, unread = _convert(text, column, field_map)
        arrays |= read
        if unread.any():
            wrong.append(wrong_values(column.key, unread, text))
    if field_map.first_cell is not None:
        texts[FIRST_CELL] = values.texts(piece.fields[field_map.first_cell], field_map.writing, {})
    return Converted(arrays, texts, piece.line, piece.lines, piece.bad, wrong)


def wrong_values(key: str, unread: np.ndarray, text: pa.Array) -> Wrong:
    """Return the values of a column that could not be read."""
    rows = np.flatnonzero(unread)
    shown = [value.strip()[:MOST_OF_TEXT] for value in text.take(pa.array(rows[:MOST_TEXTS])).to_pylist()]
    return Wrong(key, rows, shown)


def no_text(n: int) -> pa.DictionaryArray:
    """Return a column of n empty texts."""
    return pa.DictionaryArray.from_arrays(pa.array(np.zeros(n, np.int32)), pa.array([""]))


def nothing(column: Column, n: int) -> np.ndarray:
    """Return n missing numbers or dates."""
    return np.full(n, np.datetime64("NaT"), "datetime64[s]") if column.kind == "date" else np.full(n, np.nan)


def _convert(text: pa.Array, column: Column, field_map: FieldMap) -> tuple[dict[str, np.ndarray], np.ndarray]:
    """Return a column's values, and a mask of unreadable texts.

    The values come by name: a column of times gives `seconds` and `kind`, any other column gives its own name.
    """
    if column.kind == "date":
        days, unread = values.dates(text, field_map.writing)
        return {column.name: days}, unread
    if column.kind == "time":
        seconds, kind, unread = values.times(text, field_map.writing)
        return {"seconds": seconds, "kind": kind}, unread
    conversion = field_map.conversions.get(column.key, SAME)
    if column.letters:
        compass = Compass(column.letters, field_map.words.get(column.key, {}))
        degrees, unread = angles(text, compass, field_map.writing, conversion)
        return {column.name: degrees}, unread
    numbers, unread = values.numbers(text, field_map.writing)
    return {column.name: canonical_numbers(numbers, column, conversion)}, unread


def canonical_numbers(numbers: np.ndarray, column: Column, how: Conversion) -> np.ndarray:
    """Return numbers of a file in the program's unit."""
    if how is not SAME:
        numbers = how.of(numbers)
    return numbers * column.factor if column.factor != 1.0 else numbers
