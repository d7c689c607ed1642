"""Flights against values from outside: slopes, registration, robust spread, noise, and areas of map projections.

Sources stand beside each check. The elevation grid is a real one (SRTM heights) that ships inside the matplotlib wheel.
"""

import datetime as dt

import geopandas
import numpy as np
import pytest
import rasterio
from affine import Affine
from pyproj import CRS, Proj, Transformer
from rasterio.enums import Resampling
from rasterio.warp import reproject
from real_terrain import real_terrain
from scipy.ndimage import gaussian_filter, map_coordinates
from shapely.geometry import box

from snowtally.flights.aggregate import aggregate
from snowtally.flights.limits import FlightLimits
from snowtally.flights.measure import FlightFiles, measure_flight
from snowtally.flights.mosaic import open_pixels
from snowtally.flights.register import nmad
from snowtally.inputs.read_terrain import areal_scale, basin_grid
from snowtally.model.grid import BasinGrid
from snowtally.model.problems import SettingsError
from snowtally.snow.flight_swe import without_negatives
from snowtally.terrain.predictors import horn_gradient

CELL, LEFT, TOP = 90.0, 500_000.0, 4_880_000.0


def slope_aspect(elevation, cell_m):
    """Return slope and aspect (clockwise from north, downslope), degrees, by the program's own gradient."""
    east, south = horn_gradient(elevation, cell_m)
    return np.degrees(np.arctan(np.hypot(east, south))), np.degrees(np.arctan2(-east, south)) % 360


def test_horn_slope_of_a_worked_window():  # COR-01
    # Worked window quoted in several public codes; method Horn 1981, Proc. IEEE 69, 14-47. Its 75.25762 degrees are rounded
    # on the way.
    window = np.array([[50.0, 45, 50], [30, 30, 30], [8, 10, 10]])
    east, south = horn_gradient(window, 5.0)
    assert (east[1, 1], south[1, 1]) == (pytest.approx(0.05), pytest.approx(-3.8))
    assert slope_aspect(window, 5.0)[0][1, 1] == pytest.approx(75.25766, abs=1e-5)
    assert slope_aspect(window, 5.0)[0][1, 1] == pytest.approx(75.25762, abs=1e-4)


def test_horn_aspect_of_a_worked_window():  # COR-02, same sources
    window = np.array([[101.0, 92, 85], [101, 92, 85], [101, 91, 84]])
    assert slope_aspect(window, 1.0)[1][1, 1] == pytest.approx(92.64255, abs=1e-4)


def test_slope_and_aspect_of_a_real_elevation_grid():  # COR-03
    # GDAL's gdaldem 3.6.2 on the same grid as if on 90 m square cells; the outermost cells have no full window.
    slope, aspect = slope_aspect(real_terrain().elevation, CELL)
    inner = slope[1:-1, 1:-1]
    assert (inner.mean(), inner.max()) == (pytest.approx(11.93772, abs=1e-4), pytest.approx(33.75993, abs=1e-4))
    assert slope[100, 200] == pytest.approx(11.93877, abs=1e-4)
    assert slope[172, 201] == pytest.approx(12.08882, abs=1e-4)
    assert aspect[100, 200] == pytest.approx(189.83356, abs=1e-4)
    assert aspect[172, 201] == pytest.approx(2.97373, abs=1e-4)


def write(path, values):
    profile = {"driver": "GTiff", "height": values.shape[0], "width": values.shape[1], "count": 1, "dtype": "float64"}
    place = Affine(CELL, 0, LEFT, 0, -CELL, TOP)
    with rasterio.open(path, "w", crs="EPSG:32625", nodata=-9999.0, transform=place, **profile) as to:
        to.write(values, 1)
    return (path,)


def shifted(values, east_m, north_m):
    rows, columns = np.indices(values.shape, dtype=float)
    return map_coordinates(values, [rows + north_m / CELL, columns - east_m / CELL], order=3, mode="nearest")


def registered(folder, ground, depth, stable):
    """Return mean depth less its truth before and after registration, the registration's figures, and the stated error."""
    files = {
        "snow_on": write(folder / "on.tif", shifted(ground + depth, 30.0, -20.0) + 1.5),
        "snow_off": write(folder / "off.tif", ground),
    }
    with_ground = files | {"stable_ground": write(folder / "stable.tif", stable.astype(float))}
    grid = BasinGrid(CRS("EPSG:32625"), CELL, LEFT, TOP, ground.shape[1], ground.shape[0])
    # A shift of 36 m on such slopes is worth several metres of height: nothing may be masked before it is taken out.
    limits = FlightLimits(least_depth_m=-90.0, most_depth_m=90.0, most_shift_m=60.0, most_nmad_m=5.0)
    after, before = (
        measure_flight(FlightFiles("F", dt.date(2031, 3, 1), **paths), grid, limits)[0]
        for paths in (with_ground, files)
    )
    # Near the outer edge the moved surface has no pixel of its own.
    inner = (slice(8, -8), slice(8, -8))
    off = [float(flight["depth"].to_numpy()[inner].mean() - depth[inner].mean()) for flight in (before, after)]
    return off, after.attrs["figures"]["registration"], after.attrs["depth_bias_se_m"]


def test_a_known_shift_of_the_real_grid_is_found(tmp_path):  # COR-04
    # Nuth and Kaab 2011, The Cryosphere 5, 271-290. The surface is moved 30 m east, 20 m south and lifted 1.5 m: the fit says by
    # how much it lies off, which is what it is moved back by.
    elevation = real_terrain().elevation
    _, found, _ = registered(tmp_path, elevation, np.zeros_like(elevation), np.ones_like(elevation))
    assert (found["east_m"], found["north_m"]) == (pytest.approx(30.0, abs=0.05), pytest.approx(-20.0, abs=0.05))
    assert found["up_m"] == pytest.approx(1.5, abs=0.02)


def test_depth_after_registration_on_snow_free_ground(tmp_path):  # COR-05
    ground = gaussian_filter(real_terrain().elevation, 1.0)
    depth = np.maximum(0.0, 0.002 * (ground - 400.0))
    (before, after), found, _ = registered(tmp_path, ground, depth, ground < 400.0)
    assert (found["east_m"], found["north_m"]) == (pytest.approx(30.0, abs=0.02), pytest.approx(-20.0, abs=0.02))
    assert found["up_m"] == pytest.approx(1.5, abs=0.005)
    assert after == pytest.approx(0.0, abs=0.003)
    assert before == pytest.approx(1.5, abs=0.3)


def test_what_resampling_rough_ground_leaves_is_within_the_stated_error(tmp_path):  # COR-07
    # On the raw grid the shift is right, and a mean error of some 0.02 m remains that resampling makes, not the fit. How large
    # depends on the resampling; that the stated error covers 0.02 m is the check.
    elevation = real_terrain().elevation
    depth = np.maximum(0.0, 0.002 * (elevation - 400.0))
    (_, after), found, bias_se_m = registered(tmp_path, elevation, depth, elevation < 400.0)
    assert (found["east_m"], found["north_m"]) == (pytest.approx(30.0, abs=0.06), pytest.approx(-20.0, abs=0.06))
    assert found["up_m"] == pytest.approx(1.5, abs=0.025)
    assert abs(after) < 0.03
    assert abs(after) < 2 * bias_se_m
    assert bias_se_m > 0.02


def test_nmad_withstands_a_blunder():  # COR-06, Hohle and Hohle 2009, ISPRS J. 64, 398-406
    assert nmad(np.array([1.0, 2, 3, 4, 100])) == pytest.approx(1.4826, abs=1e-9)
    assert np.std([1, 2, 3, 4, 100], ddof=1) == pytest.approx(43.6, abs=0.05)


def test_noise_on_snow_free_ground_leaves_no_depth(tmp_path):  # STA-10
    # Clipping at zero lifts the mean by s / sqrt(2 pi) = 0.0399 m at s = 0.10 m (closed form).
    noise = np.random.default_rng(10).normal(0.0, 0.1, (430, 430))
    assert np.maximum(noise, 0).mean() == pytest.approx(0.0398942, rel=0.01)
    write(tmp_path / "d.tif", noise)
    grid = BasinGrid(CRS("EPSG:32625"), 10 * CELL, LEFT, TOP - 1800, 40, 40)
    flight, _ = measure_flight(FlightFiles("F", dt.date(2031, 3, 1), depth=(tmp_path / "d.tif",)), grid, FlightLimits())
    depth = flight["depth"].to_numpy()
    three_se = 3 * 0.1 / np.sqrt(400 * 400)
    assert depth.mean() == pytest.approx(0.0, abs=three_se)
    # What is published has no negative depth, and no more snow for it.
    shown = without_negatives(depth.ravel(), np.ones(depth.size), np.zeros(depth.size, int))
    assert shown.min() >= 0
    assert shown.mean() == pytest.approx(max(depth.mean(), 0.0), abs=1e-12)


def test_areal_scale_of_utm():  # VOL-06
    # Snyder 1987, USGS Prof. Paper 1395 (k0^2 = 0.9996^2 on the central meridian); pyproj's factors elsewhere.
    to_utm = Transformer.from_crs("EPSG:4326", "EPSG:32617", always_xy=True)
    for longitude, expected in ((-81.0, 0.9992002), (-84.25, 1.0012833), (-78.0, 1.0009749)):
        x, y = to_utm.transform(longitude, 36.6)
        grid = BasinGrid(CRS("EPSG:32617"), 10.0, x - 20, y + 20, 4, 4)
        assert areal_scale(grid).mean() == pytest.approx(expected, abs=1e-6)
    assert Proj("EPSG:32617").get_factors(-84.25, 36.6).meridian_convergence == pytest.approx(-1.9390886, abs=1e-6)


def test_a_flight_in_web_mercator_gives_the_volume_of_the_ground(tmp_path):  # VOL-07
    # Web Mercator inflates area by 1 / cos^2 of the latitude: twofold at 45 N. As a grid it is refused, as a flight corrected.
    for latitude, expected in ((40.0, 1.7040882), (45.0, 2.0)):
        scale = Proj("EPSG:3857").get_factors(0.0, latitude).areal_scale
        assert scale == pytest.approx(expected, rel=0.004)  # of the sphere in the statement, of the ellipsoid here
    utm = BasinGrid(CRS("EPSG:32625"), 100.0, LEFT, TOP, 30, 20)
    columns, rows = np.meshgrid(np.arange(700), np.arange(500))
    values = 2.0 + np.sin(columns / 90) * np.cos(rows / 70)
    plain = tmp_path / "utm.tif"
    place = Affine(5, 0, LEFT - 200, 0, -5, TOP + 200)
    profile = {"driver": "GTiff", "count": 1, "dtype": "float64", "nodata": -9999.0}
    with rasterio.open(plain, "w", crs="EPSG:32625", transform=place, height=500, width=700, **profile) as to:
        to.write(values, 1)
    to_mercator = Transformer.from_crs("EPSG:32625", "EPSG:3857", always_xy=True)
    x, y = to_mercator.transform([LEFT - 150, LEFT + 3250], [TOP + 150, TOP - 2200])
    height, width = int((y[0] - y[1]) / 7), int((x[1] - x[0]) / 7)
    warped, place_there = np.full((height, width), -9999.0), Affine(7, 0, x[0], 0, -7, y[0])
    reproject(
        values, warped, src_transform=place, src_crs="EPSG:32625", dst_transform=place_there, dst_crs="EPSG:3857",
        dst_nodata=-9999.0, resampling=Resampling.cubic,
    )  # fmt: skip
    with rasterio.open(
        tmp_path / "mercator.tif", "w", crs="EPSG:3857", transform=place_there, height=height, width=width, **profile
    ) as to:
        to.write(warped, 1)
    one, other = (aggregate(open_pixels([path], utm), utm) for path in (plain, tmp_path / "mercator.tif"))
    volume, again = (np.nansum(found.mean * found.valid_fraction) * utm.cell_m**2 for found in (one, other))
    assert again == pytest.approx(volume, rel=0.003)
    assert np.nanmax(np.abs(one.mean - other.mean)) < 0.02


def test_web_mercator_as_the_grid_is_refused():  # VOL-07

    x, y = Transformer.from_crs("EPSG:4326", "EPSG:3857", always_xy=True).transform(-33.0, 45.0)
    zone = geopandas.GeoDataFrame(geometry=[box(x, y, x + 4000, y + 4000)], crs="EPSG:3857")
    with pytest.raises(SettingsError, match=r"distorts area by 9\d\.\d% .*|distorts area by 10\d\.\d%"):
        basin_grid(zone, CRS("EPSG:3857"), 100.0, 0.0)


def test_means_agree_with_gdals_average_within_its_approximation(tmp_path):
    # GDAL's average resampling, an independent implementation: exact inside, off by up to 2 cm in cells that touch no data.
    rng = np.random.default_rng(7)
    values = rng.normal(1.0, 0.3, (360, 420))
    values[100:180, 60:200] = -9999.0
    place = Affine(6.1, 0, LEFT - 44.4, 0, -6.1, TOP + 31.7)
    path = tmp_path / "d.tif"
    profile = {"driver": "GTiff", "height": 360, "width": 420, "count": 1, "dtype": "float64", "nodata": -9999.0}
    with rasterio.open(path, "w", crs="EPSG:32625", transform=place, **profile) as to:
        to.write(values, 1)
    grid = BasinGrid(CRS("EPSG:32625"), 100.0, LEFT, TOP, 24, 20)
    found = aggregate(open_pixels([path], grid), grid)
    told = np.full(grid.shape, np.nan)
    with rasterio.open(path) as source:
        reproject(
            rasterio.band(source, 1), told, src_nodata=-9999.0, dst_nodata=np.nan, dst_transform=grid.transform,
            dst_crs="EPSG:32625", resampling=Resampling.average,
        )  # fmt: skip
    whole = found.valid_fraction > 1 - 1e-9
    np.testing.assert_allclose(found.mean[whole], told[whole], atol=1e-6)
    beside = (found.valid_fraction > 0.05) & ~whole
    assert beside.sum() > 10
    np.testing.assert_allclose(found.mean[beside], told[beside], atol=0.02)
