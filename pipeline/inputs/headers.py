"""From a file's header to the map from its fields to canonical columns."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from snowtally.inputs import values
from snowtally.inputs.columns import Column, ColumnSetting, Table, is_outside, plain_header
from snowtally.inputs.formats import FileFormat
from snowtally.inputs.header_line import LineAbove, Wanted
from snowtally.inputs.lines import Layout, Split
from snowtally.inputs.opening import OpenedTable, open_table
from snowtally.inputs.outside import Around, outside_value
from snowtally.inputs.printable import header_list
from snowtally.inputs.sheets import Sheet
from snowtally.inputs.source import Source
from snowtally.inputs.units import Conversion, conversion
from snowtally.model.problems import InputError


@dataclass(frozen=True)
class FieldMap:
    """How a file's fields become canonical columns.

    Parameters
    ----------
    path : the file.
    table : its canonical columns.
    layout : how its lines are split.
    begins, first_line : the first line of file or sheet, and the line after the header, from 1.
    positions : for each key, the field's position in a line.
    constants : for each key, the value that the settings or the file's name give.
    conversions : for each key of a number, from the declared unit to the canonical one.
    writing : how values are written.
    words : for each key of text, what words of the file mean, by the plain word.
    headers : by key and station, the header in the file; a station is named where stations stand side by side. A table with several
        columns a key has none.
    first_cell : position of a line's first field, where its text is wanted besides.
    above : lines of text above the header that say nothing that is read.
    """

    path: Path
    table: Table
    layout: Layout
    begins: int
    first_line: int
    positions: dict[str, int]
    constants: dict[str, str]
    conversions: dict[str, Conversion]
    writing: values.Writing
    words: dict[str, dict[str, str]]
    headers: dict[tuple[str, str], str]
    first_cell: int | None = None
    above: tuple[LineAbove, ...] = ()

    @property
    def keys(self) -> set[str]:
        """The keys that the file has something of."""
        return set(self.positions) | set(self.constants)

    def header_of(self, key: str, station: str) -> str:
        """Return the header under which a station's values of a key stand, empty where it is not one alone."""
        return self.headers.get((key, station)) or self.headers.get((key, ""), "")

    @property
    def deciding(self) -> tuple[object, ...]:
        """All that decides what is made of a line, for keys of the cache."""
        return self.table, self.layout, self.positions, self.constants, self.conversions, self.writing, self.words


@dataclass(frozen=True)
class Lacking:
    """A column that a file should have and has not.

    Parameters
    ----------
    header : what it is called.
    key : the settings' key that can name another.
    """

    header: str
    key: str


def opened(path: Path, table: Table, source: Source, sheet: Sheet | None) -> tuple[FieldMap, Iterator[Split]]:
    """Return a file's field map, and its fields a piece at a time.

    Raises
    ------
    InputError : the file cannot be read at all or a required column is not there.
    """
    mapped = open_mapped(path, table, source, sheet)
    return mapped.field_map, mapped.table.splits(mapped.field_map.layout)


@dataclass(frozen=True)
class MappedTable:
    """A table opened at its header, and the map of its fields."""

    table: OpenedTable
    field_map: FieldMap


def open_mapped(path: Path, table: Table, source: Source, sheet: Sheet | None) -> MappedTable:
    """Return a table opened at its header, with its field map. Raises InputError as `opened`."""
    how = source.format_of(path)
    opened_table = open_table(path, how, wanted_headers(table, how), sheet)
    lacking = lacking_of(table, how, opened_table.header.fields)
    if lacking or opened_table.header.separator is None:
        opened_table.close()
        raise InputError(no_header(opened_table, table.role, lacking))
    return MappedTable(opened_table, field_map_of(opened_table, table, source.missing))


def wanted_headers(table: Table, how: FileFormat) -> Wanted:
    """Return what a table's header line must hold."""
    headers = {
        column.key: header_of(column, how) for column in table.columns if not is_outside(how.columns.get(column.key))
    }
    required = {headers[column.key] for column in table.columns if column.required and column.key in headers}
    says = {headers[key] for keys in table.expects for key in keys if key in headers}
    if not says and not required:
        says = set(headers.values())
    return Wanted(frozenset(required), says.__contains__ if says else None)


def header_of(column: Column, how: FileFormat) -> str:
    """Return the plain header under which a file holds a column."""
    return plain_header(_header(column, how.columns.get(column.key)))


def _header(column: Column, setting: ColumnSetting | None) -> str:
    return setting.column if setting is not None and setting.column else column.header


def lacking_of(table: Table, how: FileFormat, headers: Sequence[str]) -> list[Lacking]:
    """Return the columns that a file must have, or is declared to have, and has not."""
    have = {plain_header(name) for name in headers}
    lacking = []
    for column in table.columns:
        setting = how.columns.get(column.key)
        must = column.required or (setting is not None and setting.column)
        if must and not is_outside(setting) and header_of(column, how) not in have:
            lacking.append(Lacking(_header(column, setting), f"columns.{table.role}.{column.key}"))
    return lacking


def no_header(opened_table: OpenedTable, role: str, lacking: Sequence[Lacking]) -> str:
    """Return why no line is a header, or what it lacks, in one line."""
    path, header, how = opened_table.path, opened_table.header, opened_table.how
    if not header.fields:
        return f"{path} is empty: a header line is wanted"
    if any("\udc80" <= c <= "\udcff" or c < " " for name in header.fields for c in name.strip()):
        return f"{path} is not UTF-8 text. Save it as CSV, UTF-8, or declare its encoding under formats.{role}"
    if how.header and header.separator is None:
        return f"{path}: its first line has {len(header.fields)} fields, where formats.{role}.header names {len(how.header)}"
    if not lacking:
        return (
            f"{path}: no line of its first ones is a header with a column that says something. There stands: "
            f"{header_list(header.fields)}. Name the columns under columns.{role} in the settings"
        )
    names, keys = ", ".join(f"'{one.header}'" for one in lacking), ", ".join(one.key for one in lacking)
    columns = "columns" if len(lacking) > 1 else "column"
    return f"{path}: no {columns} {names}. The header has: {header_list(header.fields)}. Name the {columns} under {keys} in the settings"


def field_map_of(opened_table: OpenedTable, table: Table, missing: Sequence[str]) -> FieldMap:
    """Return how the fields of a table become its canonical columns.

    Raises
    ------
    InputError : a header stands twice, or nothing fits a declared pattern.
    """
    how, header = opened_table.how, opened_table.header
    plain = [plain_header(name) for name in header.fields]
    around = Around(
        opened_table.path, "" if opened_table.sheet is None else opened_table.sheet.name, header.above, how.comment
    )
    positions: dict[str, int] = {}
    constants: dict[str, str] = {}
    titles: list[LineAbove | None] = []
    for column in table.columns:
        setting = how.columns.get(column.key)
        if setting is not None and is_outside(setting):
            value = outside_value(setting, f"{table.role}.{column.key}", around)
            constants[column.key] = value.text
            titles.append(value.line)
            continue
        name = header_of(column, how)
        if plain.count(name) > 1:
            raise InputError(
                f"{opened_table.path}: the column '{name}' stands twice in the header. Name the two differently"
            )
        if name in plain:
            positions[column.key] = plain.index(name)
    first_cell = 0 if table.visit else None
    codes = tuple(dict.fromkeys(["", *missing]))
    layout = Layout(
        tuple(header.fields),
        header.separator or "",
        how.comment,
        tuple(dict.fromkeys([*positions.values(), *([] if first_cell is None else [first_cell])])) or (0,),
        values.numeric(codes),
    )
    above = tuple(line for line in header.above if not line.declared and line not in titles)
    return FieldMap(
        opened_table.path,
        table,
        layout,
        opened_table.begins,
        opened_table.first_line,
        positions,
        constants,
        conversions_of(table, how),
        values.Writing(how.decimal, how.dates, codes),
        words_of(table, how),
        {(key, ""): header.fields[position].strip() for key, position in positions.items()},
        first_cell,
        above,
    )


def conversions_of(table: Table, how: FileFormat) -> dict[str, Conversion]:
    """Return for each key of a number the conversion from its declared unit."""
    units = {key: setting.unit for key, setting in how.columns.items()}
    return {
        column.key: conversion(unit, column.unit)
        for column in table.columns
        if column.unit is not None and (unit := units.get(column.key)) is not None
    }


def words_of(table: Table, how: FileFormat) -> dict[str, dict[str, str]]:
    """Return for each key what words of the file mean, by the plain word."""
    return {
        column.key: {plain_header(word): meaning for word, meaning in setting.values.items()}
        for column in table.columns
        if (setting := how.columns.get(column.key)) is not None and setting.values
    }
