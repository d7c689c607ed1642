"""Invented ground for the recovery trial: relief, trees, an outline, and sites where people would put them.

Nothing here is the pipeline's or the demo basin's but the grid's coordinates. Heights, trees and winds are drawn; sites stand in
clearings at middle heights, few above the trees, none on a summit.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
import xarray as xr
from pyproj import CRS, Transformer
from scipy import ndimage

from snowtally.model.grid import BasinGrid

FINE = 2
"""Pixels along a cell: the snow is marched on a quarter of a cell, the truth is the cell's mean."""

AREA_KM2 = (80.0, 3000.0)
KM2_PER_SITE = (10.0, 300.0)
SITES = (4, 24)
"""Least and most sites of a basin, whatever its area."""

CELLS_M, MOST_CELLS = (100, 150, 200, 250, 300, 400, 500), 12_000
"""The finest cell width is taken with which a basin has no more cells than this."""

MARGIN = 3
"""Cells around the basin on which snow lies and flights see; beyond them nothing is marched."""

INSIDE_SHARE = 0.62
"""Share of the grid that the basin takes."""

BAND_M = 200.0


def noise(rng: np.random.Generator, shape: tuple[int, int], reach: float, power: float = 3.0) -> np.ndarray:
    """Return a smooth random field of mean 0 and standard deviation 1.

    Parameters
    ----------
    reach : distance in pixels beyond which the field no longer hangs together.
    power : how fast short waves fade.
    """
    waves = np.hypot(np.fft.fftfreq(shape[0])[:, None], np.fft.rfftfreq(shape[1])[None, :])
    spectrum = np.fft.rfft2(rng.standard_normal(shape)) * (waves**2 + (0.5 / reach) ** 2) ** (-power / 2)
    spectrum[0, 0] = 0.0
    field = np.fft.irfft2(spectrum, s=shape)
    return field / field.std()


@dataclass(frozen=True)
class Ground:
    """The invented ground, on pixels of (rows, columns) unless said otherwise.

    Parameters
    ----------
    grid : the basin grid, of `FINE` by `FINE` pixels a cell.
    elevation : m.
    canopy : cover fraction of trees.
    normal : (3, rows, columns) east, north and up parts of the normal of the surface.
    slope_deg : steepness.
    hollow : curvature, positive in hollows, standard deviation 1.
    inside : (y, x) of the grid, whether a cell belongs to the basin; snow lies `MARGIN` cells further.
    """

    grid: BasinGrid
    elevation: np.ndarray
    canopy: np.ndarray
    normal: np.ndarray
    slope_deg: np.ndarray
    hollow: np.ndarray
    inside: np.ndarray

    @property
    def pixel_m(self) -> float:
        """Width of a pixel, m."""
        return self.grid.cell_m / FINE

    @property
    def around(self) -> np.ndarray:
        """(y, x) of the grid, whether snow lies on a cell: the basin with its margin."""
        return ndimage.binary_dilation(self.inside, iterations=MARGIN)

    @property
    def area_km2(self) -> float:
        """Area of the basin."""
        return float(self.inside.sum() * self.grid.cell_m**2 / 1e6)

    @property
    def middle_m(self) -> float:
        """Median elevation of the basin, the height that the weather is given for."""
        return float(np.median(cells(self.elevation)[self.inside]))


def cells(values: np.ndarray) -> np.ndarray:
    """Return the means of cells of a field on pixels."""
    rows, columns = values.shape
    return values.reshape(rows // FINE, FINE, columns // FINE, FINE).mean(axis=(1, 3))


def draw_area(rng: np.random.Generator) -> float:
    """Return an area from 80 to 3,000 km2, small ones as likely as large ones."""
    return float(np.exp(rng.uniform(*np.log(AREA_KM2))))


def draw_ground(rng: np.random.Generator, area: float, *, southern: bool) -> Ground:
    """Return ground of about an area in km2."""
    cell_m = next((c for c in CELLS_M if area * 1e6 / c**2 <= MOST_CELLS), CELLS_M[-1])
    stretch = float(np.exp(rng.uniform(-0.35, 0.35)))
    side = np.sqrt(area * 1e6 / INSIDE_SHARE) / cell_m
    height, width = int(side * stretch), int(side / stretch)
    shape, pixel_m = (height * FINE, width * FINE), cell_m / FINE
    across = np.sqrt(area) * 1000.0 / pixel_m
    row, column = np.mgrid[: shape[0], : shape[1]]
    row, column = row / shape[0] - 0.5, column / shape[1] - 0.5
    turn = rng.uniform(0, 2 * np.pi)
    bowl = 0.8 * np.hypot(row, column) + np.cos(turn) * row + np.sin(turn) * column
    # Valleys some kilometres apart with side valleys, and steep sides: half of the ground is steeper than 15 to 25 degrees.
    ridges = sum(
        weight * (1.0 - np.abs(noise(rng, shape, reach * rng.uniform(0.8, 1.3) / pixel_m, 3.4)))
        for weight, reach in ((0.9, 3500.0), (0.5, 1500.0), (0.2, 700.0))
    )
    relief = 0.6 * bowl / bowl.std() + 0.5 * noise(rng, shape, across / 2) + ridges
    low, high = np.quantile(relief, [0.005, 0.995])
    larger = np.clip(np.log(area / AREA_KM2[0]) / np.log(AREA_KM2[1] / AREA_KM2[0]), 0, 1)
    span = rng.uniform(900, 1700) + 800 * larger
    share = np.clip((relief - low) / (high - low), -0.05, 1.08)
    elevation = rng.uniform(700, 1900) + span * np.sign(share) * np.abs(share) ** rng.uniform(0.8, 1.5)
    south, east = np.gradient(elevation, pixel_m)
    up = 1.0 / np.sqrt(1.0 + south**2 + east**2)
    hollow = ndimage.gaussian_filter(elevation, 250.0 / pixel_m) - ndimage.gaussian_filter(elevation, 60.0 / pixel_m)
    edge = np.hypot(row, column) + 0.07 * noise(rng, shape, across / 3)
    edge = cells(edge)
    within = edge <= np.quantile(edge, INSIDE_SHARE)
    parts, _ = ndimage.label(within)
    inside = ndimage.binary_fill_holes(parts == np.bincount(parts[within]).argmax())
    heights = elevation[np.kron(inside, np.ones((FINE, FINE), bool))]
    line = np.quantile(heights, rng.uniform(0.5, 0.85)) + 80.0 * noise(rng, shape, 1500.0 / pixel_m)
    density = np.clip(rng.uniform(0.3, 0.6) + 0.28 * noise(rng, shape, 500.0 / pixel_m, 2.0), 0.0, 0.92)
    meadow = np.clip((elevation - np.quantile(heights, rng.uniform(0.0, 0.2))) / 150.0 + 0.6, 0.0, 1.0)
    canopy = density * np.clip((line - elevation) / 200.0, 0.0, 1.0) * meadow
    crs = CRS("EPSG:32725" if southern else "EPSG:32625")
    top = round((5_200_000.0 if southern else 4_900_000.0) / cell_m) * cell_m
    left = round(500_000.0 / cell_m) * cell_m
    return Ground(
        BasinGrid(crs, cell_m, left, top, width, height), elevation, canopy, np.stack([-east * up, south * up, up]),
        np.degrees(np.arccos(up)), hollow / hollow.std(), inside,
    )  # fmt: skip


def terrain_of(ground: Ground) -> tuple[xr.Dataset, list[tuple[str, str]]]:
    """Return the terrain as the pipeline reads it, on the grid, and the zones' names."""
    grid, inside, elevation = ground.grid, ground.inside, cells(ground.elevation)
    count = 2 if ground.area_km2 < 300 else 3 if ground.area_km2 < 1200 else 4
    columns = np.broadcast_to(np.arange(grid.width), grid.shape)
    edges = np.quantile(columns[inside], np.linspace(0, 1, count + 1)[1:-1])
    low, high = (int(np.floor(level / BAND_M)) for level in (elevation[inside].min(), elevation[inside].max()))
    zone = np.where(inside, 1 + np.searchsorted(edges, columns), 0)
    band = np.where(inside, np.floor(elevation / BAND_M).astype(int) - low + 1, 0)
    fields = {
        "elevation": elevation, "canopy": cells(ground.canopy), "cell_area": inside * float(grid.cell_m) ** 2,
        "zone": zone.astype("i4"), "band": band.astype("i4"), "convergence": np.zeros(grid.shape),
    }  # fmt: skip
    bands = [(BAND_M * k, BAND_M * (k + 1)) for k in range(low, high + 1)]
    terrain = xr.Dataset({name: grid.array(values) for name, values in fields.items()}, attrs={"bands": bands})
    return terrain, [(f"zone{k + 1}", f"Zone {k + 1}") for k in range(count)]


@dataclass(frozen=True)
class Sites:
    """The sites: where they stand, and how their snow differs from their cells'.

    Parameters
    ----------
    table : rows as the pipeline reads them.
    row, column : their pixels.
    canopy : what stands about them, less than in their cells.
    gain : snow that they gather, relative to what their cell's middle gathers.
    """

    table: pd.DataFrame
    row: np.ndarray
    column: np.ndarray
    canopy: np.ndarray
    gain: np.ndarray

    @property
    def cell(self) -> tuple[np.ndarray, np.ndarray]:
        """Rows and columns of their cells."""
        return self.row // FINE, self.column // FINE


SITE_GAIN, SITE_GAIN_SD, OWN_GAIN_SD = 0.04, 0.10, 0.14
"""Mean and spread of the logarithm of a basin's common gain, and the spread of single sites about it. Those who choose places
want snow that lies; how much more lies there than around differs by network (common practice, no source)."""


def draw_sites(ground: Ground, rng: np.random.Generator) -> Sites:
    """Return sites in clearings at middle heights, one for every 10 to 300 km2 but four at least."""
    wanted = ground.area_km2 / float(np.exp(rng.uniform(*np.log(KM2_PER_SITE))))
    number = int(np.clip(round(wanted), *SITES))
    usable = np.kron(ground.inside, np.ones((FINE, FINE), bool))
    heights = ground.elevation[usable]
    rank = np.searchsorted(np.sort(heights), ground.elevation) / len(heights)
    # Few stand above the trees, none on the summits or where the road never goes.
    high = 0.88
    usable &= (ground.slope_deg < 16) & (rank > 0.06) & (rank < high) & (np.abs(ground.hollow) < 1.0)
    middle, width = rng.uniform(0.4, 0.62), 0.16
    appeal = np.exp(-0.5 * ((rank - middle) / width) ** 2) * np.where(ground.canopy < 0.05, 0.25, 1.0) * usable
    row, column = np.zeros(number, int), np.zeros(number, int)
    apart = 0.6 * np.sqrt(ground.area_km2 / number) * 1000.0 / ground.pixel_m
    rows, columns = np.mgrid[: appeal.shape[0], : appeal.shape[1]]
    left = appeal.copy()
    for k in range(number):
        if left.sum() == 0:
            left = appeal.copy()
        place = int(rng.choice(left.size, p=left.ravel() / left.sum()))
        row[k], column[k] = np.unravel_index(place, left.shape)
        left = left * (np.hypot(rows - row[k], columns - column[k]) > apart)
    stations = int(np.clip(round(number * rng.uniform(0.35, 0.8)), 2, number - 1))
    kinds = np.array(["station"] * stations + ["course"] * (number - stations))[rng.permutation(number)]
    grid = ground.grid
    cell_row, cell_column = row // FINE, column // FINE
    x, y = grid.x[cell_column], grid.y[cell_row]
    longitude, latitude = Transformer.from_crs(grid.crs, 4326, always_xy=True).transform(x, y)
    table = pd.DataFrame(
        {
            "file": "sites.csv", "line": np.arange(2, number + 2), "site_id": [f"W{k:02d}" for k in range(number)],
            "name": "", "kind": kinds, "longitude": longitude, "latitude": latitude,
            "elevation_m": ground.elevation[row, column].round(0), "since": pd.NaT, "until": pd.NaT, "x": x, "y": y,
            "row": cell_row, "column": cell_column, "terrain_m": cells(ground.elevation)[cell_row, cell_column],
            "inside": True,
        }
    ).astype({"since": "datetime64[s]", "until": "datetime64[s]"})  # fmt: skip
    common = rng.normal(SITE_GAIN, SITE_GAIN_SD)
    gain = np.exp(common + rng.normal(0.0, OWN_GAIN_SD, number))
    return Sites(table, row, column, rng.uniform(0.1, 0.5, number) * ground.canopy[row, column], gain)


@dataclass(frozen=True)
class Points:
    """Pixels, row by row, and the sites after them: what a snowpack is marched on; arrays of (points,) unless said otherwise.

    Parameters
    ----------
    shape : rows and columns of the pixels; (0, 0) where the sites alone are marched.
    elevation, canopy : m and cover fraction.
    normal : (3, points); sites stand on level ground.
    hollow, slope_deg : of the ground.
    settle : how fast snow settles there, relative to elsewhere: snow's density varies in space on its own.
    gain : what sites gather beyond their ground; 1 on pixels, 0 on those far from the basin.
    east, north : place within the grid, -1 to 1.
    """

    shape: tuple[int, int]
    elevation: np.ndarray
    canopy: np.ndarray
    normal: np.ndarray
    hollow: np.ndarray
    slope_deg: np.ndarray
    settle: np.ndarray
    gain: np.ndarray
    east: np.ndarray
    north: np.ndarray

    @property
    def pixels(self) -> int:
        """How many of the points are pixels."""
        return self.shape[0] * self.shape[1]

    @property
    def site_pixels(self) -> np.ndarray:
        """The number of each site's pixel."""
        rows, columns = self.shape
        row = np.rint((1 - self.north[self.pixels :]) / 2 * (rows - 1)).astype(int)
        column = np.rint((1 + self.east[self.pixels :]) / 2 * (columns - 1)).astype(int)
        return row * columns + column


SETTLE_SD = 0.16
"""Spread of the logarithm of the settling rate, half of it over some 400 m, half over some 4 km."""


def points_of(ground: Ground, sites: Sites, rng: np.random.Generator) -> Points:
    """Return pixels and sites as points, with settling of their own drawn."""
    shape = ground.elevation.shape
    near, far = (noise(rng, shape, reach / ground.pixel_m) for reach in (400.0, 4000.0))
    settle = np.exp(SETTLE_SD * np.sqrt(0.5) * (near + far))
    at = sites.row, sites.column
    snowy = np.kron(ground.around, np.ones((FINE, FINE)))
    north, east = np.meshgrid(np.linspace(1, -1, shape[0]), np.linspace(-1, 1, shape[1]), indexing="ij")

    def joined(field: np.ndarray, of_sites: np.ndarray | None = None) -> np.ndarray:
        return np.concatenate([field.ravel(), field[at] if of_sites is None else of_sites]).astype(np.float32)

    level = np.zeros(len(sites.row))
    return Points(
        shape, joined(ground.elevation), joined(ground.canopy, sites.canopy),
        np.stack([joined(part, level + value) for part, value in zip(ground.normal, (0, 0, 1), strict=True)]),
        joined(ground.hollow, level), joined(ground.slope_deg, level), joined(settle), joined(snowy, sites.gain),
        joined(east), joined(north),
    )  # fmt: skip


def sites_alone(points: Points) -> Points:
    """Return the sites without the pixels."""
    n = points.pixels
    names = ("elevation", "canopy", "hollow", "slope_deg", "settle", "gain", "east", "north")
    kept = {name: getattr(points, name)[n:] for name in names}
    return Points(shape=(0, 0), normal=points.normal[:, n:], **kept)
