"""Course tables with a row a season and a group of columns a month, turned into a row a visit."""

from __future__ import annotations

import calendar
import datetime as dt
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
import pyarrow as pa

from snowtally.inputs import values
from snowtally.inputs.columns import Column, Table, plain_header
from snowtally.inputs.formats import ANYTHING, Monthly
from snowtally.inputs.header_line import Wanted
from snowtally.inputs.headers import (
    FieldMap,
    conversions_of,
    field_map_of,
    lacking_of,
    no_header,
    wanted_headers,
    words_of,
)
from snowtally.inputs.lines import BadLine, LineKind, Split
from snowtally.inputs.opening import OpenedTable, open_table
from snowtally.inputs.sheets import Sheet
from snowtally.inputs.source import Source
from snowtally.inputs.summary_rows import is_summary
from snowtally.model.problems import InputError

MIDYEAR = 7
"""A season that begins in July or later has the number of the year in which it ends, an earlier one of that in which it begins: the
year that holds most of it (common practice, no source)."""

NEAREST_DAYS = 183
"""A date without a year lies within half a year of the first of its month's column; further off the next year's is nearer."""

MONTHS = {name.casefold(): number for number, name in enumerate(calendar.month_name) if name}
"""The months' English names."""

_NAMED = re.compile(rf"(?<![a-z])({'|'.join(f'{name[:3]}(?:{name[3:]}|{name[3:4]})?' for name in MONTHS)})(?![a-z])")
_NUMBERED = re.compile(r"(?<![\d.])(0?[1-9]|1[0-2])(?![\d.])")
_MONTH_DAY = re.compile(r"([A-Za-z]{3,9})[\s./-]*(\d{1,2})")
_DAY_MONTH = re.compile(r"(\d{1,2})[\s./-]*([A-Za-z]{3,9})\.?")


@dataclass(frozen=True)
class _Month:
    """A month's columns: its number, and each key's position in a line."""

    number: int
    positions: dict[str, int]


@dataclass(frozen=True)
class MonthlyTable:
    """How a row a season becomes a row a visit.

    Parameters
    ----------
    field_map : how the visits' fields become columns.
    season_at : position of the season's number in a line.
    carried : for each key that holds for the whole season, its position in a line.
    months : the months' columns.
    start_month : the month in which seasons begin.
    """

    field_map: FieldMap
    season_at: int
    carried: dict[str, int]
    months: tuple[_Month, ...]
    start_month: int

    def first_of(self, season: int, month: int) -> dt.date:
        """Return the first of a month of a season by its number."""
        if self.start_month < MIDYEAR:
            return dt.date(season + (month < self.start_month), month, 1)
        return dt.date(season - (month >= self.start_month), month, 1)


def opened_monthly(path: Path, table: Table, source: Source, sheet: Sheet | None) -> tuple[FieldMap, Iterator[Split]]:
    """Return the field map of a table's visits, and their fields a piece at a time.

    Raises
    ------
    InputError : the file cannot be read, has no column of seasons, or a month has not the columns that are declared.
    """
    how = source.format_of(path)
    if how.monthly is None:
        raise ValueError("the settings declare no monthly table")
    grouped = {*how.monthly.group, "date", "nominal_date"}
    season = Column(_SEASON, how.monthly.season, kind="text", required=True)
    whole_row = Table(table.role, (season, *(column for column in table.columns if column.key not in grouped)))
    wanted = Wanted(
        wanted_headers(whole_row, how).required, lambda header: bool(_NAMED.search(header) or _NUMBERED.search(header))
    )
    opened_table = open_table(path, how, wanted, sheet)
    lacking = lacking_of(whole_row, how, opened_table.header.fields)
    if lacking or opened_table.header.separator is None:
        opened_table.close()
        of_season = f"columns.{table.role}.{_SEASON}"
        said = [replace(one, key=f"formats.{table.role}.{_SEASON}") if one.key == of_season else one for one in lacking]
        raise InputError(no_header(opened_table, table.role, said))
    row_map = field_map_of(opened_table, whole_row, source.missing)
    months = _months(opened_table, row_map, how.monthly)
    keys = dict.fromkeys(
        [*row_map.positions, *(key for month in months for key in month.positions), "date", "nominal_date"]
    )
    keys.pop(_SEASON)
    field_map = replace(
        row_map,
        table=table,
        positions={key: n for n, key in enumerate(keys)},
        conversions=conversions_of(table, how),
        words=words_of(table, how),
        headers={},
    )
    carried = {key: position for key, position in row_map.positions.items() if key != _SEASON}
    monthly = MonthlyTable(
        field_map, row_map.positions[_SEASON], carried, months, int(source.season_start.partition("-")[0])
    )
    positions = [position for month in months for position in month.positions.values()]
    layout = replace(row_map.layout, wanted=tuple(dict.fromkeys([*row_map.positions.values(), *positions])))
    return field_map, _by_visit(opened_table.splits(layout), monthly)


_SEASON = "monthly.season"
"""Where the settings name the column of seasons."""


def _months(opened_table: OpenedTable, row_map: FieldMap, monthly: Monthly) -> tuple[_Month, ...]:
    """Return the months' columns, by the names or else the numbers of months in the headers.

    A column without a header belongs to the month on its left, as under a merged cell.
    """
    headers = [plain_header(header) for header in opened_table.header.fields]
    taken = set(row_map.positions.values())
    named = any(_NAMED.search(header) for n, header in enumerate(headers) if n not in taken)
    columns: dict[int, list[int]] = {}
    last = 0
    for position, header in enumerate(headers):
        if position in taken:
            continue
        month = month_of(header, named=named)
        if not header and last and len(columns[last]) < len(monthly.group):
            month = last
        last = month
        if month:
            columns.setdefault(month, []).append(position)
    for month, positions in columns.items():
        if len(positions) != len(monthly.group):
            opened_table.close()
            raise InputError(
                f"{opened_table.path}: {calendar.month_name[month]} has {len(positions)} columns, where formats.{row_map.table.role}.monthly.group "
                f"names {len(monthly.group)}: {', '.join(monthly.group)}. Mend the group; {ANYTHING} is a column that is not read"
            )
    if not columns:
        opened_table.close()
        raise InputError(f"{opened_table.path}: no header holds the English name or the number of a month")
    return tuple(
        _Month(month, {key: at for key, at in zip(monthly.group, positions, strict=True) if key != ANYTHING})
        for month, positions in columns.items()
    )


def month_of(header: str, *, named: bool) -> int:
    """Return the month that a plain header names, 0 where it names none.

    >>> month_of("apr depth", named=True), month_of("depth 04", named=False), month_of("mayor", named=True)
    (4, 4, 0)
    """
    said = (_NAMED if named else _NUMBERED).search(header)
    if said is None:
        return 0
    return _month_number(said[1]) if named else int(said[1])


def _month_number(name: str) -> int:
    """Return the number of a month by its name or the beginning of it, 0 where there is none."""
    return next((number for full, number in MONTHS.items() if full.startswith(name.casefold())), 0)


def _by_visit(pieces: Iterator[Split], table: MonthlyTable) -> Iterator[Split]:
    """Yield the pieces with a row a visit in place of a row a season."""
    rows_seen = False
    for piece in pieces:
        seasons = [text or "" for text in piece.fields[table.season_at].to_pylist()]
        years = [_year(text) for text in seasons]
        bad = list(piece.bad)
        for row in [row for row, year in enumerate(years) if year is None]:
            cells = [_cell(column, row) for column in piece.fields.values()]
            before_rows = not rows_seen and not any(years[:row])
            if before_rows and not any(map(_NUMBER.match, cells)):
                # The header goes on below itself: words alone, in the form that is declared.
                continue
            said = _Said(seasons[row].strip(), table.field_map.layout.separator.join(cells))
            bad.append(_no_season(int(piece.line[row]), said, before_rows=before_rows))
        rows_seen = rows_seen or any(years)
        bad.sort(key=lambda line: line.line)
        yield _visits(piece, years, table, bad)


_NUMBER = re.compile(r"[-+]?[.,]?\d")
"""How a cell with a value begins."""


def _year(text: str) -> int | None:
    return int(text) if re.fullmatch(r"\s*[12]\d{3}\s*", text) else None


@dataclass(frozen=True)
class _Said:
    """What a row without a season's number says: at the season, and in all."""

    season: str
    text: str


def _no_season(line: int, said: _Said, *, before_rows: bool) -> BadLine:
    """Return the line of a row that is of no season."""
    if is_summary(said.season):
        return BadLine(line, 1, "", said.text, LineKind.SUMMARY)
    if before_rows:
        return BadLine(line, 1, "stands below the header", said.text, LineKind.NOTE)
    return BadLine(line, 1, f"its season '{said.season}' is no year such as 2031", said.text)


def _cell(column: pa.Array, row: int) -> str:
    return (column[row].as_py() or "").strip()


@dataclass
class _Visits:
    """The visits of a piece, each field a list.

    Parameters
    ----------
    texts : by key.
    line : each visit's line, from 0 where the piece begins.
    """

    texts: dict[str, list[str | None]]
    line: list[int] = field(default_factory=list)


def _visits(piece: Split, years: Sequence[int | None], table: MonthlyTable, bad: list[BadLine]) -> Split:
    """Return the fields of the visits of a piece, season by season."""
    missing = table.field_map.writing.missing
    columns = {at: values.given(column, missing).to_pylist() for at, column in piece.fields.items()}
    as_written = {at: column.to_pylist() for at, column in piece.fields.items()}
    visits = _Visits({key: [] for key in table.field_map.positions})
    for row, year in enumerate(years):
        if year is None:
            continue
        for month in table.months:
            if all(columns[at][row] is None for at in month.positions.values()):
                continue
            nominal = table.first_of(year, month.number)
            texts = {key: as_written[at][row] for key, at in [*table.carried.items(), *month.positions.items()]}
            date = columns[month.positions["date"]][row] if "date" in month.positions else None
            texts |= {
                "nominal_date": nominal.isoformat(),
                "date": date_in_words(date, nominal, table.field_map.writing.dates),
            }
            for key, column in visits.texts.items():
                column.append(texts.get(key))
            visits.line.append(int(piece.line[row]))
    fields = {at: pa.array(visits.texts[key], pa.string()) for key, at in table.field_map.positions.items()}
    return Split(fields, np.array(visits.line, np.int64), piece.lines, bad)


def date_in_words(text: str | None, nominal: dt.date, dates: str) -> str:
    """Return the date that a cell tells, in ISO 8601; a whole date, or what is none, as it is written.

    Parameters
    ----------
    text : None where the cell is empty: it was the first of the month.
    nominal : the first of the month of the cell's column. A date without a year is the one nearest to it.
    dates : how dates are written.

    >>> date_in_words("Mar 31", dt.date(2031, 4, 1), "year-first"), date_in_words("30 Dec.", dt.date(2031, 1, 1), "year-first")
    ('2031-03-31', '2030-12-30')
    >>> date_in_words("28", dt.date(2031, 4, 1), "year-first"), date_in_words("Feb 29", dt.date(2031, 3, 1), "year-first")
    ('2031-04-28', 'Feb 29')
    """
    if text is None:
        return nominal.isoformat()
    month, day = 0, 0
    if re.fullmatch(r"\d{1,2}", text):
        month, day = nominal.month, int(text)
    elif (said := _MONTH_DAY.fullmatch(text)) is not None:
        month, day = _month_number(said[1]), int(said[2])
    elif (said := _DAY_MONTH.fullmatch(text)) is not None:
        month, day = _month_number(said[2]), int(said[1])
    elif values.is_pattern(dates) and not re.search(r"%[YyGcx]", dates):
        month, day = _month_day(text, dates)
    near = [date for year in (-1, 0, 1) if (date := _date(nominal.year + year, month, day)) is not None]
    near = [date for date in near if abs((date - nominal).days) <= NEAREST_DAYS]
    return min(near, key=lambda date: abs(date - nominal)).isoformat() if near else text


def _month_day(text: str, dates: str) -> tuple[int, int]:
    """Return the month and day that a text is by a pattern without a year, zeros where it does not fit."""
    try:
        date = dt.datetime.strptime(f"{_LEAP_YEAR} {text}", f"%Y {dates}").replace(tzinfo=dt.UTC)
    except ValueError:
        return 0, 0
    return date.month, date.day


_LEAP_YEAR = 2028
"""Any year that has a 29th of February."""


def _date(year: int, month: int, day: int) -> dt.date | None:
    try:
        return dt.date(year, month, day)
    except ValueError:
        return None
