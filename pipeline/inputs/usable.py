"""Whether a file's own rows became usable rows: none, or clearly fewer, is a finding that degrades the night."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from snowtally.inputs.columns import Table
from snowtally.model.problems import Finding
from snowtally.model.rules import files as rules

LEAST_USABLE_SHARE = 0.9
"""The usual share of rows that must be usable (checks.least_usable_share). A logger's export loses next to none, a sheet typed by
hand one row in some dozens; what loses a tenth has another separator, decimal mark, line end or date order than is declared
(common practice, no source). Lower: a file half of which is lost passes as sound."""

LEAST_LOST = 3
"""Fewer rows lost than this are slips of the pen, whatever their share: each is told by itself."""


@dataclass(frozen=True)
class Count:
    """How many items a file has, and how many are usable.

    Parameters
    ----------
    there, usable : rows, or values of one column.
    what : the column's header; empty for rows.
    start, end : first and last day of those that cannot be used, ISO 8601; empty where one of them has no day.
    """

    there: int
    usable: int
    what: str = ""
    start: str = ""
    end: str = ""


def clearly_fewer(there: int, usable: int, least_share: float) -> bool:
    """Return whether clearly fewer are usable than are there."""
    return there - usable >= LEAST_LOST and usable < least_share * there


def too_few(role: str, file: str, count: Count, least_share: float) -> list[Finding]:
    """Return a finding if too few items can be used.

    That is where no row can be used, or clearly fewer rows or values than the file has. Otherwise the list is empty.

    Parameters
    ----------
    least_share : share of rows, or of a column's values, that must be usable.
    """
    if count.what:
        if not clearly_fewer(count.there, count.usable, least_share):
            return []
        rule = rules.FEW_USABLE_ROWS
        evidence = f"{count.what}: {count.usable} of {count.there} values can be read"
    elif count.usable == 0:
        rule = rules.NO_USABLE_ROW if count.there else rules.EMPTY_FILE
        evidence = f"none of {count.there} rows can be used" if count.there else "a header and no row"
    elif clearly_fewer(count.there, count.usable, least_share):
        rule = rules.FEW_USABLE_ROWS
        evidence = f"{count.usable} of {count.there} rows can be used"
    else:
        return []
    return [Finding(rule, role, file, start=count.start, end=count.end, evidence=evidence, detail=rule.says(role=role))]


@dataclass(frozen=True)
class UnreadRows:
    """The labels of the rows in which a column's value could not be read."""

    key: str
    rows: np.ndarray


def counts_of(rows: pd.DataFrame, table: Table, bad_lines: int, unread: list[UnreadRows]) -> list[Count]:
    """Return the counts of a file's usable rows, and of each optional column's values.

    A row without a text or date that is required, or with a required number that cannot be read, is no usable row. One with
    something in a single column is a note below the table.
    """
    if table.may_be_empty and rows.empty and not bad_lines:
        return []
    labels: dict[str, np.ndarray] = {}
    for part in unread:
        labels[part.key] = np.concatenate([labels.get(part.key, np.empty(0, np.int64)), part.rows])
    # Plain arrays: folders of many small files cost what is done once a file.
    none = np.zeros(len(rows), bool)
    wrong = {
        column.key: rows.index.isin(labels[column.key]) if column.key in labels else none for column in table.columns
    }
    there = {
        column.key: (
            rows[column.name].to_numpy() != "" if column.kind == "text" else ~np.isnan(rows[column.name].to_numpy())
        )
        | wrong[column.key]
        for column in table.columns
    }
    row = np.sum(list(there.values()), axis=0) > 1
    lost = none.copy()
    for column in table.columns:
        if column.required:
            lost |= wrong[column.key] if column.kind == "number" else ~there[column.key] | wrong[column.key]
    bad = row & lost
    counts = [Count(int(row.sum()) + bad_lines, int((row & ~lost).sum()), "", *_span(rows[bad], bad_lines))]
    for column in table.columns:
        if wrong[column.key].any() and not column.required:
            of, unreadable = int(there[column.key].sum()), wrong[column.key]
            counts.append(Count(of, of - int(unreadable.sum()), column.header, *_span(rows[unreadable], 0)))
    return counts


def _span(lost: pd.DataFrame, bad_lines: int) -> tuple[str, str]:
    """Return the first and last day of lost rows.

    Both are empty where a row has no day. A line that could not be split has none.
    """
    if bad_lines or lost.empty or "date" not in lost or lost["date"].isna().any():
        return "", ""
    return str(lost["date"].min().date()), str(lost["date"].max().date())
