"""From the bytes of a delimited text file to fields: well-formed lines at once, the others one by one, none lost.

Line numbers are the file's own, with comments, blank lines and line breaks inside quotes counted. A line that cannot be
split into as many fields as the header has is a `BadLine`; it costs no other line.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from enum import StrEnum
from typing import BinaryIO

import numpy as np
import pyarrow as pa
import pyarrow.csv as pa_csv

from snowtally.inputs.decoding import with_line_feeds
from snowtally.inputs.printable import MOST_OF_TEXT

CHUNK = 8 << 20
"""Bytes that are read and converted at a time.

Chosen: small enough for a growing file to be read again only at its end; half of it doubles the number of cached pieces."""

MOST_LINES_IN_FIELD = 50
"""Lines of a quoted text; more show a quote that was never closed (chosen: no remark of a crew is as long)."""

_MOST_ASCII = 127
"""The last code of ASCII (ISO/IEC 646)."""


class LineKind(StrEnum):
    """What a line is that is no row."""

    UNREADABLE = "unreadable"
    NOTE = "note"
    SUMMARY = "summary"


@dataclass(frozen=True)
class BadLine:
    """A line that is no row: most could not be split into fields.

    Several lines that belong together are one `BadLine`.

    line : the first of them, from 0 where the chunk begins.
    lines : how many.
    why : what is wrong, in words.
    text : how it begins.
    kind : what it is.
    """

    line: int
    lines: int
    why: str
    text: str
    kind: LineKind = LineKind.UNREADABLE


@dataclass(frozen=True)
class Layout:
    """How the lines of a file are split.

    Parameters
    ----------
    headers : the header's fields.
    separator : one character.
    comment : lines that begin with it are no data; None where there are none.
    wanted : positions of the fields that are wanted, from 0.
    nothing : texts that mean no value.
    """

    headers: tuple[str, ...]
    separator: str
    comment: str | None
    wanted: tuple[int, ...]
    nothing: tuple[str, ...]


@dataclass
class Split:
    """A chunk's fields.

    Parameters
    ----------
    fields : the wanted fields by position, null where a line has nothing.
    line : each row's line, from 0 where the chunk begins.
    lines : lines of the chunk.
    bad : lines that are no rows.
    """

    fields: dict[int, pa.Array]
    line: np.ndarray
    lines: int
    bad: list[BadLine] = field(default_factory=list)


def chunks(stream: BinaryIO) -> Iterator[bytes]:
    """Yield the rest of a stream in chunks of whole lines.

    They are cut where no quote is open.
    """
    while chunk := stream.read(CHUNK):
        if not chunk.endswith(b"\n"):
            chunk += stream.readline()
        if chunk.count(b'"') % 2:
            chunk += _rest_of_field(stream)
        yield with_line_feeds(chunk)


def _rest_of_field(stream: BinaryIO) -> bytes:
    """Return the lines up to the one that closes a quote.

    Where none does, `MOST_LINES_IN_FIELD` lines.
    """
    more = []
    for _ in range(MOST_LINES_IN_FIELD):
        more.append(stream.readline())
        if more[-1].count(b'"') % 2:
            break
    return b"".join(more)


def split(chunk: bytes, layout: Layout) -> Split:
    """Split a chunk of whole lines into fields."""
    if not chunk:
        return Split({position: pa.array([], pa.string()) for position in layout.wanted}, np.arange(0), 0)
    lines = chunk.count(b"\n") + (not chunk.endswith(b"\n"))
    if _looks_plain(chunk, layout.comment):
        try:
            table = _at_once(chunk, layout)
        except pa.ArrowInvalid:
            table = None
        # A row whose wanted fields are all empty may be a blank line.
        if table is not None and table.num_rows == lines and table.column(0).null_count == 0:
            fields = {position: _in_one(table.column(i)) for i, position in enumerate(layout.wanted)}
            return Split(fields, np.arange(lines), lines)
    return _one_by_one(chunk, layout, lines)


def _looks_plain(chunk: bytes, comment: str | None) -> bool:
    if b"\0" in chunk or (comment and comment.encode() in chunk):
        return False
    if b"\r" in chunk and chunk.count(b"\r") != chunk.count(b"\r\n"):
        return False
    return b'"' not in chunk or not _quote_within(chunk)


def _quote_within(chunk: bytes) -> bool:
    """Return whether a quote stands within a text.

    Such a quote is a stray one or a doubled one. Lines with such a quote are split one by one.
    """
    data = np.frombuffer(b"\n" + chunk + b"\n", np.uint8)
    quotes = np.flatnonzero(data == ord('"'))
    return bool((_WITHIN[data[quotes - 1]] & _WITHIN[data[quotes + 1]]).any())


_WITHIN = np.ones(256, bool)
"""By byte, whether a quote beside it stands within a text: it is no separator and no end of a line."""
_WITHIN[list(b",;\t|\n\r")] = False


def _at_once(chunk: bytes, layout: Layout) -> pa.Table:
    """Return the wanted fields of well-formed lines.

    Raises ArrowInvalid where a line has too many or too few.
    """
    names = [str(position) for position in range(len(layout.headers))]
    wanted = [names[position] for position in layout.wanted]
    return pa_csv.read_csv(
        pa.BufferReader(chunk),
        pa_csv.ReadOptions(column_names=names, block_size=len(chunk) + 1, use_threads=False),
        pa_csv.ParseOptions(delimiter=layout.separator, ignore_empty_lines=False),
        pa_csv.ConvertOptions(
            include_columns=wanted,
            column_types=dict.fromkeys(wanted, pa.string()),
            null_values=list(layout.nothing),
            strings_can_be_null=True,
        ),
    )


def _in_one(column: pa.ChunkedArray) -> pa.Array:
    return column.chunk(0) if column.num_chunks == 1 else pa.concat_arrays(column.chunks)


@dataclass(frozen=True)
class _Lines:
    """The lines of a chunk.

    Where each begins and ends, its number of quotes, and whether it is plain or holds nothing.
    """

    starts: np.ndarray
    ends: np.ndarray
    quotes: np.ndarray
    plain: np.ndarray
    nothing: np.ndarray


def _looked_at(chunk: bytes, layout: Layout, lines: int) -> _Lines:
    """Return the lines of a chunk, and which are plain.

    A plain line has as many fields as the header, nothing but ASCII, no quotes.
    """
    data = np.frombuffer(chunk, np.uint8)
    ends = np.flatnonzero(data == ord("\n"))
    if len(ends) < lines:
        ends = np.append(ends, len(data))
    starts = np.concatenate([[0], ends[:-1] + 1])

    def count(where: np.ndarray) -> np.ndarray:
        at = np.flatnonzero(where)
        return np.searchsorted(at, ends) - np.searchsorted(at, starts)

    last = np.where(ends > starts, data[np.maximum(ends - 1, 0)], 0)
    returns = count(data == ord("\r"))
    separators = count(data == ord(layout.separator))
    quotes = count(data == ord('"'))
    seen = (data > ord(" ")) & (data != ord(layout.separator))
    nothing = count(seen | ((data < ord(" ")) & ~np.isin(data, _BLANKS))) == 0
    control = count((data < ord(" ")) & ~np.isin(data, _BLANKS)) > 0
    plain = (separators == len(layout.headers) - 1) & (quotes == 0) & ~control & ~nothing
    plain &= count(data > _MOST_ASCII) == 0
    plain &= (returns == 0) | ((returns == 1) & (last == ord("\r")))
    if layout.comment:
        mark = layout.comment.encode("utf-8")
        nothing |= np.array([chunk.startswith(mark, start) for start in starts.tolist()], bool)
        plain &= ~nothing
    return _Lines(starts, ends, quotes, plain, nothing)


_BLANKS = (ord("\t"), ord("\r"), ord("\n"))


def _one_by_one(chunk: bytes, layout: Layout, lines: int) -> Split:
    """Split a chunk with lines that are not plain.

    Those are split one by one, the others at once.
    """
    of = _looked_at(chunk, layout, lines)

    def text(first: int, taken: int = 1) -> str:
        return chunk[of.starts[first] : of.ends[first + taken - 1]].decode("utf-8", "surrogateescape").rstrip("\r")

    rows: dict[int, list[str]] = {}
    bad: list[BadLine] = []
    done = of.plain | of.nothing
    for line in np.flatnonzero(~done).tolist():
        if done[line]:
            continue
        taken = _lines_of_field(of.quotes, line) if of.quotes[line] % 2 else 1
        fields = _checked(text(line, taken), layout)
        if taken > 1 and isinstance(fields, str):
            # A quote that is closed only by accident: each line by itself.
            taken = 1
            fields = _checked(text(line), layout)
        done[line : line + taken] = True
        of.plain[line : line + taken] = False
        if isinstance(fields, str):
            bad.append(BadLine(line, taken, fields, text(line)[:MOST_OF_TEXT]))
        elif fields:
            rows[line] = fields
    columns, plain = _plain_lines(chunk, of, layout)
    columns, order = _together(columns, plain, rows)
    return Split(dict(zip(layout.wanted, columns, strict=True)), order, lines, bad)


def _lines_of_field(quotes: np.ndarray, line: int) -> int:
    """Return how many lines a quoted field takes.

    1 where its quote is never closed.
    """
    after = np.flatnonzero(quotes[line + 1 : line + 1 + MOST_LINES_IN_FIELD] % 2)
    return int(after[0]) + 2 if len(after) else 1


def fields_of(text: str, separator: str) -> list[str] | str:
    """Return the fields of a row, or what is wrong with it."""
    try:
        rows = list(csv.reader([text], delimiter=separator, strict=True))
    except csv.Error as trouble:
        words = str(trouble)
        if "limit" in words:
            return "a field is longer than 131072 characters"
        return "a quote stands where none may" if "expected" in words or "end of" in words else words
    return rows[0] if rows else []


_CONTROL = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f]")
NOT_UTF8 = re.compile("[\udc80-\udcff]")
"""Bytes that are not UTF-8, as decoding with surrogateescape leaves them."""


def _checked(text: str, layout: Layout) -> list[str] | str:
    """Return the wanted fields of a row, or what is wrong.

    A blank row has none.
    """
    if _CONTROL.search(text):
        return "it holds control characters, as of a binary file"
    fields = fields_of(text, layout.separator)
    if isinstance(fields, str):
        return fields
    if not any(value.strip() for value in fields):
        return []
    n = len(layout.headers)
    if len(fields) < n or any(surplus.strip() for surplus in fields[n:]):
        return f"it has {len(fields)} fields where the header has {n}"
    wanted = [fields[position] for position in layout.wanted]
    if any(NOT_UTF8.search(value) for value in wanted):
        return "it is not UTF-8 text; declare the encoding under formats: in the settings"
    return wanted


def _plain_lines(chunk: bytes, of: _Lines, layout: Layout) -> tuple[list[pa.Array], np.ndarray]:
    """Return the wanted fields of the plain lines, and those lines' numbers."""
    which = np.flatnonzero(of.plain)
    if len(which) == 0:
        return [pa.array([], pa.string()) for _ in layout.wanted], which
    # Stretches of plain lines are copied whole.
    cut = np.flatnonzero(np.diff(which) > 1)
    firsts, lasts = which[np.concatenate([[0], cut + 1])], which[np.append(cut, len(which) - 1)]
    stretches = zip(of.starts[firsts].tolist(), of.ends[lasts].tolist(), strict=True)
    table = _at_once(b"".join(chunk[start : end + 1] for start, end in stretches), layout)
    return [_in_one(column) for column in table.columns], which


def _together(
    columns: list[pa.Array], line: np.ndarray, rows: dict[int, list[str]]
) -> tuple[list[pa.Array], np.ndarray]:
    """Return the fields of all rows in the lines' order, and their lines."""
    if not rows:
        return columns, line
    line = np.concatenate([line, list(rows)]).astype(np.int64)
    order = np.argsort(line, kind="stable")
    others = zip(*rows.values(), strict=True)
    columns = [
        pa.concat_arrays([column, pa.array(other, pa.string())]).take(pa.array(order))
        for column, other in zip(columns, others, strict=True)
    ]
    return columns, line[order]
