"""The line of a table that holds its headers, and the lines above it."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import BinaryIO

from snowtally.inputs.columns import plain_header
from snowtally.inputs.lines import MOST_LINES_IN_FIELD, fields_of

HEADER_WITHIN = 50
"""Lines within which the header is looked for; text above it is a title (chosen: exports have up to a page of notes). Blank lines,
comments and lines that are passed over do not count."""

_TO_HEADER = 1 << 20
"""Bytes of a file in which the header is looked for (chosen: fifty lines of any table, and a few pages of comments)."""


@dataclass(frozen=True)
class Wanted:
    """What a header line must hold, all headers plain.

    Parameters
    ----------
    required : all of these.
    is_reading : says of a header whether its column says something. A line with one such header besides counts before one without;
        where nothing is required, no line without one counts. None: what is required is enough.
    """

    required: frozenset[str]
    is_reading: Callable[[str], bool] | None = None

    def has_reading(self, headers: Sequence[str]) -> bool:
        """Return whether one of some plain headers says something."""
        return self.is_reading is None or any(self.is_reading(header) for header in headers)


@dataclass(frozen=True)
class Search:
    """Where and how a header is looked for.

    Parameters
    ----------
    wanted : what it must hold.
    separators : those that may be, the usual one first.
    comment : lines that begin with it are passed over.
    skip_lines : lines at the start that are passed over.
    names : the headers, where the table has no line of them.
    """

    wanted: Wanted
    separators: Sequence[str]
    comment: str | None = None
    skip_lines: int = 0
    names: Sequence[str] = ()


@dataclass(frozen=True)
class LineAbove:
    """A line with text above the header.

    Parameters
    ----------
    line, lines : the first line from 0, and how many they are.
    fields : what stands in it, field by field.
    declared : whether the settings say that it is no header.
    """

    line: int
    lines: int
    text: str
    fields: tuple[str, ...]
    declared: bool


@dataclass(frozen=True)
class Header:
    """A header as the search ends.

    Parameters
    ----------
    fields : the headers; where none fits, those of the line that is most like a header.
    separator : the one that gives what is wanted; None where none does.
    lines : lines up to and with the header.
    above : lines with text above it.
    """

    fields: list[str]
    separator: str | None
    lines: int
    above: tuple[LineAbove, ...]


@dataclass(frozen=True)
class _Line:
    """A line that may be the header.

    Parameters
    ----------
    first, lines : the first line from 0, and how many they are.
    start, end : where it begins and ends, bytes.
    ways : by separator, its fields.
    """

    first: int
    lines: int
    start: int
    end: int
    text: str
    ways: dict[str, list[str]]


def find_header(stream: BinaryIO, search: Search) -> Header:
    """Return the header of a delimited text, and leave the stream at the line after it.

    Parameters
    ----------
    stream : UTF-8 bytes from the file's start.
    """
    start = stream.tell()
    head = stream.read(_TO_HEADER)
    header, end = _searched(_lines_of(head, search), search)
    stream.seek(start + min(end, len(head)))
    return header


def header_of_rows(rows: Iterable[Sequence[str]], search: Search) -> Header:
    """Return the header of a sheet's rows."""
    lines = (
        _Line(number, 1, number, number + 1, " ".join(filter(None, map(str.strip, row))), {",": list(row)})
        for number, row in enumerate(rows)
    )
    return _searched(lines, search)[0]


def _searched(lines: Iterable[_Line], search: Search) -> tuple[Header, int]:
    """Return the header, and where it ends."""
    above: list[LineAbove] = []
    partly: tuple[Header, int] | None = None
    most_like: list[str] = []
    looked_at = 0
    for line in lines:
        declared = line.first < search.skip_lines or bool(search.comment and line.text.startswith(search.comment))
        if not line.text.strip():
            continue
        if not declared:
            if search.names:
                return _named(line, search, above), line.start
            looked_at += 1
            most_like = max([most_like, *line.ways.values()], key=lambda fields: _likeness(fields, search.wanted))
            separator = _separator(line, search.wanted)
            if separator is not None:
                header = Header(line.ways[separator], separator, line.first + line.lines, tuple(above))
                if search.wanted.has_reading([plain_header(field) for field in header.fields]):
                    return header, line.end
                partly = partly or (header, line.end)
        above.append(_above(line, declared=declared))
        if looked_at == HEADER_WITHIN:
            break
    if partly is not None and search.wanted.required:
        return partly
    if search.names and not looked_at:
        return Header(list(search.names), search.separators[0], search.skip_lines, tuple(above)), _TO_HEADER
    return Header(most_like, None, 0, tuple(above)), 0


def _separator(line: _Line, wanted: Wanted) -> str | None:
    """Return the first separator that gives all required headers, None where none does."""
    plain = {separator: {plain_header(field) for field in fields} for separator, fields in line.ways.items()}
    fitting = [separator for separator, headers in plain.items() if wanted.required <= headers]
    # Where nothing is required every separator fits, and the one that gives a header decides.
    with_reading = [separator for separator in fitting if wanted.has_reading(sorted(plain[separator]))]
    return next(iter(with_reading or fitting), None)


def _likeness(fields: Sequence[str], wanted: Wanted) -> tuple[int, int]:
    """Return how like a header some fields are: required headers, then fields with a letter."""
    plain = [plain_header(field) for field in fields]
    return len(wanted.required.intersection(plain)), sum(any(map(str.isalpha, header)) for header in plain)


def _named(line: _Line, search: Search, above: list[LineAbove]) -> Header:
    """Return the declared headers, for a table whose first line of data this is."""
    names = list(search.names)
    wide = {separator: len(fields) for separator, fields in line.ways.items()}
    separator = next(
        iter([s for s, n in wide.items() if n == len(names)] + [s for s, n in wide.items() if n > len(names)]), None
    )
    if separator is None:
        return Header(max(line.ways.values(), key=len, default=[]), None, line.first, tuple(above))
    names += [""] * (wide[separator] - len(names))
    return Header(names, separator, line.first, tuple(above))


def _above(line: _Line, *, declared: bool) -> LineAbove:
    fields = max(line.ways.values(), key=len, default=[line.text])
    return LineAbove(line.first, line.lines, line.text, tuple(fields), declared)


def _lines_of(head: bytes, search: Search) -> Iterator[_Line]:
    """Yield the lines of a file's start; a quoted text may run over several."""
    pieces = head.split(b"\n")
    first, offset = 0, 0
    while first < len(pieces):
        raw, taken = pieces[first], 1
        if raw.count(b'"') % 2 and first >= search.skip_lines:
            raw, taken = _joined(pieces, first)
        text = raw.decode("utf-8", "surrogateescape").rstrip("\r")
        ways = {
            separator: fields
            for separator in search.separators
            if not isinstance(fields := fields_of(text, separator), str)
        }
        end = offset + len(raw) + 1
        yield _Line(first, taken, offset, end, text, ways)
        first, offset = first + taken, end


def _joined(pieces: list[bytes], first: int) -> tuple[bytes, int]:
    """Return the lines of one row, and how many they are.

    The row begins with the piece `first`. Only that line is returned where no closing quote follows within
    `MOST_LINES_IN_FIELD` lines.
    """
    for taken in range(2, MOST_LINES_IN_FIELD + 2):
        raw = b"\n".join(pieces[first : first + taken])
        if raw.count(b'"') % 2 == 0 and first + taken <= len(pieces):
            return raw, taken
    return pieces[first], 1
