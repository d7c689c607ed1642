"""Wide station tables: one line a time, one column a station, one reading a table."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pyarrow as pa

from pipeline.inputs import values
from pipeline.inputs.columns import Column, Table, plain_header
from pipeline.inputs.formats import FileFormat
from pipeline.inputs.lines import Split
from pipeline.inputs.tables import (
    MOST_TEXTS,
    Converted,
    Plan,
    Wrong,
    canonical_numbers,
    in_words,
    opened_text,
    wrong_values,
)
from pipeline.inputs.units import SAME, conversion
from pipeline.model.problems import InputError


def opened_wide(
    path: Path, table: Table, how: FileFormat, missing: Sequence[str]
) -> tuple[Plan, dict[int, str], Iterator[bytes]]:
    """Find a wide table's header.

    Returns
    -------
    plan : how its time becomes a column; its layout wants the stations' columns too.
    stations : the station of each field by its place.
    pieces : its lines in chunks.

    Raises
    ------
    InputError : it cannot be read, has no time, or not a column that a station is declared for.
    """
    time = tuple(column for column in table.columns if column.kind == "time")
    plan, pieces = opened_text(path, Table(table.role, time), how, missing)
    headers = [header.strip() for header in plan.layout.headers]
    declared = {plain_header(header): station for header, station in how.stations.items()}
    lacking = [header for header in how.stations if plain_header(header) not in map(plain_header, headers)]
    if lacking:
        raise InputError(
            f"{path}: no column '{lacking[0]}'. The header has: {in_words(headers)}. "
            f"Mend stations under formats.{table.role} in the settings"
        )
    here = plan.places["time"]
    stations = {place: header for place, header in enumerate(headers) if place != here and header}
    if declared:
        stations = {p: declared[plain_header(h)] for p, h in stations.items() if plain_header(h) in declared}
    if len(set(stations.values())) < len(stations) or not stations:
        raise InputError(f"{path}: a wide table needs one column a station. The header has: {in_words(headers)}")
    layout = replace(plan.layout, wanted=(here, *stations))
    key = _wide_column(table, how.wide)
    unit = how.columns[key.key].unit if key.key in how.columns else None
    conversions = {key.key: conversion(unit, key.unit)} if unit is not None else {}
    return replace(plan, table=table, layout=layout, conversions=conversions, above=plan.above), stations, pieces


def _wide_column(table: Table, key: str) -> Column:
    return next(column for column in table.columns if column.key == key)


def converted_wide(fields: Split, plan: Plan, key: str, stations: dict[int, str]) -> Converted:
    """Convert a wide piece: a row for every cell with something in it, line by line."""
    column = _wide_column(plan.table, key)
    text = fields.fields[plan.places["time"]]
    seconds, kind, unread = values.times(text, plan.writing)
    lines, many = len(fields.line), len(stations)
    cells, wrong, texts = np.empty((lines, many)), np.zeros((lines, many), bool), {}
    for number, place in enumerate(stations):
        found, bad = values.numbers(fields.fields[place], plan.writing)
        cells[:, number] = canonical_numbers(found, column, plan.conversions.get(column.key, SAME))
        wrong[:, number] = bad
        told = wrong_values("", bad, fields.fields[place])
        texts |= {(row, number): one for row, one in zip(told.rows.tolist(), told.texts, strict=False)}
    # A line without a readable time stays as one row, to be told.
    lost = unread | (seconds == values.NO_TIME)
    keep = (np.isfinite(cells) | wrong) & ~lost[:, None]
    keep[lost, 0] = True
    row, number = np.nonzero(keep)
    columns: dict[str, np.ndarray | pa.DictionaryArray] = {}
    for other in plan.table.columns:
        if other.kind == "number":
            columns[other.name] = np.full(len(row), np.nan)
    columns[column.name] = cells[keep]
    columns["site_id"] = pa.DictionaryArray.from_arrays(
        pa.array(number.astype(np.int32)), pa.array(list(stations.values()), pa.string())
    )
    columns["seconds"], columns["kind"] = seconds[row], kind[row]
    troubles = []
    if unread.any():
        troubles.append(Wrong("time", np.flatnonzero(unread[row]), wrong_values("", unread, text).texts))
    rows = np.flatnonzero(wrong[keep] & ~lost[row])
    if len(rows):
        told = [texts.get((int(row[i]), int(number[i])), "") for i in rows[:MOST_TEXTS]]
        troubles.append(Wrong(column.key, rows, told))
    return Converted(columns, fields.line[row], fields.lines, fields.bad, troubles)
