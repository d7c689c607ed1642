"""The archive as a STAC catalogue: core by the bundled schemas, extension fields by their own laws, links that lead somewhere."""

from __future__ import annotations

import datetime as dt
import hashlib
import json
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import pystac
import pytest
import rasterio
import shapely
from made_day import made_day
from pyproj import CRS
from pystac.errors import STACValidationError
from pystac.validation import validate_dict

from snowtally.model.grid import BasinGrid
from snowtally.model.metadata import Metadata
from snowtally.publishing.publish import publish, withdraw
from snowtally.publishing.stac import outline, season_name


@pytest.fixture(scope="module")
def catalogue(tmp_path_factory):
    """Two seasons, three dates, one with two revisions, in an archive of two basins."""
    from made_provenance import make_provenance  # noqa: PLC0415

    root = tmp_path_factory.mktemp("stac")
    for number, (date, basin) in enumerate(
        (
            ("2031-03-01", "larkmoor"),
            ("2031-03-01", "larkmoor"),
            ("2031-03-05", "larkmoor"),
            ("2031-10-01", "larkmoor"),
            ("2031-03-01", "hallow"),
        )
    ):
        publish(root, made_day(date, height=8, width=9, extra_mm=number, basin=basin), make_provenance(str(number)))
    return root


def validated(path: Path) -> dict:
    """Return a STAC object after its core was validated with the schemas that pystac brings along."""
    content = json.loads(path.read_text("utf-8"))
    assert content["stac_version"] == "1.1.0"
    validate_dict(content, stac_version="1.1.0", extensions=[])
    return content


def test_every_object_follows_the_core_schemas(catalogue):
    paths = [
        catalogue / "catalog.json",
        *catalogue.glob("*/collection.json"),
        *catalogue.glob("*/20*.json"),
        *catalogue.rglob("item.json"),
    ]
    assert sorted(validated(path)["type"] for path in paths) == ["Catalog"] * 4 + ["Collection"] * 2 + ["Feature"] * 5


def test_the_core_schemas_are_asked(catalogue):
    content = json.loads((catalogue / "larkmoor" / "2031-03-05" / "r001" / "item.json").read_text("utf-8"))
    for key in ("geometry", "links", "assets", "properties"):
        with pytest.raises(STACValidationError, match="Validation failed"):
            validate_dict({k: v for k, v in content.items() if k != key}, stac_version="1.1.0", extensions=[])


def test_a_reader_of_catalogues_finds_what_stands(catalogue):
    read = pystac.Catalog.from_file(str(catalogue / "catalog.json"))
    items = {item.id: item for item in read.get_items(recursive=True)}
    assert sorted(items) == [
        "hallow-2031-03-01-r001", "larkmoor-2031-03-01-r002", "larkmoor-2031-03-05-r001", "larkmoor-2031-10-01-r001",
    ]  # fmt: skip
    item = items["larkmoor-2031-03-01-r002"]
    assert item.get_parent().id == "larkmoor-2030-2031"
    assert item.get_collection().id == "larkmoor"
    assert item.get_root().id == "snowtally"
    assert [season.id for season in read.get_child("larkmoor").get_children()] == [
        "larkmoor-2030-2031",
        "larkmoor-2031-2032",
    ]
    before = pystac.Item.from_file(item.get_single_link("predecessor-version").get_absolute_href())
    assert before.id == "larkmoor-2031-03-01-r001"
    assert before.get_single_link("predecessor-version") is None
    for asset in item.assets.values():
        assert Path(asset.get_absolute_href()).is_file()


def test_assets_carry_size_and_hash_of_every_file_but_the_record(catalogue):
    folder = catalogue / "larkmoor" / "2031-03-05" / "r001"
    item = validated(folder / "item.json")
    assert set(item["assets"]) == {path.name for path in folder.iterdir()} - {"item.json"}
    for name, asset in item["assets"].items():
        data = (folder / name).read_bytes()
        if name != "record.json":
            # A multihash: sha2-256 is 0x12, its length 0x20.
            assert asset["file:checksum"] == "12" + "20" + hashlib.sha256(data).hexdigest()
            assert asset["file:size"] == len(data)


def test_projection_and_bands_are_those_of_the_rasters(catalogue):
    folder = catalogue / "larkmoor" / "2031-03-05" / "r001"
    item = validated(folder / "item.json")
    told = item["properties"]
    for name in ("swe", "swe_se", "depth", "density"):
        with rasterio.open(folder / f"{name}.tif") as file:
            assert told["proj:shape"] == [file.height, file.width]
            assert told["proj:transform"] == list(file.transform)[:6]
            assert told["proj:bbox"] == list(file.bounds)
            assert told["proj:code"] == f"EPSG:{file.crs.to_epsg()}"
            assert CRS(told["proj:wkt2"]) == CRS(file.crs.to_wkt())
            band = item["assets"][f"{name}.tif"]["bands"][0]
            assert (band["unit"], band["description"], band["data_type"]) == (
                file.units[0],
                file.descriptions[0],
                file.dtypes[0],
            )
            assert item["assets"][f"{name}.tif"]["raster:spatial_resolution"] == file.res[0]


def test_version_processing_and_time_are_the_records(catalogue):
    folder = catalogue / "larkmoor" / "2031-03-01" / "r002"
    item, record = validated(folder / "item.json"), json.loads((folder / "record.json").read_text("utf-8"))
    told = item["properties"]
    assert told["version"] == str(record["revision"])
    assert told["created"] == record["made"]
    assert told["processing:software"] == {"snowtally": record["code"]["version"]}
    assert told["processing:lineage"] == record["reason"]
    assert told["datetime"] == "2031-03-01T14:00:00Z"
    prefixes = {
        name.split(":")[0] for name in [*told, *(key for a in item["assets"].values() for key in a)] if ":" in name
    }
    assert {"proj", "raster", "file", "processing", "snowtally"} == prefixes
    assert len(item["stac_extensions"]) == 5


def test_licence_and_providers_are_those_of_the_settings(catalogue):
    item = pystac.Item.from_file(str(catalogue / "larkmoor" / "2031-03-05" / "r001" / "item.json"))
    collection = pystac.Collection.from_file(str(catalogue / "larkmoor" / "collection.json"))
    assert item.properties["license"] == collection.license == "CC-BY-4.0"
    for one in (item, collection):
        assert one.get_single_link("license").href == "https://example.org/terms"
    told = [(p.name, p.roles, p.url, p.description) for p in collection.providers]
    assert told == [
        ("Larkmoor Snow Office", ["host"], None, None),
        ("Øvre desk", ["producer", "processor"], "https://example.org/snow", "snow@example.org"),
        ("Survey desk", ["licensor"], "https://example.org", "survey@example.org"),
    ]
    assert item.properties["providers"] == [p.to_dict() for p in collection.providers]


def test_without_metadata_the_catalogue_says_that_terms_are_told_elsewhere(tmp_path, provenance):
    publish(tmp_path, replace(made_day(height=8, width=9), metadata=Metadata()), provenance("a"))
    item = validated(tmp_path / "larkmoor" / "2031-03-01" / "r001" / "item.json")
    assert not {"license", "providers"} & set(item["properties"])
    collection = validated(tmp_path / "larkmoor" / "collection.json")
    assert (collection["license"], "providers" in collection) == ("other", False)


def test_what_is_withdrawn_leaves_the_catalogue_but_not_its_folder(tmp_path, provenance):
    for inputs in ("a", "b"):
        publish(tmp_path, made_day(height=8, width=9), provenance(inputs))
    season = tmp_path / "larkmoor" / "2030-2031.json"

    def listed():
        return [link["href"] for link in validated(season)["links"] if link["rel"] == "item"]

    assert listed() == ["./2031-03-01/r002/item.json"]
    withdraw(tmp_path, "larkmoor", dt.date(2031, 3, 1), 2, "wrong tare")
    assert listed() == ["./2031-03-01/r001/item.json"]
    assert (tmp_path / "larkmoor" / "2031-03-01" / "r002" / "item.json").is_file()


@pytest.mark.parametrize(
    ("date", "start", "name"),
    [
        ("2031-02-28", "02-29", "2031-2032"), ("2032-02-28", "02-29", "2031-2032"), ("2032-02-29", "02-29", "2032-2033"),
        ("2031-03-31", "04-01", "2030-2031"), ("2031-04-01", "04-01", "2031-2032"), ("2031-12-31", "01-01", "2031"),
    ],
)  # fmt: skip
def test_season_names(date, start, name):
    assert season_name(dt.date.fromisoformat(date), start) == name


def test_an_outline_over_the_antimeridian_is_in_two_parts():
    grid = BasinGrid(CRS("EPSG:32601"), 100.0, 100_000.0, 7_000_000.0, 3000, 100)
    geometry, (west, south, east, north) = outline(shapely.box(*grid.bounds), grid)
    assert west > 170
    assert -178 > east > -180
    assert 0 < (east + 360) - west < 10
    assert [part[0][0][0] for part in geometry["coordinates"]] == [west, -180.0]
    assert south < north
    grid = BasinGrid(CRS("EPSG:32625"), 100.0, 512_000.0, 4_880_000.0, 40, 30)
    plain, box = outline(shapely.box(*grid.bounds), grid)
    assert plain["type"] == "Polygon"
    assert box[0] < box[2]
    ring = plain["coordinates"][0]
    assert ring[0] == ring[-1]
    # Counter-clockwise, as RFC 7946 wants it: the area by the shoelace formula is positive.
    assert sum(a[0] * b[1] - b[0] * a[1] for a, b in pairwise(ring)) > 0
