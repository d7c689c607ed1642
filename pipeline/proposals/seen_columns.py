"""A table's columns as they are seen.

Header, unit and what the fields are; and what the folder's other files tell of it.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cached_property

from snowtally.proposals.cells import Cells, cells_of, decimal_mark
from snowtally.proposals.header_phrases import FILLING
from snowtally.proposals.headers_known import meanings
from snowtally.proposals.proposal import BasinHint
from snowtally.proposals.raw_table import RawTable
from snowtally.proposals.units_known import LENGTH, WATER, HeaderWords, Unit, header_words, unit_of

LEAST_FIT = 0.35
"""A column is proposed for a key where words or values explain so much of it, 0 to 1 (tried on headers of six languages)."""


@dataclass(frozen=True)
class SeenColumn:
    """A column of a file.

    Parameters
    ----------
    position : from the left, from 0.
    header : as it stands there; empty in a table without a header.
    words : of the header.
    unit : from the header or the line of units; None where neither says one.
    cells : what its fields are.
    """

    position: int
    header: str
    words: HeaderWords
    unit: Unit | None
    cells: Cells

    @cached_property
    def meanings(self) -> dict[str, float]:
        """What the header may mean."""
        return meanings(self.words.words)


def is_water(words: Sequence[str], column: SeenColumn) -> bool:
    """Return whether a header says water alone, in a depth or a mass over an area: SWE, where depth of snow stands beside it."""
    plain = [word for word in words if word not in FILLING]
    return (
        len(plain) == 1
        and plain[0] in WATER_ALONE
        and column.unit is not None
        and column.unit.measures in (LENGTH, WATER)
    )


WATER_ALONE = ("water", "wasser", "eau", "agua", "acqua", "vann")
"""Too short to say which water, but for the unit and the depth beside it."""


@dataclass(frozen=True)
class SeenTable:
    """A table of a file with what its columns are."""

    raw: RawTable
    decimal: str
    decimal_evidence: str
    columns: tuple[SeenColumn, ...]


def seen_table(raw: RawTable) -> SeenTable:
    """Return a table with what its columns are."""
    decimal, many, others = (".", 0, 0) if raw.sheet is not None else decimal_mark(raw)
    columns = []
    for position in range(raw.width):
        header = raw.header[position] if raw.header else ""
        words = header_words(header)
        unit = words.unit
        if unit is None and position < len(raw.units):
            unit = unit_of(raw.units[position].strip().strip("()[]"))
        means = meanings(words.words)
        may_be_serial = not header or max((means.get(key, 0.0) for key in DATED), default=0.0) > LEAST_FIT
        cells = cells_of(raw.column(position), decimal, may_be_serial=may_be_serial)
        columns.append(SeenColumn(position, header, words, unit, cells))
    evidence = f"{many} numbers with '{decimal}', {others} with the other mark"
    return SeenTable(raw, decimal, evidence, tuple(columns))


DATED = ("date", "time", "from", "until", "nominal_date", "issued", "when", "start", "end")
"""Meanings whose values are days or times."""


@dataclass(frozen=True)
class FolderEvidence:
    """What the folder's other files tell about a table.

    Parameters
    ----------
    site_ids : identifiers that stand in its other tables.
    names : names of sites.
    hint : where the basin lies.
    headers : of its other tables, a line each.
    """

    site_ids: frozenset[str] = frozenset()
    names: frozenset[str] = frozenset()
    hint: BasinHint | None = None
    headers: str = ""


def site_like(table: SeenTable) -> Iterable[frozenset[str]]:
    """Yield the texts of the columns that may hold site identifiers.

    As evidence for other tables.
    """
    for column in table.columns:
        texts = column.cells.filled
        if not texts or column.cells.is_paths or (column.cells.is_dated and not column.cells.is_numeric):
            continue
        whole = all(re.fullmatch(r"-?\d+", text) for text in texts[:50])
        if column.cells.is_numeric and not (whole and column.meanings.get("site_id", 0.0) > LEAST_FIT):
            continue
        different = frozenset(texts)
        if 1 < len(different) <= MOST_SITES:
            yield different


def words_around(raw: RawTable) -> frozenset[str]:
    """Return the words outside a table's rows that may be site identifiers.

    Of headers, titles, sheet and file.
    """
    texts = [*raw.header, raw.sheet or "", raw.path.stem]
    words = {word for text in texts for word in re.findall(r"[^\W_]+", text)}
    titled = {word for line in raw.above for word in re.findall(r"[^\W_]+", line) if any(map(str.isdigit, word))}
    whole = {line.rpartition(":")[2].strip() for line in raw.above} | {text.strip() for text in texts}
    return frozenset(words | titled | whole) - {""}


MOST_SITES = 2000
"""More different texts in a column are remarks, not sites."""
