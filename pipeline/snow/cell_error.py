"""Where a cell's error comes from: the parts behind a prediction, its residual, and a mixture of predictions.

A cell's standard error is the root of the summed squares of its parts. What the parts add up to over zones and bands is
the subject of `snowtally.statistics.errors`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from snowtally.statistics.errors import ErrorPart, KrigedPart, shared_error
from snowtally.statistics.kriging import Kriging


class Predicted(Protocol):
    """SWE of cells or sites with its error."""

    @property
    def swe_mm(self) -> np.ndarray:
        """Mean SWE, mm."""

    @property
    def covered(self) -> np.ndarray:
        """Share under snow, 0 to 1."""

    def standard_error(self) -> np.ndarray:
        """Return the standard error in mm, all parts together."""

    def shared_error(self) -> np.ndarray:
        """Return the shared standard error, mm."""

    def all_parts(self, x: np.ndarray, y: np.ndarray) -> list[ErrorPart | KrigedPart]:
        """Return every error part of a prediction for the grid.

        With columns at `x` and rows at `y`, m.
        """


@dataclass(frozen=True)
class Residual:
    """The error of the sites' residual.

    A kriged share, its standard error, and the mm that a share of one stands for.
    """

    kriging: Kriging
    share_se: np.ndarray
    scale_mm: np.ndarray


@dataclass(frozen=True)
class Prediction:
    """SWE of some places with what is behind it.

    All arrays of one shape.

    Parameters
    ----------
    swe_mm : mean SWE.
    covered : share of the place under snow, 0 to 1.
    parts : error parts of the background, mm.
    residual : error of the sites' residual.
    """

    swe_mm: np.ndarray
    covered: np.ndarray
    parts: list[ErrorPart]
    residual: Residual

    def standard_error(self) -> np.ndarray:
        """Return the standard error in mm, all parts together."""
        return np.sqrt(
            sum(part.error_mm**2 for part in self.parts) + (self.residual.share_se * self.residual.scale_mm) ** 2
        )

    def shared_error(self) -> np.ndarray:
        """Return the shared standard error, mm."""
        return shared_error(self.parts)

    def plain_parts(self) -> list[ErrorPart]:
        """Return every error part as a field with a reach.

        The kriged residual's as it is far from the sites.
        """
        reach = self.residual.kriging.variogram.range_m
        return [*self.parts, ErrorPart("site residual", self.residual.share_se * self.residual.scale_mm, reach)]

    def all_parts(self, x: np.ndarray, y: np.ndarray) -> list[ErrorPart | KrigedPart]:
        """Return every error part of a prediction for the grid.

        With columns at `x` and rows at `y`, m.
        """
        return [*self.parts, KrigedPart("site residual", self.residual.scale_mm, self.residual.kriging, x, y)]


@dataclass(frozen=True)
class Mixture:
    """Several predictions of the same places, weighted.

    Parameters
    ----------
    predicted : the predictions.
    weight : their weights, 1 together.
    factor : on the standard errors of parts that sites do not all share, from `error_factor`.

    Notes
    -----
    How the candidates' errors hang together is not known. Whatever it is, the variance of a weighted mean of errors is no
    more than the weighted mean of their variances: that is what is stated, cell by cell and for every sum of cells.
    """

    predicted: Sequence[Predicted]
    weight: Sequence[float]
    factor: float = 1.0

    @property
    def swe_mm(self) -> np.ndarray:
        """The weighted mean SWE."""
        return sum((w * one.swe_mm for w, one in self._pairs()), np.zeros(()))

    @property
    def covered(self) -> np.ndarray:
        """The weighted mean share under snow."""
        return sum((w * one.covered for w, one in self._pairs()), np.zeros(()))

    def standard_error(self) -> np.ndarray:
        """Return the standard error in mm, all parts together."""
        whole = sum((w * one.standard_error() ** 2 for w, one in self._pairs()), np.zeros(()))
        return with_factor(whole, self.shared_error() ** 2, self.factor)

    def shared_error(self) -> np.ndarray:
        """Return the shared standard error, mm."""
        return np.sqrt(sum(w * one.shared_error() ** 2 for w, one in self._pairs()))

    def all_parts(self, x: np.ndarray, y: np.ndarray) -> list[ErrorPart | KrigedPart]:
        """Return every error part of a prediction for the grid.

        With columns at `x` and rows at `y`, m.
        """
        return [
            part.scaled(float(np.sqrt(w)) * (1.0 if isinstance(part, ErrorPart) and part.shared else self.factor))
            for w, one in self._pairs()
            for part in one.all_parts(x, y)
        ]

    def _pairs(self) -> list[tuple[float, Predicted]]:
        return list(zip(self.weight, self.predicted, strict=True))


def with_factor(whole: np.ndarray, shared: np.ndarray, factor: float) -> np.ndarray:
    """Return the standard error, the factor on what is unshared."""
    return np.sqrt(factor**2 * np.maximum(whole - shared, 0.0) + shared)
