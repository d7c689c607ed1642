"""The change between two dates and its standard error, from the parts of error that the archive holds of each.

A record holds the share of each part in the variance of the basin's total. Parts are independent of each other. How alike a part
errs on two dates is not archived; it is bounded by what a part is. One that both dates have in common is taken as nested: the
larger holds the smaller, and what it has beyond shares nothing with it. So it is for an error that grows by what is new each day
(a random walk), and for one that shrinks as measurements come in (the posterior mean of a Gaussian). The variance of the
difference is then the difference of the variances. Errors in one proportion, such as of a scale, cancel further: without a flight
between the dates the bound is two to three times the error (docs/figures.md, Changes and parts of zones). A part that comes from
another flight, or that one date alone has, shares nothing.
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import pandas as pd

from snowtally.archive.revisions import Revision
from snowtally.reading import basin_row

OF_FLIGHT = frozenset(
    {
        "flight bias",
        "flight canopy",
        "flight random",
        "void",
        "carry common",
        "carry scales",
        "carry local",
        "unheard change",
    }
)
"""Parts of the error that begin anew with a flight: of itself, and of what was carried on since it."""


@dataclass(frozen=True)
class DatedError:
    """The error of a date's total by parts.

    Parameters
    ----------
    variance : m6, by part; the rest of the total's variance, of which the record tells no part, is no part of it.
    rest : that rest, m6.
    flight : day of the newest flight behind the total, None without one.
    """

    variance: Mapping[str, float]
    rest: float
    flight: dt.date | None

    @classmethod
    def of(cls, record: Mapping[str, Any], volume_se_m3: float) -> DatedError:
        """Return it from a date's record and the standard error of its total, m3."""
        whole = volume_se_m3**2
        shares = {
            name: float(share) for name, share in record["error_budget"].items() if isinstance(share, int | float)
        }
        flights = [dt.date.fromisoformat(one["date"]) for one in record["models"].get("flights", [])]
        variance = {name: share * whole for name, share in shares.items()}
        return cls(variance, max(whole - sum(variance.values()), 0.0), max(flights, default=None))


def change_error(now: DatedError, then: DatedError) -> float:
    """Return the standard error of the change between two dates, m3.

    >>> half = {"flight bias": 9.0, "density common": 16.0}
    >>> after, before = DatedError({**half, "carry local": 4.0}, 0.0, None), DatedError(half, 0.0, None)
    >>> change_error(after, before)
    2.0
    """
    variance = now.rest + then.rest
    for name in sorted(now.variance.keys() | then.variance.keys()):
        one, other = now.variance.get(name, 0.0), then.variance.get(name, 0.0)
        apart = name in OF_FLIGHT and now.flight != then.flight
        variance += one + other if apart else abs(one - other)
    return math.sqrt(variance)


@dataclass(frozen=True)
class DatedTotals:
    """A revision of a date: its record and totals."""

    revision: Revision
    record: dict[str, Any]
    totals: pd.DataFrame

    @property
    def date(self) -> dt.date:
        """The local day."""
        return self.revision.date

    @property
    def whole(self) -> pd.Series:
        """The basin's own row of the totals."""
        return basin_row(self.totals)


@dataclass(frozen=True)
class Change:
    """A change of the basin's volume and its standard error, m3."""

    volume_m3: float
    se_m3: float


def change(now: DatedTotals, then: DatedTotals) -> Change:
    """Return the change of a basin's volume from one date to another."""
    errors = (DatedError.of(one.record, float(one.whole["volume_se_m3"])) for one in (now, then))
    return Change(float(now.whole["volume_m3"] - then.whole["volume_m3"]), change_error(*errors))
