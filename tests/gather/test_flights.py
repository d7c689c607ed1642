"""A season's flights through the settings: what they may be given as, what goes wrong with them, and what is kept."""

import datetime as dt
import json
import os
import re
import shutil

import numpy as np
import pandas as pd
import pytest
import rasterio
import shapely
from affine import Affine
from flown import write, write_vrt
from made_basin import snowtally
from pyproj import Transformer

from snowtally.flights import cluster
from snowtally.gather import flights as gather_flights
from snowtally.gather.archived_day import inputs_from_archived
from snowtally.gather.day import read_inputs
from snowtally.operations import run
from snowtally.settings.basin import read_settings

LEFT, TOP, WIDTH, HEIGHT = 500_000.0, 4_880_000.0, 30, 24
DAY = dt.date(2031, 3, 2)
FINE = Affine(20, 0, LEFT - 607, 0, -20, TOP + 603)
SHAPE = (190, 220)


def elevation_of(x, y):
    return 1500 + 0.2 * (x - LEFT) + 90 * np.sin((x - LEFT) / 400) * np.cos((TOP - y) / 300)


def depth_of(x, y):
    return np.maximum(0.0, 0.4 + (elevation_of(x, y) - 1500) / 500)


def fine(values):
    columns, rows = np.meshgrid(np.arange(SHAPE[1]) + 0.5, np.arange(SHAPE[0]) + 0.5)
    return values(FINE.c + 20 * columns, FINE.f - 20 * rows)


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """Return the folder of a small basin with six stations and no flight yet."""
    home = tmp_path_factory.mktemp("made")
    write(home / "elevation.tif", fine(elevation_of), transform=FINE, dtype="float32")
    back = Transformer.from_crs("EPSG:32625", "EPSG:4326", always_xy=True)
    right, bottom = LEFT + WIDTH * 100, TOP - HEIGHT * 100
    ring = [back.transform(x, y) for x, y in ((LEFT, TOP), (right, TOP), (right, bottom), (LEFT, bottom), (LEFT, TOP))]
    zone = {"type": "Feature", "properties": {"zone_id": "all", "name": "All"}}
    zone["geometry"] = {"type": "Polygon", "coordinates": [ring]}
    (home / "zones.geojson").write_text(json.dumps({"type": "FeatureCollection", "features": [zone]}))
    sites, records = [], []
    for number in range(6):
        x, y = LEFT + 450 * (number + 0.5), TOP - 350 * (number + 0.5)
        longitude, latitude = back.transform(x, y)
        sites.append(
            {"site_id": f"S{number}", "name": "", "kind": "station", "longitude": longitude, "latitude": latitude}
        )
        depth = float(depth_of(x, y))
        records += [
            {"site_id": f"S{number}", "time": f"{day:%Y-%m-%d}", "swe_mm": 300 * depth, "depth_cm": 100 * depth}
            for day in pd.date_range("2031-02-25", "2031-03-06")
        ]
    pd.DataFrame(sites).to_csv(home / "sites.csv", index=False)
    pd.DataFrame(records).to_csv(home / "stations.csv", index=False)
    write(home / "depth.tif", fine(depth_of), transform=FINE, dtype="float32")
    write(home / "off.tif", fine(elevation_of), transform=FINE, dtype="float32")
    write(home / "on.tif", fine(elevation_of) + fine(depth_of), transform=FINE, dtype="float32")
    (home / "basin.yaml").write_text(
        "basin: {id: made, title: Made basin, zones: zones.geojson, utc_offset_hours: -2, margin_m: 300}\n"
        "grid: {crs: 'EPSG:32625', cell_m: 100}\nterrain: {elevation: elevation.tif}\n"
        "inputs: {sites: sites.csv, stations: stations.csv, flights: flights.csv}\narchive: archive\n"
    )
    return home


@pytest.fixture
def basin(made, tmp_path):
    return shutil.copytree(made, tmp_path / "basin")


def readings(basin, table, more="", date=DAY, *, keep=False):
    (basin / "flights.csv").write_text(table)
    (basin / "changed.yaml").write_text((basin / "basin.yaml").read_text() + more)
    return read_inputs(read_settings(basin / "changed.yaml"), date, lambda _stage: None, keep=keep)


def one_depth(cell):
    return f"flight_id,date,depth\nF1,2031-03-02,{cell}\n"


SURFACES = "flight_id,date,snow_on,snow_off\nF1,2031-03-02,on.tif,off.tif\n"


@pytest.fixture
def plain(basin):
    return readings(basin, one_depth("depth.tif")).inputs.flights[0]


def assert_same(flight, plain, atol=1e-6):
    np.testing.assert_allclose(flight["depth"], plain["depth"], atol=atol)
    np.testing.assert_allclose(flight["valid_fraction"], plain["valid_fraction"], atol=1e-9)


def test_a_flight_in_tiles_by_list_glob_or_virtual_raster(basin, plain):
    tiles = []
    for number, left in enumerate((0, 60, 150)):
        right = (70, 150, 220)[number]
        place = Affine(20, 0, FINE.c + 20 * left, 0, -20, FINE.f)
        path = write(basin / f"tile_{number}.tif", fine(depth_of)[:, left:right], transform=place, dtype="float32")
        tiles.append((path, 0, left, SHAPE[0], right - left))
    write_vrt(basin / "all.vrt", tiles, SHAPE, FINE)
    for cell in ("tile_2.tif; tile_0.tif;tile_1.tif", "tile_?.tif", "all.vrt"):
        read = readings(basin, one_depth(cell))
        assert read.degraded == []
        assert_same(read.inputs.flights[0], plain)
        # Every file that decides the day stands in its record, those of a virtual raster too.
        names = {file.path.name for file, _ in read.files if file.role == "flight F1 depth"}
        assert {"tile_0.tif", "tile_1.tif", "tile_2.tif"} <= names


def test_feet_where_declared(basin, plain):
    write(basin / "feet.tif", fine(depth_of) / 0.3048, transform=FINE)
    declared = "columns: {flights: {depth: {unit: foot}}}\n"
    assert_same(readings(basin, one_depth("feet.tif"), declared).inputs.flights[0], plain)


def test_surfaces_without_stable_ground_are_used_and_said_to_be_so(basin, plain):
    read = readings(basin, SURFACES)
    # Heights of 1500 m in single precision are good to a tenth of a millimetre.
    assert_same(read.inputs.flights[0], plain, atol=1e-3)
    assert [finding.rule.name for finding in read.findings] == ["not registered"]


def _truncated(basin):
    whole = write(basin / "whole.tif", fine(depth_of), transform=FINE, tiled=True, blockxsize=64, blockysize=64)
    (basin / "depth.tif").write_bytes(whole.read_bytes()[: whole.stat().st_size // 2])


def _zero_bytes(basin):
    (basin / "depth.tif").write_bytes(b"")


def _wrong_crs(basin):
    write(basin / "depth.tif", fine(depth_of), transform=FINE, crs="EPSG:32633")


def _no_crs(basin):
    write(basin / "depth.tif", fine(depth_of), transform=FINE, crs=None)


def _feet(basin):
    write(basin / "depth.tif", fine(depth_of) / 0.3048, transform=FINE)


def _nothing(basin):
    write(basin / "depth.tif", np.full(SHAPE, np.nan), transform=FINE)


def _off(basin):
    write(basin / "depth.tif", fine(depth_of), transform=Affine(20, 0, LEFT + 90_000, 0, -20, TOP))


def _surfaces_in_feet(basin):
    for name in ("on", "off"):
        with rasterio.open(basin / f"{name}.tif") as file:
            values = file.read(1)
        write(basin / f"{name}.tif", values / 0.3048, transform=FINE)


def _exchanged(basin):
    (basin / "on.tif").rename(basin / "was_on.tif")
    (basin / "off.tif").rename(basin / "on.tif")
    (basin / "was_on.tif").rename(basin / "off.tif")


def _another_datum(basin):
    write(basin / "off.tif", fine(elevation_of) - 47.0, transform=FINE)


def _another_place(basin):
    place = Affine(20, 0, FINE.c, 0, -20, FINE.f)
    write(basin / "off.tif", fine(lambda x, y: elevation_of(x, y) + 250 * np.cos((x + y) / 180)), transform=place)


@pytest.mark.parametrize(
    ("spoil", "table", "words"),
    [
        (_truncated, one_depth("depth.tif"), "cut short or damaged"),
        (_zero_bytes, one_depth("depth.tif"), r"depth\.tif is empty \(0 bytes\)"),
        (
            _wrong_crs,
            one_depth("depth.tif"),
            "covers no cell of the basin grid by more than 0%.* Check its coordinate system",
        ),
        (_no_crs, one_depth("depth.tif"), "has no coordinate system"),
        (_feet, one_depth("depth.tif"), r"depths are 3\.\d\d times those of \d sites on the ground: they are feet"),
        (_nothing, one_depth("depth.tif"), "covers no cell of the basin grid by more than 0%.* nodata"),
        (_off, one_depth("depth.tif"), "covers no cell of the basin grid by more than 0%.* extent"),
        (_surfaces_in_feet, SURFACES, r"snow_on has heights 3\.2\d times the terrain's: they are feet"),
        (_exchanged, SURFACES, "mean depth is -0.* snow under the ground.* exchanged"),
        (
            _another_datum,
            SURFACES,
            r"100% of its pixels are beyond the limits of depth, the median pixel is 4\d\.\d\d m",
        ),
        (_another_place, SURFACES, "snow_off lies .* above the terrain with a scatter .* it shows another place"),
        (lambda _: None, one_depth("gone_?.tif"), r"gone_\?\.tif is named by .*flights\.csv line 2 but is not there"),
    ],
)
def test_a_bad_flight_is_one_line(basin, spoil, table, words):
    spoil(basin)
    (line,) = readings(basin, table).degraded
    assert "\n" not in line
    assert "F1" in line
    assert re.search(words, line), line


def test_a_night_goes_on_without_a_bad_flight(basin):
    _truncated(basin)
    (basin / "flights.csv").write_text(one_depth("depth.tif"))
    outcome = run.update(read_settings(basin / "basin.yaml"), DAY, lambda _stage: None)
    record = json.loads((outcome.published.path / "record.json").read_text())
    assert record["degraded_reasons"] == outcome.readings.degraded
    assert "cut short or damaged" in record["degraded_reasons"][0]
    # The stations still tell: some 200 mm.
    assert 50 < outcome.day.totals.iloc[0]["swe_mean_mm"] < 500


def test_a_missing_tile_leaves_its_part_to_the_background(basin):
    write(basin / "west.tif", fine(depth_of)[:, :120], transform=FINE)
    read = readings(basin, one_depth("west.tif; east.tif"))
    assert len(read.degraded) == 1
    assert "east.tif is named by" in read.degraded[0]
    valid = read.inputs.flights[0]["valid_fraction"].to_numpy()
    assert (valid[:, :17] > 0.999).all()
    assert (valid[:, 21:] == 0).all()
    (figures,) = read.inputs.flight_figures
    # What was seen of the ground around the basin is no part of it.
    area = read.inputs.basin.terrain["cell_area"].to_numpy()
    assert figures["seen_of_basin"] == pytest.approx((valid * area).sum() / area.sum())
    assert 0 < figures["seen_of_basin"] < 0.7
    assert figures["seen_area_km2"] * 1e6 > figures["seen_of_basin"] * area.sum()


def test_ground_mapped_after_the_snow_is_told(basin, plain):
    for name, stamp in (("off", "2031:07:01 10:00:00"), ("on", "2031:03:03 10:00:00")):
        with rasterio.open(basin / f"{name}.tif", "r+") as file:
            file.update_tags(TIFFTAG_DATETIME=stamp)
    read = readings(basin, SURFACES)
    told = {finding.rule.name: finding for finding in read.findings}
    assert told["snow-off newer than snow-on"].evidence == "snow_off 2031-07-01, snow_on 2031-03-03"
    assert_same(read.inputs.flights[0], plain, atol=1e-3)


def test_a_flight_off_from_the_ground_is_told_and_only_moved_when_asked(basin, plain):
    write(basin / "high.tif", fine(depth_of) + 0.5, transform=FINE)
    read = readings(basin, one_depth("high.tif"))
    told = [finding for finding in read.findings if finding.rule.name == "offset from the ground"]
    assert len(told) == 1
    assert told[0].action == "used"
    assert told[0].evidence.startswith("+0.5")
    np.testing.assert_allclose(read.inputs.flights[0]["depth"], plain["depth"] + 0.5, atol=1e-5)
    figures = read.inputs.flight_figures[0]["by_site"]
    assert figures["sites"] == 6
    assert not figures["applied"]
    assert len(figures["sites_compared"]) == 6
    moved = readings(basin, one_depth("high.tif"), "flights: {apply_ground_offset: true}\n")
    assert moved.inputs.flight_figures[0]["by_site"]["applied"]
    # A site's depth is that of its place, the flight's of its cell: within the spread of the two.
    np.testing.assert_allclose(moved.inputs.flights[0]["depth"], plain["depth"], atol=0.1)
    assert [f.action for f in moved.findings if f.rule.name == "offset from the ground"] == ["corrected"]


def test_water_and_dense_canopy_are_not_used(basin):
    canopy = fine(lambda x, _: np.where(x > LEFT + 2000, 0.9, 0.1))
    write(basin / "canopy.tif", canopy, transform=FINE)
    write(basin / "lake.tif", fine(lambda x, _: (x < LEFT + 500).astype(float)), transform=FINE)
    text = (basin / "basin.yaml").read_text()
    (basin / "basin.yaml").write_text(
        text.replace("elevation: elevation.tif", "elevation: elevation.tif, canopy: canopy.tif")
    )
    whole = readings(basin, one_depth("depth.tif")).inputs.flights[0]
    masked = readings(basin, one_depth("depth.tif"), "flights: {water: lake.tif, most_canopy: 0.5}\n").inputs.flights[0]
    assert (whole["valid_fraction"] > 0.999).all()
    valid = masked["valid_fraction"].to_numpy()
    assert (valid[:, :7] == 0).all()
    assert (valid[:, 25:] == 0).all()
    assert (valid[:, 9:22] > 0.999).all()
    # Under trees the laser is less sure.
    assert float(whole["depth_random_se"][0, 28]) > 1.5 * float(whole["depth_random_se"][0, 3])


def test_snow_cover_of_the_flights_day_clears_it_of_noise_on_every_later_day(basin):
    cover = fine(lambda x, _: np.where(x < LEFT + 1000, 0.0, 1.0))
    write(basin / "cover.tif", cover, transform=FINE)
    # Five centimetres are within a flight's error, decimetres are not.
    write(basin / "depth.tif", np.where(fine(lambda x, _: x < LEFT + 500), 0.05, fine(depth_of)), transform=FINE)
    measured = readings(basin, one_depth("depth.tif")).inputs.flights[0]
    had = measured["depth"].to_numpy()
    error = np.hypot(measured["depth_random_se"].to_numpy(), measured.attrs["depth_bias_se_m"])
    # The next column of cells holds a pixel's edge of what the grid saw covered.
    bare = np.broadcast_to(measured["x"].to_numpy() < LEFT + 900, had.shape)
    snow, noise = bare & (had > 2 * error), bare & (had <= 2 * error)
    assert min(snow.sum(), noise.sum()) > 50
    (basin / "covers.csv").write_text("date,variable,path\n2031-03-02,snow_cover_fraction,cover.tif\n")
    (basin / "basin.yaml").write_text(
        (basin / "basin.yaml").read_text().replace("flights: flights.csv", "flights: flights.csv, covers: covers.csv")
    )
    for date in (DAY, DAY + dt.timedelta(days=2)):
        read = readings(basin, one_depth("depth.tif"), date=date)
        depth = read.inputs.flights[0]["depth"].to_numpy()
        assert (depth[noise] == 0).all()
        np.testing.assert_array_equal(depth[~noise], had[~noise])
        np.testing.assert_array_equal(read.inputs.flights[0]["depth_random_se"], measured["depth_random_se"])
        told = [finding for finding in read.findings if finding.rule.name == "cover against depth"]
        assert len(told) == 1
        assert told[0].evidence.startswith(f"{snow.sum()} cells, ")
        assert told[0].action == "used"


def test_the_newest_snow_covers_of_days_before_are_read_and_broken_ones_passed_over(basin):
    for number in range(5):
        write(basin / f"cover{number}.tif", fine(lambda x, _: np.where(x < LEFT + 1000, 0.0, 1.0)), transform=FINE)
    (basin / "cover3.tif").write_bytes(b"")
    rows = "".join(f"2031-03-0{number + 1},snow_cover_fraction,cover{number}.tif\n" for number in range(5))
    (basin / "covers.csv").write_text("date,variable,path\n2031-01-20,snow_cover_fraction,cover0.tif\n" + rows)
    (basin / "basin.yaml").write_text(
        (basin / "basin.yaml").read_text().replace("flights: flights.csv", "flights: flights.csv, covers: covers.csv")
    )
    read = readings(basin, one_depth("depth.tif"), date=dt.date(2031, 3, 5))
    seen = [(day.day, day.month) for day, _ in read.inputs.earlier_covers]
    assert seen == [(1, 3), (2, 3), (3, 3)]
    assert (read.inputs.earlier_covers[0][1][:, :10] == 0).all()
    # The archive keeps them with the day, so that it can be made again.
    rows_kept = read.rows | read.beside
    outlines = shapely.from_wkt(rows_kept["zones"]["outline"])
    assert rows_kept["zones"]["zone_id"].tolist() == ["all"]
    # A map's scale and the ground differ by 0.04 % along a line of this projection.
    assert shapely.area(outlines).sum() == pytest.approx(float(read.grids.terrain["cell_area"].sum()), rel=2e-3)
    again = inputs_from_archived(read_settings(basin / "basin.yaml"), dt.date(2031, 3, 5), rows_kept, read.grids)
    for (day, cover), (day_again, cover_again) in zip(read.inputs.earlier_covers, again.earlier_covers, strict=True):
        assert day == day_again
        np.testing.assert_array_equal(cover, cover_again)


def with_covers(basin, rows):
    for name in {row.split(",")[-1] for row in rows}:
        write(basin / name, fine(lambda x, _: np.where(x < LEFT + 1000, 0.0, 1.0)), transform=FINE)
    (basin / "covers.csv").write_text("\n".join(["date,variable,path", *rows, ""]))
    (basin / "flights.csv").write_text(one_depth("depth.tif"))
    text = (basin / "basin.yaml").read_text()
    (basin / "basin.yaml").write_text(text.replace("flights: flights.csv", "flights: flights.csv, covers: covers.csv"))


@pytest.mark.parametrize(
    ("variable", "name"), [("snow_cover_fraction", "cover of 2031-03-01"), ("snow_albedo", "albedo")]
)
def test_a_grid_of_a_day_before_that_is_still_arriving_is_left_out_and_told(basin, variable, name):
    with_covers(basin, [f"2031-03-01,{variable},old.tif"])
    settings = read_settings(basin / "basin.yaml")
    arriving = frozenset({(basin / "old.tif").resolve()})
    read = read_inputs(settings, DAY, lambda _stage: None, arriving=arriving)
    assert name not in read.grids.by_name()
    assert [why.partition(":")[0] for why in read.degraded] == ["still arriving"]
    assert "old.tif is still being written" in read.degraded[0]
    whole = read_inputs(settings, DAY, lambda _stage: None)
    assert name in whole.grids.by_name()
    assert whole.degraded == []


def test_snow_covers_of_the_season_before_tell_nothing_of_this_one(basin):
    with_covers(basin, [f"2031-03-0{day},snow_cover_fraction,cover.tif" for day in (1, 2, 3, 4)])
    text = (basin / "basin.yaml").read_text()
    (basin / "basin.yaml").write_text(text.replace("margin_m: 300", "margin_m: 300, season_start: 03-03"))
    read = read_inputs(read_settings(basin / "basin.yaml"), dt.date(2031, 3, 5), lambda _stage: None)
    assert [day.day for day, _ in read.inputs.earlier_covers] == [3, 4]


def test_order_of_flights_changes_nothing_and_parts_of_a_day_are_one(basin, plain):
    write(basin / "west.tif", fine(depth_of)[:, :110], transform=FINE)
    write(basin / "east.tif", fine(depth_of)[:, 110:], transform=Affine(20, 0, FINE.c + 2200, 0, -20, FINE.f))
    rows = ["E,2031-03-02,east.tif", "W,2031-03-02,west.tif", "L,2031-03-05,depth.tif"]
    one, other = (
        readings(basin, "flight_id,date,depth\n" + "\n".join(order) + "\n", date=dt.date(2031, 3, 6)).inputs.flights
        for order in (rows, rows[::-1])
    )
    assert [flight.attrs["flight_id"] for flight in one] == ["E and W", "L"]
    for first, second in zip(one, other, strict=True):
        assert first["depth"].to_numpy().tobytes() == second["depth"].to_numpy().tobytes()
    whole = one[0]["valid_fraction"] > 0.99
    np.testing.assert_allclose(one[0]["depth"].where(whole), plain["depth"].where(whole), atol=1e-6)


@pytest.fixture
def measured(monkeypatch):
    """Return the flights measured, not found kept, in their order."""
    times = []
    measure = gather_flights.measure_flight

    def counted(files, *rest):
        times.append(files.flight_id)
        return measure(files, *rest)

    monkeypatch.setattr(gather_flights, "measure_flight", counted)
    return times


def test_a_flight_is_measured_once_and_kept_by_what_it_was_made_from(basin, measured):
    first = readings(basin, one_depth("depth.tif"), keep=True)
    again = readings(basin, one_depth("depth.tif"), date=DAY + dt.timedelta(days=1), keep=True)
    assert measured == ["F1"]
    assert first.inputs.flights[0].identical(again.inputs.flights[0])
    assert first.inputs.flight_figures == again.inputs.flight_figures
    # Other limits, and other content under the same name, are another flight.
    readings(basin, one_depth("depth.tif"), "flights: {most_depth_m: 9}\n", keep=True)
    write(basin / "depth.tif", fine(depth_of) + 0.01, transform=FINE)
    moved = readings(basin, one_depth("depth.tif"), keep=True)
    assert measured == ["F1"] * 3
    assert float((moved.inputs.flights[0]["depth"] - first.inputs.flights[0]["depth"]).mean()) == pytest.approx(
        0.01, abs=1e-6
    )


def test_what_is_kept_may_be_deleted_or_damaged_at_any_time(basin, measured):
    settings = read_settings(basin / "basin.yaml")
    (basin / "flights.csv").write_text(one_depth("depth.tif"))
    first = run.update(settings, DAY, lambda _stage: None)
    cache = basin / "archive" / ".cache" / "flights"
    assert len(list(cache.glob("*.flight"))) == 1
    # In the midst of what is packed, where no length and no name tells of it.
    for path in cache.iterdir():
        whole = path.read_bytes()
        middle = len(whole) // 2
        path.write_bytes(whole[:middle] + bytes([whole[middle] ^ 255]) + whole[middle + 1 :])
    assert run.update(settings, DAY, lambda _stage: None).published.unchanged
    shutil.rmtree(basin / "archive" / ".cache")
    assert run.update(settings, DAY, lambda _stage: None).published.unchanged
    assert measured == ["F1"] * 3
    second = run.update(settings, DAY + dt.timedelta(days=1), lambda _stage: None)
    assert measured == ["F1"] * 3
    assert second.published.path != first.published.path


def test_a_refused_flight_is_not_measured_again_until_something_changes(basin, measured):
    _off(basin)
    first = readings(basin, one_depth("depth.tif"), keep=True)
    again = readings(basin, one_depth("depth.tif"), date=DAY + dt.timedelta(days=1), keep=True)
    assert measured == ["F1"]
    assert len(first.degraded) == 1
    assert again.degraded == first.degraded
    write(basin / "depth.tif", fine(depth_of), transform=FINE)
    assert readings(basin, one_depth("depth.tif"), keep=True).degraded == []
    assert measured == ["F1", "F1"]


def test_what_lies_beside_a_raster_is_of_its_content(basin, measured):
    _wrong_crs(basin)
    assert len(readings(basin, one_depth("depth.tif"), keep=True).degraded) == 1
    # GDAL writes corrections of files that it may not change into one beside.
    (basin / "depth.tif.aux.xml").write_text("<PAMDataset><SRS>EPSG:32625</SRS></PAMDataset>")
    mended = readings(basin, one_depth("depth.tif"), keep=True)
    assert mended.degraded == []
    assert measured == ["F1", "F1"]
    assert "depth.tif.aux.xml" in {file.path.name for file, _ in mended.files}


def test_a_mask_that_cannot_be_read_costs_no_flight(basin):
    (basin / "lake.tif").write_text("no raster")
    (basin / "canopy.tif").write_text("no raster")
    text = (basin / "basin.yaml").read_text()
    text = text.replace("elevation: elevation.tif", "elevation: elevation.tif, canopy: canopy.tif")
    (basin / "basin.yaml").write_text(text)
    read = readings(basin, one_depth("depth.tif"), "flights: {water: lake.tif, most_canopy: 0.5}\n")
    assert len(read.inputs.flights) == 1
    assert len(read.degraded) == 2
    assert all(
        re.search(rf"^unreadable file: .*{name}", line)
        for name, line in zip(("canopy", "lake"), read.degraded, strict=True)
    )


@pytest.mark.filterwarnings("ignore::RuntimeWarning")
def test_a_mask_with_a_ring_that_is_not_closed_costs_no_flight(basin):
    ring = [[LEFT, TOP], [LEFT + 500, TOP], [LEFT + 500, TOP - 500]]
    lake = {"type": "Feature", "properties": {}, "geometry": {"type": "Polygon", "coordinates": [ring]}}
    crs = {"type": "name", "properties": {"name": "urn:ogc:def:crs:EPSG::32625"}}
    (basin / "lake.geojson").write_text(json.dumps({"type": "FeatureCollection", "crs": crs, "features": [lake]}))
    read = readings(basin, one_depth("depth.tif"), "flights: {water: lake.geojson}\n")
    assert len(read.inputs.flights) == 1
    (line,) = read.degraded
    assert re.search(r"^unreadable file: .*lake\.geojson cannot be read: it holds a shape that is none", line)


@pytest.fixture
def three(basin):
    """Return a table of two flights and one that is refused."""
    write(basin / "west.tif", fine(depth_of)[:, :110], transform=FINE)
    write(basin / "off_basin.tif", fine(depth_of), transform=Affine(20, 0, LEFT + 90_000, 0, -20, TOP))
    rows = "A,2031-02-28,depth.tif\nB,2031-03-01,west.tif\nC,2031-03-02,off_basin.tif\n"
    return "flight_id,date,depth\n" + rows


def test_a_cluster_measures_new_flights_with_the_same_bytes(basin, three, measured):
    distributed = pytest.importorskip("distributed", reason="the package distributed is not installed")
    alone = readings(basin, three)
    assert measured == ["A", "B", "C"]
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, processes=False, dashboard_address=None, protocol="tcp", silence_logs=40
    ) as made:
        more = f"dask: {{address: '{made.scheduler_address}'}}\n"
        together = readings(basin, three, more, keep=True)
    assert measured == ["A", "B", "C"]
    assert together.degraded == alone.degraded
    assert together.findings == alone.findings
    for one, other in zip(alone.inputs.flights, together.inputs.flights, strict=True):
        assert one.identical(other)
    # What the cluster measured or refused is kept: the next night asks nobody, and the address makes no other day.
    readings(basin, three, keep=True)
    assert measured == ["A", "B", "C"]
    assert read_settings(basin / "changed.yaml").identity() == read_settings(basin / "basin.yaml").identity()


def test_a_cluster_that_is_down_costs_no_flight(basin, three, measured, monkeypatch, caplog):
    pytest.importorskip("distributed", reason="the package distributed is not installed")
    monkeypatch.setattr(cluster, "ANSWER_S", 0.3)
    read = readings(basin, three, "dask: {address: 'tcp://127.0.0.1:9'}\n")
    assert measured == ["A", "B", "C"]
    assert len(read.inputs.flights) == 2
    assert "does not answer" in caplog.text


@pytest.mark.long
def test_flights_that_no_night_asks_for_any_more_are_taken_away(basin):
    readings(basin, one_depth("depth.tif"), "flights: {most_depth_m: 9}\n", keep=True)
    cache = basin / "archive" / ".cache" / "flights"
    for path in cache.iterdir():
        os.utime(path, (0, 0))
    readings(basin, one_depth("depth.tif"), keep=True)
    (flight,) = cache.glob("*.flight")
    assert flight.stat().st_mtime > 0


def test_a_check_leaves_nothing_behind(basin, measured, monkeypatch):
    # So that the small stations' file is kept in pieces as a large one is.
    monkeypatch.setattr("snowtally.inputs.read_stations.CHUNK", 1)
    readings(basin, one_depth("depth.tif"))
    assert not (basin / "archive").exists()
    assert measured == ["F1"]


def test_the_record_tells_of_the_flight(basin):
    (basin / "flights.csv").write_text(one_depth("depth.tif"))
    published = run.update(read_settings(basin / "basin.yaml"), DAY, lambda _stage: None).published
    record = json.loads((published.path / "record.json").read_text())
    told = record["models"]["flights"][0]
    assert told["flight_id"] == "F1"
    assert told["noise"]["reach_m"] == 12.0
    assert [row["site_id"] for row in told["by_site"]["sites_compared"]] == [f"S{n}" for n in range(6)]


@pytest.mark.long
def test_another_declared_error_is_another_day(basin):
    settings = read_settings(basin / "basin.yaml")
    (basin / "flights.csv").write_text("flight_id,date,depth,depth_se_m\nF1,2031-03-02,depth.tif,0.05\n")
    first = run.update(settings, DAY, lambda _stage: None)
    (basin / "flights.csv").write_text("flight_id,date,depth,depth_se_m\nF1,2031-03-02,depth.tif,0.25\n")
    second = run.update(settings, DAY, lambda _stage: None)
    assert second.published.revision == first.published.revision + 1
    assert second.day.totals.iloc[0]["swe_se_mm"] > first.day.totals.iloc[0]["swe_se_mm"]


def on_stable_ground(offset=0.0, noise=0.05, stripe=None):
    """Return depths with bare stable stripes, all too high by an offset, and the stripes."""
    depth, stable = fine(depth_of), np.zeros(SHAPE)
    stable[::12, :] = 1.0
    depth[stable > 0] = 0.0 if stripe is None else stripe
    return depth + offset + np.random.default_rng(8).normal(0.0, noise, SHAPE), stable


@pytest.mark.long
def test_an_offset_planted_in_a_depth_raster_is_taken_out_from_end_to_end(basin):
    """The volume through the command line is that of the flight without the offset, and the record tells of it."""
    columns = "flight_id,date,depth,stable_ground\n"
    tables = {
        "unmoved": (0.0, "flight_id,date,depth\nF1,2031-03-02,d.tif\n"),
        "lifted": (0.1, "flight_id,date,depth\nF1,2031-03-02,d.tif\n"),
        "mended": (0.1, f"{columns}F1,2031-03-02,d.tif,stable.tif\n"),
    }
    volume, record = {}, {}
    for name, (offset, table) in tables.items():
        depth, stable = on_stable_ground(offset)
        write(basin / "d.tif", depth, transform=FINE, dtype="float32")
        write(basin / "stable.tif", stable, transform=FINE, dtype="uint8", nodata=None)
        (basin / "flights.csv").write_text(table)
        settings = basin / f"{name}.yaml"
        settings.write_text((basin / "basin.yaml").read_text().replace("archive: archive", f"archive: {name}"))
        if name == "mended":
            done = snowtally("update", settings, "--date", "2031-03-02")
            assert done.returncode == 0, done.stderr + done.stdout
        else:
            run.update(read_settings(settings), DAY, lambda _stage: None)
        record[name] = json.loads((basin / name / "made" / "2031-03-02" / "r001" / "record.json").read_text())
        totals = pd.read_csv(basin / name / "made" / "2031-03-02" / "r001" / "totals.csv")
        volume[name] = totals.loc[totals["level"] == "basin", "volume_m3"].item()
    assert volume["lifted"] > 1.1 * volume["unmoved"]
    assert volume["mended"] == pytest.approx(volume["unmoved"], rel=0.005)
    told = record["mended"]["models"]["flights"][0]["stable_ground"]
    assert told["up_m"] == pytest.approx(0.1, abs=0.005)
    assert told["nmad_m"] == pytest.approx(0.05, rel=0.1)
    assert told["pixels"] > 1000
    assert "stable_ground" not in record["lifted"]["models"]["flights"][0]
    # What stable ground tells of the error stands in place of the 5 cm of a flight that nothing is known of.
    assert 0.03 <= record["mended"]["models"]["flights"][0]["depth_bias_se_m"] < 0.035


@pytest.mark.parametrize(
    ("offset", "noise", "rules"),
    [(0.1, 0.05, ["registered"]), (1.6, 0.05, ["registered", "vertical offset"]), (0.1, 0.8, ["refused flight"])],
)
def test_what_stable_ground_shows_of_depths_has_the_limits_of_a_registration(basin, offset, noise, rules):
    depth, stable = on_stable_ground(offset, noise)
    write(basin / "d.tif", depth, transform=FINE, dtype="float32")
    write(basin / "stable.tif", stable, transform=FINE, dtype="uint8", nodata=None)
    read = readings(basin, "flight_id,date,depth,stable_ground\nF1,2031-03-02,d.tif,stable.tif\n")
    told = [finding for finding in read.findings if finding.rule.name != "pixels beyond the limits"]
    assert [finding.rule.name for finding in told] == rules
    assert f"median +{offset:.1f}" in told[0].evidence + told[0].detail
    assert ("NMAD" in told[0].detail) == (noise > 0.5)


def test_depths_cut_off_at_nought_tell_no_offset_and_are_used_as_they_are(basin):
    depth, stable = on_stable_ground(-0.1)
    write(basin / "d.tif", np.maximum(depth, 0.0), transform=FINE, dtype="float32")
    write(basin / "stable.tif", stable, transform=FINE, dtype="uint8", nodata=None)
    read = readings(basin, "flight_id,date,depth,stable_ground\nF1,2031-03-02,d.tif,stable.tif\n")
    assert [finding.rule.name for finding in read.findings] == ["not registered"]
    assert read.inputs.flights[0].attrs["depth_bias_se_m"] == 0.05
