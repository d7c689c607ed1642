"""Band tables of a published density formula over a real elevation grid, and ground areas of map projections.

Sources: SRTM heights in matplotlib's sample data; areas by pyproj's geodesics (Karney 2013, J. Geod. 87, 43-55) and in closed form
(Snyder 1987, USGS Prof. Paper 1395); density by Sturm et al. 2010, J. Hydrometeor. 11, 1380-1394.
"""

import datetime as dt

import numpy as np
import pytest
import xarray as xr
from pyproj import CRS, Transformer
from real_terrain import ELLIPSOID, cell_areas_m2, polygon_area_m2, real_terrain

from snowtally.inputs.read_terrain import BandEdges, _factors, areal_scale
from snowtally.model.grid import BasinGrid
from snowtally.snow.sturm import sturm_density
from snowtally.statistics.totals import ZoneBands, totals_rows

BAND_AREAS_KM2 = (243.92019, 409.192799, 233.473751, 66.401129, 3.038274)  # TER-03
BAND_SWE_MM = (0.0, 68.8824677, 193.0853, 346.895742, 458.318007)  # TER-04
BAND_VOLUMES_M3 = (0.0, 28186209.8, 45080349.2, 23034269.0, 1392495.83)  # TER-04
AREA_KM2 = 956.026142  # TER-02


@pytest.fixture(scope="module")
def terrain():
    return real_terrain()


def formula_world(terrain, area_m2):
    """Return the totals of a snowpack of 2 mm of depth for each metre above 400 m on 1 April, over cells of `area_m2`."""
    depth = np.maximum(0.0, 0.002 * (terrain.elevation - 400.0))
    bands, band = BandEdges(width_m=200.0).classify(terrain.elevation, np.ones(depth.shape, bool))
    fields = {
        "swe": depth * sturm_density(depth, 91, "alpine"),
        "depth": depth,
        "snow_cover": (depth > 0).astype(float),
        "zone": np.ones(depth.shape),
        "elevation_band": band,
        "cell_area": area_m2,
    }
    dataset = xr.Dataset({name: (("y", "x"), values) for name, values in fields.items()})
    units = ZoneBands("real", ["all"], bands)
    return totals_rows(dataset, units, np.zeros((len(bands), len(bands))), dt.date(2031, 4, 1)).set_index("level")


def test_ter_01_the_grid_is_the_one_that_was_meant(terrain):
    assert terrain.elevation.shape == (344, 403)
    assert (terrain.elevation.min(), terrain.elevation.max()) == (236, 1076)
    assert terrain.elevation.mean() == pytest.approx(531.03117, abs=1e-4)
    assert terrain.latitude[[0, -1]] == pytest.approx(
        [36.73292, 36.44625], abs=1e-5
    )  # north first, although keys are swapped


def test_ter_02_the_yardstick_of_areas_itself(terrain):
    assert cell_areas_m2(terrain).sum() / 1e6 == pytest.approx(AREA_KM2, rel=1e-8)
    # The outline's northern and southern sides are parallels and no geodesics: vertices every cell keep them to the parallel.
    west_to_east, north_to_south = terrain.longitude, terrain.latitude
    ring_x = np.concatenate(
        [west_to_east, np.full(344, west_to_east[-1]), west_to_east[::-1], np.full(344, west_to_east[0])]
    )
    ring_y = np.concatenate(
        [np.full(403, north_to_south[0]), north_to_south, np.full(403, north_to_south[-1]), north_to_south[::-1]]
    )
    assert polygon_area_m2(ring_x, ring_y) / 1e6 == pytest.approx(AREA_KM2, rel=1e-8)


def test_vol_08_the_yardstick_gives_the_published_area_of_a_continent():
    # GeographicLib manual, Planimeter example, 18 points. The program has no outline areas of its own; the
    # checks of its cell areas rest on this routine.
    latitude = [
        -63.1,
        -72.9,
        -71.9,
        -74.9,
        -74.3,
        -77.5,
        -77.4,
        -71.7,
        -65.9,
        -65.7,
        -66.6,
        -66.9,
        -69.8,
        -70.0,
        -71.0,
        -77.3,
        -77.9,
        -74.7,
    ]
    longitude = [-58, -74, -102, -102, -131, -163, 163, 172, 140, 113, 88, 59, 25, -4, -14, -33, -46, -61]
    area, perimeter = ELLIPSOID.polygon_area_perimeter(longitude, latitude)
    assert perimeter == pytest.approx(16831067.893, abs=0.001)
    assert abs(area) == pytest.approx(13662703680020.1, abs=1.0)


def test_ter_03_and_04_band_table_of_a_published_formula_on_real_ground(terrain):
    rows = formula_world(terrain, cell_areas_m2(terrain))
    bands = rows.loc["band"]
    assert bands["band_low_m"].tolist() == [200, 400, 600, 800, 1000]
    assert bands["area_km2"].to_numpy() == pytest.approx(BAND_AREAS_KM2, rel=1e-5)
    assert bands["swe_mean_mm"].to_numpy() == pytest.approx(BAND_SWE_MM, rel=1e-7)
    assert bands["volume_m3"].to_numpy() == pytest.approx(BAND_VOLUMES_M3, rel=1e-7)
    assert rows.loc["basin", "area_km2"] == pytest.approx(AREA_KM2, rel=1e-6)
    assert rows.loc["basin", "volume_m3"] == pytest.approx(sum(BAND_VOLUMES_M3), rel=1e-7)


@pytest.mark.parametrize("projection", ["plate carree", "Web Mercator"])
def test_ter_02_a_map_s_own_area_is_not_the_ground_s(terrain, projection):
    side_m = np.deg2rad(1 / 1200) * ELLIPSOID.a
    y = np.deg2rad(terrain.latitude)
    tall = side_m if projection == "plate carree" else np.abs(np.diff(np.arcsinh(np.tan(y))))[:, None] * ELLIPSOID.a
    rows = formula_world(terrain, np.full(terrain.elevation.shape, side_m) * tall)
    # 1/cos(36.6 deg) and 1/cos2 of it: a quarter too much, and half as much again.
    assert rows.loc["basin", "area_km2"] > 1.2 * AREA_KM2
    assert rows.loc["basin", "volume_m3"] > 1.2 * sum(BAND_VOLUMES_M3)


def at(longitude, latitude, code):
    """Return a grid of one cell of 100 m about a place."""
    x, y = Transformer.from_crs("EPSG:4326", code, always_xy=True).transform(longitude, latitude)
    return BasinGrid(CRS(code), 100.0, x - 50.0, y + 50.0, 1, 1)


@pytest.mark.parametrize(("degrees_east", "scale"), [(0.0, 0.9992002), (-3.25, 1.0012833), (3.0, 1.0009749)])
def test_vol_06_utm_area_over_ground_area(degrees_east, scale):
    # k0^2 = 0.9996^2 on the central meridian (Snyder 1987); away from it by PROJ, here against a cell's own corners.
    grid = at(-81.0 + degrees_east, 36.6, "EPSG:32617")
    assert areal_scale(grid)[0, 0] == pytest.approx(scale, abs=1e-6)
    left, bottom, right, top = grid.bounds
    corners = Transformer.from_crs(grid.crs, "EPSG:4326", always_xy=True).transform(
        [left, right, right, left], [bottom, bottom, top, top]
    )
    # The area routine is good to some 1e-9 of a hectare.
    assert 100.0**2 / areal_scale(grid)[0, 0] == pytest.approx(polygon_area_m2(*corners), rel=1e-6)


def test_vol_06_grid_north_is_not_true_north():
    # Snyder 1987, by PROJ: 3.25 degrees west of the central meridian grid north points west of true north.
    assert _factors(at(-84.25, 36.6, "EPSG:32617"), "meridian_convergence")[0, 0] == pytest.approx(-1.9390886, abs=1e-6)


@pytest.mark.parametrize(("latitude", "scale"), [(40.0, 1.7040882), (45.0, 2.0)])
def test_vol_07_web_mercator_inflates_areas(latitude, scale):
    # PROJ: 1 / cos2 of the latitude. That such a grid is refused is held in test_real_night_published.
    assert areal_scale(at(-84.25, latitude, "EPSG:3857"))[0, 0] == pytest.approx(scale, abs=1e-6)


def one_cell(swe_mm, area_m2):
    fields = {
        "swe": swe_mm,
        "depth": swe_mm / 300.0,
        "snow_cover": 1.0,
        "zone": 1,
        "elevation_band": 1,
        "cell_area": area_m2,
    }
    dataset = xr.Dataset({name: (("y", "x"), np.full((1, 1), float(value))) for name, value in fields.items()})
    units = ZoneBands("one", ["all"], [(0.0, 200.0)])
    return totals_rows(dataset, units, np.zeros((1, 1)), dt.date(2031, 4, 1)).iloc[0]


def test_vol_01_a_millimetre_over_a_square_kilometre():
    assert one_cell(1.0, 1e6)["volume_m3"] == pytest.approx(1000.0, rel=1e-9)


def test_vol_03_an_inch_over_a_square_mile_in_acre_feet():
    # 640 acres; a mile is 5280 international feet. The acre-foot is the contract's, 1233.48183755 m3 (VOL-02); with the US
    # survey one, 6e-6 larger, this fails.
    volume = one_cell(25.4, (5280 * 0.3048) ** 2)["volume_m3"]
    assert volume / 1233.48183755 == pytest.approx(640 / 12, rel=1e-9)
    assert volume / 1233.48923847 != pytest.approx(640 / 12, rel=1e-6)
