"""A table as it stands in its file, before anything is known of it: lines above, header, units line and fields."""

from __future__ import annotations

import csv
import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from snowtally.inputs.formats import SEPARATORS
from snowtally.inputs.sheets import read_sheets
from snowtally.proposals.headers_known import meanings
from snowtally.proposals.units_known import header_words, unit_of

MOST_BYTES = 1 << 20
"""A larger file is looked at at both ends, bytes: some ten thousand lines each tell units, dates and codes (cost alone)."""

LEAST_SHARE = 0.7
"""Lines of a table that have as many fields as most have, at least (chosen: notes may stand between sheets' rows)."""

LEAST = 2
"""A table has two columns and two lines at least."""

KNOWN_SHARE = 0.5
"""A header means something known where the phrase takes half of its letters (chosen)."""

MARKS = ("#", "%", "//", "!", "*", "'")
"""Marks that begin a comment in exports of loggers and databases (common practice, no source)."""

_ENCODINGS = ("utf-8", "cp1252", "cp850", "mac_roman")
"""Encodings tried in this order; those of western Europe on three systems."""


class BlanksError(Exception):
    """Raised where the fields of a table stand apart by blanks alone."""


@dataclass(frozen=True)
class RawTable:
    """The fields of a delimited file or of one sheet of a workbook.

    Parameters
    ----------
    path : the file.
    header : the header's fields; empty where the file has none.
    rows : fields of each row after it, as many as the header has; of a large file those of both ends.
    above : lines above the header, comments among them, without their mark.
    units : the fields of a line of units below the header; empty where there is none.
    separator : between fields; empty in a workbook.
    encoding : None for UTF-8 and what a byte-order mark tells.
    comment : the mark of comment lines, None where there are none.
    sheet : the workbook's sheet; None in a text.
    is_only_sheet : whether the workbook has no other.
    skip_lines : lines to pass over before the header is looked for, where more stand above it than are searched.
    """

    path: Path
    header: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    above: tuple[str, ...] = ()
    units: tuple[str, ...] = ()
    separator: str = ""
    encoding: str | None = None
    comment: str | None = None
    sheet: str | None = None
    is_only_sheet: bool = True
    skip_lines: int = 0

    @property
    def width(self) -> int:
        """How many columns it has."""
        return len(self.header) or (len(self.rows[0]) if self.rows else 0)

    def column(self, position: int) -> list[str]:
        """Return the fields of a column, trimmed."""
        return [row[position].strip() for row in self.rows]


def decoded(data: bytes) -> tuple[str, str | None] | None:
    """Return a file's text and its encoding (None for UTF-8 or a marked one), or None where it is no text."""
    for mark, name in ((b"\xef\xbb\xbf", "utf-8-sig"), (b"\xff\xfe", "utf-16"), (b"\xfe\xff", "utf-16")):
        if data.startswith(mark):
            return data.decode(name, "replace"), None
    if data[:400].count(0) > len(data[:400]) // 4:
        name = "utf-16-le" if data[1:2] == b"\0" else "utf-16-be"
        try:
            return data.decode(name), name
        except UnicodeError:
            return None
    if _CONTROLS & set(data[:LOOKED_AT]):
        return None
    best = None
    for name in _ENCODINGS:
        try:
            text = data.decode(name)
        except UnicodeError:
            continue
        if name == "utf-8":
            return text, None
        strange = sum(not (c.isascii() or c in _EXPECTED) for c in text)
        if best is None or strange < best[0]:
            best = (strange, text, name)
    return None if best is None else (best[1], best[2])


_CONTROLS = frozenset(range(32)) - set(b"\t\n\v\f\r")
"""Bytes that no text holds."""

LOOKED_AT = 4000
"""Bytes in which it is looked for them (cost alone)."""

_EXPECTED = frozenset("àâäáãåæçèéêëìíîïñòóôöõøœùúûüýßÀÂÄÁÅÆÇÈÉÊËÌÍÎÏÑÒÓÔÖØÙÚÛÜ°º²³µ·«»±§\u2013\u2014\u2019")
"""Characters beyond ASCII that tables of the trade hold."""


def ends_of(path: Path) -> tuple[bytes, bytes]:
    """Return a file's bytes, of a large one those of its two ends, cut at lines."""
    size = path.stat().st_size
    with path.open("rb") as stream:
        if size <= MOST_BYTES:
            return stream.read(), b""
        first = stream.read(MOST_BYTES // 2)
        stream.seek(size - MOST_BYTES // 2)
        last = stream.read()
    return first[: first.rfind(b"\n") + 1], last[last.find(b"\n") + 1 :]


@dataclass(frozen=True)
class _Row:
    """A line's number, from 0, and its fields."""

    line: int
    fields: tuple[str, ...]


def raw_text(path: Path) -> RawTable | None:
    """Return the table of a delimited file, None where it holds none.

    Raises
    ------
    BlanksError : its fields stand apart by blanks alone.
    """
    first, last = ends_of(path)
    text_and_encoding = decoded(first + last)
    if text_and_encoding is None:
        return None
    text, encoding = text_and_encoding
    lines = text.replace("\r\n", "\n").replace("\r", "\n").split("\n")
    comment = _comment(lines)
    numbered = [(number, line) for number, line in enumerate(lines) if line.strip()]
    data = [(number, line) for number, line in numbered if not (comment and line.startswith(comment))]
    if len(data) < LEAST:
        return None
    separator = _separator([line for _, line in data])
    if separator is None:
        if _in_blanks([line for _, line in data]):
            raise BlanksError("Save it with commas, semicolons or tabs between the fields")
        return None
    rows = _split([line for _, line in data], separator)
    line_numbers = [number for number, _ in data]
    raw = _with_header(
        path, [_Row(number, tuple(row)) for number, row in zip(line_numbers, rows, strict=True)], lines, comment
    )
    if raw is None:
        return None
    return replace(raw, separator=separator, encoding=encoding)


def _comment(lines: Sequence[str]) -> str | None:
    first = [line for line in lines if line.strip()][:1]
    for mark in MARKS:
        if first and first[0].startswith(mark):
            return mark
    # A note below a title or between rows.
    for mark in ("#", "//"):
        if sum(line.startswith(mark) for line in lines) > 1:
            return mark
    return None


def _split(lines: Sequence[str], separator: str) -> list[list[str]]:
    # Each line by itself, so that a stray quote costs no other line.
    return [_fields(line, separator) for line in lines]


def _fields(line: str, separator: str) -> list[str]:
    if '"' in line:
        try:
            return next(csv.reader([line], delimiter=separator), [])
        except csv.Error:
            # An unclosed quote before more than a field may hold.
            pass
    return line.split(separator)


def _separator(lines: Sequence[str]) -> str | None:
    """Return the separator by which most lines have the same number of clean fields."""
    sample = [*lines[:200], *lines[-200:]]
    best, best_score = None, LEAST_SHARE
    for rank, separator in enumerate((*SEPARATORS, ":")):
        rows = _split(sample, separator)
        counts = Counter(len(row) for row in rows if len(row) > 1)
        if not counts:
            continue
        many, share = max(counts.items(), key=lambda pair: pair[1])
        # A comma inside fields of another separator may be a decimal mark; another separator inside is none.
        others = [other for other in SEPARATORS if other not in (separator, ",")]
        fields = [field for row in rows if len(row) == many for field in row]
        clean = sum(not any(other in field for other in others) for field in fields) / len(fields)
        score = share / len(rows) * clean + 0.001 * min(many, 50) - 0.0001 * rank
        if separator == ":":
            # Times hold it: it separates only what nothing else does.
            score -= 0.5
        if score > best_score:
            best, best_score = separator, score
    return best


def _in_blanks(lines: Sequence[str]) -> bool:
    counts = Counter(len(line.split()) for line in lines[:200])
    many, share = max(counts.items(), key=lambda pair: pair[1])
    is_table = many > LEAST and share > LEAST_SHARE * min(len(lines), 200)
    return is_table and known_words(lines[0].split()) >= LEAST


def is_number(text: str) -> bool:
    """Return whether a field is a number, by either decimal mark."""
    return bool(re.fullmatch(r"[+-]?(\d+([.,]\d*)?|[.,]\d+)([eE][+-]?\d+)?", text.strip()))


def _is_value(text: str) -> bool:
    """Return whether a field is a number, a date or a time."""
    return is_number(text) or bool(re.match(r"\d{1,4}[-/.]\d{1,2}[-/.]\d{1,4}", text.strip()))


def known_words(fields: Sequence[str]) -> int:
    """Return how many fields mean something in a header."""
    return sum(
        1
        for field in fields
        if field.strip()
        and not is_number(field)
        and max(meanings(header_words(field).words).values(), default=0.0) >= KNOWN_SHARE
    )


HEADER_SEARCHED = 50
"""Lines without comments within which the reader looks for a header (`snowtally.inputs.header_line`)."""


def _with_header(path: Path, rows: Sequence[_Row], lines: Sequence[str], comment: str | None) -> RawTable | None:
    """Return the table below the header, which is the first line as wide as most that holds words."""
    counts = Counter(len(row.fields) for row in rows)
    many = max(counts.items(), key=lambda pair: (pair[1], pair[0]))[0]
    wide = [at for at, row in enumerate(rows) if len(row.fields) == many]
    if many < LEAST or len(wide) < LEAST:
        return None
    at = _header_at(rows, wide)
    start = wide[0] if at is None else at + 1
    header: tuple[str, ...] = () if at is None else tuple(field.strip() for field in rows[at].fields)
    table = [row.fields for row in rows[start:] if len(row.fields) == many]
    if at is None and comment:
        # A header may itself be a comment: the last one before the rows, with as many known words as fields.
        before = [line for line in lines[: rows[wide[0]].line] if line.startswith(comment)]
        for separator in SEPARATORS:
            fields = _fields(before[-1], separator) if before else []
            if len(fields) == many and known_words([fields[0].lstrip(comment), *fields[1:]]) * 2 >= many:
                header = tuple(field.strip() for field in fields)
                comment = None
                break
    units: tuple[str, ...] = ()
    if header and table and _is_units_line(table[0]):
        units, table = tuple(table[0]), table[1:]
    if not table:
        return None
    end = rows[start].line if start < len(rows) else len(lines)
    fields_of = {row.line: row.fields for row in rows}
    above = tuple(
        line.lstrip(comment).strip()
        if comment and line.startswith(comment)
        else " ".join(field.strip() for field in fields_of.get(number, (line,)) if field.strip())
        for number, line in enumerate(lines[: end - 1 if header else end])
        if line.strip()
    )
    skip = rows[at].line if at is not None and at >= HEADER_SEARCHED else 0
    return RawTable(path, header, tuple(table), above, units, comment=comment, skip_lines=skip)


def _header_at(rows: Sequence[_Row], wide: list[int]) -> int | None:
    """Return which row is the header.

    None where the first wide row is data.

    Of the rows above the first with values that one is the header which holds the most known words, the first of several.
    """
    best, most = None, -1
    for at in wide[:HEADER_SEARCHED]:
        filled = [field.strip() for field in rows[at].fields if field.strip()]
        if len(filled) < LEAST or len(filled) * 2 < len(rows[at].fields):
            # A title in a wide sheet.
            continue
        values, known = sum(map(_is_value, filled)), known_words(filled)
        is_unlike = not _like_below(rows, wide, at)
        # A wide header may hold site numbers: more words than numbers do not stand below.
        is_header = (
            (known or is_unlike) if not values else values < len(filled) and known_words(filled[:1]) and is_unlike
        )
        if not is_header:
            break
        if known > most:
            best, most = at, known
    return best


def _like_below(rows: Sequence[_Row], wide: list[int], at: int) -> bool:
    """Return whether a row's fields are numbers and dates where those below are."""
    below = [rows[other].fields for other in wide if other > at][:50]
    for position, field in enumerate(rows[at].fields):
        column = [row[position] for row in below if row[position].strip()]
        if column and sum(map(_is_value, column)) > len(column) / 2 and field.strip() and not _is_value(field):
            return False
    return True


def _is_units_line(fields: Sequence[str]) -> bool:
    filled = [field.strip().strip("()[]") for field in fields if field.strip(" -()[]")]
    known = [field for field in filled if unit_of(field) is not None]
    return bool(known) and not any(map(is_number, filled)) and len(known) * 2 >= len(filled)


def raw_sheets(path: Path) -> list[RawTable]:
    """Return the tables of a workbook's sheets.

    Sheets without one are left out.

    Raises
    ------
    InputError : the workbook cannot be read.
    """
    tables = []
    sheets = read_sheets(path, "*", ".")
    for sheet in sheets:
        rows = [_Row(number, tuple(row)) for number, row in enumerate(sheet.rows) if any(map(str.strip, row))]
        if rows and (raw := _sheet_table(path, rows)) is not None:
            tables.append(replace(raw, sheet=sheet.name, is_only_sheet=len(sheets) == 1))
    return tables


def _sheet_table(path: Path, rows: Sequence[_Row]) -> RawTable | None:
    """Return a sheet's table: empty columns beyond the header are left out."""
    at = _header_at(rows, list(range(len(rows))))
    if at is None:
        filled = [len([cell for cell in row.fields if cell.strip()]) for row in rows]
        start = next((n for n, many in enumerate(filled) if many * 2 >= max(filled)), 0)
    else:
        start = at + 1
    header = () if at is None else tuple(cell.strip() for cell in rows[at].fields)
    table = [row.fields for row in rows[start:]]
    units: tuple[str, ...] = ()
    if header and table and _is_units_line(table[0]):
        units, table = table[0], table[1:]
    above = tuple(
        " ".join(cell for cell in row.fields if cell.strip()).strip() for row in rows[: start - 1 if header else start]
    )
    return RawTable(path, header, tuple(table), above, units) if table else None
