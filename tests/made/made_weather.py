"""Made weather for the tests of what uses it."""

import numpy as np
import pandas as pd

from snowtally.model.ground import GroundRecord
from snowtally.snow.forcing import Forcing

NODES = np.arange(1000.0, 3100.0, 100.0)


def made_forcing(days=120, *, level_c=-4.0, swing_c=6.0, storm_every=5, storm_mm=20.0, start="2030-11-01"):
    """Return weather with a storm every few days and a temperature that rises from the level through the season."""
    dates = pd.date_range(start, periods=days)
    level = level_c + swing_c * np.linspace(0, 1, days) ** 2
    temperature = level[:, None] - 6.0 * (NODES - 2000.0)[None, :] / 1000.0
    fallen = np.where(np.arange(days) % storm_every == 0, storm_mm, 0.0)
    return Forcing(dates, NODES, temperature, fallen, -6.0, southern=False, observed=np.ones(len(dates), bool))


def made_ground(swe_of_site, days, elevation_m, **daily_columns):
    """Return stations with the given (day, site) SWE and, by name, further (day, site) columns."""
    names = [f"S{k}" for k in range(len(elevation_m))]
    sites = pd.DataFrame(
        {"kind": "station", "elevation_m": elevation_m, "northness": 0.0, "canopy": 0.0},
        index=pd.Index(names, name="site_id"),
    )
    daily = pd.concat(
        [
            pd.DataFrame(
                {"site_id": name, "date": days.astype("datetime64[s]"), "swe_mm": swe_of_site[:, k]}
                | {column: values[:, k] for column, values in daily_columns.items()}
            )
            for k, name in enumerate(names)
        ],
        ignore_index=True,
    )
    visits = pd.DataFrame(
        {"site_id": pd.Series(dtype=str), "date": pd.Series(dtype="datetime64[s]"), "swe_mm": pd.Series(dtype=float),
         "swe_se_mm": pd.Series(dtype=float)}
    )  # fmt: skip
    return GroundRecord(sites, daily, np.full(len(daily), 5.0), visits)
