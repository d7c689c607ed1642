"""A night over real ground through the command line: the published totals against the published grids, summed apart.

The ground is the real elevation grid of TER-01; its snow is the formula world of TER-04: 2 mm of depth for each metre above 400 m
on 1 April, as dense as the alpine class of Sturm et al. 2010 (J. Hydrometeor. 11, 1380-1394, Table 4). Areas are geodesic (Karney
2013, J. Geod. 87, 43-55) over outlines that this module cuts itself; nothing of the program takes part in the summing.
"""

import csv
import json
import re
from pathlib import Path
from types import SimpleNamespace

import netCDF4
import numpy as np
import pytest
import rasterio
import shapely
from affine import Affine
from made_basin import snowtally
from pyproj import Transformer
from rasterio.warp import Resampling, calculate_default_transform, reproject
from real_terrain import cell_areas_m2, polygon_area_m2, real_terrain

CODE = "EPSG:32617"
"""The ground lies 3 degrees west of this zone's central meridian: 0.13 % of area that a careless sum gets wrong (VOL-06)."""

CELL_M = 100.0
DATE, DAY = "2031-04-01", 91

AREA_KM2 = 956.026142  # TER-02
BAND_AREAS_KM2 = (243.92019, 409.192799, 233.473751, 66.401129, 3.038274)  # TER-03
BAND_SWE_MM = (0.0, 68.8824677, 193.0853, 346.895742, 458.318007)  # TER-04
VOLUME_M3 = 28186209.8 + 45080349.2 + 23034269.0 + 1392495.83  # TER-04

COURSES_M = (420.0, 600.0, 700.0, 850.0, 1000.0)
"""Heights of the courses; the first has 4 cm of snow and three points."""

PAD = 6
"""The rasters go on evenly for so many pixels beyond the outline, as a survey's do, so that cells on the outline are whole."""


def depth_of(elevation):
    return np.maximum(0.0, 0.002 * (elevation - 400.0))


def density_of(depth):
    return 1000.0 * ((0.5975 - 0.2237) * (1 - np.exp(-0.0012 * 100 * depth - 0.0038 * DAY)) + 0.2237)


def write_raster(path, values, terrain):
    step = 1 / 1200
    profile = {"driver": "GTiff", "count": 1, "dtype": "float32", "crs": "EPSG:4326", "nodata": -9999}
    padded = np.pad(values, PAD, mode="edge")
    place = Affine(step, 0, terrain.longitude[0] - PAD * step, 0, -step, terrain.latitude[0] + PAD * step)
    with rasterio.open(path, "w", height=padded.shape[0], width=padded.shape[1], transform=place, **profile) as to:
        to.write(padded.astype("f4"), 1)


def outline(terrain, west, east):
    """Return the closed ring in degrees of the columns from `west` to `east`, with a vertex every pixel."""
    x, y = terrain.longitude[west : east + 1], terrain.latitude
    ring_x = np.concatenate([x, np.full(len(y), x[-1]), x[::-1], np.full(len(y), x[0])])
    ring_y = np.concatenate([np.full(len(x), y[0]), y, np.full(len(x), y[-1]), y[::-1]])
    return np.column_stack([ring_x, ring_y])


@pytest.fixture(scope="module")
def night(tmp_path_factory):
    """The published day: rows of totals.csv, grids, the outlines of its zones, and the settings."""
    home, terrain = tmp_path_factory.mktemp("real"), real_terrain()
    write_raster(home / "elevation.tif", terrain.elevation, terrain)
    write_raster(home / "depth.tif", depth_of(terrain.elevation), terrain)
    zones = {"east": outline(terrain, 170, 403), "west": outline(terrain, 0, 170)}
    features = [
        {
            "type": "Feature",
            "properties": {"zone_id": name, "name": name},
            "geometry": {"type": "Polygon", "coordinates": [ring.tolist()]},
        }
        for name, ring in zones.items()
    ]
    (home / "zones.geojson").write_text(json.dumps({"type": "FeatureCollection", "features": features}))
    sites, samples = ["site_id,name,kind,longitude,latitude"], ["site_id,date,point,depth_cm,swe_mm"]
    # Courses that weigh just what the formula says leave the published relation as it is.
    within = terrain.elevation[20:-20, 20:-20]
    for number, height in enumerate(COURSES_M):
        row, column = np.unravel_index(np.abs(within - height).argmin(), within.shape)
        longitude, latitude = terrain.longitude[20 + column] + 1 / 2400, terrain.latitude[20 + row] - 1 / 2400
        sites.append(f"C{number},,course,{longitude},{latitude}")
        depth = float(depth_of(height))
        points = range(1, 4 if height == COURSES_M[0] else 11)
        samples += [f"C{number},{DATE},{point},{100 * depth},{depth * density_of(depth)}" for point in points]
    (home / "sites.csv").write_text("\n".join(sites) + "\n")
    (home / "courses.csv").write_text("\n".join(samples) + "\n")
    (home / "flights.csv").write_text(f"flight_id,date,depth\nF1,{DATE},depth.tif\n")
    settings = home / "basin.yaml"
    settings.write_text(
        "basin: {id: real, title: Real ground, zones: zones.geojson, utc_offset_hours: -5, margin_m: 0}\n"
        f"grid: {{crs: '{CODE}', cell_m: {CELL_M:g}}}\nbands: {{width_m: 200}}\nterrain: {{elevation: elevation.tif}}\n"
        "inputs: {sites: sites.csv, courses: courses.csv, flights: flights.csv}\narchive: archive\n"
    )
    done = snowtally("update", settings, "--date", DATE, "--json")
    assert done.returncode == 0, done.stderr
    published = Path(json.loads(done.stdout)["path"])
    totals, courses = (
        list(csv.DictReader((published / name).read_text("utf-8").splitlines())) for name in ("totals.csv", "sites.csv")
    )
    with netCDF4.Dataset(published / "estimate.nc") as file:
        file.set_auto_mask(False)
        names = ("zone", "elevation_band", "cell_area", "elevation", "snow_cover", "x", "y")
        grids = {name: np.asarray(file[name][:], float).squeeze() for name in names}
        meanings = {name: file[name].flag_meanings.split() for name in ("zone", "elevation_band")}
    for name in ("swe", "depth"):
        with rasterio.open(published / f"{name}.tif") as file:
            grids[name] = file.read(1, masked=True).filled(np.nan).astype(float)
            assert (file.crs.to_epsg(), file.transform.a, file.transform.e) == (32617, CELL_M, -CELL_M)
            assert (file.transform.c, file.transform.f) == (grids["x"][0] - CELL_M / 2, grids["y"][0] + CELL_M / 2)
    return SimpleNamespace(
        terrain=terrain,
        zones=zones,
        settings=settings,
        totals=totals,
        courses=courses,
        grids=SimpleNamespace(**grids),
        meanings=meanings,
        record=json.loads((published / "record.json").read_text("utf-8")),
    )


@pytest.fixture(scope="module")
def area_m2(night):
    """Ground area of the part of each cell inside the outlines, by geodesics and by polygons cut here."""
    to_metres = Transformer.from_crs("EPSG:4326", CODE, always_xy=True)
    whole = shapely.union_all(
        [shapely.Polygon(np.column_stack(to_metres.transform(*r.T))) for r in night.zones.values()]
    )
    x, y = np.meshgrid(night.grids.x, night.grids.y)
    half = CELL_M / 2
    cells = shapely.box(x - half, y - half, x + half, y + half)
    shapely.prepare(whole)
    inside = shapely.contains_properly(whole, cells).astype(float)
    partly = (inside == 0) & shapely.intersects(whole, cells)
    inside[partly] = shapely.area(shapely.intersection(whole, cells[partly])) / CELL_M**2
    corner_x, corner_y = (
        np.append(values - step, values[-1] + step) for values, step in ((night.grids.x, half), (night.grids.y, -half))
    )
    longitude, latitude = to_metres.transform(*np.meshgrid(corner_x, corner_y), direction="INVERSE")
    area = np.zeros(x.shape)
    for row, column in np.argwhere(inside > 0):
        ring = [row, row, row + 1, row + 1], [column, column + 1, column + 1, column]
        area[row, column] = polygon_area_m2(longitude[ring], latitude[ring])
    return area * inside


def rows_off(night, area_m2):
    """Return the rows of totals.csv that are not what the published grids add up to over cells of (y, x) `area_m2`."""
    grids, off = night.grids, []
    for row in night.totals:
        part = grids.zone > 0
        if row["zone_id"]:
            part &= grids.zone == 1 + night.meanings["zone"].index(row["zone_id"])
        if row["band_low_m"]:
            edges = f"{float(row['band_low_m']):.0f}_to_{float(row['band_high_m']):.0f}_m"
            part &= grids.elevation_band == 1 + night.meanings["elevation_band"].index(edges)
        area = area_m2[part]
        swe, depth, cover = (values[part] @ area for values in (grids.swe, grids.depth, grids.snow_cover))
        # Grids are rounded (0.1 mm, 1 mm), and a sum's error is that of as many independent roundings: four of its standard
        # deviations, and the table's own last digit. Cover (0.01) is full in most cells, so that its roundings are alike.
        spread = 4 * np.sqrt(np.sum(area**2) / 12)
        agree = {
            "area_km2": (area.sum() / 1e6, 1e-6 * area.sum() / 1e6),
            "snow_area_km2": (cover / 1e6, 1e-6 + 0.005 * area[grids.snow_cover[part] > 0].sum() / 1e6),
            "swe_mean_mm": (swe / area.sum(), 0.005 + 0.1 * spread / area.sum()),
            "volume_m3": (swe / 1e3, 1 + 0.1 * spread / 1e3),
            "depth_mean_m": (depth / area.sum(), 5e-5 + 1e-3 * spread / area.sum()),
        }
        if depth / area.sum() > 0.1:  # of a trace of snow the rounded depth is no yardstick
            agree["density_mean_kg_m3"] = (swe / depth, 0.005 + 1e-3 * spread / depth * swe / depth)
        wrong = [name for name, (value, most) in agree.items() if not abs(float(row[name]) - value) <= most]
        off += [(row["level"], row["zone_id"], row["band_low_m"], wrong)] if wrong else []
    return off


def test_ter_02_cells_add_up_to_the_ground_s_area(night, area_m2):
    inside = night.grids.zone > 0
    np.testing.assert_array_equal(inside, area_m2 > 0)
    # Published to 1/8 m2.
    assert night.grids.cell_area[inside] == pytest.approx(area_m2[inside], abs=0.07)
    basin = night.totals[0]
    assert basin["level"] == "basin"
    assert float(basin["area_km2"]) == pytest.approx(AREA_KM2, rel=1e-6)
    assert float(basin["area_km2"]) == pytest.approx(cell_areas_m2(night.terrain).sum() / 1e6, rel=1e-6)


def test_ter_03_and_04_the_published_totals_are_those_of_the_published_grids(night, area_m2):
    assert [row["level"] for row in night.totals] == ["basin"] + 2 * ["zone"] + 5 * ["band"] + 9 * ["zone_band"]
    assert rows_off(night, area_m2) == []


def test_ter_03_bands_are_those_of_the_published_elevation(night):
    inside = night.grids.zone > 0
    elevation, band = night.grids.elevation[inside], night.grids.elevation_band[inside]
    low = np.array([float(meaning.split("_")[0]) for meaning in night.meanings["elevation_band"]])
    off = elevation - low[band.astype(int) - 1]
    # Elevation is published to 0.1 m: a cell just below an edge may show it.
    assert off.min() >= -0.05
    assert off.max() <= 200.05


@pytest.mark.parametrize("careless", ["grid", "plate carree", "Web Mercator"])
def test_ter_02_and_vol_06_areas_of_a_map_fail_in_every_row(night, area_m2, careless):
    latitude = np.deg2rad(np.interp(night.grids.y, night.grids.y[[-1, 0]], night.terrain.latitude[[-1, 0]]))[:, None]
    factor = {
        # Off by 0.06 to 0.14 %; the true areas are corrected for this.
        "grid": CELL_M**2 / area_m2.max(),
        "plate carree": 1 / np.cos(latitude),
        "Web Mercator": 1 / np.cos(latitude) ** 2,
    }[careless]
    off = rows_off(night, area_m2 * factor)
    assert len(off) == len(night.totals)
    assert all("area_km2" in wrong for *_, wrong in off)


def test_ter_04_the_night_finds_the_formula_world(night):
    truth = cell_areas_m2(night.terrain)
    basin, bands = night.totals[0], [row for row in night.totals if row["level"] == "band"]
    mean_depth = np.sum(depth_of(night.terrain.elevation) * truth) / truth.sum()
    assert float(basin["depth_mean_m"]) == pytest.approx(mean_depth, abs=1e-4)
    # The formula tells the middle of places, which spread log-normally: snow weighs their mean (docs/method.md).
    heavier = np.exp(0.5 * night.record["models"]["density"]["place_spread"] ** 2)
    assert 1.0 < heavier < 1.005
    # Density is that of a cell's mean depth: between pixels of 74 x 92 m it is not a straight line. The entry's 1e-4 is for
    # the pixels themselves and is held in test_terrain_published.
    assert float(basin["volume_m3"]) == pytest.approx(heavier * VOLUME_M3, rel=2e-4)
    # Cells of 100 m that straddle an edge fall to one band with all they hold; of the highest, 3 km2, that is a fifteenth.
    for row, area, swe in list(zip(bands, BAND_AREAS_KM2, BAND_SWE_MM, strict=True))[1:4]:
        assert float(row["area_km2"]) == pytest.approx(area, rel=0.01)
        assert float(row["swe_mean_mm"]) == pytest.approx(heavier * swe, rel=0.01)
    grids = night.grids
    deep = grids.depth > 0.5
    level = grids.swe[deep] / grids.depth[deep] / heavier
    # Published to 1 mm and 0.1 mm.
    off = np.abs(level / density_of(grids.depth[deep]) - 1.0)
    assert np.quantile(off, 0.999) < 0.003
    assert off.max() < 0.012


@pytest.mark.long
def test_vol_07_a_web_mercator_raster_gives_the_same_volume(night):
    home, code = night.settings.parent, "EPSG:3857"
    with rasterio.open(home / "depth.tif") as source:
        place, width, height = calculate_default_transform(
            source.crs, code, source.width, source.height, *source.bounds
        )
        profile = source.profile | {"crs": code, "transform": place, "width": width, "height": height}
        with rasterio.open(home / "mercator.tif", "w", **profile) as to:
            reproject(rasterio.band(source, 1), rasterio.band(to, 1), resampling=Resampling.bilinear)
    (home / "mercator.csv").write_text(f"flight_id,date,depth\nF1,{DATE},mercator.tif\n")
    settings = home / "raster.yaml"
    text = night.settings.read_text().replace("flights.csv", "mercator.csv")
    settings.write_text(text.replace("archive: archive", "archive: other"))
    done = snowtally("update", settings, "--date", DATE, "--json")
    assert done.returncode == 0, done.stderr
    # The entry's 0.3 %: the second resampling smooths the edge of the snow. Areas of the projection would be 55 % too much.
    volume = json.loads(done.stdout)["totals"][0]["volume_m3"]
    assert volume == pytest.approx(float(night.totals[0]["volume_m3"]), rel=0.003)


def test_vol_07_a_web_mercator_grid_is_refused_in_one_line(night):
    # Web Mercator is a sphere's: 1 / cos2 of the latitude, 1.556 at the grid's northern edge, 36.733 N.
    wrong = night.settings.with_name("mercator.yaml")
    wrong.write_text(night.settings.read_text().replace(CODE, "EPSG:3857"))
    done = snowtally("update", wrong, "--date", DATE)
    assert done.returncode == 2
    assert done.stderr.count("\n") == 1
    assert "grid.crs" in done.stderr
    assert 0.550 < float(re.search(r"distorts area by ([0-9.]+)%", done.stderr)[1]) / 100 < 0.565


def test_core_08_a_course_of_few_points_in_thin_snow_is_not_rejected(night):
    # WMO HOMS component E53.1.04: usually 5 or 10 points, with more than 5 cm of snow. Fewer and less is flagged, not refused.
    thin = night.courses[0]
    assert (thin["site_id"], thin["used"]) == ("C0", "true")
    # Depth is published to 1 mm, SWE to 0.1 mm.
    assert float(thin["depth_m"]) == pytest.approx(0.04, abs=0.0005)
    assert float(thin["swe_mm"]) == pytest.approx(0.04 * density_of(0.04), abs=0.05)
    assert all(course["used"] == "true" for course in night.courses)
