"""How a table's files are written: separator, decimal mark, dates, clock and the like, as the settings declare them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from fnmatch import fnmatchcase
from pathlib import Path

from pipeline.inputs.columns import ColumnSetting, Table, check_declared
from pipeline.model.problems import SettingsError

SEPARATORS = (",", ";", "\t", "|")
"""Separators that are recognised by the header line; any other single character may be declared."""


@dataclass(frozen=True)
class FileFormat:
    """How some files of a table are written.

    Parameters
    ----------
    files : pattern on the file's name (`*` and `?`), all files of the table by default.
    separator : between the fields of a line; None is recognised by the header line.
    decimal : the decimal mark of numbers, "." or ",".
    dates : "year-first" (2031-03-01; accepted everywhere), "day-first", "month-first" or "excel-serial".
    encoding : of the bytes, as Python names it; None is UTF-8, or what a byte-order mark says.
    comment : lines that begin with it are no data.
    sheet : of a workbook; None where it has only one.
    wide : the canonical key whose values stand in one column a station; None where a row is a station's.
    stations : of a wide table, the station of each column that holds one; empty where every column but the time is
        headed by its site_id.
    clock : what a station's local time without an offset is counted by: hours east of UTC, or an IANA zone; None where
        such a time is no instant.
    clocks : the same for single stations by site_id.
    columns : headers and units of these files, before those of the table.
    """

    files: str = "*"
    separator: str | None = None
    decimal: str = "."
    dates: str = "year-first"
    encoding: str | None = None
    comment: str | None = None
    sheet: str | None = None
    wide: str | None = None
    stations: Mapping[str, str] = field(default_factory=dict)
    clock: float | str | None = None
    clocks: Mapping[str, float | str] = field(default_factory=dict)
    columns: Mapping[str, ColumnSetting] = field(default_factory=dict)


def format_of(path: Path, columns: Mapping[str, ColumnSetting], formats: Sequence[FileFormat]) -> FileFormat:
    """Return how a file is written.

    The first format whose pattern matches the file's name counts. The columns that it declares replace those of the
    table. Where no pattern matches, the usual format and the table's columns count.
    """
    for one in formats:
        if fnmatchcase(path.name, one.files):
            return replace(one, columns={**columns, **one.columns})
    return FileFormat(columns=columns)


def check_formats(formats: Mapping[str, Sequence[FileFormat]], tables: list[Table]) -> None:
    """Check the settings' `formats` against what there is: tables, keys and units.

    Raises
    ------
    SettingsError : naming the key, what is wrong and what is known.
    """
    for role, entries in formats.items():
        for entry in entries:
            check_declared({role: entry.columns}, tables, "formats")
            table = next(table for table in tables if table.role == role)
            numbers = [column.key for column in table.columns if column.kind == "number"]
            timed = any(column.kind == "time" for column in table.columns)
            if not timed and (entry.wide or entry.stations or entry.clock is not None or entry.clocks):
                raise SettingsError(f"formats.{role}: wide, stations, clock and clocks are for station records only")
            if entry.wide is not None and entry.wide not in numbers:
                raise SettingsError(f"formats.{role}.wide: '{entry.wide}' is no reading. Known: {', '.join(numbers)}")
            if entry.stations and entry.wide is None:
                raise SettingsError(f"formats.{role}.stations names a wide table's columns: give wide too")
            if entry.separator == entry.decimal:
                raise SettingsError(f"formats.{role}: separator and decimal cannot both be '{entry.decimal}'")
