"""The sites' SWE on a given day: stations as they report, courses carried to it by the stations' change."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pandas as pd

from snowtally.model.ground import GroundRecord
from snowtally.snow.carry import BARE_MM, NODE_M, STEP_DAYS, UNOBSERVED_MM_PER_DAY, site_turnover
from snowtally.snow.melting import melted
from snowtally.snow.terrain_regression import LOCAL_SHARE

NEAREST_DAYS = 45
"""A course visit further away than this says nothing of a day: a month between visits and half of one in reserve.
Normals further apart than this are not joined by a line either."""

SITE_VARIATION = 0.2
"""Spread of a site's SWE about its own cell's mean, as a share: what a prediction for the cell cannot know of a point (15 to
30 %, common practice, no source)."""

DENSITY_AGEING = 0.006
"""Error that a measured density gains in a day, as a share: snow changes its density by 15 to 20 % in a month (common practice,
no source)."""

BEYOND_M = 2000.0
"""Weather is reckoned so far above and below the sites and the weather table: no basin's ground lies further off."""


def site_values(ground: GroundRecord, date: dt.date) -> pd.DataFrame:
    """Return the sites' SWE on a date, indexed by site_id.

    Returns
    -------
    DataFrame : swe_mm, swe_se_mm, measured_mm (before carrying), age_days (positive when measured before `date`), measured_on. A course's
        value nearest in time is carried by the stations' gain and loss; the error grows with what is carried over, and by
        `UNOBSERVED_MM_PER_DAY` for each day since on which every station was bare, to the whole value at most.

    Notes
    -----
    A record keeps what was asked of it: every candidate of a blend asks for the same days.
    """
    return ground.once(("site values", date), lambda: _values(ground, date)).copy()


def keep_site_values(ground: GroundRecord, date: dt.date, values: pd.DataFrame) -> None:
    """Set what `site_values` of a record returns.

    Where it was calculated before, such as for a record of more sites.
    """
    ground.once(("site values", date), lambda: values)


def _nearest(ground: GroundRecord, date: dt.date) -> pd.DataFrame:
    """Return each site's value nearest to the date as it was measured.

    The columns of `site_values`.
    """
    observed = pd.concat(
        [
            ground.daily.assign(swe_se_mm=ground.station_se_mm, reach=STEP_DAYS),
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
    # To the last column, so that the order of the rows decides nothing.
    order = ["site_id", "distance", "date", "reach", "swe_mm", "swe_se_mm"]
    nearest = observed.sort_values(order).drop_duplicates("site_id").set_index("site_id")
    values = nearest.assign(measured_mm=nearest["swe_mm"], measured_on=nearest["date"])
    numbers = dict.fromkeys(("swe_mm", "swe_se_mm", "measured_mm", "age_days"), float)
    return values[[*numbers, "measured_on"]].astype(numbers)


def _values(ground: GroundRecord, date: dt.date) -> pd.DataFrame:
    """Return `site_values`, reckoned."""
    values = ground.each_site(("nearest", date), lambda: _nearest(ground, date)).copy()
    bare = bare_days(ground).to_numpy()
    age, measured_on = values["age_days"].to_numpy(), values["measured_on"].to_numpy()
    swe, se = values["swe_mm"].to_numpy(copy=True), values["swe_se_mm"].to_numpy(copy=True)
    elevation = ground.sites.loc[values.index, "elevation_m"].to_numpy(float)
    for days in np.unique(age[age != 0]):
        group = age == days
        swe[group], turnover = _moved(ground, date, float(days), (swe[group], elevation[group]))
        # What snow lost while every station was bare is known to nobody.
        since = (bare > measured_on[group].min()) & (bare <= np.datetime64(date)) if days > 0 else bare[:0]
        untold = np.minimum(UNOBSERVED_MM_PER_DAY * np.count_nonzero(since), swe[group])
        se[group] = np.sqrt(se[group] ** 2 + (LOCAL_SHARE * turnover) ** 2 + untold**2)
    return values.assign(swe_mm=swe, swe_se_mm=se)


def bare_days(ground: GroundRecord) -> pd.DatetimeIndex:
    """Return the days on which all reporting stations were bare."""
    return ground.once("bare days", lambda: _bare_days(ground))


def _bare_days(ground: GroundRecord) -> pd.DatetimeIndex:
    """Return `bare_days`, reckoned."""
    series = ground.station_series
    swe = series.to_numpy(float)
    return series.index[np.isfinite(swe).any(axis=1) & ~(swe > BARE_MM).any(axis=1)]


POINT_NUMBERS = [
    "swe_mm", "swe_se_mm", "cell_se_mm", "depth_m", "depth_se_m", "density_kg_m3", "density_se_kg_m3", "age_days",
]  # fmt: skip


def points_on(ground: GroundRecord, date: dt.date) -> pd.DataFrame:
    """Return the sites' SWE, depth and density on a date.

    With their errors, indexed by site_id.

    Returns
    -------
    DataFrame : swe_mm; swe_se_mm, of instrument or sampling and of carrying; cell_se_mm, that with the spread of a point about its
        cell's mean (representativeness); depth_m, depth_se_m; density_kg_m3, density_se_kg_m3; age_days of the SWE, of the depth
        where there is no SWE; measured_on.

    Notes
    -----
    Density is the site's newest, its error growing by `DENSITY_AGEING`; it is not moved on by the stations' change, which made the
    demo basin worse (docs/method.md). A depth measured on the day is itself; else depth is what SWE and density make it, with the
    product rule: the squares of the relative errors add up.
    """
    values = site_values(ground, date)
    table = values[["swe_mm", "swe_se_mm", "age_days", "measured_on"]].join(_newest_density(ground, date), how="outer")
    depth = _newest_depth(ground, date)
    table = table.join(depth, how="outer")
    table["cell_se_mm"] = np.hypot(table["swe_se_mm"], SITE_VARIATION * table["swe_mm"])
    made = table["swe_mm"] / table["density_kg_m3"]
    share = np.hypot(
        table["swe_se_mm"] / table["swe_mm"].where(table["swe_mm"] > 0),
        table["density_se_kg_m3"] / table["density_kg_m3"],
    )
    today = (table["depth_age"] == 0) | made.isna()
    table["depth_m"] = table["depth_m"].where(today, made)
    table["depth_se_m"] = table["depth_se_m"].where(today, made * share)
    table["age_days"] = table["age_days"].fillna(table["depth_age"])
    return table[[*POINT_NUMBERS, "measured_on"]].astype(dict.fromkeys(POINT_NUMBERS, float))


def _newest_density(ground: GroundRecord, date: dt.date) -> pd.DataFrame:
    """Return each site's newest density, its error grown by age."""
    daily = ground.daily
    depth = daily["depth_m"].where(daily["depth_m"] > ground.least_density_depth_m)
    swe = daily["swe_mm"].where(daily["swe_mm"] > 0)
    density = swe / depth
    share = np.hypot(ground.station_se_mm / swe, daily["depth_se_m"] / depth)
    daily = daily.assign(density_kg_m3=density, density_se_kg_m3=density * share)
    newest = _newest(ground, daily, "density_kg_m3", "density_se_kg_m3", date)
    grown = DENSITY_AGEING * newest.pop("age") * newest["density_kg_m3"]
    return newest.assign(density_se_kg_m3=np.hypot(newest["density_se_kg_m3"], grown))


def _newest_depth(ground: GroundRecord, date: dt.date) -> pd.DataFrame:
    """Return each site's newest depth, its error and its age."""
    return _newest(ground, ground.daily, "depth_m", "depth_se_m", date).rename(columns={"age": "depth_age"})


def _newest(ground: GroundRecord, daily: pd.DataFrame, name: str, error: str, date: dt.date) -> pd.DataFrame:
    names = ["site_id", "date", name, error]
    known = pd.concat(
        [daily[names].assign(reach=STEP_DAYS), ground.visits[names].assign(reach=NEAREST_DAYS)], ignore_index=True
    ).dropna(subset=name)
    known["age"] = (pd.Timestamp(date) - known["date"]).dt.days
    known = known[(known["age"] >= 0) & (known["age"] <= known["reach"])]
    newest = known.sort_values(["site_id", "age"], kind="stable").drop_duplicates("site_id").set_index("site_id")
    return newest[[name, error, "age"]].astype(float)


def _moved(
    ground: GroundRecord, date: dt.date, age_days: float, sites: tuple[np.ndarray, np.ndarray]
) -> tuple[np.ndarray, np.ndarray]:
    """Return SWE moved to `date`, and its turnover.

    Measured `age_days` before, or after when negative.

    `sites` holds SWE in mm as measured, and elevation in m.
    """
    swe, elevation = sites
    nodes = elevation_nodes(ground.sites["elevation_m"].to_numpy(float))
    measured = pd.Timestamp(date) - pd.Timedelta(days=age_days)
    first, last = sorted([measured, pd.Timestamp(date)])
    gain, loss = site_turnover(ground, pd.Series(dtype=float), first, last, nodes).at(elevation)
    if age_days > 0:
        return melted(swe, gain, loss, 0.0).swe_mm, gain + np.minimum(loss, swe + gain)
    # Backwards: what was gained since is taken off, what was lost is put back where snow was left to tell of it.
    return np.where(swe > 0, np.maximum(swe - gain + loss, 0.0), 0.0), gain + loss


def elevation_nodes(elevation_m: np.ndarray) -> np.ndarray:
    """Return elevations every `NODE_M` that span those given, m.

    >>> elevation_nodes(np.array([1040.0, 1210.0]))
    array([1000., 1100., 1200., 1300.])
    """
    low, high = np.floor(np.nanmin(elevation_m) / NODE_M), np.ceil(np.nanmax(elevation_m) / NODE_M)
    return np.arange(low, max(high, low + 1) + 1) * NODE_M


def weather_nodes(ground: GroundRecord) -> np.ndarray:
    """Return the elevations at which weather is reckoned.

    Every `NODE_M`, `BEYOND_M` past the sites both ways, m.
    """
    heights = ground.sites["elevation_m"].to_numpy(float)
    if "elevation_m" in ground.weather:
        heights = np.concatenate([heights, ground.weather["elevation_m"].dropna().to_numpy(float)])
    # Without a site and without weather there is nothing to reckon.
    low, high = (heights.min(), heights.max()) if len(heights) else (0.0, 0.0)
    return elevation_nodes(np.array([low - BEYOND_M, high + BEYOND_M]))
