"""Which column of a table is which canonical column.

By the header's words first, then by what the values are.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from scipy.optimize import linear_sum_assignment

from snowtally.proposals.column_values import CLEAR, by_values, could_be, may_hold
from snowtally.proposals.seen_columns import LEAST_FIT, FolderEvidence, SeenColumn, SeenTable
from snowtally.proposals.table_keys import KEYS

SECOND_MEANING = 0.9
"""Weight of a key's less likely meanings: a table with Station and Name has its id under Station (chosen)."""


@dataclass(frozen=True)
class Assignment:
    """Which column holds which key.

    Parameters
    ----------
    columns : by key.
    others : for keys that a second column fits as well, that column.
    left : columns that no key takes.
    """

    columns: Mapping[str, SeenColumn]
    others: Mapping[str, SeenColumn]
    left: tuple[SeenColumn, ...]


def assigned(role: str, table: SeenTable, beside: FolderEvidence) -> Assignment:
    """Return which column of a table holds which key of a role.

    Each column holds one key. Of all ways the one counts that explains most; where a way explains a key as well by another
    column, that is told.
    """
    keys = list(KEYS[role])
    columns = table.columns
    fits = np.array([[_fit(role, key, column, table, beside) for column in columns] for key in keys])
    best, total = _best(fits)
    chosen = {keys[row]: columns[column] for row, column in best}
    others: dict[str, SeenColumn] = {}
    for row, column in best:
        without = fits.copy()
        without[row, column] = 0.0
        again, less = _best(without)
        second = dict(again).get(row)
        if second is not None and total - less < CLEAR and columns[second].cells.texts != columns[column].cells.texts:
            others[keys[row]] = columns[second]
    taken = {column.position for column in chosen.values()}
    return Assignment(chosen, others, tuple(column for column in columns if column.position not in taken))


def _best(fits: np.ndarray) -> tuple[list[tuple[int, int]], float]:
    rows, columns = linear_sum_assignment(-fits)
    pairs = [(int(r), int(c)) for r, c in zip(rows, columns, strict=True) if fits[r, c] >= LEAST_FIT]
    return pairs, float(sum(fits[r, c] for r, c in pairs))


def _fit(role: str, key: str, column: SeenColumn, table: SeenTable, beside: FolderEvidence) -> float:
    """Return how well a column fits a key.

    0 to 1.5 or so.
    """
    if not may_hold(role, key, column):
        return 0.0
    shares = column.meanings
    of_key = KEYS[role][key]
    share = max(
        (shares.get(meaning, 0.0) * (1.0 if rank == 0 else SECOND_MEANING) for rank, meaning in enumerate(of_key)),
        default=0.0,
    )
    # What a header means best may be no column of this table: a minimum temperature is no temperature of a station.
    elsewhere = max((value for meaning, value in shares.items() if could_be(meaning, column)), default=0.0)
    if share + CLEAR / 2 < elsewhere and share < elsewhere * SECOND_MEANING - CLEAR / 2:
        share = 0.0
    return share * (1.0 if share >= LEAST_FIT else 0.0) + by_values(role, key, column, table, beside)
