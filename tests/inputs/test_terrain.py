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

from pipeline.inputs.read_sites import sites_on_grid
from pipeline.inputs.read_terrain import BandEdges, basin_grid, read_terrain, read_zones
from pipeline.model.grid import BasinGrid
from pipeline.model.problems import InputError, SettingsError

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
        read_terrain(raster(tmp_path / "canopy.tif", slope), None, whole, grid, BandEdges(200.0))
    found, _ = read_terrain(raster(tmp_path / "low.tif", 3.0 * slope), None, whole, grid, BandEdges(200.0))
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
    assert all("of 3 stated elevations are off" in f.evidence and "scale of 0.3048" in f.detail for f in told)


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
    return read_terrain(path, None, outline, grid, BandEdges(200.0))


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
    found, findings = read_terrain(path, None, whole, grid, BandEdges(200.0))
    assert float(found["elevation"].max()) == pytest.approx(9000 * 1200 / 3937)
    told = [(finding.rule.name, finding.severity, finding.evidence) for finding in findings]
    assert told == [("declared unit", "note", "heights in US survey foot, in metres 1829 to 2743")]
