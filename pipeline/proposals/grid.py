"""The grid that is proposed.

Its coordinate system, and cells of a size that a night can bear.
"""

from __future__ import annotations

from dataclasses import dataclass

import geopandas
from pyproj import CRS, Transformer
from shapely.geometry import box as rectangle

from snowtally.inputs.read_terrain import basin_grid
from snowtally.proposals.proposal import Proposal
from snowtally.proposals.raster_facts import Box, RasterFacts

CELLS_M = (25, 30, 50, 100, 200, 250, 500, 1000, 2000)
"""Cell widths that are proposed, m: round numbers, and 30 m as many elevation models have."""

USUAL_CELL_M = 100
"""The width that settings have by default, m."""

LEAST_CELLS = 5_000
"""Cells of the basin without its margin: below so many a finer grid is proposed, m (chosen: bands and zones need some hundreds each)."""

NIGHT_S, NIGHT_S_PER_CELL = 8.0, 7.5e-6
"""A night takes so many seconds, and so many more a cell of the grid with its margin: measured on 2 cores on 2026-12-01 with the
basins of tests/benchmarks/bench_night.py and one flight, 40 thousand to 1.7 million cells (docs/figures.md, night). First nights, and
each further flight, take more."""

MEMORY_GB, MEMORY_GB_PER_CELL = 0.66, 0.74e-6
"""Memory of a night in the same way: 0.73 GB at 130 thousand cells, 0.95 at 462 thousand, 1.9 at 1.7 million."""

LONGEST_NIGHT_S = 20.0
"""A finer grid than takes so long with one flight is not proposed, s (the design's aim for 1.6 million cells)."""

LOWEST_LATITUDE, HIGHEST_LATITUDE = -80.0, 84.0
"""UTM is defined between these, degrees."""

POLAR_NORTH, POLAR_SOUTH = "EPSG:6931", "EPSG:6932"
"""Equal-area systems of the polar regions, in metres. Those of the polar stereographic family distort area by over 1 % at the pole."""


@dataclass(frozen=True)
class GridChoice:
    """The grid that is proposed.

    Parameters
    ----------
    crs, cell : proposals of `grid.crs` and `grid.cell_m`.
    """

    crs: Proposal
    cell: Proposal


def utm_code(longitude: float, latitude: float) -> str:
    """Return the EPSG code of the UTM zone of a point.

    Beyond UTM that of an equal-area polar system.

    >>> utm_code(-32.8, 44.1), utm_code(5.0, 60.0), utm_code(170.1, -44.0), utm_code(179.9999, 10.0)
    ('EPSG:32625', 'EPSG:32631', 'EPSG:32759', 'EPSG:32660')
    >>> utm_code(20.0, 86.0), utm_code(20.0, -82.0)
    ('EPSG:6931', 'EPSG:6932')
    """
    if latitude > HIGHEST_LATITUDE:
        return POLAR_NORTH
    if latitude < LOWEST_LATITUDE:
        return POLAR_SOUTH
    zone = int((longitude + 180.0) % 360.0 // 6.0) + 1
    return f"EPSG:{(32600 if latitude >= 0 else 32700) + zone}"


def propose_grid(zones: Box, area_km2: float, elevations: list[RasterFacts], margin_m: float) -> GridChoice:
    """Return the grid's coordinate system and cell width.

    Parameters
    ----------
    zones : the area of the zones.
    area_km2 : of the basin.
    elevations : the tiles of the elevation.
    margin_m : around the zones.
    """
    code = utm_code(*zones.middle)
    crs = CRS(code)
    longitude, latitude = zones.middle
    evidence = f"the basin's middle lies at longitude {longitude:.2f}, latitude {latitude:.2f}: {crs.name}"
    own = sorted({f"EPSG:{one.to_epsg()}" for one in map(_metric, elevations) if one} - {code, "EPSG:None"})
    also = f". {' and '.join(own)} of the elevation would do as well" if own else ""
    pixel = max((one.pixel_m for one in elevations), default=0.0)
    cell, why = _cell(zones, area_km2, pixel, crs, margin_m)
    return GridChoice(Proposal("grid.crs", code, evidence + also), Proposal("grid.cell_m", cell, why))


def _metric(raster: RasterFacts) -> CRS | None:
    """Return a raster's system where it is projected and in metres."""
    fits = raster.crs is not None and raster.crs.is_projected and raster.crs.axis_info[0].unit_name == "metre"
    return raster.crs if fits else None


def _cell(zones: Box, area_km2: float, pixel_m: float, crs: CRS, margin_m: float) -> tuple[int, str]:
    """Return the cell width, m, and why."""
    outline = geopandas.GeoDataFrame(
        geometry=[rectangle(*Transformer.from_crs("EPSG:4326", crs, always_xy=True).transform_bounds(*_edges(zones)))],
        crs=crs,
    )
    west, south, east, north = outline.total_bounds
    whole_m2 = (east - west + 2 * margin_m) * (north - south + 2 * margin_m)
    coarsest = 1.2  # a raster of 109 m still fills cells of 100 m
    fitting = [cell for cell in CELLS_M if cell * coarsest >= pixel_m] or [CELLS_M[-1]]
    bearable = [cell for cell in fitting if night_s(whole_m2 / cell**2) <= LONGEST_NIGHT_S] or [CELLS_M[-1]]
    usual = USUAL_CELL_M
    while usual > CELLS_M[0] and area_km2 * 1e6 / usual**2 < LEAST_CELLS:
        usual = CELLS_M[CELLS_M.index(usual) - 1]
    cell = max(usual, min(bearable))
    cells = whole_m2 / cell**2
    basin_grid(outline, crs, float(cell), margin_m)
    parts = [f"basin {area_km2:.0f} km2"]
    if pixel_m:
        parts.append(f"elevation pixels {pixel_m:.0f} m")
    parts.append(
        f"{_thousands(cells)} cells with the margin: a night takes about {_rounded(night_s(cells))} s and "
        f"{memory_gb(cells):.1f} GB on 2 cores"
    )
    return cell, "; ".join(parts)


def night_s(cells: float) -> float:
    """Return how long a night takes, s."""
    return NIGHT_S + NIGHT_S_PER_CELL * cells


def memory_gb(cells: float) -> float:
    """Return how much memory a night takes, GB."""
    return MEMORY_GB + MEMORY_GB_PER_CELL * cells


def _edges(box: Box) -> tuple[float, float, float, float]:
    return box.west, box.south, box.east, box.north


def _thousands(cells: float) -> str:
    million = 1e6
    return f"{cells / million:.1f} million" if cells >= million else f"{max(cells / 1000, 1):.0f} thousand"


def _rounded(seconds: float) -> int:
    return int(5 * round(seconds / 5))
