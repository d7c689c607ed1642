"""What became of the rows of courses and stations: by site and day, how many there are, are used and are set aside."""

from __future__ import annotations

import numpy as np
import pandas as pd

from snowtally.stations.series import GAUGED, READ

TALLY = ["table", "site_id", "date", "rows", "used", "set_aside", "swe", "depth"]
"""Columns of a tally: `used` are rows of which a value is used, `set_aside` those of which one is not, `swe` and `depth` the rows
that hold such a value as read."""


def course_tally(read: pd.DataFrame, checked: pd.DataFrame) -> pd.DataFrame:
    """Return the tally of course samples.

    Parameters
    ----------
    read : the season's samples.
    checked : those that came to the checks, with `used` and `swe_used`.
    """
    whole = checked["used"] & (checked["swe_used"] | checked["swe_mm"].isna())
    passed = _counted("courses", checked, {"used": checked["used"], "whole": whole})
    counted = _counted("courses", read, _held(read)).merge(
        passed.drop(columns="rows"), on=["table", "site_id", "date"], how="left"
    )
    counted[["used", "whole"]] = counted[["used", "whole"]].fillna(0).astype(int)
    # What never came to the checks is set aside too: rows of unknown sites, visits that an analyst set aside.
    return counted.assign(set_aside=counted["rows"] - counted["whole"])[TALLY]


def station_tally(read: pd.DataFrame, checked: pd.DataFrame) -> pd.DataFrame:
    """Return the tally of station readings.

    Parameters
    ----------
    read : the season's readings.
    checked : those that came to the checks, set-aside ones missing; `row` is the number of each among `read`.
    """
    used, whole = (np.zeros(len(read), bool) for _ in range(2))
    at = checked["row"].to_numpy()
    left = {name: np.isfinite(checked[name].to_numpy(float)) for name in (*READ, *GAUGED)}
    used[at] = np.any(list(left.values()), axis=0)
    snow = {name: np.isfinite(read[name].to_numpy(float)) for name in ("swe_mm", "depth_m")}
    whole[at] = np.all([left[name] | ~said[at] for name, said in snow.items()], axis=0)
    return _counted("stations", read, {"used": used, "set_aside": ~whole} | _held(read))[TALLY]


def _held(read: pd.DataFrame) -> dict[str, pd.Series]:
    return {"swe": read["swe_mm"].notna(), "depth": read["depth_m"].notna()}


def _counted(table: str, rows: pd.DataFrame, marks: dict[str, pd.Series | np.ndarray]) -> pd.DataFrame:
    """Return how many rows of each site and day there are, and have each mark."""
    marked = pd.DataFrame({name: np.asarray(mark, int) for name, mark in marks.items()})
    marked = marked.assign(site_id=rows["site_id"].to_numpy(), date=rows["date"].to_numpy(), rows=1)
    counts = marked.groupby(["site_id", "date"], observed=True, sort=True)[["rows", *marks]].sum().reset_index()
    return counts.assign(table=table, site_id=counts["site_id"].astype(str))
