"""A season that nobody has flown yet follows the pattern of flights of the season before."""

import json

import numpy as np
import pandas as pd
import pytest
import rasterio
import xarray as xr
from made_basin import changed, snowtally
from pyproj import Transformer

from snowtally.model.rules.flights import EARLIER_FLIGHT_NOT_USED
from snowtally.snow.past_pattern import PAST_SHARE


def drifted(x):
    """Stripes of 600 m, with half and with half as much again."""
    return np.where(np.asarray(x) // 600 % 2 == 0, 1.5, 0.5)


@pytest.fixture(scope="module")
def nights(basin):
    """Return the settings of a night without and of one with flights of the season before, and what each told."""
    with rasterio.open(basin / "depth.tif") as source:
        depth, profile = source.read(1), source.profile
        x = source.transform.c + (np.arange(source.width) + 0.5) * source.transform.a
    with rasterio.open(basin / "past.tif", "w", **profile) as target:
        target.write((depth * drifted(x)).astype(depth.dtype), 1)
    (basin / "past.csv").write_text(
        "flight_id,date,depth\nOLD,1990-03-02,past.tif\nP1,2029-03-02,past.tif\nGONE,2030-02-02,gone.tif\nP1,2030-03-02,past.tif\n"
        "F1,2030-04-02,depth.tif\nF1,2031-04-02,depth.tif\n"
    )
    files = {
        "none": changed(basin, "none_flown", lambda text: text.replace(", flights: flights.csv", "")),
        "past": changed(basin, "past_flown", lambda text: text.replace("flights.csv", "past.csv")),
    }
    told = {name: json.loads(snowtally("update", file, "--date", "2031-03-04", "--json").stdout) for name, file in files.items()}  # fmt: skip
    return basin, files, told


def fields(basin, name):
    return xr.open_dataset(basin / f"archive_{name}_flown" / "made" / "2031-03-04" / "r001" / "estimate.nc")


def test_the_map_follows_the_earlier_seasons_pattern(nights):
    basin, _, told = nights
    assert all(answer["degraded"] == [] for answer in told.values())
    with fields(basin, "none") as plain, fields(basin, "past") as known:
        ratio = (known["swe"] / plain["swe"]).squeeze().to_numpy()
        x = known["x"].to_numpy()
        # Cells wholly within a stripe.
        inner = (x % 600 > 100) & (x % 600 < 500)
        full, scoured = (np.nanmean(ratio[:, inner & (drifted(x) == level)]) for level in (1.5, 0.5))
        # The sites of this season lie in no stripes and draw their surroundings back.
        assert 1.3 < full / scoured < 3.0**PAST_SHARE


def test_the_record_names_what_it_used_and_the_archive_makes_it_again(nights):
    basin, files, _ = nights
    record = json.loads(
        (basin / "archive_past_flown" / "made" / "2031-03-04" / "r001" / "record.json").read_text("utf-8")
    )
    used = [entry["role"] for entry in record["inputs"] if entry["role"].startswith("flight ")]
    assert record["models"]["blend"]["models"]["terrain regression"]["earlier_seasons_share"] == PAST_SHARE
    # Neither one of forty years ago, nor one whose raster is gone, nor one whose date was mistyped and is next month; but an
    # identifier may be used again in another season.
    assert used == ["flight P1 depth", "flight P1 depth"]
    checks = pd.read_csv(basin / "archive_past_flown" / "made" / "2031-03-04" / "r001" / "checks.csv")
    told = checks[checks["rule"] == EARLIER_FLIGHT_NOT_USED.name]
    assert told["site_id"].tolist() == ["GONE"]
    assert told["severity"].tolist() == ["warning"]
    assert told["detail"].str.contains("gone.tif").all()
    again = json.loads(snowtally("rerun", files["past"], "--inputs-of", "2031-03-04@1", "--json").stdout)
    assert again["reproduced"], again


@pytest.mark.long
def test_where_this_seasons_flight_did_not_see_earlier_ones_still_tell(nights):
    basin, _, _ = nights
    with rasterio.open(basin / "depth.tif") as source:
        depth, profile = source.read(1), source.profile
    corner = np.where(np.arange(depth.shape[1]) < depth.shape[1] // 4, depth, profile.get("nodata") or -9999.0)
    with rasterio.open(basin / "corner.tif", "w", **{**profile, "nodata": profile.get("nodata") or -9999.0}) as target:
        target.write(corner.astype(depth.dtype), 1)
    (basin / "corner.csv").write_text("flight_id,date,depth\nP1,2030-03-02,past.tif\nC1,2031-03-02,corner.tif\n")
    (basin / "alone.csv").write_text("flight_id,date,depth\nC1,2031-03-02,corner.tif\n")
    for name in ("corner", "alone"):
        file = changed(basin, f"{name}_flown", lambda t, n=name: t.replace("flights.csv", f"{n}.csv"))
        assert snowtally("update", file, "--date", "2031-03-04").returncode == 0
    with fields(basin, "alone") as alone, fields(basin, "corner") as known:
        ratio = (known["swe"] / alone["swe"]).squeeze().to_numpy()
        x = known["x"].to_numpy()
        inner = (x % 600 > 100) & (x % 600 < 500) & (x > np.median(x))
        full, scoured = (np.nanmean(ratio[:, inner & (drifted(x) == level)]) for level in (1.5, 0.5))
        assert full / scoured > 1.2


def test_what_sites_said_on_the_days_of_earlier_flights_tells_them_against_their_cells(nights):
    """Sites that held half as much again as their cells then are taken to hold it now: their cells hold less than they do."""
    basin, _, _ = nights
    with xr.open_dataset(basin / "archive_past_flown" / "made" / "2031-03-04" / "r001" / "estimate.nc") as day:
        plain = float((day["swe"] * day["cell_area"]).sum())
    courses, stations = pd.read_csv(basin / "courses.csv"), pd.read_csv(basin / "stations.csv")
    sites = pd.read_csv(basin / "sites.csv")
    with rasterio.open(basin / "past.tif") as source:
        x, y = Transformer.from_crs(4326, source.crs, always_xy=True).transform(sites["longitude"], sites["latitude"])
        cells = dict(
            zip(sites["site_id"], (float(one[0]) for one in source.sample(zip(x, y, strict=True))), strict=True)
        )
    course = courses[courses["date"] == "2031-03-01"].assign(date="2030-02-25")
    course["depth_cm"] = 150 * course["site_id"].map(cells)
    course["swe_mm"] = 3.0 * course["depth_cm"]
    station = stations[stations["time"] == "2031-03-02"].assign(time="2030-03-02")
    station["depth_cm"] = 150 * station["site_id"].map(cells)
    pd.concat([course, courses]).to_csv(basin / "courses_before.csv", index=False)
    pd.concat([station, stations]).to_csv(basin / "stations_before.csv", index=False)
    file = changed(
        basin,
        "paired_flown",
        lambda text: (
            text.replace("flights.csv", "past.csv")
            .replace(" courses.csv", " courses_before.csv")
            .replace(" stations.csv", " stations_before.csv")
        ),
    )
    assert json.loads(snowtally("update", file, "--date", "2031-03-04", "--json").stdout)["degraded"] == []
    folder = basin / "archive_paired_flown" / "made"
    record = json.loads((folder / "2031-03-04" / "r001" / "record.json").read_text("utf-8"))
    assert "earlier_pairs" in record["kept_inputs"]
    with xr.open_dataset(folder / "2031-03-04" / "r001" / "estimate.nc") as day:
        assert 0.6 < float((day["swe"] * day["cell_area"]).sum()) / plain < 0.9
    again = json.loads(snowtally("rerun", file, "--inputs-of", "2031-03-04@1", "--json").stdout)
    assert again["reproduced"], again
    # What is lost of earlier seasons would let the sites stand for their cells again.
    courses.to_csv(basin / "courses_before.csv", index=False)
    stations.to_csv(basin / "stations_before.csv", index=False)
    lost = json.loads(snowtally("update", file, "--date", "2031-03-05", "--json").stdout)
    assert "of 6 depths of sites on the days of flights of earlier seasons" in " ".join(lost["degraded"])
    page = (folder / "2031-03-04" / "report.html").read_text("utf-8")
    assert "and on flights of earlier seasons" in page
