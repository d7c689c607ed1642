"""What a raster of depths shows over stable ground is its offset, found through noise, outliers and tiles."""

import datetime as dt

import numpy as np
import pytest
import rasterio
from affine import Affine
from flown import GRID, LEFT, TOP, write

from snowtally.flights.aggregate import aggregate
from snowtally.flights.depth_offset import Lowered, depth_offset
from snowtally.flights.limits import FlightLimits
from snowtally.flights.measure import DEFAULT_NOISE, FlightFiles, measure_flight
from snowtally.flights.mosaic import open_pixels
from snowtally.model.problems import RefusedFlightError

FINE = Affine(5, 0, LEFT, 0, -5, TOP)
SHAPE = (100, 140)


def made(tmp_path, offset, *, deep_share=0.0, cut=False, dtype="float32"):
    """Write depths of 1 m of snow beside bare stable rows, all too high by an offset, and the stable ground."""
    rng = np.random.default_rng(5)
    stable = np.zeros(SHAPE)
    stable[:40, 10:130] = 1.0
    depth = np.where(stable > 0, 0.0, 1.0)
    deep = rng.random(SHAPE) < deep_share
    depth = np.where((stable > 0) & deep, 1.5, depth) + offset + rng.normal(0.0, 0.06, SHAPE)
    depth = np.maximum(depth, 0.0) if cut else depth
    paths = (
        write(tmp_path / "d.tif", depth, transform=FINE, dtype=dtype),
        write(tmp_path / "s.tif", stable, transform=FINE, nodata=None, dtype="uint8"),
    )
    return open_pixels([paths[0]], GRID), paths[1]


@pytest.mark.parametrize("offset", [-0.12, 0.0, 0.1, 2.5])
def test_a_planted_offset_is_found_and_taken_off(tmp_path, offset):
    depth, stable = made(tmp_path, offset)
    found = depth_offset(depth, (stable,), GRID)
    # 4800 pixels of 6 cm: the median is good to 1.25 x 0.06 / sqrt(4800) = 1.1 mm.
    assert found.up_m == pytest.approx(offset, abs=0.004)
    assert found.nmad_m == pytest.approx(0.06, rel=0.05)
    assert found.pixels == 40 * 120
    assert found.noise.pixel_se_m == pytest.approx(0.06, rel=0.1)
    before, after = aggregate(depth, GRID), aggregate(Lowered(depth, found.up_m), GRID)
    np.testing.assert_allclose(after.mean, before.mean - found.up_m, atol=1e-6)
    np.testing.assert_array_equal(after.valid_fraction, before.valid_fraction)


def test_snow_on_a_fifth_of_the_stable_ground_moves_the_offset_little(tmp_path):
    depth, stable = made(tmp_path, 0.1, deep_share=0.2)
    # A fifth far above shifts the median to the 62.5th percentile of the rest, 0.32 sigma.
    assert depth_offset(depth, (stable,), GRID).up_m == pytest.approx(0.1 + 0.32 * 0.06, abs=0.006)


def test_where_negative_depths_were_cut_off_no_offset_is_told(tmp_path):
    depth, stable = made(tmp_path, -0.1, cut=True)
    assert depth_offset(depth, (stable,), GRID) is None
    # A positive offset beyond the noise survives the cut.
    depth, stable = made(tmp_path, 0.1, cut=True)
    assert depth_offset(depth, (stable,), GRID).up_m == pytest.approx(0.1, abs=0.004)


def test_depths_in_whole_decimetres_hide_their_noise_and_have_the_usual_one(tmp_path):
    depth, stable = made(tmp_path, 0.1)
    files = FlightFiles("F1", dt.date(2031, 4, 1), depth=(depth.raster.path,), stable_ground=(stable,))
    fine, _ = measure_flight(files, GRID, FlightLimits())
    with rasterio.open(depth.raster.path, "r+") as file:
        stepped = np.where(file.read(1) < 0.5, np.float32(0.1), np.round(file.read(1), 1))
        file.write(stepped, 1)
    coarse, findings = measure_flight(files, GRID, FlightLimits())
    assert "median +0.100 m, NMAD 0.00 m" in findings[0].evidence
    assert coarse.attrs["noise_m"] == pytest.approx(DEFAULT_NOISE.pixel_se_m)
    assert fine.attrs["noise_m"] == pytest.approx(0.06, rel=0.1)
    assert float(coarse["depth_random_se"].min()) > 0


def test_too_little_stable_ground_is_refused(tmp_path):
    depth, _ = made(tmp_path, 0.1)
    few = np.zeros(SHAPE)
    few[:2, :100] = 1.0
    path = write(tmp_path / "few.tif", few, transform=FINE, nodata=None)
    with pytest.raises(RefusedFlightError, match="has 200 pixels with data in the depth raster, 300 are needed"):
        depth_offset(depth, (path,), GRID)
