"""Open data sets that ship with R packages, read where they are installed; nothing of them is kept here (they are GPL)."""

from __future__ import annotations

import os
from importlib.util import find_spec
from pathlib import Path

import pandas as pd
import pytest

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
