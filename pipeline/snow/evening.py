"""How a flight's level is combined with what the flight before, carried on, told of the same evening.

A flight's offset and the density of its day are wrong for the whole basin at once; what was carried on brings the errors of
another flight, another density and the weather between. docs/method.md has the formula and the trials.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

import numpy as np

CARRIED_WEIGHT = 0.2
"""Weight of the carried basin beside the flight, 1 (15 pairs of flights of training worlds: 0.1 to 0.4 are alike within half a
per cent of the volume, their best 0.2; three earlier sets of worlds: 0.2)."""

MOST_DAYS = 60
"""A flight older than so many days says nothing of the level (training worlds: after 80 days and more what was carried is off by
24 % in the median, in late melt by far more)."""

WILD = 0.6
"""An innovation of this size, 1, halves the weight, and greater ones take it away: some three times the spread of innovations
(0.17 in those 15 pairs)."""


@dataclass(frozen=True)
class Level:
    """How a flight was combined with the flight before it.

    Parameters
    ----------
    since : day of the flight that was carried on.
    innovation : logarithm of the flight's volume over the carried one, over the cells that the flight saw.
    """

    since: dt.date
    innovation: float

    @property
    def weight(self) -> float:
        """The weight of what was carried, 0 to `CARRIED_WEIGHT`.

        >>> round(Level(dt.date(2031, 2, 1), 0.6).weight, 3)
        0.1
        """
        return CARRIED_WEIGHT / (1.0 + (self.innovation / WILD) ** 2)

    @property
    def factor(self) -> float:
        """The factor on the flight's SWE.

        Its volume becomes flight^(1 - weight) carried^weight.
        """
        return float(np.exp(-self.weight * self.innovation))

    def parameters(self) -> dict:
        """Return what the record keeps."""
        return {
            "carried_from": str(self.since),
            "innovation": round(self.innovation, 4),
            "weight": round(self.weight, 4),
        }


def is_recent(since: dt.date, date: dt.date) -> bool:
    """Return whether a flight still informs the level.

    >>> is_recent(dt.date(2031, 2, 1), dt.date(2031, 4, 2)), is_recent(dt.date(2031, 2, 1), dt.date(2031, 4, 3))
    (True, False)
    """
    return (date - since).days <= MOST_DAYS


def level_of(since: dt.date, flown_mm: np.ndarray, carried_mm: np.ndarray, area_m2: np.ndarray) -> Level | None:
    """Return how a flight is combined with the carried flight.

    None where either has no snow.

    Parameters
    ----------
    since : day of the flight that was carried on.
    flown_mm, carried_mm : SWE of cells by either on the same day; missing where the flight did not see.
    area_m2 : area of each cell, 0 outside the basin.
    """
    counted = np.isfinite(flown_mm) & (area_m2 > 0)
    measured, carried = (float(np.sum((area_m2 * swe)[counted])) for swe in (flown_mm, carried_mm))
    return Level(since, float(np.log(measured / carried))) if measured > 0 and carried > 0 else None
