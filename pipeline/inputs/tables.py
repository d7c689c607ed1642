"""From a user's file to canonical columns: headers, units, missing codes and times settled, every row kept.

A table is described once (`Table`), split into text fields, and converted column by column. What cannot be converted
becomes a missing value and a finding with file and line; nothing is guessed and no row vanishes.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import zip_longest
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa

from pipeline.inputs import values
from pipeline.inputs.columns import Column, ColumnSetting, Table, plain_header
from pipeline.inputs.decoding import open_as_utf8
from pipeline.inputs.formats import SEPARATORS, FileFormat, format_of
from pipeline.inputs.lines import BadLine, Layout, Split, chunks, find_header, split
from pipeline.inputs.sheets import SUFFIXES, read_sheet
from pipeline.inputs.units import SAME, Conversion, conversion
from pipeline.inputs.usable import LEAST_USABLE_SHARE, counts_of, too_few
from pipeline.model.problems import Finding, InputError


@dataclass(frozen=True)
class Plan:
    """How a file's fields become canonical columns.

    Parameters
    ----------
    path : the file.
    table : its canonical columns.
    layout : how its lines are split.
    first_line : the line after the header, from 1.
    places : for each key, the field's place.
    constants : for each key, the value that the settings or the file's name give.
    conversions : for each key of a number, from the declared unit to the canonical one.
    writing : how values are written.
    above : lines of text above the header.
    """

    path: Path
    table: Table
    layout: Layout
    first_line: int
    places: dict[str, int]
    constants: dict[str, str]
    conversions: dict[str, Conversion]
    writing: values.Writing
    above: tuple[BadLine, ...] = ()

    @property
    def found(self) -> set[str]:
        """The keys that the file has something of."""
        return set(self.places) | set(self.constants)


@dataclass(frozen=True)
class Wrong:
    """Values of a column that could not be read: their rows, and the text of the first of them."""

    key: str
    rows: np.ndarray
    texts: list[str]


MOST_TEXTS, MOST_OF_TEXT = 1000, 60
"""So many unreadable texts of a column and piece are kept as evidence, so many characters of each; the rest is counted."""


@dataclass
class Converted:
    """Canonical columns of some rows.

    Parameters
    ----------
    columns : by the program's name: float64, datetime64[s], or a dictionary of texts; a time is `seconds` and `kind`.
    line : each row's line, from 0 where the piece begins.
    lines : lines of the piece.
    bad : lines that are no rows.
    wrong : values that could not be read.
    """

    columns: dict[str, np.ndarray | pa.DictionaryArray]
    line: np.ndarray
    lines: int
    bad: list[BadLine]
    wrong: list[Wrong]


def read_tables(  # noqa: PLR0913  what the settings say of the files, and how much of them must be usable
    files: list[Path],
    table: Table,
    settings: Mapping[str, ColumnSetting],
    missing: list[str],
    formats: Sequence[FileFormat] = (),
    *,
    least_share: float = LEAST_USABLE_SHARE,
) -> tuple[pd.DataFrame, list[Finding]]:
    """Read the files of one optional role one after the other; a file that cannot be read is a finding, not a stop.

    Returns
    -------
    rows, findings : as `read_table`, all files together in the order given.
    """
    parts, findings = [], []
    for path in files:
        try:
            rows, found = read_table(path, table, settings, missing, formats, least_share=least_share)
        except InputError as trouble:
            findings.append(unreadable_table(table, path, trouble))
            continue
        parts.append(rows)
        findings += found
    if not parts:
        columns = {column.name: _in_pandas(column, _nothing(column, 0)) for column in table.columns}
        return pd.DataFrame({"file": pd.Series(dtype=str), "line": pd.Series(dtype=int), **columns}), findings
    return pd.concat(parts, ignore_index=True), findings


def unreadable_table(table: Table, path: Path, trouble: InputError) -> Finding:
    """Return the finding that a file of an optional table cannot be read; a night with one is degraded."""
    return Finding(
        table.role, str(path), rule="unreadable file", severity="error", action="set aside", detail=str(trouble)
    )


def read_table(  # noqa: PLR0913  as `read_tables`
    path: Path,
    table: Table,
    settings: Mapping[str, ColumnSetting],
    missing: list[str],
    formats: Sequence[FileFormat] = (),
    *,
    least_share: float = LEAST_USABLE_SHARE,
) -> tuple[pd.DataFrame, list[Finding]]:
    """Read one file, delimited text or a workbook, into canonical columns.

    Parameters
    ----------
    path : the file; a header line stands above its rows.
    table : the columns to look for; all others are ignored.
    settings : for each canonical key, the user's header and unit where they differ.
    missing : codes that mean "no value".
    formats : how files are written that are not plain CSV; the first whose pattern the file's name meets counts.
    least_share : share of the file's rows, and of each column's values, that must be usable.

    Returns
    -------
    rows : one row each line of data, in the file's order, with the program's column names (missing optional columns are
        all-missing) and `file` and `line`.
    findings : lines and values that could not be read, and that none or clearly fewer of the rows or values are usable.

    Raises
    ------
    InputError : the file cannot be read at all or a required column is not there; the message names file and columns.
    """
    plan, splits = opened(path, table, format_of(path, settings, formats), missing)
    findings = first_findings(plan)
    parts, start, bad_lines, unread = [], plan.first_line, 0, []
    for piece in (converted(one, plan) for one in splits):
        line = piece.line + start
        findings += [bad_line(plan, bad, start) for bad in joined(piece.bad)]
        bad_lines += rows_among(piece.bad, plan)
        unread += [(wrong.key, line[wrong.rows]) for wrong in piece.wrong]
        rows = pd.DataFrame({"file": str(path), "line": line})
        for column in table.columns:
            rows[column.name] = _in_pandas(column, piece.columns[column.name])
        findings += [
            _unreadable(plan, int(line[row]), _column(table, wrong.key), text, _day(rows, row))
            for wrong in piece.wrong
            for row, text in zip_longest(wrong.rows.tolist(), wrong.texts, fillvalue="")
        ]
        parts.append(rows)
        start += piece.lines
    rows = pd.concat(parts, ignore_index=True)
    counts = counts_of(rows, table, bad_lines, unread)
    return rows, findings + [one for count in counts for one in too_few(table.role, str(path), count, least_share)]


def rows_among(bad: list[BadLine], plan: Plan) -> int:
    """Return how many of the lines that cannot be split are rows: a line without a separator is a note."""
    return sum(one.lines for one in bad if plan.layout.separator in one.text or len(plan.layout.headers) == 1)


def _in_pandas(column: Column, found: np.ndarray | pa.DictionaryArray) -> object:
    return pd.Series(found.to_pandas().astype(str), dtype=str) if column.kind == "text" else found


def _column(table: Table, key: str) -> Column:
    return next(column for column in table.columns if column.key == key)


def _day(rows: pd.DataFrame, row: int) -> str:
    day = rows["date"].iloc[row] if "date" in rows else pd.NaT
    return "" if pd.isna(day) else str(day.date())


# --- opening ----------------------------------------------------------------------------------------------------------


def opened(path: Path, table: Table, how: FileFormat, missing: Sequence[str]) -> tuple[Plan, Iterator[Split]]:
    """Find a file's header and return how its fields become columns, and its fields a piece at a time.

    Raises
    ------
    InputError : the file cannot be read at all or a required column is not there.
    """
    if path.suffix.casefold() in SUFFIXES:
        return _opened_sheet(path, table, how, missing)
    plan, pieces = opened_text(path, table, how, missing)
    return plan, (split(chunk, plan.layout) for chunk in pieces)


def opened_text(path: Path, table: Table, how: FileFormat, missing: Sequence[str]) -> tuple[Plan, Iterator[bytes]]:
    """Find a delimited file's header and return how its fields become columns, and its lines in chunks."""
    stream = open_as_utf8(path, how.encoding)
    separators = [how.separator] if how.separator else list(SEPARATORS)
    headers, separator, lines, above = find_header(stream, separators, how.comment, _required(table, how))
    if separator is None:
        raise InputError(_no_header(path, table, how, headers))
    return _plan(path, table, how, missing, (headers, separator, lines, above)), _closing(stream)


def _closing(stream: object) -> Iterator[bytes]:
    some = False
    with stream:
        for chunk in chunks(stream):
            some = True
            yield chunk
    if not some:
        yield b""


def _opened_sheet(path: Path, table: Table, how: FileFormat, missing: Sequence[str]) -> tuple[Plan, Iterator[Split]]:
    rows = read_sheet(path, how.sheet, how.decimal)
    required, above, first = set(_required(table, how)), [], []
    for number, row in enumerate(rows):
        if not any(cell.strip() for cell in row) or (how.comment and row[0].startswith(how.comment)):
            continue
        first = first or row
        if required <= {plain_header(cell) for cell in row}:
            plan = _plan(path, table, how, missing, (row, ",", number + 1, above))
            return plan, iter([_split_sheet(rows[number + 1 :], plan.layout)])
        above.append(BadLine(number, 1, "stands above the header", " ".join(row).strip()[:60]))
    raise InputError(_no_header(path, table, how, first))


def _split_sheet(rows: list[list[str]], layout: Layout) -> Split:
    data = [
        (number, row)
        for number, row in enumerate(rows)
        if any(cell.strip() for cell in row) and not (layout.comment and row[0].startswith(layout.comment))
    ]
    fields = {place: pa.array([row[place] for _, row in data], pa.string()) for place in layout.wanted}
    return Split(fields, np.array([number for number, _ in data], np.int64), len(rows))


def _required(table: Table, how: FileFormat) -> list[str]:
    """Return the headers, plain, that the header line must have."""
    return [
        plain_header(_header(column, how.columns.get(column.key)))
        for column in table.columns
        if column.required and not _given_outside(how.columns.get(column.key))
    ]


def _given_outside(setting: ColumnSetting | None) -> bool:
    return setting is not None and (setting.constant is not None or setting.file_name is not None)


def _header(column: Column, setting: ColumnSetting | None) -> str:
    return setting.column if setting is not None and setting.column else column.header


def _no_header(path: Path, table: Table, how: FileFormat, first: list[str]) -> str:
    if not first:
        return f"{path} is empty: a header line is wanted"
    if any("\udc80" <= c <= "\udcff" or c < " " for name in first for c in name.strip()):
        return f"{path} is not UTF-8 text. Save it as CSV, UTF-8, or declare its encoding under formats.{table.role}"
    have = {plain_header(name) for name in first}
    lacking = [
        column
        for column in table.columns
        if column.required
        and not _given_outside(how.columns.get(column.key))
        and plain_header(_header(column, how.columns.get(column.key))) not in have
    ]
    column = lacking[0]
    return _no_column(path, table, column, _header(column, how.columns.get(column.key)), first)


def _no_column(path: Path, table: Table, column: Column, wanted: str, headers: Sequence[str]) -> str:
    return (
        f"{path}: no column '{wanted}'. The header has: {in_words(headers)}. "
        f"Name the column under columns.{table.role}.{column.key} in the settings"
    )


def _plan(path: Path, table: Table, how: FileFormat, missing: Sequence[str], found: tuple) -> Plan:
    headers, separator, lines, above = found
    plain = [plain_header(header) for header in headers]
    places: dict[str, int] = {}
    constants: dict[str, str] = {}
    conversions: dict[str, Conversion] = {}
    for column in table.columns:
        setting = how.columns.get(column.key)
        if setting is not None and setting.unit is not None and column.unit is not None:
            conversions[column.key] = conversion(setting.unit, column.unit)
        if _given_outside(setting):
            constants[column.key] = _outside(path, setting, f"{table.role}.{column.key}")
            continue
        wanted = plain_header(_header(column, setting))
        if plain.count(wanted) > 1:
            raise InputError(f"{path}: the column '{wanted}' stands twice in the header. Name the two differently")
        if wanted in plain:
            places[column.key] = plain.index(wanted)
        elif column.required or (setting is not None and setting.column):
            raise InputError(_no_column(path, table, column, _header(column, setting), headers))
    codes = tuple(dict.fromkeys(["", *missing]))
    layout = Layout(
        tuple(headers), separator, how.comment, tuple(dict.fromkeys(places.values())) or (0,), values.numeric(codes)
    )
    writing = values.Writing(how.decimal, how.dates, codes)
    return Plan(path, table, layout, lines + 1, places, constants, conversions, writing, tuple(above))


def _outside(path: Path, setting: ColumnSetting, key: str) -> str:
    """Return the value that the settings or the file's name give for every row."""
    if setting.constant is not None:
        return str(setting.constant)
    before, after = (re.escape(part).replace(r"\*", ".*?") for part in setting.file_name.split("{}"))
    fits = re.fullmatch(f"{before}(.+?){after}", path.name)
    if fits is None:
        raise InputError(
            f"{path}: its name does not fit '{setting.file_name}', which gives {key}. Mend the one or other"
        )
    return fits[1]


# --- converting -------------------------------------------------------------------------------------------------------


def converted(fields: Split, plan: Plan) -> Converted:
    """Convert a piece's fields column by column."""
    n = len(fields.line)
    columns: dict[str, np.ndarray | pa.DictionaryArray] = {}
    wrong: list[Wrong] = []
    for column in plan.table.columns:
        if column.key in plan.places:
            text = fields.fields[plan.places[column.key]]
        elif column.key in plan.constants:
            text = pa.repeat(pa.scalar(plan.constants[column.key], pa.string()), n)
        else:
            columns |= {column.name: _nothing(column, n)}
            continue
        found, unread = _convert(text, column, plan)
        columns |= found
        if unread.any():
            wrong.append(wrong_values(column.key, unread, text))
    return Converted(columns, fields.line, fields.lines, fields.bad, wrong)


def wrong_values(key: str, unread: np.ndarray, text: pa.Array) -> Wrong:
    """Return the values of a column that could not be read, with the texts of the first of them."""
    rows = np.flatnonzero(unread)
    return Wrong(
        key, rows, [value.strip()[:MOST_OF_TEXT] for value in text.take(pa.array(rows[:MOST_TEXTS])).to_pylist()]
    )


def _nothing(column: Column, n: int) -> np.ndarray | pa.DictionaryArray:
    if column.kind == "text":
        return pa.DictionaryArray.from_arrays(pa.array(np.zeros(n, np.int32)), pa.array([""]))
    if column.kind == "date":
        return np.full(n, np.datetime64("NaT"), "datetime64[s]")
    return np.full(n, np.nan)


def _convert(text: pa.Array, column: Column, plan: Plan) -> tuple[dict, np.ndarray]:
    """Return the converted values by name and a mask of those that were there but could not be read."""
    if column.kind == "text":
        return {column.name: values.texts(text, plan.writing)}, np.zeros(len(text), bool)
    if column.kind == "date":
        found, unread = values.dates(text, plan.writing)
        return {column.name: found}, unread
    if column.kind == "time":
        seconds, kind, unread = values.times(text, plan.writing)
        return {"seconds": seconds, "kind": kind}, unread
    found, unread = values.numbers(text, plan.writing)
    return {column.name: canonical_numbers(found, column, plan.conversions.get(column.key, SAME))}, unread


def canonical_numbers(numbers: np.ndarray, column: Column, how: Conversion) -> np.ndarray:
    """Return numbers of a file in the program's unit."""
    if how is not SAME:
        numbers = how.of(numbers)
    return numbers * column.factor if column.factor != 1.0 else numbers


# --- findings ---------------------------------------------------------------------------------------------------------


def first_findings(plan: Plan) -> list[Finding]:
    """Return what there is to tell of a file before its rows: what stands above the header, what the header lacks."""
    table = plan.table
    findings = [bad_line(plan, bad, 1) for bad in joined(list(plan.above))]
    findings += _renamed(plan)
    for keys in table.expects:
        if set(keys) & plan.found:
            continue
        wanted = " or ".join(column.header for column in table.columns if column.key in keys)
        findings.append(
            Finding(
                table=table.role,
                file=str(plan.path),
                line=plan.first_line - 1,
                rule="no such column",
                severity="warning",
                evidence=f"no {wanted}",
                action="used",
                detail=f"the header has: {in_words(plan.layout.headers)}; name the column under columns.{table.role} "
                "if it is there",
            )
        )
    return findings


NOT_RECOGNISED = "column not recognised"
"""Rule of a column that a file seems to have under a name that nothing reads; a night with one is degraded."""


def _renamed(plan: Plan) -> list[Finding]:
    """Return a finding for each column that is not found while a header that nothing reads sounds like it."""
    table, findings = plan.table, []
    read = {plain_header(plan.layout.headers[place]) for place in plan.places.values()}
    read |= {plain_header(column.header) for column in table.columns}
    unread = [header for header in plan.layout.headers if plain_header(header) not in read]
    for column in table.columns:
        like = [header for header in unread if any(word in plain_header(header) for word in column.words)]
        if like and column.key not in plan.found:
            detail = (
                f"no value of {column.header} is read from this file: name the column under columns.{table.role}.{column.key}, "
                "or give it a header that does not sound like one"
            )
            findings.append(
                Finding(
                    table.role,
                    str(plan.path),
                    plan.first_line - 1,
                    rule=NOT_RECOGNISED,
                    severity="error",
                    evidence=f"no {column.header}, but {in_words(like)}",
                    detail=detail,
                )
            )
    return findings


def joined(bad: list[BadLine]) -> list[BadLine]:
    """Return bad lines with those that follow each other and have the same trouble as one."""
    out: list[BadLine] = []
    for one in bad:
        if out and out[-1].why == one.why and out[-1].line + out[-1].lines == one.line:
            out[-1] = BadLine(out[-1].line, out[-1].lines + one.lines, one.why, out[-1].text)
        else:
            out.append(one)
    return out


def bad_line(plan: Plan, bad: BadLine, start: int) -> Finding:
    """Return the finding that a line, or some lines on end, are no row; `start` is the line where the piece begins."""
    first, last = start + bad.line, start + bad.line + bad.lines - 1
    lines = f"line {first}" if bad.lines == 1 else f"lines {first} to {last}"
    above = bad.why == "stands above the header"
    return Finding(
        table=plan.table.role,
        file=str(plan.path),
        line=first,
        rule="unreadable line",
        severity="note" if above else "error",
        evidence=f"{lines}: {printable(bad.text)}",
        action="set aside",
        detail=f"{bad.why}; mend the file if it is data",
    )


def printable(text: str) -> str:
    """Return text as it can be printed on one line, cut to 60 characters."""
    return "'" + "".join(c if c.isprintable() else "?" for c in text[:60]) + "'"


def in_words(headers: Sequence[str]) -> str:
    """Return headers as they can be printed on one line, the first of them where they are many or long."""
    shown = [printable(header.strip())[1:-1] for header in headers[:MOST_HEADERS]]
    return ", ".join(shown) + (" ..." if len(headers) > MOST_HEADERS else "")


MOST_HEADERS = 40


def _unreadable(plan: Plan, line: int, column: Column, text: str, day: str) -> Finding:
    return Finding(
        table=plan.table.role,
        file=str(plan.path),
        line=line,
        start=day,
        end=day,
        rule="unreadable value",
        severity="error",
        evidence=f"{column.header} = {printable(text[:40])}",
        action="set aside",
        detail=what_is_wanted(column, [text], plan),
    )


def what_is_wanted(column: Column, texts: list[str], plan: Plan) -> str:
    """Return what a column's values must be, and what to do where they are not."""
    role = plan.table.role
    other = {".": ",", ",": "."}.get(plan.writing.decimal)
    if column.kind == "number" and texts and re.fullmatch(rf"[+-]?\d+{re.escape(other)}\d+", texts[0]):
        return (
            f"{column.header} must be a number with the decimal mark '{plan.writing.decimal}'; if '{other}' is the mark here, "
            f"declare it as decimal under formats.{role}"
        )
    wants = {"number": "a number", "date": "a date such as 2031-03-01", "time": "a time such as 2031-03-01T06:00-02:00"}
    how = f"; if its dates are written otherwise, declare dates under formats.{role}" if column.kind != "number" else ""
    return f"{column.header} must be {wants[column.kind]}{how}; mend the file or list the code under missing: in the settings"
