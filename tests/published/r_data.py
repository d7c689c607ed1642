"""Open data sets that ship with R packages, read where they are installed; nothing of them is kept here (they are GPL)."""

from __future__ import annotations

import os
import warnings
from importlib.util import find_spec
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from pyproj import Transformer

LIBRARIES = ("/usr/local/lib/R/site-library", "/usr/lib/R/site-library", "/usr/lib/R/library")


def r_data(package: str, name: str) -> dict:
    """Return what `name.rda` of an R package holds; skip the test, saying why, where it or its reader is not installed.

    Libraries named in R's own R_LIBS_SITE come first, so that an unpacked r-cran-... archive does as well as an installed one.
    """
    rdata = pytest.importorskip("rdata", reason="PyPI rdata is not installed, which reads R's data files")
    places = [*os.environ.get("R_LIBS_SITE", "").split(":"), *LIBRARIES]
    for place in places:
        path = Path(place) / package / "data" / f"{name}.rda"
        if place and path.exists():
            with warnings.catch_warnings():
                # R's own classes of spatial data are read by their slots, for want of a class here.
                warnings.filterwarnings("ignore", message="Missing constructor for R class")
                return rdata.read_rda(path)
    pytest.skip(f"{name}.rda of the R package {package} is not installed (Debian: r-cran-{package.lower()})")


def meuse() -> pd.DataFrame:
    """Return the meuse points (heavy metals in a flood plain, 155 samples): x, y (m), zinc (ppm), dist (1) and more."""
    found = find_spec("skgstat")
    if found is None:
        pytest.skip("PyPI scikit-gstat is not installed, which carries the meuse points")
    return pd.read_csv(Path(found.origin).parent / "data" / "samples" / "meuse.txt")


def meuse_grid() -> pd.DataFrame:
    """Return the 3103 cells of 40 m of the meuse area: x, y (m), dist (1), ffreq (flood zone 1, 2, 3)."""
    return r_data("sp", "meuse.grid")["meuse.grid"]


def mountain_rain() -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Return places (m) and rain (0.1 mm) of 100 mountain stations on one day, and those of the 367 withheld."""
    data = r_data("gstat", "sic97")
    some, every = data["sic_obs"], data["sic_full"]
    withheld = ~every.data["ID"].isin(some.data["ID"]).to_numpy()
    places, rain = (np.asarray(every.coords, float), every.data["rainfall"].to_numpy(float))
    return np.asarray(some.coords, float), some.data["rainfall"].to_numpy(float), places[withheld], rain[withheld]


def mountain_climate(name: str) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return places (m, UTM zone 13), values and elevation (m) of the stations that have a spring climate of `name`."""
    data = r_data("fields", "COmonthlyMet")
    values, elevation = (np.asarray(data[key], float) for key in (f"CO.{name}.MAM.climate", "CO.elev"))
    to_metres = Transformer.from_crs("EPSG:4326", "EPSG:32613", always_xy=True)
    places = np.column_stack(to_metres.transform(*np.asarray(data["CO.loc"], float).T))
    known = np.isfinite(values) & np.isfinite(elevation)
    return places[known], values[known], elevation[known]
