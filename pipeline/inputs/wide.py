"""Wide station tables: one line a time, the stations side by side, with one reading each or with several."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pyarrow as pa

from snowtally.inputs import values
from snowtally.inputs.columns import Column, Table, plain_header
from snowtally.inputs.converting import MOST_TEXTS, Converted, Wrong, canonical_numbers, wrong_values
from snowtally.inputs.formats import ELEMENT, SITE, FileFormat
from snowtally.inputs.header_line import Wanted
from snowtally.inputs.headers import (
    FieldMap,
    Lacking,
    conversions_of,
    field_map_of,
    lacking_of,
    no_header,
    wanted_headers,
    words_of,
)
from snowtally.inputs.lines import Split
from snowtally.inputs.opening import OpenedTable, open_table
from snowtally.inputs.outside import fitting, refuse_other_encoding
from snowtally.inputs.printable import header_list
from snowtally.inputs.sheets import Sheet
from snowtally.inputs.source import Source
from snowtally.inputs.units import SAME
from snowtally.model.problems import Finding, InputError
from snowtally.model.rules.files import HEADER_FITS_NO_PATTERN


@dataclass(frozen=True)
class Cells:
    """The columns of one reading.

    Parameters
    ----------
    column : the reading.
    stations : the station of each field, an index into the table's, by the field's position.
    """

    column: Column
    stations: dict[int, int]


@dataclass(frozen=True)
class WideTable:
    """How a wide table's columns are stations' readings.

    Parameters
    ----------
    field_map : how its time becomes a column; its layout wants the stations' columns too.
    cells : the columns of each reading.
    stations : the stations, in the order of their first columns.
    unfit : headers that hold the text of an element, and fit no pattern.
    """

    field_map: FieldMap
    cells: tuple[Cells, ...]
    stations: tuple[str, ...]
    unfit: tuple[str, ...]

    @property
    def keys(self) -> set[str]:
        """The readings' keys."""
        return {cells.column.key for cells in self.cells}

    def findings(self) -> list[Finding]:
        """Return the finding on headers that fit no pattern."""
        line = self.field_map.first_line - 1
        evidence = f"nothing is read from {header_list(self.unfit)}"
        return (
            [Finding(HEADER_FITS_NO_PATTERN, file=str(self.field_map.path), line=line, evidence=evidence)]
            if self.unfit
            else []
        )

    @property
    def deciding(self) -> tuple[object, ...]:
        """All that decides what is made of a line, for keys of the cache."""
        return *self.field_map.deciding, self.cells, self.stations


@dataclass(frozen=True)
class OpenedWide:
    """A wide table opened at its header, and how its columns are read."""

    table: OpenedTable
    wide: WideTable


@dataclass(frozen=True)
class _Headed:
    """What a header says: which reading of which station."""

    key: str
    station: str


def open_wide(path: Path, table: Table, source: Source, sheet: Sheet | None) -> OpenedWide:
    """Return a wide table opened at its header.

    Raises
    ------
    InputError : it cannot be read, has no time, or not a column that is declared.
    """
    how = source.format_of(path)
    times = Table(table.role, tuple(column for column in table.columns if column.kind == "time"))
    patterns = _patterns(how)
    wanted = wanted_headers(times, how)
    if patterns:
        wanted = Wanted(wanted.required, lambda header: any(fits.fullmatch(header) for fits in patterns.values()))
    opened_table = open_table(path, how, wanted, sheet)
    try:
        return OpenedWide(opened_table, _mapped(opened_table, table, times, source, patterns))
    except InputError:
        opened_table.close()
        raise


def _mapped(
    opened_table: OpenedTable, table: Table, times: Table, source: Source, patterns: Mapping[str, re.Pattern[str]]
) -> WideTable:
    """Return how the columns of a wide table become readings."""
    headers = [header.strip() for header in opened_table.header.fields]
    lacking = _lacking(opened_table, times, patterns)
    if lacking or opened_table.header.separator is None:
        raise InputError(no_header(opened_table, table.role, lacking))
    field_map = field_map_of(opened_table, times, source.missing)
    if "time" not in field_map.positions:
        raise InputError(
            f"{opened_table.path}: a wide table needs a column of times: name it under columns.{table.role}.time"
        )
    time_at = field_map.positions["time"]
    names = words_of(table, opened_table.how).get("site_id", {})
    headed = {
        position: replace(said, station=names.get(plain_header(said.station), said.station))
        for position, header in enumerate(headers)
        if position != time_at and header and (said := _said(header, opened_table.how, patterns)) is not None
    }
    if not headed:
        raise InputError(
            f"{opened_table.path}: a wide table needs one column a station. The header has: {header_list(headers)}"
        )
    for said in headed.values():
        refuse_other_encoding(opened_table.path, said.station)
    _refuse_twice(opened_table.path, headed, headers)
    stations = tuple(dict.fromkeys(said.station for said in headed.values()))
    cells = tuple(
        Cells(column, {p: stations.index(said.station) for p, said in headed.items() if said.key == column.key})
        for column in table.columns
        if any(said.key == column.key for said in headed.values())
    )
    layout = replace(field_map.layout, wanted=(time_at, *headed))
    under = {(said.key, said.station): headers[position] for position, said in headed.items()}
    return WideTable(
        replace(
            field_map,
            table=table,
            layout=layout,
            headers=field_map.headers | under,
            conversions=conversions_of(table, opened_table.how),
        ),
        cells,
        stations,
        _unfit(opened_table.how, [header for position, header in enumerate(headers) if position not in headed]),
    )


def _unfit(how: FileFormat, unread: Sequence[str]) -> tuple[str, ...]:
    """Return the unread headers that hold the text of an element."""
    texts = [plain_header(text) for text in how.elements.values()]
    return tuple(header for header in unread if any(text in plain_header(header) for text in texts))


def _patterns(how: FileFormat) -> dict[str, re.Pattern[str]]:
    """Return the pattern of each element's headers, whose group is the station; none where a header is a station.

    The longer text comes first: `Max SWE` is not the SWE of a station called Max.
    """
    texts = sorted(how.elements.items(), key=lambda item: -len(item[1]))
    return {key: fitting((how.wide or "").replace(SITE, "{}").replace(ELEMENT, text)) for key, text in texts}


def _said(header: str, how: FileFormat, patterns: Mapping[str, re.Pattern[str]]) -> _Headed | None:
    """Return which reading of which station stands under a header, None where none does."""
    declared = {plain_header(text): station for text, station in how.stations.items()}
    if not patterns:
        station = declared.get(plain_header(header)) if declared else header
        return None if station is None else _Headed(how.wide or "", station)
    for key, fits in patterns.items():
        if (said := fits.fullmatch(header)) is not None:
            return _Headed(key, declared.get(plain_header(said[1]), said[1]))
    return None


def _lacking(opened_table: OpenedTable, times: Table, patterns: Mapping[str, re.Pattern[str]]) -> list[Lacking]:
    """Return the columns that a wide table must have, or is declared to have, and has not."""
    how, headers = opened_table.how, [header.strip() for header in opened_table.header.fields]
    plain = {plain_header(header) for header in headers}
    under = f"formats.{times.role}"
    missing = lacking_of(times, how, headers)
    missing += [
        Lacking((how.wide or "").replace(ELEMENT, text), f"{under}.elements.{key}")
        for key, text in how.elements.items()
        if not any(patterns[key].fullmatch(header) for header in headers)
    ]
    if not patterns:
        missing += [Lacking(text, f"{under}.stations") for text in how.stations if plain_header(text) not in plain]
    return missing


def _refuse_twice(path: Path, headed: Mapping[int, _Headed], headers: Sequence[str]) -> None:
    """Raise InputError where two columns hold the same reading of a station."""
    first: dict[_Headed, int] = {}
    for position, said in headed.items():
        if said in first:
            raise InputError(
                f"{path}: the columns '{headers[first[said]]}' and '{headers[position]}' both hold {said.key} of {said.station}. "
                "A wide table needs one column a station and reading: mend formats.stations in the settings"
            )
        first[said] = position


def converted_wide(piece: Split, wide: WideTable) -> Converted:
    """Return a row for every line and station with a reading, line by line."""
    field_map = wide.field_map
    text = piece.fields[field_map.positions["time"]]
    seconds, kind, unread = values.times(text, field_map.writing)
    shape = len(piece.line), len(wide.stations)
    read = [_read(piece, cells, field_map, shape) for cells in wide.cells]
    # A line without a readable time stays as one row, to be reported.
    lost = unread | (seconds == values.NO_TIME)
    keep = np.zeros(shape, bool)
    for one in read:
        keep |= np.isfinite(one.numbers) | one.wrong
    keep &= ~lost[:, None]
    keep[lost, 0] = True
    row, station = np.nonzero(keep)
    arrays = {other.name: np.full(len(row), np.nan) for other in field_map.table.columns if other.kind == "number"}
    arrays |= {cells.column.name: one.numbers[keep] for cells, one in zip(wide.cells, read, strict=True)}
    arrays |= {"seconds": seconds[row], "kind": kind[row]}
    names = pa.array(wide.stations, pa.string())
    site_id = pa.DictionaryArray.from_arrays(pa.array(station.astype(np.int32)), names)
    troubles = []
    if unread.any():
        troubles.append(Wrong("time", np.flatnonzero(unread[row]), wrong_values("", unread, text).texts))
    for cells, one in zip(wide.cells, read, strict=True):
        rows = np.flatnonzero(one.wrong[keep] & ~lost[row])
        if len(rows):
            shown = [one.texts.get((int(row[i]), int(station[i])), "") for i in rows[:MOST_TEXTS]]
            troubles.append(Wrong(cells.column.key, rows, shown))
    return Converted(arrays, {"site_id": site_id}, piece.line[row], piece.lines, piece.bad, troubles)


@dataclass(frozen=True)
class _Read:
    """The cells of one reading, (lines, stations): numbers, which are none, and texts of these by line and station."""

    numbers: np.ndarray
    wrong: np.ndarray
    texts: dict[tuple[int, int], str]


def _read(piece: Split, cells: Cells, field_map: FieldMap, shape: tuple[int, int]) -> _Read:
    numbers, wrong = np.full(shape, np.nan), np.zeros(shape, bool)
    texts: dict[tuple[int, int], str] = {}
    how = field_map.conversions.get(cells.column.key, SAME)
    for position, station in cells.stations.items():
        read, bad = values.numbers(piece.fields[position], field_map.writing)
        numbers[:, station] = canonical_numbers(read, cells.column, how)
        wrong[:, station] = bad
        if bad.any():
            shown = wrong_values("", bad, piece.fields[position])
            texts |= {(line, station): cell for line, cell in zip(shown.rows.tolist(), shown.texts, strict=False)}
    return _Read(numbers, wrong, texts)
