"""From a user's file to canonical columns: headers, units, missing codes and times settled, every row used or reported.

A table is described once (`Table`), split into text fields, and converted column by column. What cannot be converted
becomes a missing value and a finding with file and line; nothing is guessed and no row vanishes.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TypeVar

import numpy as np
import pandas as pd
import pyarrow as pa

from snowtally.inputs.columns import Table
from snowtally.inputs.converting import FIRST_CELL, Converted, Wrong, converted, nothing
from snowtally.inputs.headers import FieldMap, opened
from snowtally.inputs.lines import BadLine, LineKind
from snowtally.inputs.monthly import opened_monthly
from snowtally.inputs.opening import tables_in
from snowtally.inputs.sheets import Sheet
from snowtally.inputs.source import Source
from snowtally.inputs.summary_rows import is_summary, without_summaries
from snowtally.inputs.table_findings import (
    findings_above,
    header_findings,
    joined,
    line_finding,
    of_sheet,
    value_finding,
)
from snowtally.inputs.usable import UnreadRows, counts_of, too_few
from snowtally.model.problems import Finding, InputError
from snowtally.model.rules.files import UNREADABLE_FILE

Rows = TypeVar("Rows")
"""What the reader of a table makes of a file or sheet."""


def read_tables(source: Source, table: Table) -> tuple[pd.DataFrame, list[Finding]]:
    """Return the rows of all files of an optional table, and the findings.

    A file that cannot be read is a finding, not a stop. Rows and findings are as `read_table` returns them, file by file.
    """
    parts, findings = [], []
    for path in source.files:
        try:
            rows, noticed = read_table(path, table, source)
        except InputError as trouble:
            findings.append(unreadable_table(table, path, trouble))
            continue
        parts.append(rows)
        findings += noticed
    if not parts:
        columns = {
            column.name: pd.Series(dtype=str) if column.kind == "text" else nothing(column, 0)
            for column in table.columns
        }
        return pd.DataFrame({"file": pd.Series(dtype=str), "line": pd.Series(dtype=int), **columns}), findings
    return pd.concat(parts, ignore_index=True), findings


def unreadable_table(table: Table, path: Path, trouble: InputError) -> Finding:
    """Return the finding that a file of an optional table cannot be read.

    A night with one is degraded.
    """
    return Finding(UNREADABLE_FILE, table.role, str(path), detail=str(trouble))


def read_table(path: Path, table: Table, source: Source) -> tuple[pd.DataFrame, list[Finding]]:
    """Return the canonical rows of one file, and the findings.

    The file is delimited text or a workbook.

    Parameters
    ----------
    path : the file; a header line stands above its rows.
    table : the columns to look for; all others are ignored.
    source : what the settings say of the table's files.

    Returns
    -------
    rows : one row each line of data, in the file's order, with the program's column names (missing optional columns are
        all-missing) and `file` and `line`.
    findings : lines and values that could not be read, and that none or clearly fewer of the rows or values are usable.

    Raises
    ------
    InputError : the file cannot be read at all or a required column is not there; the message names file and columns.
    """
    parts, findings = each_sheet(path, table, source, lambda sheet: _read_one(path, table, source, sheet))
    return parts[0] if len(parts) == 1 else pd.concat(parts, ignore_index=True), findings


def each_sheet(
    path: Path, table: Table, source: Source, read: Callable[[Sheet | None], tuple[Rows, list[Finding]]]
) -> tuple[list[Rows], list[Finding]]:
    """Return what each sheet of a file holds, and the findings; of a file without sheets it is one.

    A sheet that cannot be read is a finding where another can.

    Parameters
    ----------
    read : returns what a sheet holds, and the findings on it.

    Raises
    ------
    InputError : none can be read.
    """
    parts, findings, troubles = [], [], []
    for sheet in tables_in(path, source.format_of(path)):
        try:
            rows, noticed = read(sheet)
        except InputError as trouble:
            troubles.append(trouble)
            noticed = [unreadable_table(table, path, trouble)]
        else:
            parts.append(rows)
        findings += of_sheet(noticed, sheet)
    if not parts:
        raise troubles[0]
    return parts, findings


def _read_one(path: Path, table: Table, source: Source, sheet: Sheet | None) -> tuple[pd.DataFrame, list[Finding]]:
    """Return the canonical rows of a delimited file or a sheet, and the findings."""
    open_it = opened_monthly if source.format_of(path).monthly is not None else opened
    field_map, splits = open_it(path, table, source, sheet)
    findings = findings_above(field_map) + header_findings(field_map)
    parts: list[pd.DataFrame] = []
    unread: list[_Unread] = []
    start, bad_rows, before = field_map.first_line, 0, 0
    for piece in (converted(fields, field_map) for fields in splits):
        rows = _rows(piece, path, start, table)
        bad = [_of_its_kind(line, field_map) for line in piece.bad]
        findings += [line_finding(field_map, line, start) for line in joined(bad)]
        bad_rows += rows_among(bad, field_map)
        unread += [_Unread(wrong, before) for wrong in piece.wrong]
        parts.append(rows)
        start += piece.lines
        before += len(rows)
    rows = pd.concat(parts, ignore_index=True)
    if table.visit:
        for one in unread:
            one.put_summaries(rows)
        rows, noticed = without_summaries(rows, table)
        findings += noticed
    for one in unread:
        findings += one.findings(rows, field_map)
    counts = counts_of(rows, table, bad_rows, [UnreadRows(one.wrong.key, one.labels) for one in unread])
    for count in counts:
        findings += too_few(table.role, str(path), count, source.least_share)
    return rows.reset_index(drop=True), findings


@dataclass(frozen=True)
class _Unread:
    """The values of a piece that could not be read, and how many rows the pieces before have."""

    wrong: Wrong
    before: int

    @property
    def labels(self) -> np.ndarray:
        """The labels of their rows among those of the file."""
        return self.wrong.rows + self.before

    def put_summaries(self, rows: pd.DataFrame) -> None:
        """Put a summary's word that stands where the date should be into the rows' first cell, in place."""
        if self.wrong.key == "date":
            said = {at: text for at, text in zip(self.labels, self.wrong.texts, strict=False) if is_summary(text)}
            rows.loc[list(said), FIRST_CELL] = list(said.values())

    def findings(self, rows: pd.DataFrame, field_map: FieldMap) -> list[Finding]:
        """Return a finding for each, where its row is still there."""
        column = next(column for column in field_map.table.columns if column.key == self.wrong.key)
        texts = [*self.wrong.texts, *[""] * (len(self.wrong.rows) - len(self.wrong.texts))]
        there = self.labels[is_there := np.isin(self.labels, rows.index)]
        lines, days = rows.loc[there, "line"].tolist(), _days(rows.loc[there])
        shown = [text for text, there_too in zip(texts, is_there, strict=True) if there_too]
        return [
            value_finding(field_map, line, column, text, day)
            for line, day, text in zip(lines, days, shown, strict=True)
        ]


def _of_its_kind(line: BadLine, field_map: FieldMap) -> BadLine:
    """Return a line that is no row, as a summary where its first field says so."""
    first = line.text.partition(field_map.layout.separator)[0]
    if field_map.table.visit and line.kind is LineKind.UNREADABLE and is_summary(first.strip('"')):
        return replace(line, kind=LineKind.SUMMARY)
    return line


def rows_among(bad: list[BadLine], field_map: FieldMap) -> int:
    """Return how many of the lines that cannot be split are rows.

    A line without a separator is a note between the rows.
    """
    layout = field_map.layout
    return sum(
        line.lines
        for line in bad
        if line.kind is LineKind.UNREADABLE and (layout.separator in line.text or len(layout.headers) == 1)
    )


def _rows(piece: Converted, path: Path, start: int, table: Table) -> pd.DataFrame:
    columns = {
        column.name: _series(piece.texts[column.name]) if column.kind == "text" else piece.arrays[column.name]
        for column in table.columns
    }
    if table.visit:
        columns[FIRST_CELL] = _series(piece.texts[FIRST_CELL]) if FIRST_CELL in piece.texts else ""
    return pd.DataFrame({"file": str(path), "line": piece.line + start, **columns})


def _series(texts: pa.DictionaryArray) -> pd.Series:
    return pd.Series(texts.to_pandas().astype(str), dtype=str)


def _days(rows: pd.DataFrame) -> list[str]:
    """Return the day of each row as text, empty where it has none."""
    if "date" not in rows:
        return [""] * len(rows)
    return ["" if pd.isna(day) else str(day.date()) for day in rows["date"]]
