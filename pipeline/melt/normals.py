"""A day's SWE in per cent of normal."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pandas as pd

from snowtally.model.season import BasinDay
from snowtally.snow.background import LITTLE_MM
from snowtally.snow.site_values import NEAREST_DAYS

COLUMNS = ("level", "site_id", "swe_mm", "normal_mm", "per_cent", "period")


def normal_on(normals: pd.DataFrame, date: dt.date, season_start: dt.date) -> float:
    """Return the normal of a site or basin on a date, mm.

    On a line between the days given, missing outside them.

    Parameters
    ----------
    normals : day (MM-DD) and swe_mm of one place.
    season_start : first day of the season that holds the date.

    Examples
    --------
    >>> table = pd.DataFrame({"day": ["03-01", "04-01"], "swe_mm": [310.0, 341.0]})
    >>> normal_on(table, dt.date(2031, 3, 11), dt.date(2030, 10, 1))
    320.0
    """
    years = [season_start.year if day >= f"{season_start:%m-%d}" else season_start.year + 1 for day in normals["day"]]
    # A normal for 02-29 stands for the last of February in other years.
    days = [pd.Timestamp(year, 1, 1) + _into_year(day, year) for day, year in zip(normals["day"], years, strict=True)]
    table = pd.Series(normals["swe_mm"].to_numpy(float), pd.DatetimeIndex(days)).groupby(level=0).last().sort_index()
    asked = pd.Timestamp(date)
    if asked in table.index:
        return float(table[asked])
    after = int(np.searchsorted(table.index, asked))
    if after in (0, len(table)) or (table.index[after] - table.index[after - 1]).days > NEAREST_DAYS:
        return float("nan")
    first, last = table.index[after - 1], table.index[after]
    share = (asked - first) / (last - first)
    return float(table.iloc[after - 1] + share * (table.iloc[after] - table.iloc[after - 1]))


def _into_year(day: str, year: int) -> pd.Timedelta:
    month, number = int(day[:2]), int(day[3:])
    last = pd.Timestamp(year, month, 1).days_in_month
    return pd.Timestamp(year, month, min(number, last)) - pd.Timestamp(year, 1, 1)


def in_per_cent(normals: pd.DataFrame, day: BasinDay, swe_mean_mm: float, sites: pd.DataFrame) -> pd.DataFrame:
    """Return the basin and the sites in per cent of normal.

    One row each of those that have a normal on the date.

    Parameters
    ----------
    normals : as `read_normals` gives them.
    day : the basin's day; its normals stand under the basin's id.
    swe_mean_mm : the basin's mean SWE on the day, mm.
    sites : site_id and swe_mm as observed, missing where a site told nothing.

    Returns
    -------
    table : `COLUMNS`; per_cent is missing where the normal is below `LITTLE_MM`, which a single storm would double, or the site has
        no value.
    """
    swe = dict(zip(sites["site_id"], sites["swe_mm"].astype(float), strict=True)) | {day.basin_id: swe_mean_mm}
    rows = []
    for site_id, given in normals.groupby("site_id", sort=True):
        normal = normal_on(given, day.date, day.season_start)
        if site_id not in swe or not np.isfinite(normal):
            continue
        usual = normal >= LITTLE_MM
        rows.append(
            {
                "level": "basin" if site_id == day.basin_id else "site",
                "site_id": site_id,
                "swe_mm": swe[site_id],
                "normal_mm": normal,
                "per_cent": 100.0 * swe[site_id] / normal if usual else np.nan,
                "period": ", ".join(sorted({text for text in given["period"] if text})),
            }
        )
    table = pd.DataFrame(rows, columns=list(COLUMNS))
    return table.sort_values(["level", "site_id"], kind="stable", ignore_index=True)
