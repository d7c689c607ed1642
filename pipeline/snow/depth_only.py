"""Sites that know how deep the snow is and not what it weighs: their SWE by the density model."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterable
from dataclasses import replace

import numpy as np
import pandas as pd

from snowtally.model.ground import GroundRecord
from snowtally.snow.carry import STEP_DAYS
from snowtally.snow.density import BulkDensity, Locations


def with_depth_only_sites(
    ground: GroundRecord, density_on: Callable[[dt.date], BulkDensity], dates: Iterable[dt.date]
) -> GroundRecord:
    """Return the record with SWE for depth-only values.

    Parameters
    ----------
    ground : what the ground said; its visits' `by_depth` is false throughout.
    density_on : the density model fitted for a day.
    dates : the days that the estimate asks the sites of: the day itself and the flights'.

    Returns
    -------
    GroundRecord : visits without SWE have it by SWE = rho h, rho the model's at the site and day; a station's nearest depth to
        each of `dates`, where no SWE of its own stands near, comes as a visit. `by_depth` tells them. Errors by the product rule:
        (se_w / w)^2 = (se_h / h)^2 + (se_rho / rho)^2, the common error of the density with its local one.

    Notes
    -----
    A station with depth alone comes as single days and not as a series: from one day to the next its depth tells of settling as
    much as of SWE, and gains and losses are not to be taken from it.
    """
    visits = ground.visits
    lacking = visits["swe_mm"].isna() & visits["depth_m"].notna()
    names = ["site_id", "date", "depth_m", "depth_se_m"]
    asked = pd.concat([visits.loc[lacking, names], _station_depths(ground, dates)], ignore_index=True)
    asked = asked[asked["site_id"].isin(ground.sites.index)]
    if asked.empty:
        return ground
    by_model = [_by_density(day, density_on(date.date()), ground) for date, day in asked.groupby("date", sort=True)]
    together = pd.concat([visits[~lacking], *by_model], ignore_index=True)
    return replace(ground, visits=together.sort_values(["site_id", "date"], kind="stable", ignore_index=True))


def _station_depths(ground: GroundRecord, dates: Iterable[dt.date]) -> pd.DataFrame:
    """Return the depths nearest to each date.

    Of the stations that have no SWE near it, once each.
    """
    daily = ground.daily
    nearest = []
    for date in dates:
        away = (daily["date"] - pd.Timestamp(date)).abs()
        near = daily.assign(away=away)[away <= pd.Timedelta(days=STEP_DAYS)]
        weighed = near.loc[near["swe_mm"].notna(), "site_id"]
        near = near[near["depth_m"].notna() & ~near["site_id"].isin(weighed)]
        nearest.append(near.sort_values(["site_id", "away", "date"]).drop_duplicates("site_id"))
    depths = pd.concat(nearest, ignore_index=True) if nearest else daily.head(0)
    return depths[["site_id", "date", "depth_m", "depth_se_m"]].drop_duplicates(["site_id", "date"])


def _by_density(day: pd.DataFrame, model: BulkDensity, ground: GroundRecord) -> pd.DataFrame:
    """Return a day's rows with SWE by the model."""
    depth = day["depth_m"].to_numpy(float)
    locations = Locations.of_sites(ground.sites.loc[day["site_id"]])
    by_model = model.predict(depth, locations)
    density, density_se = by_model.mean, by_model.standard_error()
    return day.assign(
        nominal_date=np.datetime64("NaT", "s"),
        swe_mm=density * depth,
        # Written out, the product rule holds at no depth too.
        swe_se_mm=np.hypot(density * day["depth_se_m"], density_se * depth),
        density_kg_m3=density,
        density_se_kg_m3=density_se,
        points=1.0,
        by_depth=True,
    )
