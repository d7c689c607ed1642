"""Laws of fine pixels on the grid, whatever the raster: what is kept, what changes nothing, what never leaks."""

import itertools

import numpy as np
import pytest
from affine import Affine
from flown import GRID, LEFT, TOP, window_of, write
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from snowtally.flights.aggregate import aggregate
from snowtally.flights.mosaic import open_pixels

PATIENT = settings(
    max_examples=10, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture], derandomize=True
)
DEPTHS = hnp.arrays(
    np.float64,
    st.tuples(st.integers(3, 40), st.integers(3, 40)),
    elements=st.one_of(st.floats(-0.5, 8.0, width=32), st.just(np.nan)),
)
PIXELS = st.floats(4.0, 160.0)
CORNERS = st.tuples(st.floats(-300.0, 300.0), st.floats(-300.0, 300.0))


def means(paths):
    return aggregate(open_pixels(paths, GRID), GRID)


def assert_same(one, other, atol=1e-9):
    np.testing.assert_allclose(one.mean, other.mean, atol=atol)
    np.testing.assert_allclose(one.valid_fraction, other.valid_fraction, atol=1e-9)
    np.testing.assert_allclose(one.spread, other.spread, atol=1e-6)
    assert one.pixels == other.pixels


@PATIENT
@given(values=DEPTHS, pixel=st.floats(4.0, 8.0))
def test_depth_times_area_is_kept(tmp_path, values, pixel):
    # The raster lies wholly on the grid: nothing may be lost.
    path = write(tmp_path / "d.tif", values, transform=Affine(pixel, 0, LEFT + 51.3, 0, -pixel, TOP - 37.9))
    found = means([path])
    kept = np.nansum(found.mean * found.valid_fraction) * GRID.cell_m**2
    assert kept == pytest.approx(np.nansum(values) * pixel**2, rel=1e-6, abs=1e-6)


@PATIENT
@given(values=DEPTHS, pixel=PIXELS, corner=CORNERS)
def test_a_raster_stored_upside_down_mirrored_or_turned_is_the_same(tmp_path, values, pixel, corner):
    base = Affine(pixel, 0, LEFT + corner[0], 0, -pixel, TOP + corner[1])
    rows, columns = values.shape
    plain = means([write(tmp_path / "plain.tif", values, transform=base)])
    upside_down = Affine(pixel, 0, base.c, 0, pixel, base.f - rows * pixel)
    assert_same(plain, means([write(tmp_path / "flip.tif", values[::-1], transform=upside_down)]))
    mirrored = Affine(-pixel, 0, base.c + columns * pixel, 0, -pixel, base.f)
    assert_same(plain, means([write(tmp_path / "mirror.tif", values[:, ::-1], transform=mirrored)]))
    # Rows run east and columns north: the other way of placing pixels, in parts, which is exact to what a part is wide.
    turned = Affine(0, pixel, base.c, pixel, 0, base.f - rows * pixel)
    found = means([write(tmp_path / "turn.tif", values[::-1].T.copy(), transform=turned)])
    np.testing.assert_allclose(found.valid_fraction, plain.valid_fraction, atol=1e-9)
    np.testing.assert_allclose(found.mean, plain.mean, atol=1e-9)


@pytest.mark.long
@PATIENT
@given(values=DEPTHS, pixel=PIXELS, corner=CORNERS, cut=st.tuples(st.floats(0.1, 0.9), st.floats(0.1, 0.9)))
def test_tiles_are_the_whole_in_any_order_and_overlapping(tmp_path, values, pixel, corner, cut):
    base = Affine(pixel, 0, LEFT + corner[0], 0, -pixel, TOP + corner[1])
    rows, columns = (max(1, int(share * n)) for share, n in zip(cut, values.shape, strict=True))
    whole = means([write(tmp_path / "whole.tif", values, transform=base)])
    tiles = []
    for overlap in (0, 2):
        spans = [
            (slice(0, min(n + overlap, size)), slice(max(n - overlap, 0), size))
            for n, size in ((rows, values.shape[0]), (columns, values.shape[1]))
        ]
        tiles = []
        for number, (down, across) in enumerate(itertools.product(*spans)):
            part, transform = window_of(values, base, down, across)
            tiles.append(write(tmp_path / f"tile{overlap}{number}.tif", part, transform=transform))
        assert_same(whole, means(tiles[::-1]))
        assert means(tiles).mean.tobytes() == means(tiles[::-1]).mean.tobytes()


@PATIENT
@given(level=st.floats(-0.9, 11.0), holes=hnp.arrays(bool, (23, 31)), pixel=PIXELS)
def test_a_constant_stays_constant_and_no_void_leaks(tmp_path, level, holes, pixel):
    values = np.where(holes, np.nan, level)
    for nodata in (-9999.0, None, 0.5):
        if nodata is not None and abs(level - nodata) < 1e-3:
            continue
        path = write(
            tmp_path / "c.tif", values, transform=Affine(pixel, 0, LEFT - 30, 0, -pixel, TOP + 20), nodata=nodata
        )
        found = means([path])
        seen = found.valid_fraction > 0
        np.testing.assert_allclose(found.mean[seen], level, rtol=1e-9)
        np.testing.assert_allclose(found.spread[seen], 0.0, atol=1e-6)
        assert np.isnan(found.mean[~seen]).all()


def test_neither_number_of_threads_nor_way_of_storing_changes_a_byte(tmp_path):
    rng = np.random.default_rng(5)
    values = np.where(rng.random((700, 900)) < 0.1, np.nan, rng.normal(1.0, 0.4, (700, 900)))
    transform = Affine(0.77, 0, LEFT + 3.3, 0, -0.77, TOP - 2.1)
    path = write(tmp_path / "tiled.tif", values, transform=transform, tiled=True, blockxsize=128, blockysize=128)
    one, three = (aggregate(open_pixels([path], GRID), GRID, threads=n) for n in (1, 3))
    assert one.mean.tobytes() == three.mean.tobytes()
    assert one.spread.tobytes() == three.spread.tobytes()
    other = write(tmp_path / "rows.tif", values, transform=transform, compress="zstd")
    assert_same(one, means([other]), atol=1e-12)
