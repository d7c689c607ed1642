"""The basin on its grid: zones as they are read, elevation and canopy from the cache while their files say the same."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import geopandas
import numpy as np
import pandas as pd
import xarray as xr

from snowtally.gather.sources import DaySources, fixed_files, source_of
from snowtally.inputs.basin_position import check_elevation_near, clock_at_longitude
from snowtally.inputs.find import is_file, missing_file, unreadable_file
from snowtally.inputs.known_systems import grid_crs
from snowtally.inputs.raster_frame import refuse_large
from snowtally.inputs.read_sites import read_sites
from snowtally.inputs.read_terrain import BandEdges, ElevationFiles, basin_grid, read_terrain
from snowtally.inputs.read_zones import read_zones, zone_rows
from snowtally.model.basin import Basin
from snowtally.model.grid import BasinGrid
from snowtally.model.problems import Finding, InputError
from snowtally.settings.basin import Settings
from snowtally.storage.cache import Encoding, Maker
from snowtally.storage.encodings import arrays_of
from snowtally.storage.grid_encoding import grids_bytes, grids_of

TERRAIN_MAKER = Maker(
    "terrain", 1, ("affine", "exactextract", "geopandas", "numpy", "pyproj", "rasterio", "scipy", "shapely", "xarray")
)
"""Maker of what `read_terrain` returns."""


def _decode(body: memoryview) -> tuple[xr.Dataset, list[Finding]]:
    terrain, findings = grids_of(*arrays_of(body))
    return terrain.assign_attrs(bands=[tuple(edges) for edges in terrain.attrs["bands"]]), findings


TERRAIN: Encoding[tuple[xr.Dataset, list[Finding]]] = Encoding(lambda made: grids_bytes(*made), _decode)
"""A basin's terrain with the findings of reading it."""


@dataclass(frozen=True)
class BasinRead:
    """A basin as read.

    Parameters
    ----------
    basin : on its grid.
    findings : everything noticed.
    outlines : the zones' outlines as rows.
    """

    basin: Basin
    findings: list[Finding]
    outlines: pd.DataFrame


def gather_basin(sources: DaySources) -> BasinRead:
    """Return the basin on its grid.

    Raises
    ------
    SnowtallyError : zones or elevation cannot be used, or the settings ask for a grid that cannot be.
    """
    settings = sources.settings
    crs = grid_crs(settings.grid.crs)
    path, declared = settings.path(settings.basin.zones), settings.columns.get("zones", {})
    zones = read_zones(path, crs, settings.basin.zones_layer, declared)
    grid = basin_grid(zones, crs, settings.grid.cell_m, settings.basin.margin_m)
    canopy, findings = _canopy(sources, grid)
    files = fixed_files(settings, "elevation")
    _refuse_large(settings, files, grid)
    check_elevation_near(path, files, partial(_stated_sites, settings), grid)
    terrain, noticed = _terrain(sources, zones, grid, canopy)
    named = list(zip(zones["zone_id"], zones["name"], strict=True))
    noticed = findings + noticed + clock_at_longitude(settings.basin.utc_offset_hours, grid)
    return BasinRead(Basin(grid, terrain, named), noticed, zone_rows(zones))


def _terrain(
    sources: DaySources, zones: geopandas.GeoDataFrame, grid: BasinGrid, canopy: np.ndarray | None
) -> tuple[xr.Dataset, list[Finding]]:
    """Return what is fixed on the grid and the findings, from the cache where they are there."""
    files, ground, bands = fixed_files(sources.settings, "elevation"), sources.settings.terrain, sources.settings.bands
    elevation = ElevationFiles(files, ground.elevation_unit, ground.voids)
    edges = BandEdges(bands.width_m, bands.edges_m)
    hashes = sources.flights.sha256_of_all(files)
    if hashes is None:
        return read_terrain(elevation, canopy, zones, grid, edges)
    key = TERRAIN_MAKER.key(
        hashes, [ground.elevation_unit, ground.voids], [bands.width_m, bands.edges_m],
        grid.lattice, list(zones.geometry.to_wkb()), canopy,
    )  # fmt: skip
    return sources.rows.get_or_make(key, TERRAIN, lambda: read_terrain(elevation, canopy, zones, grid, edges))


def _stated_sites(settings: Settings) -> pd.DataFrame:
    """Return the sites as their table states them, empty where it cannot be read; whoever needs them says why."""
    try:
        return read_sites(source_of(settings, "sites", fixed_files(settings, "sites")))[0]
    except InputError:
        return pd.DataFrame(columns=["longitude", "latitude"])


def _canopy(sources: DaySources, grid: BasinGrid) -> tuple[np.ndarray | None, list[Finding]]:
    """Return the canopy's cover on the grid, None where there is none to read, and the findings."""
    files = fixed_files(sources.settings, "canopy")
    absent = [path for path in files if not is_file(path)]
    if absent:
        return None, [missing_file("terrain", path, "terrain.canopy in the settings") for path in absent]
    try:
        _refuse_large(sources.settings, files, grid)
        return (sources.fraction_of(files, grid) if files else None), []
    except InputError as trouble:
        return None, [unreadable_file("terrain", files[0], str(trouble).removeprefix(f"{files[0]} "))]


def _refuse_large(settings: Settings, files: Sequence[Path], grid: BasinGrid) -> None:
    for path in files:
        refuse_large(path, grid, settings.operations.limits.raster_gb)
