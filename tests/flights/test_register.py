"""Surfaces brought together on stable ground, and their difference, against shifts that are known."""

import datetime as dt
from pathlib import Path

import matplotlib as mpl
import numpy as np
import pytest
import rasterio
from affine import Affine
from pyproj import CRS
from scipy.ndimage import gaussian_filter, map_coordinates

from pipeline.flights.difference import Difference, moved
from pipeline.flights.limits import FlightLimits
from pipeline.flights.measure import FlightFiles, measure_flight
from pipeline.flights.rasters import HEIGHTS, Window, raster_pixels
from pipeline.flights.register import nmad, register
from pipeline.grid import BasinGrid
from pipeline.problems import RefusedFlightError

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
    on, off = (raster_pixels(surfaces[name], grid, HEIGHTS) for name in ("snow_on", "snow_off"))
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
    on, off = (raster_pixels(surfaces[name], grid, HEIGHTS) for name in ("snow_on", "snow_off"))
    with pytest.raises(RefusedFlightError, match="0 pixels with data"):
        register(on, off, nothing, grid)


def test_difference_of_a_surface_with_itself_moved_back_is_zero(surfaces, grid):
    off = raster_pixels(surfaces["snow_off"], grid, HEIGHTS)
    with Difference(moved(off, 12.0, 7.0), moved(off, 12.0, 7.0)).reading() as read:
        np.testing.assert_allclose(read(Window(10, 60, 20, 90)), 0.0, atol=1e-9)


def test_nmad_withstands_one_blunder():
    # Hohle and Hohle 2009, ISPRS J. 64, 398-406.
    assert nmad(np.array([1.0, 2, 3, 4, 100])) == pytest.approx(1.4826, abs=1e-9)
