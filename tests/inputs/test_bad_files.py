"""Files that cannot be used: each is one line that names the file and the cause, before time or memory are spent on it."""

import io
import json
import os
import random
import zipfile

import numpy as np
import openpyxl
import pytest
import rasterio
from affine import Affine
from pyproj import CRS

from snowtally.flights.rasters import open_raster
from snowtally.inputs.find import find_tables
from snowtally.inputs.raster_frame import refuse_large
from snowtally.inputs.rasters import mean_on_grid
from snowtally.inputs.read_terrain import BandEdges
from snowtally.inputs.read_zones import read_zones
from snowtally.inputs.sheets import read_sheets
from snowtally.model.grid import BasinGrid
from snowtally.model.problems import InputError, SettingsError
from snowtally.settings.basin import read_settings

UTM = CRS("EPSG:32625")
GRID = BasinGrid(UTM, 100.0, 500_000.0, 4_880_000.0, 40, 30)
SETTINGS = (
    "basin: {id: made, title: Made, zones: zones.geojson, utc_offset_hours: -2}\ngrid: {crs: 'EPSG:32625'}\n"
    "terrain: {elevation: elevation.tif}\ninputs: {sites: sites.csv}\narchive: archive\n"
)


def settings_of(home, text):
    for name in ("zones.geojson", "elevation.tif", "sites.csv"):
        if not os.path.lexists(home / name):
            (home / name).touch()
    (home / "basin.yaml").write_text(text)
    return read_settings(home / "basin.yaml")


@pytest.mark.parametrize(
    ("more", "words"),
    [
        ("missing: " + "[" * 2000 + "]" * 2000, "is nested too deeply"),
        ("missing: " + "9" * 5000, "holds a value that cannot be read"),
        ('plan: {trails: "tra\\0ils.gpkg"}', "a zero character stands in a text"),
        ("bands: {width_m: .inf}", "bands.width_m: should be a finite number"),
        ("bands: {width_m: 1.0e-9}", "bands.width_m: should be greater than or equal to 1"),
        ("operations: {limits: {night_s: 1.0e300}}", "operations.limits.night_s: should be less than"),
    ],
)
def test_settings_that_no_reader_bears(tmp_path, more, words):
    with pytest.raises(SettingsError) as told:
        settings_of(tmp_path, f"{SETTINGS}{more}\n")
    assert words in str(told.value)
    assert "\n" not in str(told.value)


def test_links_that_lead_to_themselves(tmp_path):
    (tmp_path / "sites.csv").symlink_to("sites.csv")
    with pytest.raises(SettingsError, match=r"inputs\.sites: file .*sites\.csv leads nowhere: it is a link to itself"):
        settings_of(tmp_path, SETTINGS)
    (tmp_path / "loop.yaml").symlink_to("loop.yaml")
    with pytest.raises(SettingsError, match=r"loop\.yaml cannot be read: Too many levels of symbolic links"):
        read_settings(tmp_path / "loop.yaml")
    (tmp_path / "courses.csv").symlink_to("courses.csv")
    found, findings = find_tables({"courses": [tmp_path / "courses.csv"], "stations": [tmp_path / ("s" * 5000)]})
    assert (found["courses"], found["stations"]) == ([], [])
    assert [finding.rule.name for finding in findings] == ["missing file", "unreadable file"]
    assert findings[0].evidence == "a link that leads nowhere or to itself"


def zones_of(home, ring):
    feature = {
        "type": "Feature",
        "properties": {"zone_id": "a", "name": "A"},
        "geometry": {"type": "Polygon", "coordinates": [ring]},
    }
    path = home / "zones.geojson"
    path.write_text(json.dumps({"type": "FeatureCollection", "features": [feature]}))
    return path


@pytest.mark.filterwarnings("ignore::RuntimeWarning")
@pytest.mark.parametrize(
    ("corner", "words"),
    [
        ([float("nan"), 44.0], "zone 'a' has a coordinate that is no number"),
        ([500.0, 95.0], "zone 'a' lies where WGS 84 / UTM zone 25N has no place"),
    ],
)
def test_outlines_with_impossible_coordinates(tmp_path, corner, words):
    path = zones_of(tmp_path, [[-33.0, 44.0], corner, [-32.9, 44.1], [-33.0, 44.0]])
    with pytest.raises(InputError, match=words):
        read_zones(path, UTM)


@pytest.mark.filterwarnings("ignore::RuntimeWarning")
def test_an_outline_of_two_points(tmp_path):
    with pytest.raises(InputError, match=r"zones\.geojson cannot be read: it holds a shape that is none"):
        read_zones(zones_of(tmp_path, [[-33.0, 44.0], [-32.9, 44.1]]), UTM)


def test_bands_beyond_counting():
    with pytest.raises(SettingsError, match=r"bands\.width_m: 1 m makes 2001 bands"):
        BandEdges(width_m=1.0).classify(np.array([0.0, 2000.0]), np.ones(2, bool))


# --- workbooks --------------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def workbook(tmp_path_factory):
    book = openpyxl.Workbook()
    for row in range(40):
        book.active.append([f"S{row}", 12.5 * row, "2031-03-01"])
    path = tmp_path_factory.mktemp("book") / "cores.xlsx"
    book.save(path)
    return path


@pytest.mark.parametrize("inside", [False, True])
def test_a_workbook_with_flipped_bytes_is_read_or_told(tmp_path, workbook, inside):
    """Bits are flipped in the file, and in a part of it before it is packed, so that its checksum is right."""
    told = []
    for seed in range(60):
        draw, path = random.Random(seed), tmp_path / "cores.xlsx"  # noqa: S311  a trial, the same every time
        whole = workbook.read_bytes()
        path.write_bytes(_repacked(whole, draw) if inside else _flipped(whole, draw))
        try:
            read_sheets(path, None, ".")
        except InputError as trouble:
            told.append(str(trouble).removeprefix(str(path)))
    assert len(told) > 10
    assert not [line for line in told if "\n" in line or not line.startswith(" ")]


def _flipped(data, draw):
    data = bytearray(data)
    for _ in range(draw.choice([1, 3, 10, 50])):
        data[draw.randrange(len(data))] ^= 1 << draw.randrange(8)
    return bytes(data)


def _repacked(data, draw, change=None):
    parts, packed = zipfile.ZipFile(io.BytesIO(data)), io.BytesIO()
    harmed = draw.choice(parts.namelist())
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as into:
        for name in parts.namelist():
            part = parts.read(name)
            if change is not None:
                part = change(name, part)
            elif name == harmed:
                part = _flipped(part, draw)
            into.writestr(name, part)
    return packed.getvalue()


def test_an_encrypted_workbook_says_so(tmp_path, workbook):
    path = tmp_path / "locked.xlsx"
    path.write_bytes(bytes.fromhex("d0cf11e0a1b11ae1") + bytes(4096))
    with pytest.raises(InputError, match=r"locked\.xlsx is encrypted, or of the format before \.xlsx"):
        read_sheets(path, None, ".")
    data = bytearray(workbook.read_bytes())
    for mark, flags in ((b"PK\x03\x04", 6), (b"PK\x01\x02", 8)):
        at = -1
        while (at := data.find(mark, at + 1)) >= 0:
            data[at + flags] |= 1
    path.write_bytes(data)
    with pytest.raises(InputError, match=r"locked\.xlsx is encrypted\. Save it without a password"):
        read_sheets(path, None, ".")


@pytest.mark.long
def test_a_workbook_far_larger_than_it_looks_is_refused_before_it_is_unpacked(tmp_path, workbook):
    path = tmp_path / "large.xlsx"
    book = openpyxl.load_workbook(workbook)
    book.active["XFD1048576"] = 1
    book.save(path)
    with pytest.raises(InputError, match=r"large\.xlsx spans more than 20 million cells"):
        read_sheets(path, None, ".")

    def blown(name, part):
        return part + b" " * 410_000_000 if name.endswith("sheet1.xml") else part

    path.write_bytes(_repacked(workbook.read_bytes(), random.Random(0), blown))  # noqa: S311  as above
    assert path.stat().st_size < 2_000_000
    with pytest.raises(InputError, match=r"large\.xlsx holds 410 MB once unpacked, more than the 400 MB"):
        read_sheets(path, None, ".")


# --- rasters ----------------------------------------------------------------------------------------------------------


def raster(path, transform=None, scale=1.0, offset=0.0, **profile):
    wanted = {
        "driver": "GTiff",
        "height": 50,
        "width": 60,
        "count": 1,
        "dtype": "float32",
        "crs": "EPSG:32625",
    } | profile
    transform = transform or Affine(100, 0, 499_000, 0, -100, 4_881_000)
    with rasterio.open(path, "w", transform=transform, **wanted) as to:
        to.scales, to.offsets = (scale,), (offset,)
        if wanted["height"] * wanted["width"] < 1e6:
            to.write(np.ones((wanted["height"], wanted["width"]), wanted["dtype"]), 1)
    return path


@pytest.mark.parametrize("read", [lambda path: mean_on_grid([path], GRID), open_raster])
@pytest.mark.parametrize(
    ("how", "words"),
    [
        ({"transform": Affine(100, 0, 499_000, 0, 0, 4_881_000)}, "a geotransform that gives its pixels no area"),
        ({"transform": Affine(100, 100, 499_000, 100, 100, 4_881_000)}, "a geotransform that gives its pixels no area"),
        (
            {"transform": Affine(1e-300, 0, 499_000, 0, -1e-300, 4_881_000)},
            "a geotransform that gives its pixels no area",
        ),
        (
            {"transform": Affine(1e300, 0, 499_000, 0, -1e300, 4_881_000)},
            "a geotransform that gives its pixels no area",
        ),
        ({"crs": "EPSG:4326"}, "declares degrees, but its coordinates reach 4881000: they are metres"),
        ({"scale": 1e308}, r"declares scale 1e\+308 and offset 0"),
        ({"scale": float("nan")}, "declares scale nan and offset 0"),
        ({"offset": -1e300}, r"declares scale 1 and offset -1e\+300"),
    ],
)
def test_a_raster_without_a_place_or_a_believable_scale(tmp_path, read, how, words):
    path = raster(tmp_path / "bad.tif", **how)
    with pytest.raises(InputError, match=rf"bad\.tif .*{words}"):
        read(path)


def test_a_raster_says_its_size_before_it_is_read(tmp_path):
    refuse_large(raster(tmp_path / "small.tif"), GRID, 8.0)
    # Sparse files: a few kB that declare far more. The grid is 4 by 3 km.
    fine = {"sparse_ok": True, "tiled": True, "blockxsize": 512, "blockysize": 512, "bigtiff": "yes"}
    place = Affine(0.05, 0, 500_000, 0, -0.05, 4_880_000)
    path = raster(tmp_path / "fine.tif", place, height=100_000, width=100_000, **fine)
    with pytest.raises(
        InputError,
        match=r"100000 x 100000 pixels, 8000\d x 6000\d of them on the basin grid: 19\.2 GB to read, more than the 8 GB",
    ):
        refuse_large(path, GRID, 8.0)
    refuse_large(path, GRID, 20.0)
    # A large raster of which the basin is a small part is none of it.
    country = Affine(50, 0, 0, 0, -50, 7_000_000)
    refuse_large(raster(tmp_path / "country.tif", country, height=100_000, width=100_000, **fine), GRID, 8.0)
    one_block = {"sparse_ok": True, "tiled": False, "blockysize": 24_000, "compress": "deflate"}
    path = raster(
        tmp_path / "block.tif", Affine(1, 0, 490_000, 0, -1, 4_890_000), height=24_000, width=24_000, **one_block
    )
    with pytest.raises(
        InputError, match=r"blocks of 24000 x 24000 pixels: 2\.3 GB to decode at one stroke, more than the 0\.5 GB"
    ):
        refuse_large(path, GRID, 8.0)


def test_what_is_no_raster_is_left_to_its_reader(tmp_path):
    (tmp_path / "no.tif").write_bytes(b"no raster")
    refuse_large(tmp_path / "no.tif", GRID, 8.0)
    refuse_large(tmp_path / "absent.tif", GRID, 8.0)
