"""The mean of a kriged field: a constant and columns such as elevation, as far as the sites can tell them apart."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

NO_NEWS = float(np.sqrt(np.finfo(float).eps))
"""Half of the digits of a number. A column that varies, or differs from the ones before it, by less than this share of its squared
size says nothing new; a site whose observation alone determines a coefficient is known by its diagonal falling to this share."""


@dataclass(frozen=True)
class Drift:
    """The columns of the mean.

    Parameters
    ----------
    constant : whether a constant comes first.
    chosen : (p,) numbers of the columns kept.
    centre, scale : (p,) what is taken off each column, and what it is then divided by.

    Examples
    --------
    >>> drift = Drift.of(np.array([[1000.0, 2000.0], [2000.0, 4000.0], [3000.0, 6000.0]]), constant=True)
    >>> drift.chosen
    array([0])
    >>> drift.rows(np.ones(1), np.array([[2500.0, 5000.0]])).round(4)
    array([[1.    , 0.6124]])
    """

    constant: bool
    chosen: np.ndarray
    centre: np.ndarray
    scale: np.ndarray

    @classmethod
    def of(cls, columns: np.ndarray, *, constant: bool) -> Drift:
        """Choose the (n, k) columns that differ from those before them."""
        n = len(columns)
        centre = columns.mean(axis=0) if constant and n else np.zeros(columns.shape[1])
        centred = columns - centre
        scale = np.sqrt(np.mean(centred**2, axis=0)) if n else np.zeros(columns.shape[1])
        size = np.abs(columns).max(axis=0) if n else scale
        basis = [np.full(n, 1.0 / np.sqrt(n))] if constant and n else []
        chosen = []
        for column in range(columns.shape[1]):
            if len(basis) >= n or scale[column] <= NO_NEWS * size[column]:
                continue
            rest = centred[:, column] / np.linalg.norm(centred[:, column])
            for _ in range(2):  # the second pass takes what rounding left of the first
                for known in basis:
                    rest = rest - known * (known @ rest)
            if np.linalg.norm(rest) > np.sqrt(NO_NEWS):
                basis.append(rest / np.linalg.norm(rest))
                chosen.append(column)
        index = np.array(chosen, int)
        return cls(constant and n > 0, index, centre[index], scale[index])

    def rows(self, weight: np.ndarray, columns: np.ndarray) -> np.ndarray:
        """Return the rows of the mean, (m, p).

        For (m,) summed weights, 1 for a point, and (m, k) summed columns.
        """
        scaled = (columns[:, self.chosen] - weight[:, None] * self.centre) / self.scale
        return np.column_stack([weight, scaled]) if self.constant else scaled


def drift_columns(drift: np.ndarray | None, count: int) -> np.ndarray:
    """Return drift columns as (count, k) numbers; k may be 0."""
    return np.zeros((count, 0)) if drift is None else np.asarray(drift, float).reshape(count, np.shape(drift)[-1])
