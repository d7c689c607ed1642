"""How well a day's estimate tells what a site says when it does not know that site: leave one out, never the fit."""

from __future__ import annotations

import datetime as dt
from typing import Protocol

import numpy as np
import pandas as pd

from snowtally.model.ground import GroundRecord
from snowtally.snow.density import BulkDensity
from snowtally.snow.site_gains import gain_log
from snowtally.snow.site_values import SITE_VARIATION, points_on, site_values
from snowtally.statistics.scores import scores

SITE_COLUMNS = [
    "site_id", "x", "y", "elevation_m", "inside", "swe_mm", "swe_se_mm", "depth_m", "density_kg_m3", "age_days",
    "estimate_mm", "estimate_without_mm", "estimate_without_se_mm", "used", "reason",
]  # fmt: skip


class DayMap(Protocol):
    """SWE of the grid on the day."""

    @property
    def swe_mm(self) -> np.ndarray:
        """Mean SWE, mm."""

    @property
    def se_mm(self) -> np.ndarray:
        """Its standard error, mm."""


def site_table(ground: GroundRecord, today: DayMap, date: dt.date, without: pd.DataFrame | None) -> pd.DataFrame:
    """Return the sites as measured, as estimated, and as estimated without each.

    The rows of `sites.csv`.

    Parameters
    ----------
    without : mean and se (mm) at the sites' cells from an estimate that never knew them, by site_id; None on a flight's own day.

    Notes
    -----
    On a flight's own day cells come from the laser and not from the sites, so that the estimate without a site is the
    estimate; so it is for a site that says nothing of the day. A site's error against its cell (`SITE_VARIATION`) is counted in
    the error of the estimate without it.
    """
    points = points_on(ground, date)
    sites = ground.sites
    row, column = sites["row"].to_numpy(), sites["column"].to_numpy()
    table = sites.reset_index()[["site_id", "x", "y", "elevation_m", "inside"]].set_index("site_id")
    table = table.join(points[["swe_mm", "swe_se_mm", "depth_m", "density_kg_m3", "age_days"]])
    table["estimate_mm"] = today.swe_mm[row, column]
    known = pd.DataFrame({"mean": today.swe_mm[row, column], "se": today.se_mm[row, column]}, index=sites.index)
    if without is not None:
        # What is known of how the site differs from its cell is no error of the estimate.
        gain = np.exp(gain_log(ground, without.index))
        known.loc[without.index, ["mean", "se"]] = gain[:, None] * without[["mean", "se"]].to_numpy()
    table["estimate_without_mm"] = known["mean"]
    table["estimate_without_se_mm"] = np.hypot(known["se"], SITE_VARIATION * known["mean"])
    table["used"] = table["swe_mm"].notna()
    table["reason"] = np.where(table["used"], "", "no accepted SWE near the date")
    table["reason"] = table["reason"].where(
        ~table["used"], _remarks(ground, site_values(ground, date)).reindex(table.index).fillna("")
    )
    table["age_days"] = table["age_days"].clip(lower=0)
    return table.reset_index()[SITE_COLUMNS].sort_values("site_id", ignore_index=True)


def _remarks(ground: GroundRecord, values: pd.DataFrame) -> pd.Series:
    """Return what is to be known of the sites' values.

    That is what was measured where it was carried to the day, a course's nominal day beside its true one, SWE told by depth alone.
    """
    visits = {(visit.site_id, visit.date): visit for visit in ground.visits.itertuples()}
    remarks = {}
    for value in values.itertuples():
        remarks_of = []
        if value.age_days != 0:
            remarks_of.append(f"{value.measured_mm:.0f} mm on {value.measured_on:%Y-%m-%d}, carried to this day")
        visit = visits.get((value.Index, value.measured_on))
        if visit is not None and visit.by_depth:
            remarks_of.append("SWE from depth and the density model")
        elif visit is not None and pd.notna(visit.nominal_date) and visit.nominal_date != visit.date:
            remarks_of.append(f"surveyed {visit.date:%Y-%m-%d} for {visit.nominal_date:%Y-%m-%d}")
        remarks[value.Index] = "; ".join(remarks_of)
    return pd.Series(remarks, dtype=str)


def swe_skill(sites: pd.DataFrame, model: str) -> pd.DataFrame:
    """Return the row of `skill.csv` for SWE.

    Sites against the estimate that does not know them.
    """
    observed, mean, se = (
        sites[name].to_numpy(float) for name in ("swe_mm", "estimate_without_mm", "estimate_without_se_mm")
    )
    return pd.DataFrame(
        [{"model": model, "part": "blend", "weight": 1.0} | scores(observed, mean, np.hypot(se, sites["swe_se_mm"]))]
    )


def density_skill(model: BulkDensity) -> pd.DataFrame:
    """Return the row of `skill.csv` for density.

    Sites against the density told by the others.
    """
    held_out = model.left_out()
    figures = scores(*(held_out[name].to_numpy(float) for name in ("observed", "predicted", "predicted_se")))
    return pd.DataFrame([{"model": "relation and sites", "part": "density", "weight": 1.0} | figures])
