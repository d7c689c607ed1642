"""Which outlines are the zones, and which attribute is their id."""

import geopandas
import pytest
from made_basin import LEFT, TOP
from made_folder import CORNER, heights, outlines, write
from shapely.geometry import LineString, Point, box

from snowtally.proposals.answers import Answers
from snowtally.proposals.folder import folder_of
from snowtally.proposals.ground import ground_of
from snowtally.proposals.polygons import other_vectors, zone_columns
from snowtally.proposals.proposal import Proposal
from snowtally.proposals.vector_facts import layers_with_facts


def columns(home, *attributes):
    (layer,) = layers_with_facts(outlines(home / "zones.geojson", attributes))
    return {one.key.removeprefix("columns.zones."): (one.value, one.others) for one in zone_columns(layer)}


@pytest.mark.parametrize(
    ("attributes", "zone_id", "name"),
    [
        (({"zone_id": "a", "name": "A"}, {"zone_id": "b", "name": "B"}), None, None),
        (
            ({"OBJECTID": 1, "HUC12": "170501", "NAME": "Upper", "AreaSqKm": 40.5}, {"OBJECTID": 2, "HUC12": "170502", "NAME": "Lower", "AreaSqKm": 30.25}),
            "HUC12", "NAME",
        ),
        (({"BASIN_NO": 7, "BASIN_NAME": "Oben"}, {"BASIN_NO": 8, "BASIN_NAME": "Unten"}), "BASIN_NO", "BASIN_NAME"),
        # Two polygons of one zone keep one id.
        (({"GEBIET_NR": 1, "Bezeichnung": "Nord"}, {"GEBIET_NR": 1, "Bezeichnung": "Nord"}, {"GEBIET_NR": 2, "Bezeichnung": "Süd"}), "GEBIET_NR", "Bezeichnung"),
        (({"Name": "Upper"}, {"Name": "Lower"}), "Name", None),
        (({"GEBIET_NR": 1, "GEBIET": "Nord"}, {"GEBIET_NR": 2, "GEBIET": "Süd"}), "GEBIET_NR", "GEBIET"),
        (({"COD_CUENCA": 1, "CUENCA": "Alta"}, {"COD_CUENCA": 1, "CUENCA": "Alta"}, {"COD_CUENCA": 2, "CUENCA": "Baja"}), "COD_CUENCA", "CUENCA"),
        (({"ID": 4, "SUBBASIN": "Upper Fork"}, {"ID": 5, "SUBBASIN": "Lower Fork"}), "ID", "SUBBASIN"),
        (({"fid": 1, "code": "U"}, {"fid": 2, "code": "L"}), "code", None),
    ],
)  # fmt: skip
def test_the_attribute_that_identifies_a_zone(attributes, zone_id, name, tmp_path):
    got = columns(tmp_path, *attributes)
    assert got.get("zone_id", (None,))[0] == ({"column": zone_id} if zone_id else None)
    assert got.get("name", (None,))[0] == ({"column": name} if name else None)


def test_outlines_without_a_telling_attribute_are_one_zone(tmp_path):
    assert columns(tmp_path, {"acres": 12.5}, {"acres": 13.5})["zone_id"][0] == {"constant": "basin"}
    assert columns(tmp_path, {})["zone_id"][0] == {"constant": "basin"}


def test_two_attributes_that_are_equally_likely_are_asked_for(tmp_path):
    value, others = columns(tmp_path, {"code": "U1", "key": "x7"}, {"code": "U2", "key": "x8"})["zone_id"]
    assert (value, others) == ({"column": "code"}, ({"column": "key"},))


def test_a_layer_of_several_is_named_and_lines_water_and_points_are_no_zones(tmp_path):
    write(tmp_path / "dem.tif", heights(), CORNER, unit="m")
    basin = geopandas.GeoDataFrame(
        {"zone_id": ["a"], "name": ["A"]}, geometry=[box(LEFT, TOP - 5000, LEFT + 6000, TOP)], crs="EPSG:32625"
    )
    basin.to_file(tmp_path / "all.gpkg", layer="catchments")
    lake = geopandas.GeoDataFrame(geometry=[box(LEFT, TOP - 500, LEFT + 600, TOP)], crs="EPSG:32625")
    lake.to_file(tmp_path / "all.gpkg", layer="lakes")
    lake.to_file(tmp_path / "water.gpkg")
    line = geopandas.GeoDataFrame(geometry=[LineString([(LEFT, TOP), (LEFT + 500, TOP)])], crs="EPSG:32625")
    line.to_file(tmp_path / "trails.gpkg")
    geopandas.GeoDataFrame(geometry=[Point(LEFT, TOP)], crs="EPSG:32625").to_file(tmp_path / "sites.gpkg")
    answers = Answers()
    ground = ground_of(folder_of(tmp_path), answers)
    assert {one.key: one.value for one in ground.zones.proposals} == {
        "basin.zones": str(tmp_path / "all.gpkg"),
        "basin.zones_layer": "catchments",
    }
    assert answers.questions == []
    others = other_vectors(ground.layers, ground.zones.layer, has_flights=True)
    assert {one.key: one.value for one in others if isinstance(one, Proposal)} == {
        "plan.trails": str(tmp_path / "trails.gpkg"),
        "flights.water": str(tmp_path / "water.gpkg"),
    }
    assert any("export them as CSV" in one.why for one in others if not isinstance(one, Proposal))


def test_two_files_of_polygons_are_asked_for_and_the_one_on_the_elevation_is_best(tmp_path):
    write(tmp_path / "dem.tif", heights(), CORNER, unit="m")
    here = {"west": -32.99, "south": 44.03}
    outlines(tmp_path / "a.geojson", [{"zone_id": "x", "name": "X"}], west=10.0, south=50.0)
    outlines(tmp_path / "b.geojson", [{"zone_id": "y", "name": "Y"}], **here)
    answers = Answers()
    assert ground_of(folder_of(tmp_path), answers).zones.layer.path.name == "b.geojson"
    assert answers.questions == []
    outlines(tmp_path / "c.geojson", [{"zone_id": "z", "name": "Z"}], **here)
    answers = Answers()
    ground_of(folder_of(tmp_path), answers)
    (question,) = answers.questions
    assert (question.value, question.others) == ("b.geojson", ("c.geojson",))


def test_a_shapefile_without_its_system_is_refused_with_the_likely_one(tmp_path):
    write(tmp_path / "dem.tif", heights(), CORNER, unit="m")
    basin = geopandas.GeoDataFrame(
        {"zone_id": ["a"]}, geometry=[box(LEFT, TOP - 5000, LEFT + 6000, TOP)], crs="EPSG:32625"
    )
    basin.to_file(tmp_path / "zones.shp")
    (tmp_path / "zones.prj").unlink()
    ground = ground_of(folder_of(tmp_path), Answers())
    assert ground.zones is None
    (refusal,) = ground.refusals
    assert "no coordinate system" in str(refusal)
    assert "EPSG:32625" in str(refusal)
    assert "zones.prj" in refusal.cure
