"""Tables that are no rows of one site and time.

Brought into that shape, so that units and sites are told as of any other.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from snowtally.proposals.cells import Cells, cells_of, numbers_of
from snowtally.proposals.proposal import Proposal
from snowtally.proposals.seen_columns import SeenColumn
from snowtally.proposals.units_known import header_words


@dataclass(frozen=True)
class Reshaped:
    """A table as rows of one site and time.

    Parameters
    ----------
    role : courses or stations.
    columns : by canonical key, with a field for each row of the new shape.
    from_row : the table's row that each new row comes from.
    spread : keys whose values stand under many headers, so that no single column holds them.
    proposals : what is proposed for the shape.
    evidence : why it is read so.
    doubts : what cannot be told, each a reason to refuse.
    """

    role: str
    columns: Mapping[str, SeenColumn]
    from_row: np.ndarray
    spread: frozenset[str]
    proposals: tuple[Proposal, ...]
    evidence: str
    doubts: tuple[str, ...] = ()


def stacked(header: str, parts: Sequence[Sequence[str]], decimal: str, like: SeenColumn) -> SeenColumn:
    """Return the fields of several columns as one.

    Parameters
    ----------
    header : names the column and its unit.
    like : one of the columns, whose unit counts where the header names none.
    """
    texts = [text for part in parts for text in part]
    numbers = numbers_of(texts, decimal)
    cells = (
        cells_of(texts, decimal, may_be_serial=False)
        if not np.isfinite(numbers).any()
        else Cells(tuple(texts), numbers)
    )
    words = header_words(header)
    counted = {text for text, number in zip(texts, numbers, strict=True) if text and not np.isfinite(number)}
    for text in counted:
        cells.words[text] = texts.count(text)
    return replace(like, header=header, words=words, unit=words.unit or like.unit, cells=cells)


def tiled(column: SeenColumn, many: int) -> SeenColumn:
    """Return a column's fields so many times one after the other."""
    cells = column.cells
    dates = tuple(replace(one, seconds=np.tile(one.seconds, many)) for one in cells.dates)
    return replace(column, cells=Cells(cells.texts * many, np.tile(cells.numbers, many), dates, cells.words))
