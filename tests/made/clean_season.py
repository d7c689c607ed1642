"""The clean season of the fault trial as the readers of tables give it: for the checks to leave alone, or to find a fault in."""

import numpy as np
import pandas as pd
from trial_season import make_season

from snowtally.courses.context import Neighbours

DAYS = pd.date_range("2030-10-01", "2031-06-30")
FIRST_DAY = DAYS[0]
"""Whatever year the season was drawn in, its tests name days after this one."""

READINGS = ["swe_mm", "depth_m", "air_temperature_c", "precipitation_mm", "precipitation_total_mm"]
CLEAN = {"continental": (0, 12), "maritime": (1, 22), "ephemeral": (2, 8)}
"""Seeds of seasons by climate in which nothing looks like a fault; of others the trial counts what is cried falsely."""


def station_rows(season):
    """Return the readings of all stations, a row each."""
    rows = pd.concat(season.stations.values(), ignore_index=True)
    time = rows["time"] + (FIRST_DAY - rows["time"].min().floor("D"))
    rows = rows.assign(
        time=time,
        date=time.dt.floor("D"),
        depth_m=rows["depth_cm"] / 100.0,
        file="s.csv",
        line=np.arange(len(rows)) + 2,
    )
    return rows[["site_id", "time", "date", *READINGS, "file", "line"]]


def clean_stations(climate, number=0, step_hours=1):
    """Return the stations' rows of one of a climate's clean seasons."""
    return station_rows(make_season(CLEAN[climate][number], step_hours))


def course_rows(season):
    """Return the courses' rows as the reader gives them: depths in metres, water in mm by weight where it was weighed."""
    rows = pd.concat([sheets for sheets in season.courses.values() if len(sheets)], ignore_index=True)
    by_weight = 10.0 * (rows["mass_full_g"] - rows["mass_empty_g"]) / rows["cutter_cm2"]
    first = min(records["time"].min() for records in season.stations.values()).floor("D")
    return pd.DataFrame(
        {
            "site_id": rows["site_id"], "date": (rows["day"] + (FIRST_DAY - first)).astype("datetime64[s]"), "point": rows["point"],
            "depth_m": rows["depth_cm"] / 100.0, "core_m": rows["core_cm"] / 100.0, "swe_mm": by_weight.fillna(rows["swe_mm"]),
            "mass_full_g": rows["mass_full_g"], "mass_empty_g": rows["mass_empty_g"], "cutter_cm2": rows["cutter_cm2"],
            "cores": np.nan, "sampler": rows["sampler"], "nominal_date": pd.NaT, "remark": "", "file": "c.csv",
            "line": np.arange(len(rows)) + 2,
        }
    ).astype({"nominal_date": "datetime64[s]"})  # fmt: skip


def course_season(climate, number=0):
    """Return a clean season's course rows, and what they are held against: heights of all sites and stations' daily values."""
    season = make_season(CLEAN[climate][number])
    daily = station_rows(season).groupby(["site_id", "date"], as_index=False)[["swe_mm", "depth_m"]].mean()
    return course_rows(season), Neighbours(season.sites.set_index("site_id")["elevation_m"], daily)


def sheet(depth_m, swe_mm, **others):
    """One visit's rows with every column that the reader gives."""
    n = len(depth_m)
    rows = {
        "site_id": "C", "date": pd.Timestamp("2031-03-01"), "point": [str(i + 1) for i in range(n)], "depth_m": depth_m,
        "core_m": 0.95 * np.asarray(depth_m), "swe_mm": swe_mm, "mass_full_g": np.nan, "mass_empty_g": np.nan,
        "cutter_cm2": np.nan, "cores": np.nan, "sampler": "", "nominal_date": pd.NaT, "remark": "", "file": "c.csv",
        "line": np.arange(n) + 2,
    }  # fmt: skip
    made = pd.DataFrame(rows | others)
    return made.astype({"nominal_date": "datetime64[s]", "date": "datetime64[s]"})
