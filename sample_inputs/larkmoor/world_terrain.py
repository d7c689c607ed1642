"""The invented ground of Larkmoor: valleys cut by running water, a basin between divides, zones, canopy and bare rock.

All rasters of the world share one 20 m lattice whose cell edges lie 7 m east and 3 m north of multiples of 20 m, as a
survey's own grid would; nothing lines up with the 100 m grid of the estimates by chance.
"""

from __future__ import annotations

import heapq
from dataclasses import dataclass

import geopandas
import numpy as np
import shapely
from affine import Affine
from rasterio import features
from scipy import ndimage

CRS = "EPSG:32625"
PIXEL_M = 20
WEST_M, NORTH_M = 496_007, 4_904_003
"""North-west corner of the whole invented ground, in metres of the projection."""
GROUND_PIXELS = 1875
"""The whole ground is square, 37.5 km wide; most of it is cut away once the basin is known."""
EROSION_CELL_M = 300
MARGIN_M = 5400
"""Terrain kept around the basin: the 5 km that the pipeline may use and a little more."""

ZONE_NAMES = {"HEADS": "Larkmoor Heads", "DUSK": "Duskwater Arm", "HALLOW": "Hallow Reach"}


@dataclass(frozen=True)
class Lattice:
    """A north-up grid of square pixels: the north-west corner (m), the pixel's width (m), rows and columns."""

    west: float
    north: float
    pixel: float
    rows: int
    columns: int

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns."""
        return self.rows, self.columns

    @property
    def transform(self) -> Affine:
        """The affine transform that GeoTIFF writers want."""
        return Affine(self.pixel, 0, self.west, 0, -self.pixel, self.north)

    @property
    def x(self) -> np.ndarray:
        """Eastings of the pixel centres, m."""
        return self.west + self.pixel * (np.arange(self.columns) + 0.5)

    @property
    def y(self) -> np.ndarray:
        """Northings of the pixel centres, m, descending."""
        return self.north - self.pixel * (np.arange(self.rows) + 0.5)

    def window(self, bounds: tuple[float, float, float, float]) -> tuple[slice, slice]:
        """Rows and columns that cover the bounds (west, south, east, north in m), as slices."""
        west, south, east, north = bounds
        first_column = max(0, int(np.floor((west - self.west) / self.pixel)))
        last_column = min(self.columns, int(np.ceil((east - self.west) / self.pixel)))
        first_row = max(0, int(np.floor((self.north - north) / self.pixel)))
        last_row = min(self.rows, int(np.ceil((self.north - south) / self.pixel)))
        return slice(first_row, last_row), slice(first_column, last_column)

    def cut(self, window: tuple[slice, slice]) -> Lattice:
        """Return the part of this lattice in a window of rows and columns."""
        rows, columns = window
        return Lattice(
            self.west + self.pixel * columns.start,
            self.north - self.pixel * rows.start,
            self.pixel,
            rows.stop - rows.start,
            columns.stop - columns.start,
        )


@dataclass(frozen=True)
class Ground:
    """The ground on the 20 m lattice, basin and margin.

    Attributes
    ----------
    lattice : where the pixels lie.
    elevation : m.
    canopy : cover fraction, 0..1.
    rock : steep faces, ridges, and gravel, where snow never stays (bool).
    stable : the inner part of it, offered to the laser survey as stable ground (bool).
    inside : pixels whose centre lies in the basin (bool).
    zones : the zone polygons with zone_id and name, in the projection.
    """

    lattice: Lattice
    elevation: np.ndarray
    canopy: np.ndarray
    rock: np.ndarray
    stable: np.ndarray
    inside: np.ndarray
    zones: geopandas.GeoDataFrame


def random_field(rng: np.random.Generator, shape: tuple[int, int], pixel: float, length: float) -> np.ndarray:
    """Return a smooth random field, mean 0 and standard deviation 1, of a given correlation length (m, as pixel)."""
    white = rng.standard_normal(shape, dtype=np.float32)
    field = ndimage.gaussian_filter(white, length / pixel / np.sqrt(2), mode="wrap")
    return (field - field.mean()) / field.std()


def fractal_field(
    rng: np.random.Generator, shape: tuple[int, int], pixel: float, longest: float, roughness: float = 2.1
) -> np.ndarray:
    """Return a fractal random field, mean 0 and standard deviation 1.

    The spectrum falls with wavenumber to the power of -2 x roughness / 2 from the longest wavelength (m) down.
    """
    white = np.fft.rfft2(rng.standard_normal(shape, dtype=np.float32))
    ky = np.fft.fftfreq(shape[0], pixel)[:, None]
    kx = np.fft.rfftfreq(shape[1], pixel)[None, :]
    k = np.hypot(ky, kx)
    gain = 1.0 / (1.0 + (k * longest) ** 2) ** (roughness / 2)
    gain[0, 0] = 0.0
    field = np.fft.irfft2(white * gain, s=shape)
    return (field / field.std()).astype(np.float32)


NEIGHBOURS = ((-1, -1), (-1, 0), (-1, 1), (0, -1), (0, 1), (1, -1), (1, 0), (1, 1))


def drain(elevation: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return where each node drains to and an order in which a node comes after the one it drains to.

    Hollows are filled from the edge inwards with a slight fall, so that all water reaches the edge.

    Parameters
    ----------
    elevation : (row, column), m.

    Returns
    -------
    receiver : flat index of the neighbour with the steepest fall; the node itself on the edge.
    order : flat indices, lowest first.
    """
    rows, columns = elevation.shape
    flat = elevation.ravel().tolist()
    filled = [np.inf] * len(flat)
    seen = np.zeros(elevation.shape, bool)
    seen[[0, -1], :] = True
    seen[:, [0, -1]] = True
    edge = np.flatnonzero(seen)
    heap = [(flat[node], node) for node in edge.tolist()]
    for level, node in heap:
        filled[node] = level
    heapq.heapify(heap)
    visited = bytearray(seen.ravel().tobytes())
    steps = [dr * columns + dc for dr, dc in NEIGHBOURS]
    while heap:
        level, node = heapq.heappop(heap)
        row, column = divmod(node, columns)
        if row in (0, rows - 1) or column in (0, columns - 1):
            near = [
                (row + dr) * columns + column + dc
                for dr, dc in NEIGHBOURS
                if 0 <= row + dr < rows and 0 <= column + dc < columns
            ]
        else:
            near = [node + step for step in steps]
        for other in near:
            if not visited[other]:
                visited[other] = 1
                filled[other] = max(flat[other], level + 0.01)
                heapq.heappush(heap, (filled[other], other))
    level = np.array(filled).reshape(elevation.shape)
    own = np.arange(level.size).reshape(level.shape)
    receiver = own.copy()
    steepest = np.zeros(level.shape)
    inner = (slice(1, -1), slice(1, -1))
    for dr, dc in NEIGHBOURS:
        shifted = level[1 + dr : rows - 1 + dr, 1 + dc : columns - 1 + dc]
        fall = (level[inner] - shifted) / np.hypot(dr, dc)
        better = fall > steepest[inner]
        steepest[inner][better] = fall[better]
        receiver[inner][better] = (own[inner] + dr * columns + dc)[better]
    return receiver.ravel(), np.argsort(level.ravel(), kind="stable")


def upstream_area(receiver: np.ndarray, order: np.ndarray) -> np.ndarray:
    """Return how many nodes drain through each node, itself included."""
    area = [1.0] * receiver.size
    to = receiver.tolist()
    for node in order[::-1].tolist():
        if to[node] != node:
            area[to[node]] += area[node]
    return np.array(area)


def upstream_of(receiver: np.ndarray, order: np.ndarray, outlets: list[int]) -> np.ndarray:
    """Return for each node the number (from 1) of the outlet it drains through first, 0 for none."""
    label = [0] * receiver.size
    for number, outlet in enumerate(outlets, start=1):
        label[outlet] = number
    to = receiver.tolist()
    for node in order.tolist():
        if not label[node]:
            label[node] = label[to[node]]
    return np.array(label)


def erode(rng: np.random.Generator, nodes: int, steps: int = 75) -> np.ndarray:
    """Return a coarse land surface shaped by uplift and running water, relative heights.

    Uplift is strongest on a ring around the middle, weaker in the south, so that one large river leaves southwards.
    Stream power with area to the power of 0.5 and slope to the power of 1, solved implicitly node by node.
    """
    row, column = np.mgrid[0:nodes, 0:nodes] / (nodes - 1) - 0.5
    warp = fractal_field(rng, (nodes, nodes), 1.0, nodes / 2)
    radius = np.hypot(column * 1.05 + 0.02 * warp, (row + 0.02) * 0.95)
    uplift = (
        0.75
        + 0.45 * np.exp(-(((radius - 0.36) / 0.16) ** 2))
        - 0.35 * np.exp(-((column / 0.2) ** 2)) * (row > 0.1) * ((row - 0.1) / 0.4)
    )
    uplift = np.clip(uplift, 0.1, None) * np.exp(0.12 * fractal_field(rng, (nodes, nodes), 1.0, nodes / 3))
    z = 110.0 * fractal_field(rng, (nodes, nodes), 1.0, nodes / 3) + 500 * radius + 700.0 * (0.5 - row)
    hardness = np.exp(0.25 * fractal_field(rng, (nodes, nodes), 1.0, nodes / 6)).ravel()
    z -= z.min()
    for _ in range(steps):
        z[0], z[:, 0], z[:, -1] = 0.0, 0.0, 0.0
        z[-1] = 0.0
        receiver, order = drain(z)
        area = upstream_area(receiver, order)
        z = z + 28.0 * uplift
        pull = (0.10 * hardness * np.sqrt(area)).tolist()
        to, height = receiver.tolist(), z.ravel().tolist()
        for node in order.tolist():
            if to[node] != node:
                height[node] = (height[node] + pull[node] * height[to[node]]) / (1.0 + pull[node])
            else:
                height[node] = 0.0
        z = ndimage.gaussian_filter(np.array(height).reshape(nodes, nodes), 0.5)
    return z


def shape_ground(rng: np.random.Generator) -> np.ndarray:
    """Return the 20 m elevation of the whole ground, relative heights not yet stretched to metres."""
    nodes = GROUND_PIXELS * PIXEL_M // EROSION_CELL_M
    coarse = erode(rng, nodes)
    shape = (GROUND_PIXELS, GROUND_PIXELS)
    row, column = np.mgrid[0 : shape[0], 0 : shape[1]].astype(np.float32)
    # Displacing the coordinates hides the eight directions in which the coarse water could run.
    bend = 22.0
    row += bend * fractal_field(rng, shape, PIXEL_M, 2500.0, 2.6)
    column += bend * fractal_field(rng, shape, PIXEL_M, 2500.0, 2.6)
    ratio = EROSION_CELL_M / PIXEL_M
    at = [(row + 0.5) / ratio - 0.5, (column + 0.5) / ratio - 0.5]
    return ndimage.map_coordinates(coarse, at, order=3, mode="nearest").astype(np.float32)


def roughen(rng: np.random.Generator, elevation: np.ndarray) -> np.ndarray:
    """Return the elevation (m) with ribs, gullies and knolls, strongest on steep high ground, faint on valley floors."""
    shape = elevation.shape
    steep = ndimage.gaussian_filter(slope_degrees(elevation), 6)
    strength = np.clip(steep / 22.0, 0.12, 1.3)
    ribs = 1.0 - 2.2 * np.abs(fractal_field(rng, shape, PIXEL_M, 1200.0, 3.0))
    knolls = fractal_field(rng, shape, PIXEL_M, 300.0, 3.0)
    return elevation + strength * (11.0 * ribs + 2.6 * knolls).astype(np.float32)


def slope_degrees(elevation: np.ndarray) -> np.ndarray:
    """Return the steepest slope of a 20 m elevation grid, degrees."""
    south, east = np.gradient(elevation, PIXEL_M)
    return np.degrees(np.arctan(np.hypot(south, east)))


def find_basin(elevation_100: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray, int]:
    """Return receiver, order and upstream area on 100 m nodes and the outlet of the basin that suits the demo best.

    It suits when it covers close to 400 km2 and keeps 5.5 km of ground on every side.
    """
    receiver, order = drain(elevation_100)
    area = upstream_area(receiver, order)
    columns = elevation_100.shape[1]
    kept = int(5500 / 100)
    best, best_score = -1, np.inf
    for node in np.flatnonzero((area > 34_000) & (area < 47_000)).tolist():
        label = upstream_of(receiver, order, [node]).reshape(elevation_100.shape)
        rows_in, columns_in = np.nonzero(label)
        clear = min(rows_in.min(), columns_in.min(), columns - 1 - rows_in.max(), columns - 1 - columns_in.max())
        score = abs(area[node] - 40_000) / 1000 + 10.0 * max(0, kept - clear)
        if score < best_score:
            best, best_score = node, score
    if best < 0:
        message = "no river with 340 to 470 km2 in this ground; take another seed"
        raise RuntimeError(message)
    return receiver, order, area, best


def split_basin(receiver: np.ndarray, order: np.ndarray, area: np.ndarray, outlet: int) -> np.ndarray:
    """Return the zone of each node: 1 the main river's heads, 2 its largest tributary, 3 the reach below; 0 outside.

    The cut is made at the confluence that gives the three most alike areas.
    """
    basin = upstream_of(receiver, order, [outlet])
    path, node = [], outlet
    inflow: dict[int, list[int]] = {}
    for source in np.flatnonzero(basin).tolist():
        if receiver[source] != source:
            inflow.setdefault(int(receiver[source]), []).append(source)
    while inflow.get(node):
        path.append(node)
        node = max(inflow[node], key=lambda source: area[source])
    best, best_score = None, np.inf
    total = area[outlet]
    for position, node in enumerate(path[:-1]):
        main = path[position + 1]
        for side in inflow[node]:
            if side == main or area[side] < 0.1 * total:
                continue
            for upper in path[position + 1 :]:
                heads, arm = area[upper], area[side]
                rest = total - heads - arm
                score = max(heads, arm, rest) - min(heads, arm, rest)
                if rest > 0 and score < best_score:
                    best, best_score = [upper, side], score
    if best is None:
        message = "the river has no large tributary; take another seed"
        raise RuntimeError(message)
    label = upstream_of(receiver, order, [*best, outlet])
    return np.where(basin > 0, label, 0)


def outline_zones(label: np.ndarray, lattice: Lattice) -> geopandas.GeoDataFrame:
    """Return zone polygons from a label raster (0 outside): smooth outlines, borders shared exactly, in the projection."""
    fine = np.kron(label, np.ones((2, 2), label.dtype))
    votes = np.stack([ndimage.gaussian_filter((fine == zone).astype(np.float32), 2.5) for zone in range(4)])
    smooth = votes.argmax(axis=0).astype(np.uint8)
    transform = Affine(lattice.pixel / 2, 0, lattice.west, 0, -lattice.pixel / 2, lattice.north)
    largest = []
    for zone in (1, 2, 3):
        parts, count = ndimage.label(smooth == zone)
        sizes = ndimage.sum_labels(np.ones_like(parts), parts, np.arange(1, count + 1))
        largest.append(parts == 1 + int(np.argmax(sizes)))
    # A crumb cut off by the smoothing goes to whichever zone surrounds it, never into a hole of the basin.
    zone_of = np.zeros(smooth.shape, np.uint8)
    for zone, mask in enumerate(largest, start=1):
        zone_of[mask] = zone
    basin = ndimage.binary_fill_holes(zone_of > 0)
    nearest = ndimage.distance_transform_edt(zone_of == 0, return_distances=False, return_indices=True)
    zone_of = np.where(basin, zone_of[tuple(nearest)], 0).astype(np.uint8)
    shapes = [(shapely.geometry.shape(s), int(v)) for s, v in features.shapes(zone_of, zone_of > 0, 4, transform)]
    polygons = [shapely.union_all([s for s, v in shapes if v == zone]) for zone in (1, 2, 3)]
    polygons = list(shapely.coverage_simplify(polygons, 60.0))
    names = list(ZONE_NAMES.items())
    return geopandas.GeoDataFrame(
        {"zone_id": [key for key, _ in names], "name": [name for _, name in names]}, geometry=polygons, crs=CRS
    )


def grow_canopy(rng: np.random.Generator, elevation: np.ndarray) -> np.ndarray:
    """Return the canopy cover (0..1): woods in clumps below a ragged tree line, thinner on steep and on dry south ground."""
    shape = elevation.shape
    south, east = np.gradient(ndimage.gaussian_filter(elevation, 3), PIXEL_M)
    steep = np.degrees(np.arctan(np.hypot(south, east)))
    northness = south / np.sqrt(1 + south**2 + east**2)
    tree_line = 2350.0 + 90.0 * fractal_field(rng, shape, PIXEL_M, 3000.0) - 120.0 * northness
    warmth = 1.0 / (1.0 + np.exp((elevation - tree_line) / 60.0))
    clumps = fractal_field(rng, shape, PIXEL_M, 700.0, 1.6) + 0.5 * fractal_field(rng, shape, PIXEL_M, 120.0, 1.2)
    wanted = 1.5 * clumps + 1.6 * northness + 0.3 - 0.00055 * np.clip(1750.0 - elevation, 0, None)
    cover = warmth * 0.86 / (1.0 + np.exp(-1.8 * wanted)) * np.clip((48.0 - steep) / 18.0, 0, 1)
    cover = np.clip(cover - 0.06, 0, None)
    return cover.astype(np.float32)


def bare_rock(rng: np.random.Generator, elevation: np.ndarray, area: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return where snow never stays, and the inner part of it that serves as stable ground (both bool, 20 m).

    Rock faces and wind-swept ribs of every aspect, and gravel flats beside the lower river.

    Parameters
    ----------
    elevation : m.
    area : upstream area in 100 m nodes, brought to the 20 m lattice.
    """
    shape = elevation.shape
    steep = ndimage.gaussian_filter(slope_degrees(elevation), 1.5)
    patches = random_field(rng, shape, PIXEL_M, 130.0)
    threshold = np.where(steep > 34, 1.85, np.where(steep > 20, 2.35, 3.4))
    rock = patches > threshold
    river = ndimage.maximum_filter(area, 7) > 6000
    flat = steep < 9
    rock |= flat & river & (random_field(rng, shape, PIXEL_M, 220.0) > 1.3) & (elevation < 1700)
    stable = ndimage.binary_erosion(rock, np.ones((3, 3)), iterations=1)
    return rock, stable


def build_ground(seed: np.random.SeedSequence) -> Ground:
    """Return the invented ground, cut to the basin and its margin."""
    streams = [np.random.default_rng(child) for child in seed.spawn(4)]
    whole = Lattice(WEST_M, NORTH_M, PIXEL_M, GROUND_PIXELS, GROUND_PIXELS)
    relative = shape_ground(streams[0])
    # A first look at the basin tells how to stretch heights so that it spans 1020 to 3290 m.
    *_, outlet = network = find_basin(block_mean(relative, 5))
    label = upstream_of(network[0], network[1], [outlet]).reshape(GROUND_PIXELS // 5, -1)
    within = block_mean(relative, 5)[label > 0]
    low, high = within.min(), within.max()
    share = np.clip((relative - low) / (high - low), 0.0, 1.2) ** 0.9  # more of the ground at middle heights
    elevation = 1020.0 + share * (3220.0 - 1020.0)
    elevation = roughen(streams[1], elevation)
    nodes = block_mean(elevation, 5)
    receiver, order, area, outlet = find_basin(nodes)
    label = split_basin(receiver, order, area, outlet).reshape(nodes.shape)
    coarse = Lattice(WEST_M, NORTH_M, 100, *nodes.shape)
    zones = outline_zones(label, coarse)
    west, south, east, north = zones.total_bounds
    window = whole.window((west - MARGIN_M, south - MARGIN_M, east + MARGIN_M, north + MARGIN_M))
    area_20 = np.kron(area.reshape(nodes.shape), np.ones((5, 5)))
    canopy = grow_canopy(streams[2], elevation)
    rock, stable = bare_rock(streams[3], elevation, area_20)
    lattice = whole.cut(window)
    inside = features.rasterize(zones.geometry, lattice.shape, transform=lattice.transform).astype(bool)
    return Ground(
        lattice,
        elevation[window],
        np.where(rock, 0, canopy)[window],
        rock[window],
        stable[window],
        inside,
        zones,
    )


def block_mean(values: np.ndarray, size: int) -> np.ndarray:
    """Return the means of square blocks of `size` pixels."""
    rows, columns = values.shape[0] // size, values.shape[1] // size
    return values.reshape(rows, size, columns, size).mean(axis=(1, 3))
