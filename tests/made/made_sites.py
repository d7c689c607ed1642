"""Sites of one day."""

import datetime as dt

import numpy as np
import pandas as pd

from snowtally.model.ground import GroundRecord

DATE = dt.date(2031, 2, 14)


NO_VISITS = pd.DataFrame(
    columns=["site_id", "date", "nominal_date", "swe_mm", "swe_se_mm", "depth_m", "depth_se_m", "density_kg_m3",
             "density_se_kg_m3", "points", "by_depth"]
).astype({"date": "datetime64[s]", "swe_mm": float, "swe_se_mm": float})  # fmt: skip


def record(xy, elevation, swe):
    names = [f"S{k}" for k in range(len(swe))]
    sites = pd.DataFrame(
        {"kind": "station", "x": xy[:, 0], "y": xy[:, 1], "elevation_m": elevation}, pd.Index(names, name="site_id")
    )
    daily = pd.DataFrame(
        {"site_id": names, "date": pd.Timestamp(DATE), "swe_mm": swe, "depth_m": np.nan, "depth_se_m": 0.02}
    )
    return GroundRecord(sites, daily.astype({"date": "datetime64[s]"}), np.full(len(swe), 8.0), NO_VISITS)
