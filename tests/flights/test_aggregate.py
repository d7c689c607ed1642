"""Fine pixels to cells by exact area weights, against exactextract (a general zonal library) and against the laws."""

import numpy as np
import pytest
import rasterio
from affine import Affine
from exactextract import exact_extract
from pyproj import CRS
from shapely.geometry import box

from snowtally.flights.aggregate import aggregate
from snowtally.flights.mosaic import open_pixels
from snowtally.model.grid import BasinGrid

GRID = BasinGrid(CRS("EPSG:32625"), 100.0, 500_000.0, 4_880_000.0, 7, 5)
PIXEL = 13.7


@pytest.fixture
def write(tmp_path):
    def put(values, left=499_937.0, top=4_880_041.0):
        path = tmp_path / "depth.tif"
        profile = {
            "driver": "GTiff",
            "height": values.shape[0],
            "width": values.shape[1],
            "count": 1,
            "dtype": "float64",
        }
        with rasterio.open(
            path, "w", crs="EPSG:32625", nodata=-9999.0, transform=Affine(PIXEL, 0, left, 0, -PIXEL, top), **profile
        ) as to:
            to.write(values, 1)
        return path

    return put


@pytest.fixture
def depths():
    values = np.random.default_rng(3).normal(1.0, 0.5, (52, 66)) + np.arange(66) * 0.02 - np.arange(52)[:, None] * 0.01
    values[10:20, 30:44] = -9999.0
    return values


def test_means_and_fractions_equal_exactextract(write, depths):
    path = write(depths)
    found = aggregate(open_pixels([path], GRID), GRID)
    cells = [
        {
            "type": "Feature",
            "properties": {},
            "geometry": box(GRID.x[j] - 50, GRID.y[i] - 50, GRID.x[j] + 50, GRID.y[i] + 50).__geo_interface__,
        }
        for i in range(GRID.height)
        for j in range(GRID.width)
    ]
    told = exact_extract(str(path), cells, ["mean", "count"], output="pandas")
    mean = told["mean"].to_numpy(float).reshape(GRID.shape)
    fraction = told["count"].to_numpy(float).reshape(GRID.shape) * PIXEL**2 / GRID.cell_m**2
    # 1e-5 is the bar of the design; both are exact but for the rounding of single precision coverage.
    np.testing.assert_allclose(found.mean, mean, atol=1e-5)
    np.testing.assert_allclose(found.valid_fraction, fraction, atol=1e-5)


def test_constant_stays_constant_and_voids_do_not_leak(write, depths):
    level = np.where(depths == -9999.0, depths, 0.42)
    found = aggregate(open_pixels([write(level)], GRID), GRID)
    seen = np.isfinite(found.mean)
    np.testing.assert_allclose(found.mean[seen], 0.42, rtol=1e-12)
    # The void swallows one cell whole: it is missing, not zero.
    assert (~seen).sum() == 1
    assert found.valid_fraction[~seen] == 0


def test_depth_times_area_is_kept(write, depths):
    inner = np.where(depths == -9999.0, 0.3, depths)[:30, :40]
    found = aggregate(open_pixels([write(inner, left=500_031.0, top=4_879_977.0)], GRID), GRID)
    kept = np.nansum(found.mean * found.valid_fraction) * GRID.cell_m**2
    assert kept == pytest.approx(inner.sum() * PIXEL**2, rel=1e-6)


def test_number_of_threads_changes_no_byte(write, depths):
    path = write(depths)
    one, four = (aggregate(open_pixels([path], GRID), GRID, threads=n) for n in (1, 4))
    assert one.mean.tobytes() == four.mean.tobytes()


def test_pixels_beyond_the_limits_are_left_out_and_counted(write, depths):
    depths[0, 40] = 99.0
    depths[25, 25] = 88.0
    found = aggregate(open_pixels([write(depths)], GRID), GRID, (-1.0, 12.0))
    assert found.masked >= 1
    assert np.nanmax(found.mean) < 12
