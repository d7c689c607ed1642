"""Where to measure next and normals, through the command line, on a small made-up basin."""

import json

import geopandas
import numpy as np
import pandas as pd
import rasterio
from made_basin import LEFT, TOP, changed, snowtally
from shapely.geometry import LineString


def test_plan_tells_sites_strips_and_present_sites_and_writes_them(basin, tmp_path):
    folder = tmp_path / "out"
    done = snowtally(
        "plan", basin / "basin.yaml", "--date", "2031-03-08", "--count", "2", "--json", "--output-folder", folder
    )
    assert done.returncode == 0, done.stderr
    told = json.loads(done.stdout)
    assert len(told["sites"]) == len(told["strips"]) == 2
    for row in [*told["sites"], *told["strips"]]:
        assert 0 < row["alone"] <= row["together"] + 1e-9 <= 1 + 1e-9
    assert "safe" in told["caution"]
    first = told["sites"][0]
    with rasterio.open(folder / "value.tif") as value:
        worth = value.read(1)
        row, column = value.index(first["x"], first["y"])
    np.testing.assert_allclose(worth[row, column], first["alone"], rtol=1e-5)
    assert set(told["files"]) == {path.name for path in folder.iterdir()}
    assert len(told["present_sites"]) > 0
    # Nothing is published by it.
    assert not list((basin / "archive").rglob("2031-03-08"))


def test_only_ground_near_a_trail_or_given_candidates_are_proposed(basin):
    trail = geopandas.GeoSeries([LineString([(LEFT, TOP - 1000), (LEFT + 3000, TOP - 1000)])], crs="EPSG:32625")
    trail.to_file(basin / "trail.geojson", driver="GeoJSON")
    near = "plan: {trails: trail.geojson, most_trail_distance_m: 300}\narchive:"
    path = changed(basin, "near_trail", lambda text: text.replace("archive:", near))
    told = json.loads(snowtally("plan", path, "--date", "2031-03-08", "--json").stdout)
    assert told["sites"]
    assert all(abs(row["y"] - (TOP - 1000)) <= 500 for row in told["sites"])

    sites = pd.read_csv(basin / "sites.csv").head(1).assign(site_id="Candidate-1")
    sites.to_csv(basin / "candidates.csv", index=False)
    given = "plan: {candidates: candidates.csv}\narchive:"
    path = changed(basin, "candidates", lambda text: text.replace("archive:", given))
    told = json.loads(snowtally("plan", path, "--date", "2031-03-08", "--json").stdout)
    assert [row["name"] for row in told["sites"]] == ["Candidate-1"]


def test_a_zone_that_is_none_and_a_trail_elsewhere_are_one_line(basin):
    done = snowtally("plan", basin / "basin.yaml", "--date", "2031-03-08", "--zone", "nowhere")
    assert done.returncode == 2
    assert "--zone 'nowhere' is no zone" in done.stderr
    geopandas.GeoSeries([LineString([(0, 0), (1, 1)])], crs="EPSG:4326").to_file(
        basin / "far.geojson", driver="GeoJSON"
    )
    path = changed(basin, "far", lambda text: text.replace("archive:", "plan: {trails: far.geojson}\narchive:"))
    done = snowtally("plan", path, "--date", "2031-03-08")
    assert done.returncode == 1
    assert "none of it lies within the basin" in done.stderr
    assert "Traceback" not in done.stderr


def test_normals_stand_beside_the_totals_and_are_made_again_from_the_archive(basin):
    (basin / "normals.csv").write_text(
        "site_id,day,swe_mm,period\nmade,03-01,100,1991-2020\nmade,04-01,100,1991-2020\nnobody,03-01,3,\n", "utf-8"
    )
    path = changed(basin, "normals", lambda text: text.replace("inputs: {", "inputs: {normals: normals.csv, "))
    done = json.loads(snowtally("update", path, "--date", "2031-03-08", "--json").stdout)
    table = pd.read_csv(f"{done['path']}/normals.csv")
    assert table["site_id"].tolist() == ["made"]
    mean = done["totals"][0]["swe_mean_mm"]
    np.testing.assert_allclose(table["per_cent"], mean, atol=0.6)
    again = snowtally("rerun", path, "--inputs-of", "2031-03-08@1", "--json")
    assert again.returncode == 0, again.stdout + again.stderr
    checks = pd.read_csv(f"{done['path']}/checks.csv")
    assert "unknown site" in checks.loc[checks["table"] == "normals", "rule"].tolist()
