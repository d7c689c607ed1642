"""How a day stands among the same day of the archive's earlier seasons."""

from __future__ import annotations

import datetime as dt
import math
from dataclasses import dataclass

import numpy as np
import pandas as pd

LEAST_SEASONS = 5
"""Among fewer earlier seasons no percentile is told: a step of it would be a quarter of the seasons or more."""

UNIT_OF_TOTALS = ["level", "zone_id", "band_low_m", "band_high_m"]


@dataclass(frozen=True)
class Rank:
    """How a volume stands among those of earlier seasons.

    Parameters
    ----------
    count, less : earlier seasons that hold the day, and those of them with less.
    mean_m3, per_cent : their mean, and the volume in per cent of it; missing where the mean is 0.
    """

    count: int
    less: int
    mean_m3: float
    per_cent: float

    @property
    def percentile(self) -> float:
        """Share of the earlier seasons with less, per cent. Missing among fewer than `LEAST_SEASONS`."""
        return 100.0 * self.less / self.count if self.count >= LEAST_SEASONS else math.nan

    @property
    def words(self) -> str:
        """Return the rank in words.

        >>> Rank(6, 4, 1.0, 120.0).words, Rank(1, 0, 1.0, 90.0).words
        ('4 of 6 earlier seasons with this day had less water', '0 of 1 earlier season with this day had less water')
        """
        return f"{self.less} of {self.count} earlier season{'s' if self.count > 1 else ''} with this day had less water"


def rank_of(volume_m3: float, earlier_m3: pd.Series) -> Rank | None:
    """Return how a volume stands among the volumes of earlier seasons. None where there are none."""
    if earlier_m3.empty:
        return None
    mean = float(earlier_m3.mean())
    per_cent = 100.0 * volume_m3 / mean if mean > 0 else math.nan
    return Rank(len(earlier_m3), int((earlier_m3 < volume_m3).sum()), mean, per_cent)


def same_day(totals: pd.DataFrame, date: dt.date) -> pd.DataFrame:
    """Return the rows of a date's calendar day. The 29th of February is met by the 28th."""
    dates = totals["date"].dt
    meets = (dates.month == date.month) & (dates.day == np.minimum(date.day, dates.days_in_month))
    return totals[meets].reset_index(drop=True)


def of_earlier_mean(rows: pd.DataFrame, earlier: pd.DataFrame) -> pd.Series:
    """Return each total's volume in per cent of the mean of earlier seasons.

    It is missing where fewer than `LEAST_SEASONS` of them have the zone or band.

    Parameters
    ----------
    rows : totals of a day. earlier : totals of its calendar day in earlier seasons.
    """
    known = earlier.groupby(UNIT_OF_TOTALS, dropna=False)["volume_m3"].agg(["mean", "count"]).reset_index()
    joined = rows[[*UNIT_OF_TOTALS, "volume_m3"]].merge(known, "left", on=UNIT_OF_TOTALS)
    usable = (joined["count"] >= LEAST_SEASONS) & (joined["mean"] > 0)
    return (100.0 * joined["volume_m3"] / joined["mean"]).where(usable).set_axis(rows.index)
