"""Sites that a slip of the pen has put outside the basin: exchanged coordinates, a minus that is lacking."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd
import xarray as xr
from pyproj import Transformer

from snowtally.model.grid import BasinGrid
from snowtally.model.problems import Finding
from snowtally.model.rules import slips as rules


@dataclass(frozen=True)
class _Slip:
    """A slip of the pen: what happened in words, and what undoes it."""

    words: str
    undo: Callable[[pd.Series, pd.Series], tuple[pd.Series, pd.Series]]


SLIPS = (
    _Slip("longitude and latitude are exchanged", lambda longitude, latitude: (latitude, longitude)),
    _Slip("longitude has the wrong sign (west is negative)", lambda longitude, latitude: (-longitude, latitude)),
    _Slip("latitude has the wrong sign (south is negative)", lambda longitude, latitude: (longitude, -latitude)),
    _Slip(
        "longitude and latitude are exchanged, and west lacks its minus",
        lambda longitude, latitude: (-latitude, longitude),
    ),
)


def misplaced_sites(sites: pd.DataFrame, grid: BasinGrid, terrain: xr.Dataset, within_m: float) -> list[Finding]:
    """Return a finding for each file and slip that would put sites back into the basin.

    Parameters
    ----------
    sites : those off the grid: site_id, longitude, latitude, elevation_m, file and line.
    terrain : elevation (m) on (y, x) of `grid`.
    within_m : a site belongs to a place whose elevation is no further than this from its stated one, where it states one.
    """
    findings: list[Finding] = []
    rest = sites
    to_grid = Transformer.from_crs("EPSG:4326", grid.crs, always_xy=True)
    for slip in SLIPS:
        longitude, latitude = slip.undo(rest["longitude"], rest["latitude"])
        row, column = grid.rows_columns(*to_grid.transform(longitude.to_numpy(), latitude.to_numpy()))
        ground = np.where(row >= 0, terrain["elevation"].to_numpy()[row, column], np.nan)
        back = np.isfinite(ground) & ~((rest["elevation_m"] - ground).abs() > within_m).to_numpy()
        for file, those in rest[back].groupby("file", sort=False):
            findings.append(_finding(str(file), those, sites, slip))
        rest = rest[~back]
    return findings


def _finding(file: str, those: pd.DataFrame, off: pd.DataFrame, slip: _Slip) -> Finding:
    first, alone = those.iloc[0], len(those) == 1
    of_file = int((off["file"] == file).sum())
    said = f"longitude {first.longitude:.6g}, latitude {first.latitude:.6g}"
    many = f"{len(those)} of {of_file} sites outside the margin, such as '{first.site_id}': {said}"
    return Finding(
        rules.MISPLACED_SITES,
        file=file,
        line=int(first.line) if alone else 0,
        site_id=str(first.site_id) if alone else "",
        evidence=said if alone else many,
        detail=rules.MISPLACED_SITES.says(slip=slip.words),
    )
