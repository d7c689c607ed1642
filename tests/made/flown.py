"""Made rasters of the flights' tests."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import rasterio
from affine import Affine
from pyproj import CRS

from snowtally.model.grid import BasinGrid

LEFT, TOP = 500_000.0, 4_880_000.0
TRANSFORM = Affine(13.7, 0, LEFT - 63, 0, -13.7, TOP + 41)
GRID = BasinGrid(CRS("EPSG:32625"), 100.0, LEFT, TOP, 7, 5)


def write(  # noqa: PLR0913  what rasters differ in
    path: Path,
    values: np.ndarray,
    *,
    transform: Affine = TRANSFORM,
    crs: str | None = "EPSG:32625",
    nodata: float | None = -9999.0,
    unit: str = "",
    tags: dict[str, str] | None = None,
    **profile: object,
) -> Path:
    """Write a raster, NaN as nodata where there is one."""
    profile = {"driver": "GTiff", "dtype": "float64"} | profile
    values = values if nodata is None else np.where(np.isnan(values), nodata, values)
    size = {"height": values.shape[0], "width": values.shape[1], "count": 1}
    with rasterio.open(path, "w", crs=crs, transform=transform, nodata=nodata, **size, **profile) as to:
        to.write(values.astype(profile["dtype"]), 1)
        if unit:
            to.set_band_unit(1, unit)
        if tags:
            to.update_tags(**tags)
    return path


def window_of(values: np.ndarray, transform: Affine, rows: slice, columns: slice) -> tuple[np.ndarray, Affine]:
    """Return a part of a raster with the transform that leaves it in place."""
    to, down, across = transform, rows.start or 0, columns.start or 0
    x, y = to.c + to.a * across + to.b * down, to.f + to.d * across + to.e * down
    return values[rows, columns], Affine(to.a, to.b, x, to.d, to.e, y)


def write_vrt(
    path: Path, tiles: list[tuple[Path, int, int, int, int]], shape: tuple[int, int], transform: Affine
) -> Path:
    """Write a virtual raster of tiles, each (file, first row, first column, rows, columns)."""
    sources = "".join(
        f'<SimpleSource><SourceFilename relativeToVRT="1">{file.name}</SourceFilename><SourceBand>1</SourceBand>'
        f'<SrcRect xOff="0" yOff="0" xSize="{columns}" ySize="{rows}"/>'
        f'<DstRect xOff="{left}" yOff="{top}" xSize="{columns}" ySize="{rows}"/></SimpleSource>'
        for file, top, left, rows, columns in tiles
    )
    place = ", ".join(str(number) for number in transform.to_gdal())
    path.write_text(
        f'<VRTDataset rasterXSize="{shape[1]}" rasterYSize="{shape[0]}"><SRS>EPSG:32625</SRS><GeoTransform>{place}</GeoTransform>'
        f'<VRTRasterBand dataType="Float64" band="1"><NoDataValue>-9999</NoDataValue>{sources}</VRTRasterBand></VRTDataset>'
    )
    return path
