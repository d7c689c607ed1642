"""Units, voids and what is no number in a raster, the same for heights, fractions and the pixels of flights."""

import numpy as np
import pytest
import rasterio
import xarray as xr
from affine import Affine
from pyproj import CRS, Transformer

from snowtally.flights.mosaic import open_pixels
from snowtally.flights.rasters import Window
from snowtally.inputs.raster_band import DEPTHS, ELEVATIONS
from snowtally.inputs.rasters import fraction_on_grid, mean_on_grid
from snowtally.model.grid import BasinGrid
from snowtally.model.problems import InputError

UTM = CRS("EPSG:32625")
LEFT, TOP = 500_000.0, 4_881_000.0
GRID = BasinGrid(UTM, 100.0, LEFT, TOP, 10, 10)
PLANE = 2000.0 + 10.0 * np.arange(100).reshape(10, 10)


def write(path, values, dtype="int16", *, crs="EPSG:32625", unit="", nodata=None, scale=1.0):  # noqa: PLR0913  what rasters differ in
    size = {"height": values.shape[0], "width": values.shape[1], "count": 1}
    to = Affine(1000 / values.shape[1], 0, LEFT, 0, -1000 / values.shape[0], TOP)
    with rasterio.open(path, "w", driver="GTiff", dtype=dtype, crs=crs, transform=to, nodata=nodata, **size) as file:
        file.write(values.astype(dtype), 1)
        file.scales = (scale,)
        if unit:
            file.set_band_unit(1, unit)
    return path


def write_netcdf(path, values, **attributes):
    """Write a NetCDF variable as it is stored, without a fill value of its own."""
    axes = {
        "x": ("x", LEFT + 50 + 100 * np.arange(10.0), {"standard_name": "projection_x_coordinate", "units": "m"}),
        "y": ("y", TOP - 50 - 100 * np.arange(10.0), {"standard_name": "projection_y_coordinate", "units": "m"}),
    }
    fields = {"z": (("y", "x"), values, attributes | {"grid_mapping": "crs"}), "crs": ((), 0, UTM.to_cf())}
    xr.Dataset(fields, axes).to_netcdf(path, encoding={"z": {"_FillValue": None}})
    return path


@pytest.mark.parametrize(
    ("dtype", "scale", "void"),
    [("int16", 1.0, -32768), ("int16", 1.0, 12_000), ("int16", 0.1, -32768), ("int32", 0.01, -(2**31)),
     ("uint16", 0.1, 65_535), ("float32", 1.0, -9999.0), ("float32", 1.0, -3.4e38), ("float32", 1.0, 1e20)],
)  # fmt: skip
def test_voids_that_no_file_declares_are_no_height(tmp_path, dtype, scale, void):
    values = np.round(PLANE / scale)
    values[3, 4] = void
    found = mean_on_grid([write(tmp_path / "z.tif", values, dtype, scale=scale)], GRID, ELEVATIONS).values
    assert np.isnan(found[3, 4])
    found[3, 4] = PLANE[3, 4]
    np.testing.assert_allclose(found, PLANE, atol=1e-3)


def test_a_void_among_finer_pixels_does_not_draw_its_cell_down(tmp_path):
    fine = np.repeat(np.repeat(PLANE, 4, axis=0), 4, axis=1)
    fine[13, 17] = -32768
    found = mean_on_grid([write(tmp_path / "z.tif", fine)], GRID, ELEVATIONS).values
    np.testing.assert_allclose(found, PLANE)


@pytest.mark.parametrize(
    ("crs", "unit", "metres", "told"),
    [("EPSG:32625", "ft", 0.3048, "ft"), ("EPSG:32625", "US survey foot", 1200 / 3937, "US survey foot"),
     ("EPSG:32625", "US_survey_foot", 1200 / 3937, "US_survey_foot"), ("EPSG:32625+6360", "", 1200 / 3937, "US survey foot"),
     ("EPSG:32625+8228", "", 0.3048, "foot"), ("EPSG:32625+6360", "m", 1.0, ""), ("EPSG:32625", "cm", 0.01, "cm"),
     ("EPSG:32625", "Metres", 1.0, ""), ("EPSG:32625+5703", "", 1.0, "")],
)  # fmt: skip
def test_a_unit_in_the_file_is_followed_for_heights_and_depths(tmp_path, crs, unit, metres, told):
    path = write(tmp_path / "z.tif", PLANE / metres, "float64", crs=crs, unit=unit)
    found = mean_on_grid([path], GRID, ELEVATIONS)
    np.testing.assert_allclose(found.values, PLANE, rtol=1e-9)
    assert found.unit == told
    path = write(tmp_path / "d.tif", PLANE / 1000 / metres, "float64", crs=crs, unit=unit)
    pixels = open_pixels([path], GRID, DEPTHS)
    assert pixels.raster.units == ((told,) if told else ())
    with pixels.reading() as read:
        np.testing.assert_allclose(read(Window(0, 10, 0, 10)), PLANE / 1000, rtol=1e-9)


def test_the_height_systems_unit_counts_where_the_format_hides_it(tmp_path):
    write(tmp_path / "z.tif", PLANE / 0.3048, "float64")
    wkt = CRS("EPSG:32625+8228").to_wkt("WKT2_2019")
    (tmp_path / "z.vrt").write_text(
        f'<VRTDataset rasterXSize="10" rasterYSize="10"><SRS>{wkt.replace(chr(34), "&quot;")}</SRS>'
        f"<GeoTransform>{LEFT}, 100, 0, {TOP}, 0, -100</GeoTransform>"
        '<VRTRasterBand dataType="Float64" band="1"><SimpleSource><SourceFilename relativeToVRT="1">z.tif</SourceFilename>'
        "<SourceBand>1</SourceBand></SimpleSource></VRTRasterBand></VRTDataset>"
    )
    found = mean_on_grid([tmp_path / "z.vrt"], GRID, ELEVATIONS)
    np.testing.assert_allclose(found.values, PLANE, rtol=1e-9)
    assert found.unit == "foot"


def test_a_unit_that_is_no_length_is_refused(tmp_path):
    path = write(tmp_path / "z.tif", PLANE, unit="kg/m3")
    with pytest.raises(InputError, match="declares the unit 'kg/m3', which is no length known here"):
        mean_on_grid([path], GRID, ELEVATIONS)


@pytest.mark.parametrize(
    "attributes",
    [{"valid_range": np.array([0, 3000], "i2")}, {"valid_min": np.int16(0), "valid_max": np.int16(3000)},
     {"valid_max": np.int16(3000), "missing_value": np.int16(-5)}],
)  # fmt: skip
def test_the_valid_range_of_a_netcdf_is_honoured(tmp_path, attributes):
    values = PLANE.astype("i2")
    values[2, 3], values[5, 6] = 3001, -5
    found = mean_on_grid([write_netcdf(tmp_path / "z.nc", values, units="m", **attributes)], GRID, ELEVATIONS).values
    assert np.isnan([found[2, 3], found[5, 6]]).all()
    assert np.isfinite(found).sum() == 98


def test_bytes_beyond_a_netcdfs_valid_range_are_not_bare(tmp_path):
    values = np.full((10, 10), 40, "u1")
    values[2, 3] = 250
    path = write_netcdf(
        tmp_path / "f.nc", values, scale_factor=0.01, add_offset=0.0, valid_range=np.array([0, 100], "u1")
    )
    found = fraction_on_grid([path], GRID)
    assert np.isnan(found[2, 3])
    assert np.nanmin(found) == pytest.approx(0.4)


def test_per_cents_that_the_file_declares_are_fractions(tmp_path):
    path = write(tmp_path / "c.tif", np.full((10, 10), 40), "uint8", unit="%")
    np.testing.assert_allclose(fraction_on_grid([path], GRID), 0.4)


@pytest.mark.parametrize("dtype", ["complex64", "complex128", "complex_int16"])
def test_a_complex_raster_is_refused_by_every_reader(tmp_path, dtype):
    path = tmp_path / "z.tif"
    size = {"height": 10, "width": 10, "count": 1, "transform": Affine(100, 0, LEFT, 0, -100, TOP)}
    with rasterio.open(path, "w", driver="GTiff", dtype=dtype, crs="EPSG:32625", **size) as file:
        file.write(PLANE.astype("complex64"), 1)
    for reader in (
        lambda: mean_on_grid([path], GRID, ELEVATIONS),
        lambda: fraction_on_grid([path], GRID),
        lambda: open_pixels([path], GRID, DEPTHS),
    ):
        with pytest.raises(InputError, match=r"z.tif holds complex numbers, which no height") as told:
            reader()
        assert "\n" not in str(told.value)


def test_tiles_of_the_grid_are_the_whole(tmp_path, monkeypatch):
    """However the work is cut, every cell is the same, also in another coordinate system and across the raster's edge."""
    rng = np.random.default_rng(4)
    path = write(tmp_path / "z.tif", 2000 + rng.normal(0, 100, (180, 170)), "float32")
    other = CRS("EPSG:32626")
    x, y = Transformer.from_crs(UTM, other, always_xy=True).transform(LEFT, TOP)
    for crs, corner in ((UTM, (LEFT - 307, TOP + 211)), (other, (x - 500, y + 500))):
        grid = BasinGrid(crs, 25.0, *corner, 80, 80)
        monkeypatch.setattr("snowtally.inputs.rasters.TILE_CELLS", 1024)
        whole = mean_on_grid([path], grid, ELEVATIONS).values
        monkeypatch.setattr("snowtally.inputs.rasters.TILE_CELLS", 17)
        cut = mean_on_grid([path], grid, ELEVATIONS).values
        assert 1000 < np.isfinite(whole).sum() < whole.size
        if crs == UTM:
            # Whether a cell that the raster's edge cuts is seen depends in GDAL on where the work begins; within, nothing does.
            inner = (slice(9, 48), slice(13, 52))
            assert np.isfinite(whole[inner]).all()
            np.testing.assert_allclose(cut[inner], whole[inner], atol=1e-6)
            both = np.isfinite(cut) & np.isfinite(whole)
            np.testing.assert_allclose(cut[both], whole[both], atol=1e-6)
        else:
            # GDAL places pixels of another system to an eighth of a pixel, from tile to tile anew: 0.05 of a scatter of 100 m.
            np.testing.assert_allclose(cut, whole, atol=1.0)


@pytest.mark.parametrize("turn", [0.0, 360.0])
def test_longitudes_may_run_to_360(tmp_path, turn):
    degrees = Transformer.from_crs(UTM, "EPSG:4326", always_xy=True)
    west, north = degrees.transform(LEFT - 500, TOP + 500)
    to, size = Affine(0.0005, 0, west + turn, 0, -0.0005, north), {"height": 60, "width": 60, "count": 1}
    columns, rows = np.meshgrid(np.arange(60) + 0.5, np.arange(60) + 0.5)
    back = Transformer.from_crs("EPSG:4326", UTM, always_xy=True)
    x, _ = back.transform(west + 0.0005 * columns, north - 0.0005 * rows)
    with rasterio.open(
        tmp_path / "z.tif", "w", driver="GTiff", dtype="float64", crs="EPSG:4326", transform=to, **size
    ) as file:
        file.write(2000.0 + 0.1 * (x - LEFT), 1)
    found = mean_on_grid([tmp_path / "z.tif"], GRID, ELEVATIONS).values
    # Pixels of some 40 to 55 m, placed to half a pixel, on a slope of one in ten.
    np.testing.assert_allclose(found, np.broadcast_to(2000.0 + 0.1 * (GRID.x - LEFT), (10, 10)), atol=3.0)


def test_the_least_of_a_signed_type_is_no_depth(tmp_path):
    values = np.full((10, 10), 120)
    values[3, 4] = -32768
    pixels = open_pixels([write(tmp_path / "d.tif", values, scale=0.01)], GRID, DEPTHS)
    with pixels.reading() as read:
        found = read(Window(0, 10, 0, 10))
    # As a number it would be -327.68 m, a pixel below the limits.
    assert np.isnan(found[3, 4])
    assert np.nanmin(found) == pytest.approx(1.2)
