"""Wide station tables: one line a time, one column a station, one reading a table."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pyarrow as pa

from pipeline.inputs import values
from pipeline.inputs.columns import Column, Table, plain_header
from pipeline.inputs.converting import MOST_TEXTS, Converted, Wrong, canonical_numbers, wrong_values
from pipeline.inputs.formats import FileFormat
from pipeline.inputs.headers import FieldMap, opened_text
from pipeline.inputs.lines import Split
from pipeline.inputs.printable import header_list
from pipeline.inputs.units import SAME, conversion
from pipeline.model.problems import InputError


@dataclass(frozen=True)
class WideTable:
    """How a wide table's columns are stations.

    Parameters
    ----------
    field_map : how its time becomes a column; its layout wants the stations' columns too.
    column : the reading that its cells hold.
    stations : the station of each field by its position.
    """

    field_map: FieldMap
    column: Column
    stations: dict[int, str]


def opened_wide(path: Path, table: Table, how: FileFormat, missing: Sequence[str]) -> tuple[WideTable, Iterator[bytes]]:
    """Return how a wide table's columns are stations, and its lines in chunks.

    Raises
    ------
    InputError : it cannot be read, has no time, or not a column that a station is declared for.
    """
    time = tuple(column for column in table.columns if column.kind == "time")
    field_map, pieces = opened_text(path, Table(table.role, time), how, missing)
    headers = [header.strip() for header in field_map.layout.headers]
    declared = {plain_header(header): station for header, station in how.stations.items()}
    lacking = [header for header in how.stations if plain_header(header) not in map(plain_header, headers)]
    if lacking:
        raise InputError(
            f"{path}: no column '{lacking[0]}'. The header has: {header_list(headers)}. "
            f"Mend stations under formats.{table.role} in the settings"
        )
    time_at = field_map.positions["time"]
    stations = {position: header for position, header in enumerate(headers) if position != time_at and header}
    if declared:
        stations = {p: declared[plain_header(h)] for p, h in stations.items() if plain_header(h) in declared}
    if len(set(stations.values())) < len(stations) or not stations:
        raise InputError(f"{path}: a wide table needs one column a station. The header has: {header_list(headers)}")
    layout = replace(field_map.layout, wanted=(time_at, *stations))
    column = next(column for column in table.columns if column.key == how.wide)
    unit = how.columns[column.key].unit if column.key in how.columns else None
    conversions = {} if unit is None or column.unit is None else {column.key: conversion(unit, column.unit)}
    field_map = replace(field_map, table=table, layout=layout, conversions=conversions)
    return WideTable(field_map, column, stations), pieces


def converted_wide(piece: Split, wide: WideTable) -> Converted:
    """Return a row for every cell with something in it, line by line."""
    field_map, column, stations = wide.field_map, wide.column, wide.stations
    text = piece.fields[field_map.positions["time"]]
    seconds, kind, unread = values.times(text, field_map.writing)
    lines, many = len(piece.line), len(stations)
    cells, wrong = np.empty((lines, many)), np.zeros((lines, many), bool)
    texts: dict[tuple[int, int], str] = {}
    for number, position in enumerate(stations):
        numbers, bad = values.numbers(piece.fields[position], field_map.writing)
        cells[:, number] = canonical_numbers(numbers, column, field_map.conversions.get(column.key, SAME))
        wrong[:, number] = bad
        shown = wrong_values("", bad, piece.fields[position])
        texts |= {(line, number): cell for line, cell in zip(shown.rows.tolist(), shown.texts, strict=False)}
    # A line without a readable time stays as one row, to be reported.
    lost = unread | (seconds == values.NO_TIME)
    keep = (np.isfinite(cells) | wrong) & ~lost[:, None]
    keep[lost, 0] = True
    row, station = np.nonzero(keep)
    arrays = {other.name: np.full(len(row), np.nan) for other in field_map.table.columns if other.kind == "number"}
    arrays |= {column.name: cells[keep], "seconds": seconds[row], "kind": kind[row]}
    names = pa.array(list(stations.values()), pa.string())
    site_id = pa.DictionaryArray.from_arrays(pa.array(station.astype(np.int32)), names)
    troubles = []
    if unread.any():
        troubles.append(Wrong("time", np.flatnonzero(unread[row]), wrong_values("", unread, text).texts))
    rows = np.flatnonzero(wrong[keep] & ~lost[row])
    if len(rows):
        cell_texts = [texts.get((int(row[i]), int(station[i])), "") for i in rows[:MOST_TEXTS]]
        troubles.append(Wrong(column.key, rows, cell_texts))
    return Converted(arrays, {"site_id": site_id}, piece.line[row], piece.lines, piece.bad, troubles)
