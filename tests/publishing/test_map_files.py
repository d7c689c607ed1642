"""Zones and sites as map programs read them: geopandas, GDAL and the GeoParquet metadata itself. Nothing of ours is imported."""

import json

import geopandas
import numpy as np
import pandas as pd
import pyarrow.parquet as pq
import pyogrio
import pytest
import shapely
import xarray as xr


@pytest.fixture(scope="module")
def revision(archive):
    return archive / "larkmoor" / "2031-03-05" / "r001"


@pytest.mark.parametrize(("name", "kinds"), [("zones", ["MultiPolygon"]), ("sites", ["Point"])])
def test_the_metadata_are_those_of_geoparquet(revision, name, kinds):
    schema = pq.read_schema(revision / f"{name}.parquet")
    described = json.loads(schema.metadata[b"geo"])
    # Required keys and values: GeoParquet 1.1.0, file metadata and column metadata (specification, from memory).
    assert described["version"] == "1.1.0"
    column = described["columns"][described["primary_column"]]
    assert (column["encoding"], column["geometry_types"]) == ("WKB", kinds)
    assert column["crs"]["id"] == {"authority": "EPSG", "code": 32625}
    assert str(schema.field("geometry").type) == "binary"


def test_zones_have_the_cells_that_their_totals_sum(revision):
    zones = geopandas.read_parquet(revision / "zones.parquet")
    totals = pd.read_parquet(revision / "totals.parquet")
    assert zones.crs.to_epsg() == 32625
    assert zones.geometry.is_valid.all()
    same = totals[totals["level"] != "band"].reset_index(drop=True)
    pd.testing.assert_frame_equal(pd.DataFrame(zones.drop(columns="geometry")), same)
    with xr.open_dataset(revision / "estimate.nc") as day:
        x, y = np.meshgrid(day.x, day.y)
        water = (day.swe.squeeze() * day.cell_area / 1000).to_numpy()
    for row in zones.itertuples():
        inside = shapely.contains_xy(row.geometry, x, y)
        # A cell's 0.05 mm on 10 000 m2.
        assert np.nansum(water[inside]) == pytest.approx(row.volume_m3, abs=0.5 * inside.sum() + 1)
    parts = zones[zones["level"] == "zone_band"]
    assert parts.area.sum() == zones[zones["level"] == "basin"].area.sum() == parts.union_all().area


def test_sites_stand_where_they_are_with_what_was_observed_and_estimated(revision):
    sites = geopandas.read_parquet(revision / "sites.parquet")
    table = pd.read_csv(revision / "sites.csv", dtype={"site_id": "str"}, keep_default_na=False, na_values=[""])
    columns = ["site_id", "swe_mm", "estimate_mm", "estimate_without_mm"]
    assert (
        sites[columns].astype(object).fillna(-1).to_numpy().tolist()
        == table[columns].astype(object).fillna(-1).to_numpy().tolist()
    )
    placed = geopandas.GeoSeries.from_xy(sites["longitude"], sites["latitude"], crs=4326).to_crs(sites.crs)
    # Degrees have six decimals: 0.1 m.
    assert placed.distance(sites.geometry).max() < 0.15


@pytest.mark.parametrize(("name", "features"), [("zones", 3), ("sites", 2)])
def test_gdal_opens_the_geojson_and_finds_it_where_the_geoparquet_is(revision, name, features):
    drawn = pyogrio.read_dataframe(revision / f"{name}.geojson")
    assert (len(drawn), drawn.crs.to_epsg()) == (features, 4326)
    whole = geopandas.read_parquet(revision / f"{name}.parquet").iloc[:features]
    moved = drawn.to_crs(whole.crs)
    assert moved.centroid.distance(whole.centroid).max() < 1
    if name == "zones":
        assert drawn["volume_m3"].tolist() == whole["volume_m3"].tolist()
        assert drawn.geometry.is_valid.all()


def test_an_items_outline_is_the_basins(revision):
    item = json.loads((revision / "item.json").read_text("utf-8"))
    basin = geopandas.read_parquet(revision / "zones.parquet").query("level == 'basin'").to_crs(4326).geometry.iloc[0]
    outline = shapely.geometry.shape(item["geometry"])
    assert outline.is_valid
    # Half a cell along its border, and far less than the box around it.
    assert outline.symmetric_difference(basin).area < 0.05 * basin.area < 0.5 * (basin.envelope.area - basin.area)
    assert item["bbox"] == pytest.approx(outline.bounds)
    assert item["assets"]["zones.geojson"]["type"] == "application/geo+json"
