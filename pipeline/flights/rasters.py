"""Fine rasters of a flight: opened, described and read by windows, with errors that a person can act on."""

from __future__ import annotations

import datetime as dt
import logging
from collections.abc import Callable, Iterator, Sequence
from contextlib import AbstractContextManager, ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol
from xml.etree import ElementTree as ET

import numpy as np
import rasterio
from affine import Affine
from pyproj import CRS
from pyproj.exceptions import CRSError
from rasterio.windows import Window as RasterioWindow

from snowtally.flights.placing import Placement, placement_of
from snowtally.inputs.raster_band import DEPTHS, Band, Values, band_of, opened
from snowtally.inputs.raster_frame import GDAL_TROUBLES, check_frame
from snowtally.model.grid import BasinGrid
from snowtally.model.problems import InputError

CACHE_BYTES = 128 * 2**20
"""Room for GDAL's decoded blocks, of all threads: those that the next columns of a strip of 4096 rows use again. Its own default, a twentieth of the memory, would hold most of a raster that is
read once from end to end; rasterio takes the figure as bytes."""

MOST_BLOCKS_IN_CACHE = 4
"""A file may be one single block, however large: room for so many, or it would be decoded again for every window."""

# Where a file is damaged, GDAL's own words go to the log; the error raised says it to a person, with the remedy.
logging.getLogger("rasterio").addHandler(logging.NullHandler())


STRIP_ROWS = (128, 1024)
"""Fewest and most pixel rows of a strip: long enough to be worth a thread's while, short enough that all threads end
together. Depends on the file alone, never on the number of threads."""


@dataclass(frozen=True)
class Window:
    """A part of a raster.

    Rows `top` to `bottom` and columns `left` to `right`, the last ones not included.
    """

    top: int
    bottom: int
    left: int
    right: int

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns."""
        return self.bottom - self.top, self.right - self.left


Read = Callable[[Window], np.ndarray]
"""Reads a window: (rows, columns) in metres, float32 or float64, an array of its own; NaN means no data."""


class PixelSource(Protocol):
    """Fine pixels that can be read by windows.

    They are a raster, or the difference of two rasters.
    """

    @property
    def placement(self) -> Placement:
        """Where the pixels lie on the grid."""
        ...

    @property
    def block(self) -> tuple[int, int]:
        """Rows and columns of the blocks that the file is stored in."""
        ...

    @property
    def strip_rows(self) -> tuple[int, int]:
        """Fewest and most rows of a strip."""
        ...

    def reading(self) -> AbstractContextManager[Read]:
        """Open for reading: every thread opens its own."""
        ...


@dataclass(frozen=True)
class FineRaster:
    """The first band of a raster file, described.

    Parameters
    ----------
    path : the file.
    crs : horizontal coordinate system.
    transform : from column and row to coordinates.
    shape : rows and columns.
    block : rows and columns of the blocks that the file is stored in.
    band : how its numbers are read.
    """

    path: Path
    crs: CRS
    transform: Affine
    shape: tuple[int, int]
    block: tuple[int, int]
    band: Band

    @property
    def units(self) -> tuple[str, ...]:
        """The file's declared unit, if it is not the wanted one.

        Otherwise the tuple is empty.
        """
        return (self.band.unit,) if self.band.unit else ()

    @contextmanager
    def reading(self) -> Iterator[Read]:
        """Open the file and yield the function that reads a window of it.

        Raises
        ------
        InputError : from that function, where the file is cut short or damaged.
        """
        with quiet_gdal(self.block), _opened(self.path) as source:
            yield lambda window: self._read(source, window)

    def _read(self, source: rasterio.DatasetReader, window: Window) -> np.ndarray:
        part = RasterioWindow(window.left, window.top, window.right - window.left, window.bottom - window.top)
        try:
            return self.band.read(source, part)
        except GDAL_TROUBLES:
            raise InputError(
                f"{self.path} is cut short or damaged: rows {window.top} to {window.bottom} cannot be read. Copy or make it again"
            ) from None


def open_raster(path: Path, values: Values = DEPTHS) -> FineRaster:
    """Describe a raster file without reading its pixels.

    Parameters
    ----------
    values : what its numbers are; a unit that the file itself declares goes before one declared for it.

    Raises
    ------
    InputError : the file is no raster, has no coordinate system or position, or a unit that is no length.
    """
    with quiet_gdal((1, 1)), _opened(path) as source:
        if source.crs is None:
            raise InputError(
                f"{path} has no coordinate system. Write its EPSG code into the file (for example with gdal_edit -a_srs)"
            )
        if source.transform.is_identity:
            raise InputError(
                f"{path} has no position: it does not say where its pixels lie. Write its corners or geotransform into it"
            )
        check_frame(path, source)
        if path.suffix.lower() == ".vrt":
            _check_parts(path, source)
        return FineRaster(
            path=Path(path),
            crs=_horizontal(source.crs.to_wkt(), path),
            transform=source.transform,
            shape=source.shape,
            block=source.block_shapes[0],
            band=band_of(path, source, values),
        )


def _check_parts(path: Path, source: rasterio.DatasetReader) -> None:
    """Refuse a virtual raster with a part that is not there.

    GDAL would name it only when its pixels are wanted.
    """
    absent = [part for part in virtual_parts(path) if not part.is_file()]
    if absent:
        more = f" and {len(absent) - 1} more" if len(absent) > 1 else ""
        raise InputError(
            f"{path} is made of {absent[0]}{more}, which is not there. Put the missing tile in place, or make the {source.driver} again"
        )


def virtual_parts(path: Path) -> list[Path]:
    """Return the files that a virtual raster is made of.

    They are in its order. The list is empty for a file that is no virtual raster (.vrt). Files in GDAL's own stores
    (/vsi...) are left out.

    Raises
    ------
    InputError : it is not the XML that a virtual raster is.
    """
    if path.suffix.lower() != ".vrt":
        return []
    try:
        named = list(ET.parse(path).iter("SourceFilename"))  # noqa: S314  the operator's own file
    except (ET.ParseError, OSError):
        raise InputError(f"{path} is not a virtual raster that can be read. Make it again") from None
    parts = {element.text: path.parent if element.get("relativeToVRT") == "1" else Path() for element in named}
    # GDAL's own stores, such as /vsizip/..., are no files to look for.
    return [folder / name for name, folder in parts.items() if name and not name.startswith("/vsi")]


def with_parts(paths: Sequence[Path]) -> list[Path]:
    """Return files, each followed by the files beside it."""
    return [file for path in paths for file in (path, *files_beside(path))]


def files_beside(path: Path) -> list[Path]:
    """Return the other files that decide what a file says, sorted.

    Parts of a virtual raster, world files and the like.

    Overviews decide nothing. A raster that cannot be opened has none.
    """
    if path.suffix.lower() == ".shp":
        return [beside for ending in (".prj", ".shx") if (beside := path.with_suffix(ending)).is_file()]
    return sorted({part for part in _named_by(path) if part.suffix != ".ovr" and part.is_file()})


def is_of_files(path: Path) -> bool:
    """Return whether all that a raster is made of are files of this machine.

    A virtual raster may name members of an archive, or what lies in a store.
    """
    return all(part.is_file() for part in _named_by(path))


def _named_by(path: Path) -> list[Path]:
    """Return what a raster names besides itself, none of one that cannot be opened."""
    try:
        with quiet_gdal((1, 1)), _opened(path) as source:
            named = [one for name in source.files if (one := Path(name)) != path]
    except InputError:
        return []
    of_parts = [part for one in named if one.suffix.lower() == ".vrt" for part in _named_by(one)]
    return [part for part in (*named, *of_parts) if part != path]


def written_on(path: Path) -> dt.date | None:
    """Return the date that a file says it was written on.

    The TIFF tag DateTime; None where there is none.
    """
    with quiet_gdal((1, 1)), _opened(path) as source:
        stamp = source.tags().get("TIFFTAG_DATETIME", "")
    try:
        return dt.datetime.strptime(stamp[:10], "%Y:%m:%d").date()  # noqa: DTZ007  a date alone, whose zone is not known
    except ValueError:
        return None


class Raster(Protocol):
    """What `RasterPixels` needs of a raster: one file, or tiles taken as one."""

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns."""
        ...

    @property
    def block(self) -> tuple[int, int]:
        """Rows and columns of the blocks that the file is stored in."""
        ...

    @property
    def units(self) -> tuple[str, ...]:
        """Units that files declare, where they are not the one wanted."""
        ...

    def reading(self) -> AbstractContextManager[Read]:
        """Open for reading."""
        ...


@dataclass(frozen=True)
class RasterPixels:
    """A single raster as a source of fine pixels.

    Parameters
    ----------
    raster : the file, or the tiles.
    placement : where its pixels lie on the grid.
    """

    raster: Raster
    placement: Placement

    @property
    def block(self) -> tuple[int, int]:
        """Rows and columns of the blocks that the file is stored in."""
        return self.raster.block

    @property
    def strip_rows(self) -> tuple[int, int]:
        """Fewest and most rows of a strip."""
        return STRIP_ROWS

    def reading(self) -> AbstractContextManager[Read]:
        """Open for reading."""
        return self.raster.reading()


def on_grid(raster: FineRaster, grid: BasinGrid) -> RasterPixels:
    """Return a raster file as fine pixels on the grid."""
    return RasterPixels(raster, placement_of(raster.transform, raster.shape, raster.crs, grid.crs))


@contextmanager
def quiet_gdal(block: tuple[int, int]) -> Iterator[None]:
    """Bound GDAL's cache of decoded blocks.

    `block` is the rows and columns of the file's blocks.
    """
    cache = max(CACHE_BYTES, MOST_BLOCKS_IN_CACHE * 8 * block[0] * block[1])
    with rasterio.Env(GDAL_CACHEMAX=cache):
        yield


@contextmanager
def _opened(path: Path) -> Iterator[rasterio.DatasetReader]:
    with ExitStack() as held:
        try:
            source = held.enter_context(opened(path))
        except GDAL_TROUBLES:
            if not path.exists():
                raise InputError(
                    f"{path} is not there. Correct its path in the flights table or put the file in place"
                ) from None
            if path.stat().st_size == 0:
                raise InputError(f"{path} is empty (0 bytes). Copy or make it again") from None
            raise InputError(
                f"{path} is not a raster that can be read, or is damaged. Give a GeoTIFF or another format that GDAL reads"
            ) from None
        if source.count == 0:
            raise InputError(f"{path} has no band of its own. Name the one of its data sets that holds the heights")
        yield source


def _horizontal(wkt: str, path: Path) -> CRS:
    """Return the horizontal part of a coordinate system.

    Laser surfaces often name a height system too.
    """
    try:
        crs = CRS.from_wkt(wkt)
    except CRSError:
        raise InputError(
            f"{path} has a coordinate system that cannot be understood. Write its EPSG code into the file"
        ) from None
    while crs.is_compound:
        crs = crs.sub_crs_list[0]
    if crs.is_bound and crs.source_crs is not None:
        crs = crs.source_crs
    crs = crs.to_2d()
    if not (crs.is_projected or crs.is_geographic):
        raise InputError(
            f"{path} lies in a local coordinate system without a place on the earth. Write its EPSG code into the file"
        )
    return crs
