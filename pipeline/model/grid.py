"""The basin grid: square cells of a projected coordinate system, edges at multiples of the cell width."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import xarray as xr
from affine import Affine
from pyproj import CRS, Transformer

ROUNDING = 1e-6
"""An edge this part of a cell off a multiple of the cell width is on it: rounding of coordinates of 10 000 km is 1e-9 m."""


@dataclass(frozen=True)
class BasinGrid:
    """A north-up grid of square cells.

    Parameters
    ----------
    crs : projected coordinate system, metres.
    cell_m : cell width in metres.
    left, top : outer edges of the first column and the first row, metres.
    width, height : number of columns and rows.

    Examples
    --------
    >>> grid = BasinGrid(CRS("EPSG:32625"), 100.0, 500_000.0, 4_880_000.0, 3, 2)
    >>> grid.shape
    (2, 3)
    >>> grid.y
    array([4879950., 4879850.])
    """

    crs: CRS
    cell_m: float
    left: float
    top: float
    width: int
    height: int

    def __post_init__(self) -> None:
        """Round edges that are nearly multiples of the cell width.

        Otherwise two ways to one grid, from its outline and from its cell centres, differ in the last digit of 30.48 m
        cells.
        """
        for name in ("left", "top"):
            edge = getattr(self, name)
            multiple = round(edge / self.cell_m) * self.cell_m
            if abs(edge - multiple) <= ROUNDING * self.cell_m:
                object.__setattr__(self, name, multiple)

    @classmethod
    def covering(cls, bounds: tuple[float, float, float, float], cell_m: float, crs: CRS) -> BasinGrid:
        """Return the smallest grid that covers the bounds.

        `bounds` are left, bottom, right and top in metres. The grid's edges are multiples of `cell_m`.
        """
        left, bottom, right, top = bounds
        # Outlines often lie on a multiple up to rounding: a thousandth of a cell must not add an empty row.
        slack = 1e-3
        first_column = int(np.floor(left / cell_m + slack))
        last_column = int(np.ceil(right / cell_m - slack))
        first_row = int(np.floor(bottom / cell_m + slack))
        last_row = int(np.ceil(top / cell_m - slack))
        return cls(
            crs, cell_m, first_column * cell_m, last_row * cell_m, last_column - first_column, last_row - first_row
        )

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns."""
        return self.height, self.width

    @property
    def bounds(self) -> tuple[float, float, float, float]:
        """Left, bottom, right, top in metres."""
        return self.left, self.top - self.height * self.cell_m, self.left + self.width * self.cell_m, self.top

    @property
    def transform(self) -> Affine:
        """The affine transform from column and row to coordinates.

        The coordinates are those of a cell's upper left corner.
        """
        return Affine(self.cell_m, 0.0, self.left, 0.0, -self.cell_m, self.top)

    @property
    def x(self) -> np.ndarray:
        """Easting of the cell centres, metres, rising."""
        return _centres(self.left, self.cell_m, np.arange(self.width))

    @property
    def y(self) -> np.ndarray:
        """Northing of the cell centres, metres, falling."""
        return _centres(self.top, self.cell_m, -1 - np.arange(self.height))

    @property
    def southern(self) -> bool:
        """Whether the middle of the grid lies south of the equator."""
        return self.latitude_deg < 0

    @property
    def latitude_deg(self) -> float:
        """Latitude of the middle of the grid, degrees, negative in the south."""
        return self._middle_deg()[1]

    @property
    def longitude_deg(self) -> float:
        """Longitude of the middle of the grid, degrees, negative in the west."""
        return self._middle_deg()[0]

    def _middle_deg(self) -> tuple[float, float]:
        """Return longitude and latitude of the middle of the grid."""
        left, bottom, right, top = self.bounds
        to_degrees = Transformer.from_crs(self.crs, "EPSG:4326", always_xy=True)
        longitude, latitude = to_degrees.transform((left + right) / 2, (bottom + top) / 2)
        return float(longitude), float(latitude)

    def rows_columns(self, x: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Return the row and column of each point's cell.

        Both are -1 where a point is off the grid.
        """
        column = np.floor((np.asarray(x, float) - self.left) / self.cell_m)
        row = np.floor((self.top - np.asarray(y, float)) / self.cell_m)
        off = ~((column >= 0) & (column < self.width) & (row >= 0) & (row < self.height))
        return np.where(off, -1, row).astype(int), np.where(off, -1, column).astype(int)

    def window(self, wanted: np.ndarray) -> tuple[BasinGrid, tuple[slice, slice]]:
        """Return the smallest part that holds all wanted cells.

        `wanted` is a mask of shape (y, x). The second value holds the part's rows and columns.
        """
        rows, columns = np.flatnonzero(wanted.any(axis=1)), np.flatnonzero(wanted.any(axis=0))
        part = slice(int(rows[0]), int(rows[-1]) + 1), slice(int(columns[0]), int(columns[-1]) + 1)
        left, top = self.left + part[1].start * self.cell_m, self.top - part[0].start * self.cell_m
        size = part[1].stop - part[1].start, part[0].stop - part[0].start
        return BasinGrid(self.crs, self.cell_m, left, top, *size), part

    @property
    def lattice(self) -> tuple[str, float, float, float, int, int]:
        """All that the grid is, as plain values."""
        return self.crs.to_wkt(), self.cell_m, self.left, self.top, self.width, self.height

    def array(self, values: np.ndarray, **attrs: str) -> xr.DataArray:
        """Return `values` as a labelled array on this grid.

        `values` has the shape (y, x). `attrs` are its attributes (units, long_name ...).
        """
        return xr.DataArray(values, coords={"y": self.y, "x": self.x}, dims=("y", "x"), attrs=attrs)


def _centres(edge: float, cell_m: float, steps: np.ndarray) -> np.ndarray:
    """Return the centres of the cells, counted from an edge.

    `steps` are numbers of cells. Every grid of the same lattice gets the same digits.
    """
    first = round(edge / cell_m)
    if edge == first * cell_m:
        return (first + steps + 0.5) * cell_m
    return edge + (steps + 0.5) * cell_m
