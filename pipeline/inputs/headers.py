"""From a file's header to the map from its fields to canonical columns."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

import numpy as np
import pyarrow as pa

from pipeline.inputs import values
from pipeline.inputs.columns import Column, ColumnSetting, Table, is_outside, plain_header
from pipeline.inputs.decoding import open_as_utf8
from pipeline.inputs.formats import SEPARATORS, FileFormat
from pipeline.inputs.lines import BadLine, Header, Layout, Split, chunks, find_header, split
from pipeline.inputs.printable import header_list
from pipeline.inputs.sheets import SUFFIXES, read_sheet
from pipeline.inputs.units import Conversion, conversion
from pipeline.model.problems import InputError


@dataclass(frozen=True)
class FieldMap:
    """How a file's fields become canonical columns.

    Parameters
    ----------
    path : the file.
    table : its canonical columns.
    layout : how its lines are split.
    first_line : the line after the header, from 1.
    positions : for each key, the field's position in a line.
    constants : for each key, the value that the settings or the file's name give.
    conversions : for each key of a number, from the declared unit to the canonical one.
    writing : how values are written.
    above : lines of text above the header.
    """

    path: Path
    table: Table
    layout: Layout
    first_line: int
    positions: dict[str, int]
    constants: dict[str, str]
    conversions: dict[str, Conversion]
    writing: values.Writing
    above: tuple[BadLine, ...] = ()

    @property
    def keys(self) -> set[str]:
        """The keys that the file has something of."""
        return set(self.positions) | set(self.constants)

    @property
    def deciding(self) -> tuple[object, ...]:
        """All that decides what is made of a line, for keys of the cache."""
        return self.table, self.layout, self.positions, self.constants, self.conversions, self.writing


def opened(path: Path, table: Table, how: FileFormat, missing: Sequence[str]) -> tuple[FieldMap, Iterator[Split]]:
    """Return a file's field map, and its fields a piece at a time.

    Raises
    ------
    InputError : the file cannot be read at all or a required column is not there.
    """
    if path.suffix.casefold() in SUFFIXES:
        return _opened_sheet(path, table, how, missing)
    field_map, pieces = opened_text(path, table, how, missing)
    return field_map, (split(chunk, field_map.layout) for chunk in pieces)


def opened_text(path: Path, table: Table, how: FileFormat, missing: Sequence[str]) -> tuple[FieldMap, Iterator[bytes]]:
    """Return a delimited file's field map, and its lines in chunks. Raises InputError as `opened`."""
    stream = open_as_utf8(path, how.encoding)
    separators = [how.separator] if how.separator else list(SEPARATORS)
    header = find_header(stream, separators, how.comment, _required(table, how))
    if header.separator is None:
        raise InputError(_no_header(path, table, how, header.fields))
    return _field_map(path, table, how, missing, header), _closing(stream)


def _closing(stream: BinaryIO) -> Iterator[bytes]:
    empty = True
    with stream:
        for chunk in chunks(stream):
            empty = False
            yield chunk
    if empty:
        yield b""


def _opened_sheet(
    path: Path, table: Table, how: FileFormat, missing: Sequence[str]
) -> tuple[FieldMap, Iterator[Split]]:
    rows = read_sheet(path, how.sheet, how.decimal)
    required = set(_required(table, how))
    above: list[BadLine] = []
    first: list[str] = []
    for number, row in enumerate(rows):
        if not any(cell.strip() for cell in row) or (how.comment and row[0].startswith(how.comment)):
            continue
        first = first or row
        if required <= {plain_header(cell) for cell in row}:
            field_map = _field_map(path, table, how, missing, Header(row, ",", number + 1, above))
            return field_map, iter([_split_sheet(rows[number + 1 :], field_map.layout)])
        above.append(BadLine.above_header(number, 1, " ".join(row).strip()))
    raise InputError(_no_header(path, table, how, first))


def _split_sheet(rows: list[list[str]], layout: Layout) -> Split:
    data = [
        (number, row)
        for number, row in enumerate(rows)
        if any(cell.strip() for cell in row) and not (layout.comment and row[0].startswith(layout.comment))
    ]
    fields = {position: pa.array([row[position] for _, row in data], pa.string()) for position in layout.wanted}
    return Split(fields, np.array([number for number, _ in data], np.int64), len(rows))


def _required(table: Table, how: FileFormat) -> list[str]:
    """Return the headers, plain, that the header line must have."""
    return [
        plain_header(_header(column, how.columns.get(column.key)))
        for column in table.columns
        if column.required and not is_outside(how.columns.get(column.key))
    ]


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
        and not is_outside(how.columns.get(column.key))
        and plain_header(_header(column, how.columns.get(column.key))) not in have
    ]
    column = lacking[0]
    return _no_column(path, table, column, _header(column, how.columns.get(column.key)), first)


def _no_column(path: Path, table: Table, column: Column, wanted: str, headers: Sequence[str]) -> str:
    return (
        f"{path}: no column '{wanted}'. The header has: {header_list(headers)}. "
        f"Name the column under columns.{table.role}.{column.key} in the settings"
    )


def _field_map(path: Path, table: Table, how: FileFormat, missing: Sequence[str], header: Header) -> FieldMap:
    plain = [plain_header(name) for name in header.fields]
    positions: dict[str, int] = {}
    constants: dict[str, str] = {}
    conversions: dict[str, Conversion] = {}
    for column in table.columns:
        setting = how.columns.get(column.key)
        if setting is not None and setting.unit is not None and column.unit is not None:
            conversions[column.key] = conversion(setting.unit, column.unit)
        if setting is not None and is_outside(setting):
            constants[column.key] = _outside(path, setting, f"{table.role}.{column.key}")
            continue
        wanted = plain_header(_header(column, setting))
        if plain.count(wanted) > 1:
            raise InputError(f"{path}: the column '{wanted}' stands twice in the header. Name the two differently")
        if wanted in plain:
            positions[column.key] = plain.index(wanted)
        elif column.required or (setting is not None and setting.column):
            raise InputError(_no_column(path, table, column, _header(column, setting), header.fields))
    codes = tuple(dict.fromkeys(["", *missing]))
    layout = Layout(
        tuple(header.fields),
        header.separator or "",
        how.comment,
        tuple(dict.fromkeys(positions.values())) or (0,),
        values.numeric(codes),
    )
    writing = values.Writing(how.decimal, how.dates, codes)
    first_line = header.lines + 1
    return FieldMap(path, table, layout, first_line, positions, constants, conversions, writing, tuple(header.above))


def _outside(path: Path, setting: ColumnSetting, key: str) -> str:
    """Return the value that the settings or the file's name give for every row."""
    if setting.file_name is None:
        return str(setting.constant)
    before, after = (re.escape(part).replace(r"\*", ".*?") for part in setting.file_name.split("{}"))
    fits = re.fullmatch(f"{before}(.+?){after}", path.name)
    if fits is None:
        raise InputError(
            f"{path}: its name does not fit '{setting.file_name}', which gives {key}. Mend the one or other"
        )
    return fits[1]
