"""First day of the snow season, and the newest date with snow.

By the records.
"""

from __future__ import annotations

import datetime as dt

import pandas as pd

from snowtally.model.season import first_of_season
from snowtally.proposals.proposal import Proposal

NORTH, SOUTH = "10-01", "04-01"
"""First days of the snow season by hemisphere (docs/settings.md)."""

SNOW_MM = 20.0
"""SWE from which a station surely has snow, mm: an empty pillow's zero drifts by so much (`stations.zero_drift_mm`)."""

SHARE_WITH_SNOW = 0.25
"""A date has snow when this part of the stations that report have it (chosen: at least one course is enough)."""

LEAST_DAYS = 30
"""Station days and course visits with snow from which the season is checked."""

IN_SEASON = 120
"""Days before the season's first day in which snow speaks against it: summer."""


def propose_season(latitude: float, snow: pd.DataFrame) -> Proposal:
    """Return the proposal of `basin.season_start`.

    Parameters
    ----------
    latitude : of the basin's middle.
    snow : dates and SWE of stations and courses, as `snow_of` gives them.
    """
    usual, other = (NORTH, SOUTH) if latitude >= 0 else (SOUTH, NORTH)
    evidence = f"{'north' if latitude >= 0 else 'south'} of the equator"
    with_snow = snow.loc[snow["swe_mm"] >= SNOW_MM, "date"]
    if len(with_snow) < LEAST_DAYS:
        return Proposal("basin.season_start", usual, f"{evidence}; the records are too few to check it")
    shares = with_snow.dt.month.value_counts(normalize=True).sort_index()
    late = {start: _share_before(with_snow, start) for start in (usual, other)}
    listed = ", ".join(f"{_MONTHS[month - 1]} {part:.0%}" for month, part in shares.items() if part >= SHOWN)
    evidence = f"{evidence}; snow lies in {listed} of the records"
    if late[usual] <= late[other]:
        return Proposal("basin.season_start", usual, evidence)
    return Proposal(
        "basin.season_start", usual, f"{evidence}, which is the other hemisphere's winter", (other,), is_safe=False
    )


SHOWN = 0.05
"""Months with a smaller share of the records' snow are not listed."""

_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")


def _share_before(days: pd.Series, start: str) -> float:
    """Return the share of days that lie in the last days before a season's first day: its summer."""
    begins = days.map(lambda day: first_of_season(day.date(), start))
    age = (days - pd.to_datetime(begins)).dt.days
    return float((age > DAYS - IN_SEASON).mean())


DAYS = 365
"""Days of a season: the last of them are its summer."""


def newest_with_snow(snow: pd.DataFrame) -> dt.date | None:
    """Return the last date on which a course was weighed with snow, or a part of the stations have it.

    None where no record has snow.
    """
    courses = snow[(snow["kind"] == "course") & (snow["swe_mm"] > 0)]["date"]
    stations = snow[snow["kind"] == "station"].dropna(subset=["swe_mm"])
    share = (stations["swe_mm"] >= SNOW_MM).groupby(stations["date"]).mean()
    dates = [courses.max()] if len(courses) else []
    covered = share[share >= SHARE_WITH_SNOW]
    dates += [covered.index.max()] if len(covered) else []
    return max(dates).date() if dates else None
