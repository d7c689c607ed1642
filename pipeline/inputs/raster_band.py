"""What the numbers stored in a raster's band mean: unit, scale, and which of them are no data. One way for every raster."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import rasterio
from numba import njit
from pyproj import CRS
from pyproj.exceptions import CRSError
from rasterio.windows import Window

from snowtally.inputs.lengths import LENGTHS, NOT_DECLARED, plain_unit
from snowtally.model.problems import InputError

SHARES = {"%": 0.01, "percent": 0.01, "per cent": 0.01}
"""Parts of one per unit, of the units that a file may declare for fractions."""


@dataclass(frozen=True)
class Values:
    """What the numbers of a raster are, and which of them are none.

    Parameters
    ----------
    believable : least and most value that can be, in the unit wanted; whatever lies beyond is a code for no data.
    codes : further stored values that mean no data, besides the file's own.
    metres_per_unit : of a file whose band declares no unit; None where nothing is known, and the height system or metres count.
    length : whether they are lengths, wanted in metres; else fractions or a mask.
    """

    believable: tuple[float, float] = (-1000.0, 1000.0)
    codes: tuple[float, ...] = ()
    metres_per_unit: float | None = None
    length: bool = True


DEPTHS = Values()
"""Depths in metres. What lies beyond the believable is no outlier of the laser but a code, such as -9999."""

HEIGHTS = Values(believable=(-600.0, 30_000.0))
"""Heights of a surface in metres, in any height system of the earth; feet taken for metres must still be read to be
recognised."""

ELEVATIONS = Values(believable=(-500.0, 9000.0))
"""Elevations of ground in metres: from below the deepest shore (-430 m) to above the highest mountain (8849 m)."""

NUMBERS = Values(believable=(-np.inf, np.inf), length=False)
"""A mask or a fraction."""


@dataclass(frozen=True)
class Band:
    """How the first band of a file is read.

    Parameters
    ----------
    scale, offset : wanted value = stored value * scale + offset.
    nodata : the stored value that means no data; NaN where there is none.
    codes : further such values.
    believable : least and most stored value that can be.
    plain : stored as floating point in the wanted unit without a mask band, to be used as it comes.
    unit : the unit that the file declares, where it is another one than wanted; else empty.
    """

    scale: float
    offset: float
    nodata: float
    codes: tuple[float, ...]
    believable: tuple[float, float]
    plain: bool
    unit: str

    def read(self, source: rasterio.DatasetReader, window: Window) -> np.ndarray:
        """Return a window's values in the wanted unit.

        They are float32 or float64, and NaN means no data. The array is a new one at each call.

        Raises
        ------
        RasterioError : the file is cut short or damaged.
        """
        values = self.read_stored(source, window)
        if not self.plain:
            values *= self.scale
            values += self.offset
        return values

    def read_stored(self, source: rasterio.DatasetReader, window: Window) -> np.ndarray:
        """Return the same as it is stored, before scale and offset."""
        stored = source.read(1, window=window)
        codes = np.asarray(self.codes, np.float64)
        if self.plain:
            blank(stored, stored.dtype.type(self.nodata), codes, self.believable)
            return stored
        values = stored.astype(np.float64)
        blank(values, self.nodata, codes, self.believable)
        values[source.read_masks(1, window=window) == 0] = np.nan
        return values


def band_of(path: Path, source: rasterio.DatasetReader, values: Values) -> Band:
    """Return how the first band of an open file is read.

    A unit that the band declares goes before one declared in the settings, and that before the one of its height system.

    Raises
    ------
    InputError : it holds complex numbers, or lengths in a unit that is none.
    """
    # Some of GDAL's complex types are none of NumPy's.
    if source.dtypes[0].startswith("complex"):
        raise InputError(
            f"{path} holds complex numbers, which no height, depth or fraction is. Write real numbers into it"
        )
    kind = np.dtype(source.dtypes[0])
    factor, unit = _unit(path, source, values)
    scale, offset = source.scales[0] * factor, source.offsets[0] * factor
    nodata = np.nan if source.nodata is None else float(source.nodata)
    ends = [(value - offset) / scale for value in values.believable]
    low, high, more = _valid(source)
    masked = any(flag.name in ("per_dataset", "alpha") for flag in source.mask_flag_enums[0])
    return Band(
        scale=scale,
        offset=offset,
        nodata=nodata,
        codes=(*values.codes, *more, *(_ends_of_type(kind, source.nodata) if values.length else ())),
        believable=(max(min(ends), low), min(max(ends), high)),
        plain=kind in (np.float32, np.float64) and scale == 1 and offset == 0 and not masked,
        unit=unit,
    )


def _unit(path: Path, source: rasterio.DatasetReader, values: Values) -> tuple[float, str]:
    """Return the factor of stored numbers, and the file's unit.

    The unit is empty where it is the wanted one.
    """
    declared = source.units[0] or ""
    unit = plain_unit(declared)
    if not values.length:
        return (SHARES[unit], declared) if unit in SHARES else (1.0, "")
    if unit in LENGTHS:
        return LENGTHS[unit], "" if LENGTHS[unit] == 1.0 else declared
    if unit not in NOT_DECLARED:
        raise InputError(
            f"{path} declares the unit '{declared}', which is no length known here. Write the right one into it (for example with "
            "gdal_edit -units metre)"
        )
    if values.metres_per_unit is not None:
        return values.metres_per_unit, ""
    return _height_system_unit(source)


def _height_system_unit(source: rasterio.DatasetReader) -> tuple[float, str]:
    """Return metres per unit of the file's height system, and its name.

    1 and an empty name where it has none or is in metres.
    """
    try:
        crs = CRS.from_wkt(source.crs.to_wkt())
    except (CRSError, AttributeError):
        # Whoever places the raster tells what is wrong with it.
        return 1.0, ""
    for part in crs.sub_crs_list if crs.is_compound else []:
        if part.is_vertical:
            axis = part.axis_info[0]
            return axis.unit_conversion_factor, "" if axis.unit_conversion_factor == 1.0 else axis.unit_name
    return 1.0, ""


def _valid(source: rasterio.DatasetReader) -> tuple[float, float, tuple[float, ...]]:
    """Return the valid range of stored values, and further no-data codes.

    Only a NetCDF variable declares them (CF 2.5.1). The three items are the least valid value, the greatest valid
    value, and the codes of `missing_value`. Elsewhere the range has no ends, and there are no codes.
    """
    tags = source.tags(1) if source.driver == "netCDF" else {}
    numbers = {key: _numbers(tags.get(key, "")) for key in ("valid_range", "valid_min", "valid_max", "missing_value")}
    whole = numbers["valid_range"]
    low = whole[0] if len(whole) == RANGE_ENDS else max(numbers["valid_min"], default=-np.inf)
    high = whole[1] if len(whole) == RANGE_ENDS else min(numbers["valid_max"], default=np.inf)
    return low, high, tuple(numbers["missing_value"])


RANGE_ENDS = 2
"""A valid_range is a least and a most value."""


def _numbers(text: str) -> list[float]:
    try:
        return [float(part) for part in text.strip("{} ").split(",") if part.strip()]
    except ValueError:
        return []


def _ends_of_type(kind: np.dtype, nodata: float | None) -> tuple[float, ...]:
    """Return the extreme value of a type that means no data.

    This is common practice, no source. Types of 8 bits and floating point have none. A signed type has its least value,
    whatever the file declares: no length is so small. An unsigned type has its greatest value, but only where the file
    itself declares no such value.

    >>> _ends_of_type(np.dtype("int16"), None), _ends_of_type(np.dtype("uint8"), None), _ends_of_type(np.dtype("float32"), None)
    ((-32768.0,), (), ())
    """
    if np.issubdtype(kind, np.signedinteger) and kind.itemsize > 1:
        return (float(np.iinfo(kind).min),)
    if np.issubdtype(kind, np.unsignedinteger) and kind.itemsize > 1 and nodata is None:
        return (float(np.iinfo(kind).max),)
    return ()


@contextmanager
def opened(path: Path) -> Iterator[rasterio.DatasetReader]:
    """Open a raster. GDAL's own way with a NetCDF's valid range, which makes zeros of bytes beyond it, is turned off.

    Raises
    ------
    RasterioError : it is no raster.
    """
    source = rasterio.open(path)
    if source.driver == "netCDF":
        source.close()
        source = rasterio.open(path, HONOUR_VALID_RANGE="NO")
    with source:
        yield source


@njit(nogil=True, cache=True)
def blank(values, nodata, codes, believable) -> None:  # noqa: ANN001  compiled for the types that it is given
    """Set values that mean no data to NaN, in place.

    These are the file's own value for no data, further codes, and values that cannot be.

    Parameters
    ----------
    values : (rows, columns), as stored, floating point.
    nodata : the file's own value that means no data; NaN where it has none.
    codes : (n,) further such values.
    believable : least and most value that can be.
    """
    least, most = believable
    for row in range(values.shape[0]):
        for column in range(values.shape[1]):
            value = values[row, column]
            if not ((value >= least) & (value <= most)) or value == nodata:
                values[row, column] = np.nan
    for code in codes:
        for row in range(values.shape[0]):
            for column in range(values.shape[1]):
                if values[row, column] == code:
                    values[row, column] = np.nan
