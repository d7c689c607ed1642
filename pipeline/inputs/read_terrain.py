"""The ground: the part of each cell inside zones and basin, ground areas, elevation and canopy on the basin grid."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import geopandas
import numpy as np
import xarray as xr
from exactextract import exact_extract
from exactextract.raster import NumPyRasterSource
from pyproj import CRS, Proj, Transformer
from scipy.interpolate import LinearNDInterpolator, NearestNDInterpolator
from scipy.ndimage import binary_dilation, distance_transform_edt

from snowtally.inputs.lengths import length_m
from snowtally.inputs.raster_band import ELEVATIONS, Values
from snowtally.inputs.rasters import mean_on_grid
from snowtally.inputs.undeclared_voids import Steps
from snowtally.model.grid import BasinGrid
from snowtally.model.problems import Finding, InputError, SettingsError
from snowtally.model.rules import sites as rules
from snowtally.model.rules import slips

MOST_CELLS = 20_000_000
"""A finer grid is refused before it fills the memory; some ten times the largest basin in the design (1.6 million cells)."""

MOST_AREA_DISTORTION = 0.01
"""A coordinate system that distorts area by more than this is refused: cells would stop being alike (contract)."""

MOST_VOID = 0.02
"""Voids of the terrain are filled up to this share of the basin's area (chosen): a band's area is then off by some tenths of it, since
the heights around a void are right."""

VOID_REACH_M = 1000.0
"""Voids are filled no further than this from the next height: beyond, a valley or a summit may have been left out (chosen)."""

MOST_BANDS = 500
"""More elevation bands than this are a slip: the highest mountain has 45 of 200 m, and each pair with a zone has its own totals."""


def basin_grid(zones: geopandas.GeoDataFrame, crs: CRS, cell_m: float, margin_m: float) -> BasinGrid:
    """Return the grid that covers the zones and the margin around them.

    Raises
    ------
    SettingsError : the coordinate system distorts area by more than `MOST_AREA_DISTORTION` somewhere on the grid, or the cells
        are more than `MOST_CELLS`.
    """
    left, bottom, right, top = zones.total_bounds
    grid = BasinGrid.covering((left - margin_m, bottom - margin_m, right + margin_m, top + margin_m), cell_m, crs)
    cells = grid.width * grid.height
    if cells > MOST_CELLS:
        step = 10.0 ** np.floor(np.log10(cell_m * np.sqrt(cells / MOST_CELLS)))
        least = step * np.ceil(cell_m * np.sqrt(cells / MOST_CELLS) / step)
        message = (
            f"grid.cell_m: {cell_m:g} m makes {cells / 1e6:.0f} million cells of this basin and its margin, more than the "
            f"{MOST_CELLS / 1e6:.0f} million that are allowed. Use {least:g} m or more, or a smaller basin.margin_m"
        )
        raise SettingsError(message)
    worst = float(np.abs(_at_nodes(grid, "areal_scale").values - 1.0).max())
    if not worst <= MOST_AREA_DISTORTION:
        message = (
            f"grid.crs: {crs.name} distorts area by {worst:.1%} in this basin, more than {MOST_AREA_DISTORTION:.0%}. "
            "Use a system made for the region, such as its UTM zone or an equal-area projection"
        )
        raise SettingsError(message)
    return grid


@dataclass(frozen=True)
class ElevationFiles:
    """The files of the elevation, and what they do not say of themselves.

    Parameters
    ----------
    files : a raster, or its tiles.
    unit : of heights in files that declare none; None for metres.
    voids : stored heights that mean that nothing was measured.
    """

    files: Sequence[Path]
    unit: str | None = None
    voids: Sequence[float] = ()

    @property
    def values(self) -> Values:
        """What the files' numbers are, and which of them are none."""
        metres = None if self.unit is None else length_m(self.unit)
        return replace(ELEVATIONS, codes=tuple(self.voids), metres_per_unit=metres)

    @property
    def name(self) -> str:
        """The file, or the first of the tiles and how many there are."""
        more = f" and {len(self.files) - 1} more tiles" if len(self.files) > 1 else ""
        return f"{self.files[0]}{more}"


def read_terrain(
    elevation: ElevationFiles,
    canopy: np.ndarray | None,
    zones: geopandas.GeoDataFrame,
    grid: BasinGrid,
    band_edges: BandEdges,
) -> tuple[xr.Dataset, list[Finding]]:
    """Return what is fixed on the basin grid, and the findings.

    Parameters
    ----------
    canopy : cover fraction on the grid, (y, x); None where there is none.

    Returns
    -------
    terrain : dataset on (y, x): `elevation` (m), `canopy` (1; zero where none is given), `inside_fraction` (1), `cell_area` (m2, ground
    area of the part of the cell inside the basin), `zone` and `band` (1..n, 0 outside), `convergence` (degrees east of true
    north of the grid's north). Attribute `bands`: list of (low, high) edges in metres that occur in the basin.
    findings : the unit that was converted, and voids that were filled.

    Raises
    ------
    InputError : a raster cannot be read, or the elevation holds fractions or leaves too much of the basin without data.
    """
    fractions = zone_fractions(zones, grid)
    inside = fractions.sum(axis=0)
    zone = np.where(inside > 0, fractions.argmax(axis=0) + 1, 0)
    steps = Steps()
    read = mean_on_grid(elevation.files, grid, elevation.values, steps)
    _is_height(elevation, read.values)
    height, findings = _without_voids(elevation, read.values, inside, grid.cell_m)
    findings += _undeclared_voids(elevation, grid, read.values, inside, steps.alone())
    if read.unit:
        evidence = f"heights in {read.unit}, in metres {np.nanmin(height):.0f} to {np.nanmax(height):.0f}"
        findings.append(Finding(rules.TERRAIN_UNIT, file=str(elevation.files[0]), evidence=evidence))
    cover = np.zeros(grid.shape) if canopy is None else np.nan_to_num(canopy)
    bands, band = band_edges.classify(height, inside > 0)
    terrain = xr.Dataset(
        {
            "elevation": grid.array(height, units="m"),
            "canopy": grid.array(cover, units="1"),
            "inside_fraction": grid.array(inside, units="1"),
            "cell_area": grid.array(inside * grid.cell_m**2 / areal_scale(grid), units="m2"),
            "zone": grid.array(zone.astype("i4"), units="1"),
            "band": grid.array(band.astype("i4"), units="1"),
            "convergence": grid.array(_factors(grid, "meridian_convergence"), units="degree"),
        }
    )
    terrain.attrs["bands"] = bands
    return terrain, findings


def _without_voids(
    elevation: ElevationFiles, height_m: np.ndarray, inside: np.ndarray, cell_m: float
) -> tuple[np.ndarray, list[Finding]]:
    """Return the heights with small voids filled, and the finding.

    Voids of the basin are filled from the heights around them. There is no finding where there is no void.

    Raises
    ------
    InputError : voids take more than `MOST_VOID` of the basin, or reach further than `VOID_REACH_M` from the next height.
    """
    known = np.isfinite(height_m)
    void = (inside > 0) & ~known
    if not void.any():
        return height_m, []
    share = float(inside[void].sum() / inside.sum())
    reach = float(distance_transform_edt(~known)[void].max() * cell_m)
    figures = f"{int(void.sum())} cells of the basin, {share:.2%} of its area, up to {reach:.0f} m from the next height"
    if share > MOST_VOID or reach > VOID_REACH_M:
        low, high = ELEVATIONS.believable
        raise InputError(
            f"elevation {elevation.name} has no data in {figures}; up to {MOST_VOID:.0%} and {VOID_REACH_M:.0f} m are filled. It must cover the "
            f"whole basin. Values outside {low:.0f} to {high:.0f} m are no data: heights in feet must declare their unit, or the settings it under terrain.elevation_unit"
        )
    filled = height_m.copy()
    filled[void] = _from_around(height_m, known, void)
    return filled, [Finding(rules.TERRAIN_VOIDS, file=str(elevation.files[0]), evidence=figures)]


def _undeclared_voids(
    elevation: ElevationFiles, grid: BasinGrid, height_m: np.ndarray, inside: np.ndarray, alone: Sequence[float]
) -> list[Finding]:
    """Return a finding where heights that stand by themselves, as stored, are used as ground; else none."""
    if not alone:
        return []
    codes = (*elevation.values.codes, *alone)
    without = mean_on_grid(elevation.files, grid, replace(elevation.values, codes=codes)).values
    off = ~np.isclose(without, height_m, rtol=0.0, atol=SAME_HEIGHT_M, equal_nan=True)
    rule = slips.UNDECLARED_VOIDS if off[inside > 0].any() else slips.UNDECLARED_VOIDS_OUTSIDE
    cells = int(off[inside > 0].sum()) or int(off.sum())
    share = float(inside[off].sum() / inside.sum())
    words = " and ".join(f"{height:g}" for height in alone)
    evidence = f"{words} among other heights, in {cells} cells" + (
        f" of the basin, {share:.2%} of its area" if share else " outside the basin"
    )
    heights = ", ".join(f"{height:g}" for height in alone)
    return [Finding(rule, file=str(elevation.files[0]), evidence=evidence, detail=rule.says(heights=heights))]


SAME_HEIGHT_M = 0.01
"""Two means of a cell's heights that differ by less are one: rounding."""


def _from_around(height_m: np.ndarray, known: np.ndarray, void: np.ndarray) -> np.ndarray:
    """Return the heights of void cells from the known ones around.

    Linear over triangles, beyond these the nearest.
    """
    ring = known & binary_dilation(~known, iterations=2)
    cells, heights, wanted = np.argwhere(ring), height_m[ring], np.argwhere(void)
    filled = NearestNDInterpolator(cells, heights)(wanted)
    if (np.ptp(cells, axis=0) > 0).all():
        between = LinearNDInterpolator(cells, heights)(wanted)
        filled = np.where(np.isfinite(between), between, filled)
    return filled


def _is_height(elevation: ElevationFiles, height_m: np.ndarray) -> None:
    """Raise InputError where an elevation raster holds fractions.

    No basin that gathers snow has all its ground within a metre.
    """
    low, high = float(np.nanmin(height_m)), float(np.nanmax(height_m))
    if low >= 0.0 and high <= 1.0:
        raise InputError(
            f"elevation {elevation.name} holds values from {low:.3g} to {high:.3g}, as a fraction does, where heights in metres are wanted. "
            "Is it the canopy? Look at terrain.elevation in the settings"
        )


class BandEdges:
    """Elevation bands with edges at multiples of a width, or given.

    The lower edge belongs to the band.
    """

    def __init__(self, width_m: float | None = None, edges_m: list[float] | None = None) -> None:
        """Give exactly one of a width and a rising list of edges, in metres."""
        self.width_m = width_m
        self.edges_m = edges_m

    def classify(self, elevation_m: np.ndarray, inside: np.ndarray) -> tuple[list[tuple[float, float]], np.ndarray]:
        """Return the elevation bands, and the band of each cell.

        The bands are (lower edge, upper edge) in m, from the lowest to the highest. With a width they begin and end
        with a band that the basin touches. Given edges give all their bands. A cell's band is its number, 1 to n, and 0
        outside the basin.

        Raises
        ------
        SettingsError : given edges leave part of the basin outside.

        Examples
        --------
        >>> BandEdges(width_m=200.0).classify(np.array([199.9, 200.0, 399.9, 400.0]), np.ones(4, bool))
        ([(0.0, 200.0), (200.0, 400.0), (400.0, 600.0)], array([1, 2, 2, 3]))
        """
        heights = elevation_m[inside]
        if self.edges_m is None:
            first, last = np.floor(heights.min() / self.width_m), np.floor(heights.max() / self.width_m)
            if not last - first < MOST_BANDS:
                message = (
                    f"bands.width_m: {self.width_m:g} m makes {last - first + 1:.0f} bands of the basin's {heights.min():.0f} to "
                    f"{heights.max():.0f} m, more than {MOST_BANDS}. Use wider bands"
                )
                raise SettingsError(message)
            edges = np.arange(first, last + 2) * self.width_m
        else:
            edges = np.asarray(self.edges_m, float)
            if heights.min() < edges[0] or heights.max() >= edges[-1]:
                message = (
                    f"bands.edges_m: the basin reaches from {heights.min():.0f} to {heights.max():.0f} m, "
                    f"the edges only from {edges[0]:.0f} to {edges[-1]:.0f} m"
                )
                raise SettingsError(message)
        number = np.searchsorted(edges, np.where(inside, elevation_m, edges[0]), side="right")
        return [(float(a), float(b)) for a, b in itertools.pairwise(edges)], np.where(inside, number, 0)


def zone_fractions(zones: geopandas.GeoDataFrame, grid: BasinGrid) -> np.ndarray:
    """Return the exact fraction of each cell in each zone.

    The shape is (zone, y, x). Where zones overlap a little, a cell's fractions are scaled so that their sum is 1.

    Raises
    ------
    InputError : zones overlap by more than a hundredth of a cell somewhere.
    """
    left, bottom, right, top = grid.bounds
    raster = NumPyRasterSource(np.zeros(grid.shape, "i1"), left, bottom, right, top, srs_wkt=grid.crs.to_wkt())
    extracted = exact_extract(raster, zones, ["cell_id", "coverage"], output="pandas")
    fractions = np.zeros((len(zones), grid.height * grid.width))
    for number, (cells, coverage) in enumerate(zip(extracted["cell_id"], extracted["coverage"], strict=True)):
        fractions[number, cells] = coverage
    inside = fractions.sum(axis=0)
    most = float(inside.max())
    overlap_allowed = 1.01  # shared borders digitised twice differ by centimetres
    if most > overlap_allowed:
        message = f"zones overlap: a cell lies {most:.2f} times inside. Mend the outlines so that zones share borders"
        raise InputError(message)
    fractions /= np.maximum(inside, 1.0)
    return fractions.reshape(len(zones), *grid.shape)


def areal_scale(grid: BasinGrid) -> np.ndarray:
    """Return projected over geodetic area at the cell centres, (y, x)."""
    return _factors(grid, "areal_scale")


def _factors(grid: BasinGrid, name: str) -> np.ndarray:
    """Return a projection factor at the cell centres, (y, x), interpolated between nodes."""
    nodes = _at_nodes(grid, name)
    along = np.stack([np.interp(grid.x, nodes.x, row) for row in nodes.values])
    position = np.interp(grid.y, nodes.y, np.arange(len(nodes.y)))
    low = np.minimum(position.astype(int), len(nodes.y) - 2)
    share = (position - low)[:, None]
    return along[low] * (1.0 - share) + along[low + 1] * share


@dataclass(frozen=True)
class _Nodes:
    """A projection factor at (y, x) nodes, both rising."""

    y: np.ndarray
    x: np.ndarray
    values: np.ndarray


def _at_nodes(grid: BasinGrid, name: str) -> _Nodes:
    """Return a projection factor at nodes that span the grid and are at most 2 km apart.

    In UTM a straight line between two nodes is off by h^2 / (4 R^2), 2.5e-8 of the areal scale.
    """
    left, bottom, right, top = grid.bounds
    node_m = 2000.0
    x = np.linspace(left, right, max(4, int((right - left) / node_m) + 2))
    y = np.linspace(bottom, top, max(4, int((top - bottom) / node_m) + 2))
    node_x, node_y = np.meshgrid(x, y)
    longitude, latitude = Transformer.from_crs(grid.crs, grid.crs.geodetic_crs, always_xy=True).transform(
        node_x, node_y
    )
    return _Nodes(y, x, np.asarray(getattr(Proj(grid.crs).get_factors(longitude, latitude), name)))
