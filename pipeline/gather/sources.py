"""Where a date's inputs come from: the settings, the files found, and the caches."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from snowtally.flights.cache import FlightCache
from snowtally.inputs.find import InputFile, matching
from snowtally.inputs.raster_frame import refuse_large
from snowtally.inputs.rasters import fraction_on_grid
from snowtally.inputs.read_overrides import read_overrides
from snowtally.inputs.source import Source
from snowtally.model.grid import BasinGrid
from snowtally.model.problems import Finding
from snowtally.settings.basin import Settings
from snowtally.settings.whole import file_formats
from snowtally.storage.cache import Cache, Maker
from snowtally.storage.encodings import ARRAYS


def source_of(settings: Settings, role: str, files: Sequence[Path]) -> Source:
    """Return a table's files with what the settings say of them."""
    return Source(
        files,
        settings.columns.get(role, {}),
        settings.missing,
        file_formats(settings.formats.get(role, [])),
        settings.checks.least_usable_share,
        settings.basin.season_start,
    )


FIXED = {
    "zones": "basin.zones",
    "elevation": "terrain.elevation",
    "canopy": "terrain.canopy",
    "sites": "inputs.sites",
}
"""The inputs that are no table of measurements, by role, and the settings' key of each."""


def fixed_patterns(settings: Settings) -> dict[str, list[str]]:
    """Return the fixed inputs by role as the settings name them, empty where they name none."""
    return {
        "zones": [str(settings.basin.zones)],
        "elevation": settings.terrain.elevation,
        "canopy": settings.terrain.canopy or [],
        "sites": settings.inputs.sites,
    }


def fixed_files(settings: Settings, role: str) -> list[Path]:
    """Return the files of a fixed input, in the order given, sorted within a glob.

    A name of no file is among them, so that its reader tells of it.
    """
    named = [settings.path(pattern) for pattern in fixed_patterns(settings)[role]]
    return list(dict.fromkeys(path for pattern in named for path in matching(pattern) or [pattern]))


FRACTION_MAKER = Maker("fraction", 1, ("affine", "numpy", "pyproj", "rasterio"))
"""Maker of `fraction_on_grid`."""


@dataclass(frozen=True)
class DaySources:
    """Where a date's inputs come from.

    Parameters
    ----------
    settings : the basin's settings.
    date : the date asked for; nothing dated later is used.
    files : the files of each table, by role.
    rows : cache of rows of large station files, of checked seasons, and of rasters on the basin grid.
    flights : cache of measured flights; it knows which files are still being written.
    """

    settings: Settings
    date: dt.date
    files: Mapping[str, Sequence[InputFile]]
    rows: Cache
    flights: FlightCache

    @property
    def season_start(self) -> dt.date:
        """First day of the date's snow season."""
        return self.settings.season_start(self.date)

    @property
    def noon(self) -> pd.Timestamp:
        """Local noon of the date, UTC."""
        return pd.Timestamp(self.date) + pd.Timedelta(hours=12 - self.settings.basin.utc_offset_hours)

    def table(self, role: str) -> Source:
        """Return the files of a table with what the settings say of them."""
        return source_of(self.settings, role, [file.path for file in self.files[role]])

    def overrides(self, first: dt.date, last: dt.date) -> tuple[pd.DataFrame, list[Finding]]:
        """Return the overrides whose period touches the days, and the findings."""
        return read_overrides(self.table("overrides"), self.settings.basin.utc_offset_hours, (first, last))

    def fraction(self, path: Path, grid: BasinGrid) -> np.ndarray:
        """Return a raster of fractions on the basin grid, (y, x).

        Raises
        ------
        StillArrivingError : the file is still being written.
        InputError : it cannot be read, or is larger than operations.limits.raster_gb.
        """
        self.flights.refuse_arriving(path)
        refuse_large(path, grid, self.settings.operations.limits.raster_gb)
        return self.fraction_of([path], grid)

    def fraction_of(self, paths: Sequence[Path], grid: BasinGrid) -> np.ndarray:
        """Return `fraction_on_grid` of files as they are, from the cache where it is there."""
        hashes = self.flights.sha256_of_all(paths)
        if hashes is None:
            return fraction_on_grid(paths, grid)
        key = FRACTION_MAKER.key(hashes, grid.lattice)
        made = self.rows.get_or_make(key, ARRAYS, lambda: {"fraction": fraction_on_grid(paths, grid)})
        return made["fraction"]
