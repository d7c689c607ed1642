"""Stations that hold what the weather made of them."""

import datetime as dt
from dataclasses import replace

import numpy as np
import pandas as pd
from made_weather import NODES, made_ground

from snowtally.snow.balance import march
from snowtally.snow.forcing import node_to_sites

ELEVATION = np.array([1100.0, 1300.0, 1800.0, 2100.0, 2400.0, 2700.0])


START = dt.date(2030, 11, 1)


def ground_of(forcing, factor, *, warmer=0.0, gauge=1.0):
    """Return stations that hold what the weather made of them, with a thermometer and a gauge each."""
    snowfall, melt = (node_to_sites(f, NODES, ELEVATION) for f in (forcing.snowfall_mm, forcing.melt_mm))
    swe = march(np.zeros(len(factor)), factor * snowfall, melt)
    air = node_to_sites(forcing.temperature_c, NODES, ELEVATION) + warmer
    fallen = gauge * np.repeat(forcing.precipitation_mm[:, None], len(factor), axis=1)
    ground = made_ground(swe, forcing.days, ELEVATION, air_temperature_c=air, precipitation_mm=fallen)
    sites = ground.sites.assign(
        northness=0.0, canopy=0.0, x=500_000.0 + 3000.0 * np.arange(6), y=4_880_000.0, row=0, column=np.arange(6)
    )
    ground = replace(ground, sites=sites)
    return ground, swe


def place(elevation):
    elevation = np.asarray(elevation, float)
    flat = np.zeros(len(elevation))
    columns = {
        "elevation": elevation,
        "northness": flat,
        "canopy": flat,
        "east": flat + 507_000.0,
        "north": flat + 4_880_000.0,
    }
    return pd.DataFrame(columns).to_xarray().rename({"index": "site"})
