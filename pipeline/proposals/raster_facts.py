"""What a raster file says of itself: where it lies, how its values are spread, how steep they are."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import rasterio
from pyproj import CRS, Transformer
from rasterio.windows import Window

from snowtally.inputs.raster_band import opened
from snowtally.inputs.raster_frame import GDAL_TROUBLES, check_frame
from snowtally.model.problems import InputError, one_line
from snowtally.proposals.names import date_in
from snowtally.proposals.proposal import UnknownFile

WHOLE_PIXELS = 1_000_000
"""Up to so many pixels a raster is read whole, else in windows (cost alone: a tenth of a second)."""

COUNTED_PIXELS = 200_000_000
"""Of a larger elevation raster voids are looked for in windows alone (cost alone: some seconds)."""

WINDOWS, WINDOW_PIXELS = 10, 64
"""Windows along each side of a large raster, and pixels along each side of a window: 400 000 pixels of it (cost alone)."""


@dataclass(frozen=True)
class Box:
    """An area by its edges in degrees."""

    west: float
    south: float
    east: float
    north: float

    @property
    def middle(self) -> tuple[float, float]:
        """Longitude and latitude of its middle."""
        return (self.west + self.east) / 2, (self.south + self.north) / 2

    def share_of(self, other: Box) -> float:
        """Return the share of another area that lies in this one."""
        width = min(self.east, other.east) - max(self.west, other.west)
        height = min(self.north, other.north) - max(self.south, other.south)
        whole = (other.east - other.west) * (other.north - other.south)
        return max(width, 0.0) * max(height, 0.0) / whole if whole > 0 else 0.0

    def grown(self, margin_m: float) -> Box:
        """Return the area with a margin around it."""
        up = margin_m / METRES_PER_DEGREE
        side = up / max(np.cos(np.radians(self.middle[1])), up)
        return Box(self.west - side, self.south - up, self.east + side, self.north + up)

    def holds(self, longitude: float, latitude: float) -> bool:
        """Return whether a point lies in it."""
        return self.west <= longitude <= self.east and self.south <= latitude <= self.north

    def __str__(self) -> str:
        """Return its edges for people."""
        return f"longitude {self.west:.2f} to {self.east:.2f}, latitude {self.south:.2f} to {self.north:.2f}"


@dataclass(frozen=True)
class RasterFacts:
    """A raster's first band.

    Parameters
    ----------
    path : absolute.
    crs : None where the file has none.
    box : its area; None without a coordinate system.
    bounds, size : left, bottom, right, top in its own system; columns and rows.
    pixel_m : width of a pixel, m.
    unit : as the band declares it, or its height system; empty where nothing does.
    stored : the values read that the file does not declare as no data, as stored, one-dimensional.
    scale, offset : value = stored * scale + offset.
    step : median difference of stored values between neighbouring pixels over the pixel's width in m: the slope's tangent
        where they are heights in metres.
    nodata : declared; None where nothing is.
    is_integer : how values are stored.
    bands : how many the file has.
    """

    path: Path
    crs: CRS | None
    box: Box | None
    bounds: tuple[float, float, float, float]
    size: tuple[int, int]
    pixel_m: float
    unit: str
    stored: np.ndarray
    scale: float
    offset: float
    step: float
    nodata: float | None
    is_integer: bool
    bands: int

    @property
    def values(self) -> np.ndarray:
        """The values read, in the file's unit."""
        return self.stored * self.scale + self.offset

    @property
    def date(self) -> dt.date | None:
        """The date in its name."""
        return date_in(self.path.name)

    @property
    def low(self) -> float:
        """Least value; NaN where it has none."""
        return float(self.values.min()) if self.stored.size else float("nan")

    @property
    def high(self) -> float:
        """Greatest value; NaN where it has none."""
        return float(self.values.max()) if self.stored.size else float("nan")

    @property
    def is_mask(self) -> bool:
        """Whether it holds at most two values, each 0 or one other."""
        values = np.unique(self.stored)
        two = 2
        return len(values) <= two and (len(values) < two or values[0] == 0)

    def heights_at(self, longitude: np.ndarray, latitude: np.ndarray) -> np.ndarray:
        """Return the values at points in degrees, in the file's unit.

        NaN outside the raster and where it has no data.
        """
        return values_at([self], longitude, latitude)


def facts_of(path: Path) -> RasterFacts | UnknownFile:
    """Return what a raster says of itself, or why it cannot be used."""
    try:
        with opened(path) as source:
            if source.count == 0:
                several = "it holds several grids" if source.subdatasets else "it holds no grid"
                return UnknownFile(path, f"{several}. Save the grid that is wanted as one GeoTIFF")
            check_frame(path, source)
            if source.dtypes[0].startswith("complex"):
                return UnknownFile(path, "it holds complex numbers")
            return _facts(path, source)
    except InputError as trouble:
        return UnknownFile(path, str(trouble).removeprefix(f"{path} "))
    except (*GDAL_TROUBLES, OSError, ValueError) as trouble:
        return UnknownFile(path, f"it cannot be read as a raster ({one_line(trouble)})")


def _facts(path: Path, source: rasterio.DatasetReader) -> RasterFacts:
    crs = None if source.crs is None else CRS.from_wkt(source.crs.to_wkt())
    box = None if crs is None else _box(crs, source.bounds)
    pixel = _pixel_m(source, crs, box)
    windows = [_read(source, window) for window in _windows(source)]
    values = np.concatenate([part[np.isfinite(part)] for part in windows])
    return RasterFacts(
        path=path,
        crs=crs,
        box=box,
        bounds=tuple(source.bounds),
        size=(source.width, source.height),
        pixel_m=pixel,
        unit=_unit(source, crs),
        stored=values,
        scale=source.scales[0],
        offset=source.offsets[0],
        step=_step(windows, source.scales[0], pixel),
        nodata=None if source.nodata is None else float(source.nodata),
        is_integer=np.issubdtype(np.dtype(source.dtypes[0]), np.integer),
        bands=source.count,
    )


def _windows(source: rasterio.DatasetReader) -> list[Window]:
    if source.width * source.height <= WHOLE_PIXELS:
        return [Window(0, 0, source.width, source.height)]
    lefts = np.linspace(0, max(source.width - WINDOW_PIXELS, 0), WINDOWS).astype(int)
    tops = np.linspace(0, max(source.height - WINDOW_PIXELS, 0), WINDOWS).astype(int)
    side = min(WINDOW_PIXELS, source.width), min(WINDOW_PIXELS, source.height)
    return [Window(left, top, *side) for top in tops for left in lefts]


def _read(source: rasterio.DatasetReader, window: Window) -> np.ndarray:
    """Return a window as stored, NaN where the file declares no data."""
    part = source.read(1, window=window).astype(np.float64)
    part[source.read_masks(1, window=window) == 0] = np.nan
    return part


def shares_of(raster: RasterFacts, codes: Sequence[float]) -> dict[float, float]:
    """Return the share of a raster's pixels that hold each of some stored values, of all its pixels."""
    columns, rows = raster.size
    if columns * rows <= WHOLE_PIXELS or columns * rows > COUNTED_PIXELS:
        return {code: float(np.mean(raster.stored == code)) for code in codes}
    counts = dict.fromkeys(codes, 0)
    with opened(raster.path) as source:
        height = max(WHOLE_PIXELS // columns, 1)
        for top in range(0, rows, height):
            part = _read(source, Window(0, top, columns, min(height, rows - top)))
            for code in codes:
                counts[code] += int(np.count_nonzero(part == code))
    return {code: count / (columns * rows) for code, count in counts.items()}


def _step(windows: list[np.ndarray], scale: float, pixel_m: float) -> float:
    across = [np.abs(np.diff(part, axis=axis)).ravel() for part in windows for axis in (0, 1)]
    steps = np.concatenate(across)
    steps = steps[np.isfinite(steps)]
    return float(np.median(steps)) * abs(scale) / pixel_m if steps.size else float("nan")


def _box(crs: CRS, bounds: tuple[float, float, float, float]) -> Box | None:
    to_degrees = Transformer.from_crs(crs, "EPSG:4326", always_xy=True)
    edges = to_degrees.transform_bounds(*bounds, densify_pts=21)
    if not np.isfinite(edges).all():
        return None
    west, south, east, north = edges
    # Longitudes of 0 to 360 are those of -180 to 180.
    half_turn = 180.0
    turns = 360.0 if west >= half_turn else 0.0
    return Box(west - turns, south, east - turns, north)


def _pixel_m(source: rasterio.DatasetReader, crs: CRS | None, box: Box | None) -> float:
    """Return the width of a pixel in metres: the root of its area."""
    width, height = source.res
    if crs is None or box is None:
        return float("nan")
    if crs.is_geographic:
        return METRES_PER_DEGREE * np.sqrt(width * height * np.cos(np.radians(box.middle[1])))
    return float(np.sqrt(width * height)) * crs.axis_info[0].unit_conversion_factor


METRES_PER_DEGREE = 111_195.0
"""Of a great circle of the mean earth radius of 6371 km."""


def _unit(source: rasterio.DatasetReader, crs: CRS | None) -> str:
    declared = (source.units[0] or "").strip()
    if declared.lower() not in ("", "unknown", "none", "1"):
        return declared
    for part in crs.sub_crs_list if crs is not None and crs.is_compound else []:
        if part.is_vertical:
            return part.axis_info[0].unit_name
    return ""


def values_at(rasters: list[RasterFacts], longitude: np.ndarray, latitude: np.ndarray) -> np.ndarray:
    """Return the values of tiles at points in degrees, in the files' unit.

    NaN where no tile has data.
    """
    out = np.full(len(longitude), np.nan)
    for raster in rasters:
        if raster.crs is None:
            continue
        x, y = Transformer.from_crs("EPSG:4326", raster.crs, always_xy=True).transform(longitude, latitude)
        left, bottom, right, top = raster.bounds
        within = np.isfinite(x) & np.isfinite(y) & (x > left) & (x < right) & (y > bottom) & (y < top) & np.isnan(out)
        if not within.any():
            continue
        with opened(raster.path) as source:
            stored = source.sample(np.column_stack([np.asarray(x)[within], np.asarray(y)[within]]), 1, masked=True)
            at = np.array([float(value[0]) if value[0] is not np.ma.masked else np.nan for value in stored])
        out[within] = at * raster.scale + raster.offset
    return out


def abutting(rasters: list[RasterFacts]) -> bool:
    """Return whether rasters are tiles of one: alike in system and pixels, side by side.

    They may overlap by a tenth of a tile, as tiles with a collar do.
    """
    first = rasters[0]
    if first.crs is None or any(
        one.crs != first.crs or not np.isclose(one.pixel_m, first.pixel_m, rtol=0.01) or one.date != first.date
        for one in rasters
    ):
        return False
    return all(_side_by_side(one, other) for n, one in enumerate(rasters) for other in rasters[:n])


MOST_OVERLAP = 0.1
"""Tiles overlap by no more than this part of the smaller one (chosen)."""


def _side_by_side(one: RasterFacts, other: RasterFacts) -> bool:
    return (
        one.box is not None
        and other.box is not None
        and max(one.box.share_of(other.box), other.box.share_of(one.box)) <= MOST_OVERLAP
    )
