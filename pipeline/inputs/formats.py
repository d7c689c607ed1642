"""How a table's files are written: separator, decimal mark, dates, clock and the like, as the settings declare them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from fnmatch import fnmatchcase
from pathlib import Path
from typing import Protocol

from snowtally.inputs.columns import ColumnSetting, Table, check_declared, is_outside
from snowtally.model.problems import SettingsError

SEPARATORS = (",", ";", "\t", "|")
"""Separators that are recognised by the header line; any other single character may be declared."""


SITE, ELEMENT, ANYTHING = "{site}", "{element}", "*"
"""What the pattern of a wide table's headers holds: the station, the element, and whatever else stands there."""


class Monthly(Protocol):
    """How a course table with a row a season is written.

    season : header of the column with the season's number: the year that holds most of it.
    group : the canonical key of each column of a month, in their order; `*` is a column that is not read.
    """

    season: str

    @property
    def group(self) -> Sequence[str]:
        """The keys of a month's columns."""


@dataclass(frozen=True)
class FileFormat:
    """How some files of a table are written.

    Parameters
    ----------
    files : pattern on the file's name (`*` and `?`), all files of the table by default.
    separator : between the fields of a line; None is recognised by the header line.
    decimal : the decimal mark of numbers, "." or ",".
    dates : "year-first" (2031-03-01, 20310301; accepted everywhere), "day-first", "month-first", "excel-serial", or a
        pattern of strptime.
    encoding : of the bytes, as Python names it; None is UTF-8, or what a byte-order mark says.
    comment : lines that begin with it are no data.
    sheet : of a workbook: a sheet's name, or a pattern (`*` and `?`) of which every sheet that fits is read; None where it
        has only one.
    skip_lines : lines at the file's start, rows of a sheet, that are passed over before the header is looked for.
    header : names of the columns from the left, where the file has no header line.
    wide : None where a row is a station's. Else the canonical key whose values stand in one column a station, or a
        pattern of the headers with `{site}` and `{element}`, and `*` for whatever else stands there.
    elements : of such a pattern, for each canonical key the text at `{element}`.
    monthly : a course table with a row a season, and a group of columns a month.
    stations : of a wide table, the station of each header, or of each text at `{site}`; empty where the site_id itself
        stands there.
    clock : what a station's local time without an offset is counted by: hours east of UTC, or an IANA zone; None where
        such a time is no instant.
    clocks : the same for single stations by site_id.
    columns : headers and units of these files, before those of the table.
    crs : of sites, the coordinate system that longitude and latitude are eastings and northings of; None for WGS 84.
    """

    files: str = "*"
    separator: str | None = None
    decimal: str = "."
    dates: str = "year-first"
    encoding: str | None = None
    comment: str | None = None
    sheet: str | None = None
    skip_lines: int = 0
    header: Sequence[str] = ()
    wide: str | None = None
    elements: Mapping[str, str] = field(default_factory=dict)
    monthly: Monthly | None = None
    stations: Mapping[str, str] = field(default_factory=dict)
    clock: float | str | None = None
    clocks: Mapping[str, float | str] = field(default_factory=dict)
    columns: Mapping[str, ColumnSetting] = field(default_factory=dict)
    crs: str | None = None


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
            _check_wide(entry, table)
            _check_monthly(entry, table)
            if entry.header and not any(map(str.strip, entry.header)):
                raise SettingsError(f"formats.{role}.header names no column")
            if entry.crs is not None and role != "sites":
                raise SettingsError(f"formats.{role}.crs: only the sites have a coordinate system")
            if entry.separator == entry.decimal:
                raise SettingsError(f"formats.{role}: separator and decimal cannot both be '{entry.decimal}'")


def _check_wide(entry: FileFormat, table: Table) -> None:
    """Raise SettingsError where what is said of a wide table does not fit together."""
    under = f"formats.{table.role}"
    timed = any(column.kind == "time" for column in table.columns)
    if not timed and (entry.wide or entry.elements or entry.stations or entry.clock is not None or entry.clocks):
        raise SettingsError(f"{under}: wide, elements, stations, clock and clocks are for station records only")
    if entry.wide is None:
        if entry.stations or entry.elements:
            raise SettingsError(f"{under}: stations and elements tell a wide table's columns: give wide too")
        return
    numbers = [column.key for column in table.columns if column.kind == "number"]
    known = f"Known: {', '.join(numbers)}"
    if "{" in entry.wide:
        _check_pattern(entry, under)
    elif entry.wide not in numbers:
        raise SettingsError(
            f"{under}.wide: '{entry.wide}' is no reading, and no pattern with {SITE} and {ELEMENT}. {known}"
        )
    elif entry.elements:
        raise SettingsError(f"{under}.elements needs a pattern with {SITE} and {ELEMENT} under wide")
    for key in entry.elements:
        if key not in numbers:
            raise SettingsError(f"{under}.elements: '{key}' is no reading. {known}")


def _check_pattern(entry: FileFormat, under: str) -> None:
    """Raise SettingsError where the pattern of a wide table's headers cannot be one."""
    pattern = entry.wide or ""
    rest = pattern.replace(SITE, "").replace(ELEMENT, "")
    if (pattern.count(SITE), pattern.count(ELEMENT)) != (1, 1) or "{" in rest or "}" in rest:
        raise SettingsError(
            f"{under}.wide: '{pattern}' must hold {SITE} and {ELEMENT} once each and no other braces; {ANYTHING} is whatever else"
        )
    if not entry.elements:
        raise SettingsError(f"{under}.elements must give the text at {ELEMENT} for each reading, such as swe: SWE (mm)")


def _check_monthly(entry: FileFormat, table: Table) -> None:
    """Raise SettingsError where what is said of a table with a row a season does not fit together."""
    if entry.monthly is None:
        return
    under = f"formats.{table.role}.monthly"
    keys = [column.key for column in table.columns]
    if "nominal_date" not in keys:
        raise SettingsError(f"{under} is for courses only")
    known = [key for key in keys if key not in ("site_id", "nominal_date")]
    group = [key for key in entry.monthly.group if key != ANYTHING]
    for key in group:
        if key not in known:
            raise SettingsError(
                f"{under}.group: '{key}' is not of a month. Known: {', '.join(known)}, and {ANYTHING} for none"
            )
        if group.count(key) > 1 or is_outside(entry.columns.get(key)):
            raise SettingsError(f"{under}.group: {key} is given twice")
    if not {key for keys in table.expects for key in keys} & set(group):
        raise SettingsError(f"{under}.group must hold depth or SWE")
