"""Surfaces brought together on stable ground, and their difference, against shifts that are known."""

import datetime as dt
from pathlib import Path

import geopandas
import matplotlib as mpl
import numpy as np
import pytest
import rasterio
from affine import Affine
from pyproj import CRS, Transformer
from rasterio import features
from scipy.ndimage import gaussian_filter, map_coordinates
from shapely.geometry import shape

from snowtally.flights.difference import Difference, moved
from snowtally.flights.limits import FlightLimits
from snowtally.flights.measure import FlightFiles, measure_flight
from snowtally.flights.mosaic import open_pixels
from snowtally.flights.rasters import Window
from snowtally.flights.register import nmad, register
from snowtally.inputs.raster_band import HEIGHTS
from snowtally.model.grid import BasinGrid
from snowtally.model.problems import RefusedFlightError

CELL, LEFT, TOP = 90.0, 500_000.0, 4_880_000.0
SHIFT_EAST, SHIFT_NORTH, LIFT = 30.0, -20.0, 1.5


def write(path, values):
    profile = {"driver": "GTiff", "height": values.shape[0], "width": values.shape[1], "count": 1, "dtype": "float64"}
    with rasterio.open(
        path, "w", crs="EPSG:32625", nodata=-9999.0, transform=Affine(CELL, 0, LEFT, 0, -CELL, TOP), **profile
    ) as to:
        to.write(np.where(np.isfinite(values), values, -9999.0), 1)
    return path


def shifted(values, east_m, north_m):
    """Return the surface that lies `east_m` and `north_m` further on."""
    rows, columns = np.indices(values.shape, dtype=float)
    return map_coordinates(values, [rows + north_m / CELL, columns - east_m / CELL], order=3, mode="nearest")


@pytest.fixture(scope="module")
def elevation():
    # A real elevation grid that ships with matplotlib (SRTM heights); here as if on 90 m square cells.
    with np.load(Path(mpl.get_data_path()) / "sample_data" / "jacksboro_fault_dem.npz") as held:
        return held["elevation"].astype(float)


@pytest.fixture
def surfaces(tmp_path, elevation):
    ground = gaussian_filter(elevation, 1.0)
    depth = np.maximum(0.0, 0.002 * (ground - 400.0))
    snow_on = shifted(ground + depth, SHIFT_EAST, SHIFT_NORTH) + LIFT
    stable = (ground < 380.0).astype(float)
    return {
        "snow_on": write(tmp_path / "on.tif", snow_on),
        "snow_off": write(tmp_path / "off.tif", ground),
        "stable_ground": write(tmp_path / "stable.tif", stable),
        "depth": depth,
    }


@pytest.fixture
def grid(elevation):
    return BasinGrid(CRS("EPSG:32625"), CELL, LEFT, TOP, elevation.shape[1], elevation.shape[0])


def test_known_misregistration_is_found_on_snow_free_ground(surfaces, grid):
    # Method of Nuth and Kaab 2011, The Cryosphere 5, 271-290; shift and depth known by construction. Tolerances are those
    # of the design for this surface: 2 cm of 36 m, 5 mm of lift.
    on, off = (open_pixels([surfaces[name]], grid, HEIGHTS) for name in ("snow_on", "snow_off"))
    found = register(on, off, surfaces["stable_ground"], grid)
    assert (found.east_m, found.north_m) == pytest.approx((SHIFT_EAST, SHIFT_NORTH), abs=0.02)
    assert found.up_m == pytest.approx(LIFT, abs=0.005)
    assert found.nmad_after_m < 0.1 * found.nmad_before_m


def test_mean_depth_is_right_after_registration_and_wrong_before(surfaces, grid):
    paths = {name: (surfaces[name],) for name in ("snow_on", "snow_off", "stable_ground")}
    files = FlightFiles("F", dt.date(2031, 3, 1), **paths)
    # A shift of 36 m on such slopes is worth several metres of height: nothing may be masked before it is taken out.
    limits = FlightLimits(least_depth_m=-60.0, most_depth_m=60.0, most_shift_m=60.0)
    # Cells at the outer edge have no snow-on pixel of their own once the surface is moved.
    inner = (slice(5, -5), slice(5, -5))
    truth = surfaces["depth"][inner].mean()
    flight, findings = measure_flight(files, grid, limits)
    raw = measure_flight(
        FlightFiles("F", files.date, snow_on=paths["snow_on"], snow_off=paths["snow_off"]), grid, limits
    )[0]
    assert float(flight["depth"].to_numpy()[inner].mean()) == pytest.approx(truth, abs=0.02)
    assert float(raw["depth"].to_numpy()[inner].mean()) - truth == pytest.approx(LIFT, abs=0.3)
    assert "shift 30." in findings[0].evidence or "shift 29." in findings[0].evidence
    # What registration leaves must be within the error that the flight states for itself.
    assert abs(float(flight["depth"].to_numpy()[inner].mean()) - truth) < 2 * flight.attrs["depth_bias_se_m"]


def test_shift_beyond_its_limit_is_refused_with_the_figures(surfaces, grid):
    files = FlightFiles(
        "F9", dt.date(2031, 3, 1), (), *((surfaces[n],) for n in ("snow_on", "snow_off", "stable_ground"))
    )
    with pytest.raises(
        RefusedFlightError, match=r"F9: registration .* beyond its limits .*36|F9: registration .* shift 30"
    ):
        measure_flight(files, grid, FlightLimits())


def test_too_little_stable_ground_is_refused(surfaces, grid, tmp_path, elevation):
    nothing = write(tmp_path / "none.tif", np.zeros_like(elevation))
    on, off = (open_pixels([surfaces[name]], grid, HEIGHTS) for name in ("snow_on", "snow_off"))
    with pytest.raises(RefusedFlightError, match="0 pixels with data"):
        register(on, off, nothing, grid)


def test_difference_of_a_surface_with_itself_moved_back_is_zero(surfaces, grid):
    off = open_pixels([surfaces["snow_off"]], grid, HEIGHTS)
    with Difference(moved(off, 12.0, 7.0), moved(off, 12.0, 7.0)).reading() as read:
        np.testing.assert_allclose(read(Window(10, 60, 20, 90)), 0.0, atol=1e-9)


def test_nmad_withstands_one_blunder():
    # Hohle and Hohle 2009, ISPRS J. 64, 398-406.
    assert nmad(np.array([1.0, 2, 3, 4, 100])) == pytest.approx(1.4826, abs=1e-9)


def test_a_tilt_is_found_where_it_is_asked_for(surfaces, grid, tmp_path):
    with rasterio.open(surfaces["snow_on"]) as file:
        snow_on = file.read(1)
    rows, columns = np.indices(snow_on.shape)
    # 0.08 m a kilometre to the east and -0.05 to the north.
    tilted = snow_on + 0.08e-3 * CELL * columns + 0.05e-3 * CELL * rows
    on = open_pixels([write(tmp_path / "tilted.tif", tilted)], grid, HEIGHTS)
    off = open_pixels([surfaces["snow_off"]], grid, HEIGHTS)
    found = register(on, off, surfaces["stable_ground"], grid, fit_tilt=True)
    assert (found.east_m, found.north_m) == pytest.approx((SHIFT_EAST, SHIFT_NORTH), abs=0.02)
    assert 1000 * found.tilt.per_east == pytest.approx(0.08, abs=0.002)
    assert 1000 * found.tilt.per_north == pytest.approx(-0.05, abs=0.002)
    plain = register(on, off, surfaces["stable_ground"], grid)
    assert plain.tilt is None
    assert plain.nmad_after_m > 3 * found.nmad_after_m
    # Taken out of the depths, too: against the same surfaces without the tilt.
    paths = {name: (surfaces[name],) for name in ("snow_off", "stable_ground")}
    limits = FlightLimits(least_depth_m=-60.0, most_depth_m=60.0, most_shift_m=60.0, most_nmad_m=9.0, fit_tilt=True)
    one, other = (
        measure_flight(FlightFiles("F", dt.date(2031, 3, 1), snow_on=(path,), **paths), grid, limits)[0]["depth"]
        for path in (surfaces["snow_on"], tmp_path / "tilted.tif")
    )
    np.testing.assert_allclose(one, other, atol=0.03)


def test_on_even_ground_the_lift_alone_is_taken_out(grid, tmp_path, elevation):
    rng = np.random.default_rng(6)
    ground = np.full_like(elevation, 500.0)
    paths = {
        "snow_on": (write(tmp_path / "on.tif", ground + 31.4 + rng.normal(0, 0.05, ground.shape)),),
        "snow_off": (write(tmp_path / "off.tif", ground + rng.normal(0, 0.05, ground.shape)),),
        "stable_ground": (write(tmp_path / "all.tif", np.ones_like(ground)),),
    }
    flight, findings = measure_flight(FlightFiles("F", dt.date(2031, 3, 1), **paths), grid, FlightLimits())
    assert flight.attrs["figures"]["registration"]["east_m"] == 0.0
    assert float(flight["depth"].mean()) == pytest.approx(0.0, abs=0.005)
    told = {finding.rule.name: finding.evidence for finding in findings}
    # Two height systems are told by their constant.
    assert told["vertical offset"] == "31.40 m"
    assert "shift not told" in told
    # Noise of two surfaces, each pixel's own: sqrt(2) x 0.05 (in quadrature, STA-11).
    assert flight.attrs["noise_m"] == pytest.approx(0.0707, rel=0.05)


def test_stable_ground_as_polygons_gives_the_same(surfaces, grid, tmp_path):
    with rasterio.open(surfaces["stable_ground"]) as file:
        mask = file.read(1).astype("u1")
        outlines = [
            shape(found) for found, value in features.shapes(mask, mask == 1, transform=file.transform) if value
        ]
    geopandas.GeoDataFrame(geometry=outlines, crs="EPSG:32625").to_file(tmp_path / "stable.gpkg")
    on, off = (open_pixels([surfaces[name]], grid, HEIGHTS) for name in ("snow_on", "snow_off"))
    found = register(on, off, tmp_path / "stable.gpkg", grid)
    assert found.pixels == pytest.approx(int(mask.sum()), rel=0.02)
    assert (found.east_m, found.north_m) == pytest.approx((SHIFT_EAST, SHIFT_NORTH), abs=0.02)


@pytest.mark.parametrize(("east", "north"), [(0.5, 0.5), (0.3, -0.7), (-2.0, 3.0), (0.0, 0.0)])
def test_surfaces_some_part_of_a_pixel_apart_are_differenced_rightly(tmp_path, grid, east, north):
    """A smooth ground seen on two lattices that lie part of a pixel apart: 1.25 m of snow is 1.25 m everywhere."""
    rows, columns = np.indices((300, 320)) + 0.5

    def ground(transform):
        x, y = transform.c + transform.a * columns, transform.f + transform.e * rows
        return 900 + 40 * np.sin((x - LEFT) / 700) + 30 * np.cos((y - TOP) / 500) + 0.1 * (x - LEFT)

    places = [Affine(30, 0, LEFT, 0, -30, TOP), Affine(30, 0, LEFT + 30 * east, 0, -30, TOP + 30 * north)]
    paths = []
    for number, (place, snow) in enumerate(zip(places, (0.0, 1.25), strict=True)):
        path = tmp_path / f"{number}.tif"
        profile = {"driver": "GTiff", "height": 300, "width": 320, "count": 1, "dtype": "float64", "crs": "EPSG:32625"}
        with rasterio.open(path, "w", transform=place, **profile) as to:
            to.write(ground(place) + snow, 1)
        paths.append(path)
    off, on = (open_pixels([path], grid, HEIGHTS) for path in paths)
    with Difference(on, off).reading() as read:
        depth = read(Window(6, 290, 6, 310))
    # Cubic convolution is exact to the third order: a bend of 40 m in 700 on pixels of 30 m leaves well below a millimetre.
    np.testing.assert_allclose(depth, 1.25, atol=1e-3)


def test_surfaces_of_two_coordinate_systems_are_differenced_rightly(tmp_path, grid):
    to_grid = Transformer.from_crs("EPSG:32626", "EPSG:32625", always_xy=True)

    def ground(x, y):
        return 900 + 0.1 * (x - LEFT) - 0.07 * (y - TOP)

    rows, columns = np.indices((220, 220)) + 0.5
    x0, y0 = Transformer.from_crs("EPSG:32625", "EPSG:32626", always_xy=True).transform(LEFT, TOP)
    paths = []
    for name, place, crs, snow in (
        ("off", Affine(20, 0, LEFT, 0, -20, TOP), "EPSG:32625", 0.0),
        ("on", Affine(20, 0, x0 - 1500, 0, -20, y0 + 1500), "EPSG:32626", 0.8),
    ):
        x, y = place.c + place.a * columns, place.f + place.e * rows
        x, y = to_grid.transform(x, y) if crs == "EPSG:32626" else (x, y)
        profile = {"driver": "GTiff", "height": 220, "width": 220, "count": 1, "dtype": "float64", "crs": crs}
        with rasterio.open(tmp_path / f"{name}.tif", "w", transform=place, **profile) as to:
            to.write(ground(x, y) + snow, 1)
        paths.append(tmp_path / f"{name}.tif")
    off, on = (open_pixels([path], grid, HEIGHTS) for path in paths)
    with Difference(on, off).reading() as read:
        depth = read(Window(0, 220, 0, 220))
    seen = np.isfinite(depth)
    assert seen.mean() > 0.3
    np.testing.assert_allclose(depth[seen], 0.8, atol=1e-3)
