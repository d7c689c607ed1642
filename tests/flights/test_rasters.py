"""What a flight's rasters may hold and how they may be stored; what is wrong with one told in one line."""

from dataclasses import replace

import numpy as np
import pytest
import rasterio
from affine import Affine
from flown import GRID, LEFT, TOP, TRANSFORM, window_of, write, write_vrt
from pyproj import Transformer

from snowtally.flights.aggregate import aggregate
from snowtally.flights.mosaic import open_pixels
from snowtally.flights.rasters import Window, virtual_parts
from snowtally.inputs.raster_band import DEPTHS
from snowtally.model.problems import InputError


@pytest.fixture
def depths():
    values = np.random.default_rng(3).normal(1.0, 0.5, (52, 66))
    values[10:20, 30:44] = np.nan
    return values


def means(paths, values=DEPTHS):
    return aggregate(open_pixels(paths, GRID, values), GRID)


def all_of(paths):
    pixels = open_pixels(paths, GRID)
    with pixels.reading() as read:
        return read(Window(0, pixels.raster.shape[0], 0, pixels.raster.shape[1]))


def assert_same(one, other, atol=1e-6):
    np.testing.assert_allclose(one.mean, other.mean, atol=atol)
    np.testing.assert_allclose(one.valid_fraction, other.valid_fraction, atol=1e-9)


def test_several_codes_for_no_data_and_nan_are_one_void(tmp_path, depths):
    plain = means([write(tmp_path / "plain.tif", depths)])
    coded = depths.copy()
    coded[10:13, 30:44] = -32768.0
    coded[13:15, 30:44] = -3.4028234663852886e38
    coded[15:17, 30:44] = 1e20
    coded[17, 30:44] = np.inf
    coded[18, 30:44] = 99.0
    path = write(tmp_path / "coded.tif", np.where(np.isnan(coded), 7777.0, coded), nodata=7777.0)
    found = means([path], replace(DEPTHS, codes=(99.0, -9999.0)))
    assert_same(plain, found)
    # A code is no pixel with data, so that it is no outlier either.
    assert found.pixels == plain.pixels
    assert found.masked == 0


@pytest.mark.parametrize(
    ("unit", "declared", "factor"),
    [("ft", 1.0, 0.3048), ("", 0.3048, 0.3048), ("cm", 0.3048, 0.01), ("m", 0.3048, 1.0)],
)
def test_unit_is_the_files_own_else_the_one_declared(tmp_path, depths, unit, declared, factor):
    path = write(tmp_path / "u.tif", depths / factor, unit=unit)
    assert_same(means([write(tmp_path / "m.tif", depths)]), means([path], replace(DEPTHS, metres_per_unit=declared)))


def test_feet_of_the_height_system_count(tmp_path, depths):
    # A compound system of UTM and heights in US survey feet: GDAL reads the band's unit from it.
    path = write(tmp_path / "f.tif", depths / (1200 / 3937), crs="EPSG:32625+6360")
    assert_same(means([write(tmp_path / "m.tif", depths)]), means([path]))


def test_scale_and_offset_are_honoured(tmp_path, depths):
    path = write(tmp_path / "s.tif", np.round((depths + 1.0) * 1000), dtype="int16")
    with rasterio.open(path, "r+") as file:
        file.scales, file.offsets = (0.001,), (-1.0,)
    # Rounded to millimetres.
    assert_same(means([write(tmp_path / "m.tif", depths)]), means([path]), atol=5e-4)


@pytest.mark.parametrize("crs", ["EPSG:32626", "EPSG:4326", "EPSG:3857"])
def test_another_coordinate_system_gives_the_same_cells(tmp_path, crs):
    # The same field, linear in the grid's coordinates, seen on pixels of another system.
    to_grid = Transformer.from_crs(crs, "EPSG:32625", always_xy=True)
    back = Transformer.from_crs("EPSG:32625", crs, always_xy=True)
    x, y = back.transform(
        np.array([LEFT - 60, LEFT + 760, LEFT - 60, LEFT + 760]), np.array([TOP + 60, TOP + 60, TOP - 560, TOP - 560])
    )
    width, height = (x.max() - x.min()) / 200, (y.max() - y.min()) / 170
    transform = Affine(width, 0, x.min(), 0, -height, y.max())
    columns, rows = np.meshgrid(np.arange(200) + 0.5, np.arange(170) + 0.5)
    east, north = to_grid.transform(transform.c + width * columns, transform.f - height * rows)
    values = 1.0 + (east - LEFT) / 500 + (TOP - north) / 900
    found = means([write(tmp_path / "w.tif", values, transform=transform, crs=crs)])
    truth = 1.0 + (GRID.x[None, :] - LEFT) / 500 + (TOP - GRID.y[:, None]) / 900
    # Pixels of 4 m are placed whole: their split between two cells is worth half a millimetre of this slope (speed.md: 5e-4 m).
    np.testing.assert_allclose(found.mean, truth, atol=5e-4)
    np.testing.assert_allclose(found.valid_fraction, 1.0, atol=2e-3)


def test_pixels_of_another_coordinate_system_are_counted_whole(tmp_path):
    to_other = Transformer.from_crs("EPSG:32625", "EPSG:32626", always_xy=True)
    x, y = to_other.transform(LEFT + 350, TOP - 250)
    values = np.ones((20, 30))
    values[4, 7] = 99.0
    transform = Affine(5, 0, x - 75, 0, -5, y + 50)
    path = write(tmp_path / "w.tif", values, transform=transform, crs="EPSG:32626")
    found = aggregate(open_pixels([path], GRID), GRID, (-1.0, 12.0))
    assert (found.pixels, found.masked) == (600, 1)
    assert {type(found.pixels), type(found.masked)} == {int}
    # Across the grid's edge the parts within count, and a whole number comes of it.
    over = Affine(5, 0, to_other.transform(LEFT, TOP - 250)[0] - 76, 0, -5, y + 50)
    found = aggregate(open_pixels([write(tmp_path / "o.tif", values, transform=over, crs="EPSG:32626")], GRID), GRID)
    assert type(found.pixels) is int
    assert 200 < found.pixels < 400


def test_tiles_of_another_lattice_are_resampled_and_count_once(tmp_path):
    # One half of a plane on one lattice, the other with an overlap on another, finer by a fifth and half a pixel off.
    def plane(transform, rows, columns):
        j, i = np.meshgrid(np.arange(columns) + 0.5, np.arange(rows) + 0.5)
        x, y = transform.c + transform.a * j, transform.f + transform.e * i
        return 2.0 + (x - LEFT) / 700 + (y - TOP) / 900

    west, east = Affine(5, 0, LEFT - 20, 0, -5, TOP + 20), Affine(4, 0, LEFT + 301.7, 0, -4, TOP + 22.1)
    paths = [
        write(tmp_path / "a.tif", plane(west, 110, 80), transform=west),
        write(tmp_path / "b.tif", plane(east, 140, 120), transform=east),
    ]
    found = means(paths)
    truth = 2.0 + (GRID.x[None, :] - LEFT) / 700 + (GRID.y[:, None] - TOP) / 900
    np.testing.assert_allclose(found.mean, truth, atol=1e-9)
    np.testing.assert_allclose(found.valid_fraction, 1.0, atol=1e-9)


def test_a_virtual_raster_is_its_tiles(tmp_path, depths):
    left, left_place = window_of(depths, TRANSFORM, slice(0, 52), slice(0, 30))
    right, right_place = window_of(depths, TRANSFORM, slice(0, 52), slice(30, 66))
    tiles = [
        write(tmp_path / "left.tif", left, transform=left_place),
        write(tmp_path / "right.tif", right, transform=right_place),
    ]
    vrt = write_vrt(tmp_path / "all.vrt", [(tiles[0], 0, 0, 52, 30), (tiles[1], 0, 30, 52, 36)], (52, 66), TRANSFORM)
    whole = means([write(tmp_path / "whole.tif", depths)])
    assert_same(whole, means([vrt]), atol=1e-12)
    assert virtual_parts(vrt) == tiles
    tiles[1].unlink()
    with pytest.raises(
        InputError, match=r"all\.vrt is made of .*right\.tif, which is not there\. Put the missing tile"
    ):
        means([vrt])


def test_what_is_wrong_with_a_file_is_told_in_one_line(tmp_path, depths):
    (tmp_path / "empty.tif").write_bytes(b"")
    (tmp_path / "text.tif").write_text("depth, 3 m")
    (tmp_path / "bad.vrt").write_text("<VRTDataset")
    large = np.tile(depths, (6, 6))
    whole = write(tmp_path / "whole.tif", large, tiled=True, blockxsize=64, blockysize=64, transform=TRANSFORM)
    (tmp_path / "half.tif").write_bytes(whole.read_bytes()[: whole.stat().st_size * 7 // 10])
    write(tmp_path / "nowhere.tif", depths, crs=None)
    write(tmp_path / "odd.tif", depths, unit="furlong")
    for name, words in {
        "empty": r"empty\.tif is empty \(0 bytes\)\. Copy",
        "text": r"text\.tif is not a raster that can be read",
        "half": r"half\.tif is cut short or damaged: rows \d+ to \d+ cannot be read",
        "nowhere": r"nowhere\.tif has no coordinate system\. Write its EPSG code",
        "odd": "declares the unit 'furlong', which is no length known here",
        "gone": r"gone\.tif is not there",
    }.items():
        with pytest.raises(InputError, match=words) as told:
            all_of([tmp_path / f"{name}.tif"])
        assert "\n" not in str(told.value)
    with pytest.raises(InputError, match=r"bad\.vrt is not a"):
        means([tmp_path / "bad.vrt"])
