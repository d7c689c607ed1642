"""The sites' SWE on a given day: stations as they report, courses carried to it by the stations' change."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pandas as pd

from pipeline.ground import GroundRecord
from pipeline.methods.carry import NODE_M, carry, site_turnover

CARRY_SE = 0.25
"""Error of a course carried to another day, as a share of what the stations gained and lost in between (chosen: stations
differ by about so much among themselves)."""

NEAREST_DAYS = 45
"""A course visit further away than this says nothing of a day: a month between visits and half of one in reserve."""

STATION_DAYS = 3
"""A station missing on the day itself may stand in with its nearest value within so many days, carried like a course."""


def site_values(ground: GroundRecord, date: dt.date) -> pd.DataFrame:
    """Return the SWE of every site that can tell of `date`, indexed by site_id.

    Returns
    -------
    DataFrame : swe_mm, swe_se_mm, measured_mm (before carrying), age_days (positive when measured before `date`), measured_on. A course's
        value nearest in time is carried by the stations' gain and loss; the error grows with what is carried over.
    """
    observed = pd.concat(
        [
            ground.daily.assign(swe_se_mm=ground.station_se_mm, reach=STATION_DAYS),
            ground.visits.assign(reach=NEAREST_DAYS),
        ],
        ignore_index=True,
    )[["site_id", "date", "swe_mm", "swe_se_mm", "reach"]]
    observed = observed[observed["swe_mm"].notna() & observed["site_id"].isin(ground.sites.index)]
    age = (np.datetime64(date, "D") - observed["date"].to_numpy("datetime64[D]")).astype(float)
    observed = observed.assign(age_days=age, distance=np.abs(age))
    observed = observed[observed["distance"] <= observed["reach"]]
    # Bare ground tells nothing of the snow that lay there before it melted.
    observed = observed[(observed["age_days"] >= 0) | (observed["swe_mm"] > 0)]
    nearest = observed.sort_values(["site_id", "distance", "date"]).drop_duplicates("site_id").set_index("site_id")
    values = nearest.assign(measured_mm=nearest["swe_mm"], measured_on=nearest["date"])
    numbers = dict.fromkeys(("swe_mm", "swe_se_mm", "measured_mm", "age_days"), float)
    values = values[[*numbers, "measured_on"]].astype(numbers)
    for days, group in values[values["age_days"] != 0].groupby("age_days"):
        carried, turnover = _moved(ground, date, float(days), group["measured_mm"])
        values.loc[group.index, "swe_mm"] = carried
        values.loc[group.index, "swe_se_mm"] = np.hypot(group["swe_se_mm"], CARRY_SE * turnover)
    return values


def _moved(ground: GroundRecord, date: dt.date, age_days: float, swe_mm: pd.Series) -> tuple[np.ndarray, np.ndarray]:
    """Return SWE measured `age_days` before (or after, when negative) moved to `date`, and what was turned over."""
    elevation = ground.sites.loc[swe_mm.index, "elevation_m"].to_numpy(float)
    nodes = elevation_nodes(ground.sites["elevation_m"].to_numpy(float))
    measured = pd.Timestamp(date) - pd.Timedelta(days=age_days)
    first, last = sorted([measured, pd.Timestamp(date)])
    gain, loss = site_turnover(ground, pd.Series(dtype=float), first, last, nodes).at(elevation)
    swe = swe_mm.to_numpy(float)
    if age_days > 0:
        return carry(swe, np.ones(len(swe)), gain, loss, 0.0), gain + np.minimum(loss, swe + gain)
    # Backwards: what was gained since is taken off, what was lost is put back where snow was left to tell of it.
    return np.where(swe > 0, np.maximum(swe - gain + loss, 0.0), 0.0), gain + loss


def elevation_nodes(elevation_m: np.ndarray) -> np.ndarray:
    """Return elevations every `NODE_M` that span those given, m.

    >>> elevation_nodes(np.array([1040.0, 1210.0]))
    array([1000., 1100., 1200., 1300.])
    """
    low, high = np.floor(np.nanmin(elevation_m) / NODE_M), np.ceil(np.nanmax(elevation_m) / NODE_M)
    return np.arange(low, max(high, low + 1) + 1) * NODE_M
