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
    """Return the normal of a site, zone or basin on a date, mm.

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


def in_per_cent(normals: pd.DataFrame, day: BasinDay, totals: pd.DataFrame, sites: pd.DataFrame) -> pd.DataFrame:
    """Return the basin, the zones and the sites in per cent of normal.

    One row each of those that have a normal on the date.

    Parameters
    ----------
    normals : as `read_normals` gives them.
    day : the basin's day; its normals stand under the basin's id, those of a zone under the zone's. An id that is a site's too is
        the site's.
    totals : level, zone_id and swe_mean_mm (mm) of the basin and its zones.
    sites : site_id and swe_mm as observed, missing where a site told nothing.

    Returns
    -------
    table : `COLUMNS`; per_cent is missing where the normal is below `LITTLE_MM`, which a single storm would double, or the site has
        no value.
    """
    whole, zones = (totals[totals["level"] == level] for level in ("basin", "zone"))
    swe = {
        **{zone: ("zone", mean) for zone, mean in zip(zones["zone_id"], zones["swe_mean_mm"], strict=True)},
        **{site: ("site", held) for site, held in zip(sites["site_id"], sites["swe_mm"].astype(float), strict=True)},
        day.basin_id: ("basin", float(whole["swe_mean_mm"].iloc[0])),
    }
    rows = []
    for site_id, given in normals.groupby("site_id", sort=True):
        normal = normal_on(given, day.date, day.season_start)
        if site_id not in swe or not np.isfinite(normal):
            continue
        level, held = swe[site_id]
        rows.append(
            {
                "level": level,
                "site_id": site_id,
                "swe_mm": held,
                "normal_mm": normal,
                "per_cent": 100.0 * held / normal if normal >= LITTLE_MM else np.nan,
                "period": ", ".join(sorted({text for text in given["period"] if text})),
            }
        )
    table = pd.DataFrame(rows, columns=list(COLUMNS))
    return table.sort_values(["level", "site_id"], kind="stable", ignore_index=True)
