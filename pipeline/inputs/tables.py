"""From a user's file to canonical columns: headers, units, missing codes and times settled, every row used or reported.

A table is described once (`Table`), split into text fields, and converted column by column. What cannot be converted
becomes a missing value and a finding with file and line; nothing is guessed and no row vanishes.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa

from pipeline.inputs.columns import Column, Table
from pipeline.inputs.converting import Converted, converted, nothing
from pipeline.inputs.headers import FieldMap, opened
from pipeline.inputs.lines import BadLine
from pipeline.inputs.source import Source
from pipeline.inputs.table_findings import header_findings, joined, line_finding, value_finding
from pipeline.inputs.usable import UnreadLines, counts_of, too_few
from pipeline.model.problems import Finding, InputError
from pipeline.model.rules.files import UNREADABLE_FILE


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
    field_map, splits = opened(path, table, source.format_of(path), source.missing)
    columns = {column.key: column for column in table.columns}
    findings = header_findings(field_map)
    parts: list[pd.DataFrame] = []
    unread: list[UnreadLines] = []
    start, bad_rows = field_map.first_line, 0
    for piece in (converted(fields, field_map) for fields in splits):
        rows = _rows(piece, path, start, table)
        findings += [line_finding(field_map, bad, start) for bad in joined(piece.bad)]
        bad_rows += rows_among(piece.bad, field_map)
        for wrong in piece.wrong:
            lines = rows["line"].to_numpy()[wrong.rows]
            unread.append(UnreadLines(wrong.key, lines))
            days = _days(rows, wrong.rows)
            texts = [*wrong.texts, *[""] * (len(lines) - len(wrong.texts))]
            findings += [
                value_finding(field_map, line, columns[wrong.key], text, day)
                for line, day, text in zip(lines.tolist(), days, texts, strict=True)
            ]
        parts.append(rows)
        start += piece.lines
    rows = pd.concat(parts, ignore_index=True)
    counts = counts_of(rows, table, bad_rows, unread)
    for count in counts:
        findings += too_few(table.role, str(path), count, source.least_share)
    return rows, findings


def rows_among(bad: list[BadLine], field_map: FieldMap) -> int:
    """Return how many of the lines that cannot be split are rows.

    A line without a separator is a note between the rows.
    """
    layout = field_map.layout
    return sum(line.lines for line in bad if layout.separator in line.text or len(layout.headers) == 1)


def _rows(piece: Converted, path: Path, start: int, table: Table) -> pd.DataFrame:
    rows = pd.DataFrame({"file": str(path), "line": piece.line + start})
    for column in table.columns:
        rows[column.name] = _series(piece, column) if column.kind == "text" else piece.arrays[column.name]
    return rows


def _series(piece: Converted, column: Column) -> pd.Series:
    texts: pa.DictionaryArray = piece.texts[column.name]
    return pd.Series(texts.to_pandas().astype(str), dtype=str)


def _days(rows: pd.DataFrame, which: np.ndarray) -> list[str]:
    """Return the day of some rows as text, empty where one has none."""
    if "date" not in rows:
        return [""] * len(which)
    return ["" if pd.isna(day) else str(day.date()) for day in rows["date"].iloc[which]]
