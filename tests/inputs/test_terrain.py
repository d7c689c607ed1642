"""Zones, grid and heights that cannot be used are refused in one line; heights that the sites contradict are told."""

import geopandas
import numpy as np
import pandas as pd
import pytest
import rasterio
import xarray as xr
from affine import Affine
from pyproj import CRS
from shapely.geometry import box

from snowtally.inputs.raster_band import ELEVATIONS
from snowtally.inputs.rasters import mean_on_grid
from snowtally.inputs.read_sites import sites_on_grid
from snowtally.inputs.read_terrain import BandEdges, ElevationFiles, basin_grid, read_terrain
from snowtally.inputs.read_zones import read_zones
from snowtally.model.grid import BasinGrid
from snowtally.model.problems import InputError, SettingsError
from snowtally.settings.blocks import Column

UTM = CRS("EPSG:32625")
LEFT, FOOT = 500_000.0, 4_880_000.0


def zones(*rows):
    """Zones side by side, a kilometre wide."""
    squares = [box(LEFT + 1000 * k, FOOT, LEFT + 1000 * (k + 1), FOOT + 1000) for k in range(len(rows))]
    return geopandas.GeoDataFrame(pd.DataFrame(rows, columns=["zone_id", "name"]), geometry=squares, crs=UTM)


def test_a_table_is_no_outline(tmp_path):
    (tmp_path / "zones.csv").write_text("zone_id,name\nN,North\n", "utf-8")
    with pytest.raises(InputError, match=r"zones.csv cannot be read: it is a table without shapes. Give GeoPackage"):
        read_zones(tmp_path / "zones.csv", UTM)


@pytest.mark.parametrize(
    ("harm", "words"),
    [
        (lambda f: f["geometry"].__setitem__(1, None), r"feature 2 of 3 \(zone_id 'S'\) has no outline. Mend it"),
        (
            lambda f: f["geometry"].__setitem__(1, box(0, 0, 1, 1).exterior),
            r"feature 2 of 3 .* has no polygon as its outline",
        ),
        (lambda f: f["zone_id"].__setitem__(2, None), r"feature 3 of 3 has no zone_id"),
        (lambda f: f["zone_id"].__setitem__(2, " "), r"feature 3 of 3 has no zone_id"),
        (lambda f: f["name"].__setitem__(0, None), r"feature 1 of 3 .* has no name"),
    ],
)
def test_a_feature_that_is_no_whole_zone_is_refused_by_its_number(tmp_path, harm, words):
    columns = {
        "zone_id": ["N", "S", "E"],
        "name": ["North", "South", "East"],
        "geometry": [box(0, n, 9e3, n + 1) for n in range(3)],
    }
    harm(columns)
    geopandas.GeoDataFrame(columns, crs=UTM).to_file(tmp_path / "zones.geojson")
    with pytest.raises(InputError, match=words):
        read_zones(tmp_path / "zones.geojson", UTM)


def test_the_layer_of_the_zones_is_named_where_there_are_several(tmp_path):
    path = tmp_path / "zones.gpkg"
    zones(("G", "Gauges")).to_file(path, layer="gauges")
    zones(("N", "North"), ("E", "East")).to_file(path, layer="zones")
    with pytest.raises(InputError, match=r"has several layers: gauges, zones. Name the one .* basin.zones_layer"):
        read_zones(path, UTM)
    with pytest.raises(InputError, match=r"has no layer 'zone': gauges, zones"):
        read_zones(path, UTM, "zone")
    assert read_zones(path, UTM, "zones")["zone_id"].tolist() == ["E", "N"]


def test_two_zones_under_one_id_are_refused_and_parts_of_one_are_not(tmp_path):
    path = tmp_path / "zones.gpkg"
    zones(("N", "North"), ("N", "South"), ("E", "East")).to_file(path)
    with pytest.raises(InputError, match="zone_id 'N' has the names 'North' and 'South'"):
        read_zones(path, UTM)
    path.unlink()
    zones(("N", "North"), ("N", "North"), ("E", "East")).to_file(path)
    assert read_zones(path, UTM)["zone_id"].tolist() == ["E", "N"]


def named(tmp_path, columns, **attributes):
    """Write zones with attributes of their own, a kilometre wide each, and read them as declared."""
    path = tmp_path / "zones.gpkg"
    squares = zones(*[("", "")] * 3).geometry
    geopandas.GeoDataFrame(attributes, geometry=squares, crs=UTM).to_file(path)
    return read_zones(path, UTM, columns=columns)


def test_attributes_of_zones_may_have_other_names_and_a_zone_several_features(tmp_path):
    columns = {"zone_id": Column(column="BASIN_NO"), "name": Column(column="basin_name")}
    read = named(tmp_path, columns, BASIN_NO=[10.0, 10.0, 20.0], BASIN_NAME=["Upper", "Upper", "Lower"])
    assert read[["zone_id", "name"]].to_numpy().tolist() == [["10", "Upper"], ["20", "Lower"]]
    # Squares of a kilometre, in the grid's own system.
    np.testing.assert_allclose(read.area, [2e6, 1e6], rtol=1e-9)


def test_a_zone_without_a_name_is_called_by_its_id_and_a_constant_may_name_all(tmp_path):
    (tmp_path / "a").mkdir()
    read = named(tmp_path / "a", {}, ZONE_ID=["N", "S", "S"])
    assert read["name"].tolist() == ["N", "S"]
    read = named(tmp_path, {"zone_id": Column(constant="all"), "name": Column(constant="Whole basin")}, other=[1, 2, 3])
    assert read[["zone_id", "name"]].to_numpy().tolist() == [["all", "Whole basin"]]
    np.testing.assert_allclose(read.area, [3e6], rtol=1e-9)


@pytest.mark.parametrize(
    ("columns", "words"),
    [
        ({}, r"no attribute zone_id. It has: NR, LABEL. Name the attributes under columns.zones"),
        ({"zone_id": Column(column="NR"), "name": Column(column="TITLE")}, r"no attribute TITLE. It has: NR, LABEL"),
        (
            {"zone_id": Column(constant="a"), "name": Column(column="LABEL")},
            r"names 'x' and 'y' and 'z'.*columns.zones.name",
        ),
    ],
)
def test_attributes_that_are_not_there_are_told_together_with_those_that_are(tmp_path, columns, words):
    with pytest.raises(InputError, match=words):
        named(tmp_path, columns, NR=[1, 2, 3], LABEL=["x", "y", "z"])


def test_a_grid_that_no_memory_holds_is_refused_with_a_width_that_one_holds():
    with pytest.raises(SettingsError, match=r"grid.cell_m: 0.1 m makes 441 million cells .* Use 0.5 m or more"):
        basin_grid(zones(("N", "North")), UTM, 0.1, 550.0)


def raster(path, values):
    profile = {"driver": "GTiff", "height": 10, "width": 10, "count": 1, "dtype": "float32", "crs": UTM.to_wkt()}
    with rasterio.open(path, "w", transform=Affine(100, 0, LEFT, 0, -100, FOOT + 1000), **profile) as to:
        to.write(np.broadcast_to(values, (10, 10)).astype("f4"), 1)
    return path


def test_fractions_are_no_heights(tmp_path):
    whole = zones(("N", "North"))
    grid = basin_grid(whole, UTM, 100.0, 0.0)
    slope = np.linspace(0.0, 1.0, 10)[:, None]
    with pytest.raises(InputError, match=r"holds values from 0 to 1, as a fraction does.* Is it the canopy"):
        read_terrain(ElevationFiles([raster(tmp_path / "canopy.tif", slope)]), None, whole, grid, BandEdges(200.0))
    found, _ = read_terrain(
        ElevationFiles([raster(tmp_path / "low.tif", 3.0 * slope)]), None, whole, grid, BandEdges(200.0)
    )
    assert found["elevation"].max() == pytest.approx(3.0)


@pytest.mark.parametrize(("factor", "doubted"), [(1.0, False), (3.2808, True)])
def test_a_terrain_that_most_sites_contradict_is_told_once(factor, doubted):
    grid = BasinGrid(UTM, 100.0, LEFT, FOOT + 1000, 10, 10)
    terrain = xr.Dataset(
        {"elevation": grid.array(np.full((10, 10), 2000.0 * factor)), "inside_fraction": grid.array(np.ones((10, 10)))}
    )
    place = geopandas.GeoSeries.from_xy([LEFT + 500] * 4, [FOOT + 500] * 4, crs=UTM).to_crs(4326)
    sites = pd.DataFrame(
        {
            "site_id": list("ABCD"), "longitude": place.x, "latitude": place.y, "file": "sites.csv", "line": [2, 3, 4, 5],
            # One slip of a site's own, and one that states nothing.
            "elevation_m": [2010.0, 1990.0, 3000.0, np.nan],
        }
    )  # fmt: skip
    _, findings = sites_on_grid(sites, grid, terrain, 150.0)
    told = [f for f in findings if f.rule.name == "terrain against the sites"]
    assert len(told) == doubted
    assert all("of 3 stated elevations are off" in f.evidence and "terrain.elevation_unit" in f.detail for f in told)


def with_voids(tmp_path, voids, cells=30):
    """Read a terrain of 30 x 30 cells that rises to the east, with cells that hold a code for no data."""
    outline = geopandas.GeoDataFrame(
        {"zone_id": ["A"], "name": ["A"]}, geometry=[box(LEFT, FOOT, LEFT + 3000, FOOT + 3000)], crs=UTM
    )
    grid = basin_grid(outline, UTM, 100.0, 0.0)
    height = np.broadcast_to(1500 + 20 * np.arange(cells), (cells, cells)).astype("i2").copy()
    height[voids] = -32768
    profile = {"driver": "GTiff", "height": cells, "width": cells, "count": 1, "dtype": "int16", "crs": UTM.to_wkt()}
    path = tmp_path / "z.tif"
    with rasterio.open(path, "w", transform=Affine(100, 0, LEFT, 0, -100, FOOT + 3000), **profile) as to:
        to.write(height, 1)
    return read_terrain(ElevationFiles([path]), None, outline, grid, BandEdges(200.0))


def test_small_voids_are_filled_from_around_and_told_with_figures(tmp_path):
    found, findings = with_voids(tmp_path, (slice(10, 13), slice(20, 23)))
    plane = 1500 + 20.0 * np.arange(30)
    # 9 cells of 900; the heights around a void tell a plane exactly.
    np.testing.assert_allclose(found["elevation"].to_numpy(), np.broadcast_to(plane, (30, 30)))
    assert [finding.rule.name for finding in findings] == ["voids in the terrain"]
    assert findings[0].evidence == "9 cells of the basin, 1.00% of its area, up to 200 m from the next height"
    assert (findings[0].severity, findings[0].action) == ("warning", "corrected")


@pytest.mark.parametrize(
    ("voids", "words"),
    [((slice(0, 5), slice(0, 4)), "20 cells of the basin, 2.22% of its area"), ((slice(None), slice(None)), "no data on the basin")],
)  # fmt: skip
def test_larger_voids_are_refused_with_figures(tmp_path, voids, words):
    with pytest.raises(InputError, match=words):
        with_voids(tmp_path, voids)


def test_feet_in_the_file_are_metres_in_the_terrain_and_told(tmp_path):
    whole = zones(("N", "North"))
    grid = basin_grid(whole, UTM, 100.0, 0.0)
    path = raster(tmp_path / "feet.tif", np.linspace(6000.0, 9000.0, 10)[:, None])
    with rasterio.open(path, "r+") as file:
        file.set_band_unit(1, "US survey foot")
    found, findings = read_terrain(ElevationFiles([path]), None, whole, grid, BandEdges(200.0))
    assert float(found["elevation"].max()) == pytest.approx(9000 * 1200 / 3937)
    told = [(finding.rule.name, finding.severity, finding.evidence) for finding in findings]
    assert told == [("declared unit", "note", "heights in US survey foot, in metres 1829 to 2743")]


def test_feet_and_voids_that_no_file_declares_are_declared_in_the_settings(tmp_path):
    whole = zones(("N", "North"))
    grid = basin_grid(whole, UTM, 100.0, 0.0)
    feet = np.broadcast_to(np.linspace(6000.0, 9900.0, 10)[:, None], (10, 10)).copy()
    plane = feet * 0.3048
    feet[4, 4], feet[7, 2] = 9999.0, 0.0
    files = ElevationFiles([raster(tmp_path / "feet.tif", feet)], "foot", (9999.0, 0.0))
    height, findings = read_terrain(files, None, whole, grid, BandEdges(200.0))
    np.testing.assert_allclose(height["elevation"], plane, rtol=1e-6)
    assert [(one.rule.name, one.evidence.split(",")[0]) for one in findings] == [
        ("voids in the terrain", "2 cells of the basin")
    ]


def cut(path, values, rows, columns, metres=100, crs=None):
    """Write a part of a field of 10 x 10 cells of 100 m, given at a finer or coarser step, as a tile of its own."""
    part = values[rows, columns]
    to = Affine(metres, 0, LEFT + columns.start * metres, 0, -metres, FOOT + 1000 - rows.start * metres)
    shape = {"height": part.shape[0], "width": part.shape[1], "count": 1, "dtype": "float32", "nodata": -9999.0}
    with rasterio.open(path, "w", driver="GTiff", crs=(crs or UTM).to_wkt(), transform=to, **shape) as file:
        file.write(part.astype("f4"), 1)
    return path


@pytest.mark.parametrize(("metres", "seam"), [(100, 4), (30, 13), (250, 2)])
def test_tiles_make_the_same_ground_as_one_raster(tmp_path, metres, seam):
    """Cells on a seam that runs through them too: 13 x 30 m is no multiple of 100 m."""
    size = 2000 // metres
    y, x = np.mgrid[0:size, 0:size] * float(metres)
    values = 1500 + 0.3 * x + 0.1 * y + 40 * np.sin(x / 170.0) * np.cos(y / 140.0)
    every, first, rest = slice(0, size), slice(0, seam), slice(seam, size)
    whole = cut(tmp_path / "whole.tif", values, every, every, metres)
    parts = [
        cut(tmp_path / f"{n}.tif", values, rows, columns, metres)
        for n, (rows, columns) in enumerate([(first, first), (first, rest), (rest, first), (rest, rest)])
    ]
    grid = basin_grid(zones(("N", "North")), UTM, 100.0, 0.0)
    expected = mean_on_grid([whole], grid, ELEVATIONS).values
    # Not the mean of two tiles at a seam: their parts. 1e-2 m is single precision of weights times 2000 m.
    np.testing.assert_allclose(mean_on_grid(parts, grid, ELEVATIONS).values, expected, atol=1e-2)
    assert np.abs(mean_on_grid(parts[:1], grid, ELEVATIONS).values - expected)[0, 0] < 1e-2


def test_where_tiles_overlap_the_first_that_has_data_counts(tmp_path):
    grid = basin_grid(zones(("N", "North")), UTM, 100.0, 0.0)
    every = slice(0, 10)
    low, high = np.full((10, 10), 1000.0), np.full((10, 10), 2000.0)
    low[2, 3] = -9999.0
    files = [cut(tmp_path / "a.tif", low, every, slice(0, 6)), cut(tmp_path / "b.tif", high, every, every)]
    found = mean_on_grid(files, grid, ELEVATIONS).values
    expected = np.where(np.arange(10) < 6, 1000.0, 2000.0) * np.ones((10, 1))
    expected[2, 3] = 2000.0
    np.testing.assert_allclose(found, expected, atol=1e-2)


def test_a_tile_beside_the_basin_is_no_trouble_and_none_over_it_is(tmp_path):
    grid = basin_grid(zones(("N", "North")), UTM, 100.0, 0.0)
    plane, every = np.full((10, 10), 1000.0), slice(0, 10)
    beside = cut(tmp_path / "beside.tif", np.full((10, 400), 1000.0), every, slice(300, 400))
    tile = cut(tmp_path / "tile.tif", plane, every, every)
    np.testing.assert_allclose(mean_on_grid([beside, tile], grid, ELEVATIONS).values, 1000.0)
    with pytest.raises(InputError, match=r"none of 2 tiles \(.*beside.tif, ...\) has data on the basin grid"):
        mean_on_grid([beside, beside], grid, ELEVATIONS)
