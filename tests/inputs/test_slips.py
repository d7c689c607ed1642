"""Slips in setting up a basin: each is found on the slip, names its cause and cure, and is not cried where all is well."""

import geopandas
import numpy as np
import pandas as pd
import pytest
import rasterio
import xarray as xr
from affine import Affine
from clean_season import clean_stations, course_season
from pyproj import CRS, Transformer
from shapely.geometry import box
from trial_season import make_season

from snowtally.inputs.basin_position import check_elevation_near, clock_at_longitude
from snowtally.inputs.mixed_units import mixed_units
from snowtally.inputs.read_sites import sites_on_grid
from snowtally.inputs.read_terrain import BandEdges, ElevationFiles, basin_grid, read_terrain
from snowtally.inputs.read_zones import read_zones
from snowtally.inputs.site_twins import sites_used_twice
from snowtally.inputs.undeclared_voids import Steps
from snowtally.model.grid import BasinGrid
from snowtally.model.problems import InputError

LEFT, TOP = 500_000.0, 4_880_000.0


def grid_at(longitude, latitude=44.0, cells=60):
    """Return a grid of 100 m around a place, in its UTM zone."""
    zone = int((longitude + 180) // 6) + 1
    crs = CRS(f"EPSG:{326 if latitude >= 0 else 327}{zone:02d}")
    x, y = Transformer.from_crs("EPSG:4326", crs, always_xy=True).transform(longitude, latitude)
    left, top = round(x, -2) - cells * 50, round(y, -2) + cells * 50
    return BasinGrid(crs, 100.0, left, top, cells, cells)


# --- the clock --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("longitude", "offset", "severity", "words"),
    [
        (-33.0, 2.0, "error", "wrong sign"),
        (-105.5, 7.0, "error", "about -7 is likely.*wrong sign"),
        (-105.5, 0.0, "error", "about -7 is likely"),
        (20.0, -1.0, "error", "about \\+1 is likely.*wrong sign"),
        (76.0, 8.0, "warning", "about \\+5 is likely"),
    ],
)
def test_an_offset_that_the_longitude_contradicts_is_told_with_the_likely_one(longitude, offset, severity, words):
    (finding,) = clock_at_longitude(offset, grid_at(longitude))
    name = "wrong UTC offset" if severity == "error" else "unusual UTC offset"
    assert (finding.rule.name, finding.severity, finding.degrades) == (name, severity, severity == "error")
    assert pd.Series(finding.detail).str.contains(words).all()


@pytest.mark.parametrize(
    ("longitude", "offset"),
    # Standard times in use (time zone database): Spain, Iceland, Argentina, Nepal, Alaska, Samoa, New Zealand, Chile, Japan.
    [
        (-8.0, 1),
        (-20.0, 0),
        (-69.5, -3),
        (84.0, 5.75),
        (-150.0, -9),
        (-172.0, 13),
        (171.0, 12),
        (-70.5, -4),
        (138.0, 9),
    ],
)
def test_standard_times_in_use_are_none(longitude, offset):
    assert clock_at_longitude(float(offset), grid_at(longitude)) == []


# --- sites that stand elsewhere ---------------------------------------------------------------------------------------


def sites_at(longitude, latitude, edit, heights=(2000.0, 2050.0, np.nan)):
    """Return three sites in the middle of a grid, with coordinates as a slip has written them, and what is told of them."""
    grid = grid_at(longitude, latitude)
    terrain = xr.Dataset(
        {"elevation": grid.array(np.full(grid.shape, 2000.0)), "inside_fraction": grid.array(np.ones(grid.shape))}
    )
    x, y = np.array([longitude] * 3) + [0.0, 0.01, -0.01], np.array([latitude] * 3) + [0.0, 0.01, -0.01]
    x, y = edit(x, y)
    rows = {"site_id": ["A", "B", "C"], "kind": "course", "longitude": x, "latitude": y, "elevation_m": heights}
    placed, findings = sites_on_grid(pd.DataFrame(rows).assign(file="s.csv", line=[2, 3, 4]), grid, terrain, 150.0)
    return placed, [finding for finding in findings if finding.rule.name == "misplaced sites"]


@pytest.mark.parametrize(
    ("place", "edit", "words"),
    [
        ((-105.5, 40.2), lambda x, y: (y, x), "longitude and latitude are exchanged"),
        ((-105.5, 40.2), lambda x, y: (-x, y), "longitude has the wrong sign"),
        ((-105.5, 40.2), lambda x, y: (y, -x), "exchanged, and west lacks its minus"),
        ((170.0, -44.0), lambda x, y: (x, -y), "latitude has the wrong sign"),
        ((-70.0, -34.0), lambda x, y: (y, x), "longitude and latitude are exchanged"),
    ],
)
def test_sites_that_a_slip_put_outside_are_told_with_the_slip(place, edit, words):
    placed, told = sites_at(*place, edit)
    assert placed.empty
    assert [(one.file, one.line, one.site_id, one.degrades) for one in told] == [("s.csv", 0, "", True)]
    assert words in told[0].detail
    assert told[0].evidence.startswith("3 of 3 sites outside the margin, such as 'A': longitude")


def test_one_site_is_told_with_its_line():
    def one(x, y):
        return np.where([False, True, False], y, x), np.where([False, True, False], x, y)

    placed, told = sites_at(-105.5, 40.2, one)
    assert placed["site_id"].tolist() == ["A", "C"]
    assert [(one.site_id, one.line) for one in told] == [("B", 3)]


def test_sites_of_elsewhere_and_of_another_height_are_none():
    assert sites_at(-105.5, 40.2, lambda x, y: (x + 3.0, y))[1] == []
    assert sites_at(-105.5, 40.2, lambda x, y: (x, y))[1] == []
    # Where they would stand the ground is 900 m lower than they say.
    assert sites_at(-105.5, 40.2, lambda x, y: (-x, y), heights=(2900.0, 2900.0, 2900.0))[1] == []


# --- zones and elevation in two places --------------------------------------------------------------------------------


def zones_file(path, crs, bounds):
    outline = geopandas.GeoDataFrame({"zone_id": ["A"], "name": ["A"]}, geometry=[box(*bounds)], crs=crs)
    outline.to_file(path)
    return path


@pytest.mark.parametrize(
    ("crs", "bounds", "words"),
    [
        (
            "EPSG:4326",
            (LEFT, TOP - 5e3, LEFT + 6e3, TOP),
            r"declare degrees \(WGS 84\), but .* reach 506000 and 4880000: metres",
        ),
        (
            "EPSG:32625",
            (-33.0, 44.0, -32.9, 44.1),
            r"declare metres .* reach no further than 33 and 44.1: degrees, it seems",
        ),
    ],
)
def test_zones_whose_coordinates_cannot_be_what_they_declare_are_refused(tmp_path, crs, bounds, words):
    with pytest.raises(InputError, match=words):
        read_zones(zones_file(tmp_path / "zones.gpkg", crs, bounds), CRS("EPSG:32625"))


def elevation_file(path, epsg, left=LEFT, top=TOP, values=None, metres=100.0):
    values = np.full((60, 60), 2000.0) if values is None else values
    shape = {"height": values.shape[0], "width": values.shape[1], "count": 1, "dtype": "float32"}
    transform = Affine(metres, 0, left, 0, -metres, top)
    with rasterio.open(path, "w", driver="GTiff", crs=f"EPSG:{epsg}", transform=transform, **shape) as file:
        file.write(values.astype("f4"), 1)
    return path


def stated(longitude, latitude):
    return lambda: pd.DataFrame({"longitude": [longitude], "latitude": [latitude]})


def test_zones_that_lie_nowhere_near_the_elevation_are_refused_with_both_places_and_the_sites(tmp_path):
    elevation = [elevation_file(tmp_path / "z.tif", 32625)]
    utm25, utm26 = (BasinGrid(CRS(f"EPSG:{code}"), 100.0, LEFT, TOP, 60, 60) for code in (32625, 32626))
    check_elevation_near(tmp_path / "zones.gpkg", elevation, stated(-32.97, 44.04), utm25)
    words = r"zones .*zones.gpkg lie around 44.0\d N 26.9\d W, elevation .*z.tif around 44.0\d N 32.9\d W"
    with pytest.raises(InputError, match=words + r", the sites around 44.04 N 32.97 W: the zones declare a wrong"):
        check_elevation_near(tmp_path / "zones.gpkg", elevation, stated(-32.97, 44.04), utm26)
    with pytest.raises(InputError, match="the elevation declares a wrong coordinate system"):
        check_elevation_near(tmp_path / "zones.gpkg", elevation, stated(-26.97, 44.04), utm26)
    with pytest.raises(InputError, match="look which of the two"):
        check_elevation_near(tmp_path / "zones.gpkg", elevation, lambda: pd.DataFrame({"longitude": []}), utm26)


def test_zones_with_longitude_and_latitude_exchanged_are_told_as_such(tmp_path):
    elevation = [elevation_file(tmp_path / "z.tif", 32625)]
    with pytest.raises(InputError, match="the zones' longitude and latitude are exchanged"):
        check_elevation_near(tmp_path / "z.gpkg", elevation, stated(-32.97, 44.04), grid_at(44.04, -32.97))


def test_a_global_elevation_is_near_everywhere_and_an_unreadable_one_is_told_by_its_reader(tmp_path):
    whole = elevation_file(tmp_path / "z.tif", 4326, 0.0, 90.0, np.full((18, 36), 500.0), 10.0)
    for longitude in (-105.0, 10.0, 179.0):
        check_elevation_near(tmp_path / "zones.gpkg", [whole], stated(0.0, 0.0), grid_at(longitude))
    (tmp_path / "none.tif").write_text("no raster")
    check_elevation_near(tmp_path / "zones.gpkg", [tmp_path / "none.tif"], stated(0.0, 0.0), grid_at(10.0))


# --- one site under two names -----------------------------------------------------------------------------------------


def twins(kind, rows, original, *, shift_m=30.0, decimals=4, noise=0.0):
    """Return sites on the grid and rows in which one site stands under two names."""
    copy = rows[rows["site_id"] == original].assign(site_id="TWIN")
    for name in ("swe_mm", "depth_m"):
        copy[name] = copy[name] * (1.0 + noise * np.random.default_rng(5).standard_normal(len(copy)))
    names = [*rows["site_id"].unique(), "TWIN"]
    to = Transformer.from_crs("EPSG:32625", "EPSG:4326", always_xy=True)
    x, y = LEFT + 700.0 * np.arange(len(names)), TOP - 500.0 * np.arange(len(names))
    at = names.index(original)
    x[-1], y[-1] = x[at] + shift_m, y[at]
    longitude, latitude = to.transform(x, y)
    sites = {
        "site_id": names,
        "kind": kind,
        "longitude": np.round(longitude, decimals),
        "latitude": np.round(latitude, decimals),
    }
    sites = pd.DataFrame(sites).assign(x=x, y=y, file="s.csv", line=np.arange(len(names)) + 2)
    return sites, pd.concat([rows, copy], ignore_index=True)


def test_a_station_under_two_names_is_told_and_a_neighbour_is_not():
    rows = clean_stations("continental", step_hours=24)
    original = rows["site_id"].iloc[0]
    sites, both = twins("station", rows, original)
    (finding,) = sites_used_twice(sites, both.head(0), both)
    assert (finding.rule.name, finding.site_id, finding.degrades) == ("site under two names", "TWIN", True)
    assert f"30 m from '{original}', with the same readings on" in finding.evidence
    # Another instrument beside it; the same series far away; the season as it is.
    for sites, others in (
        twins("station", rows, original, noise=0.03),
        twins("station", rows, original, shift_m=3000.0),
    ):
        assert sites_used_twice(sites, others.head(0), others) == []
    assert sites_used_twice(sites, rows.head(0), rows) == []


def test_a_course_under_two_names_is_told_within_what_coordinates_are_stated_to():
    rows, _ = course_season("continental")
    original = rows.groupby("site_id")["date"].nunique().idxmax()
    for shift_m, decimals, told in ((900.0, 2, True), (900.0, 4, False), (20.0, 5, True)):
        sites, both = twins("course", rows, original, shift_m=shift_m, decimals=decimals)
        assert bool(sites_used_twice(sites, both, both.head(0))) == told
    assert sites_used_twice(sites, rows, rows.head(0)) == []


# --- one station in another unit --------------------------------------------------------------------------------------


def planted(seed, reading, factor, days=150):
    """Return a season's rows with one station in another unit, its heights and the station."""
    season = make_season(seed, 24)
    rows = pd.concat(season.stations.values(), ignore_index=True)
    rows = rows.assign(date=rows["time"].dt.floor("D"), depth_m=rows["depth_cm"] / 100.0, file="s.csv")
    rows = rows[rows["date"] <= rows["date"].min() + pd.Timedelta(days=days)]
    heights = season.sites.set_index("site_id")["elevation_m"]
    site = rows.loc[rows["swe_mm"].notna(), "site_id"].iloc[0]
    those = rows["site_id"] == site
    return rows.assign(**{reading: rows[reading].where(~those, rows[reading] * factor)}), heights, site


@pytest.mark.parametrize(
    ("reading", "factor", "unit", "declared"),
    [
        ("swe_mm", 1 / 25.4, "inch", None), ("depth_m", 1 / 2.54, "inch", None), ("swe_mm", 1 / 10, "cm", None),
        ("swe_mm", 25.4, "mm", "inch"), ("depth_m", 2.54, "cm", "inch"),
    ],
)  # fmt: skip
@pytest.mark.parametrize("seed", [0, pytest.param(1, marks=pytest.mark.long)])
def test_a_station_in_another_unit_than_the_others_is_told_with_the_unit(seed, reading, factor, unit, declared):
    rows, heights, site = planted(seed, reading, factor)
    key = {"swe_mm": "swe", "depth_m": "depth"}[reading]
    (finding,) = mixed_units(rows, heights, lambda _, asked: declared if asked == key else None)
    assert (finding.rule.name, finding.site_id, finding.degrades) == ("mixed units", site, True)
    assert f"looks as if its {key} were in {unit}" in finding.detail


@pytest.mark.parametrize("seed", [0, 1, *(pytest.param(one, marks=pytest.mark.long) for one in range(2, 6))])
@pytest.mark.parametrize("days", [75, 210])
def test_stations_in_one_unit_are_left_alone(seed, days):
    rows, heights, _ = planted(seed, "swe_mm", 1.0, days)
    assert mixed_units(rows, heights, lambda *_: None) == []


def test_a_station_with_swe_alone_is_held_against_those_that_are_not_higher():
    rows, heights, _ = planted(0, "swe_mm", 1.0)
    high, low = (heights[rows["site_id"].unique()].sort_values().index[n] for n in (-1, 0))
    for site, told in ((high, True), (low, False)):
        those = rows["site_id"] == site
        inches = rows.assign(
            swe_mm=rows["swe_mm"].where(~those, rows["swe_mm"] / 25.4), depth_m=rows["depth_m"].mask(those)
        )
        assert [one.site_id for one in mixed_units(inches, heights, lambda *_: None)] == [site] * told


# --- voids and feet in the elevation ----------------------------------------------------------------------------------


def hills(cells=60):
    y, x = np.mgrid[0:cells, 0:cells] * 100.0
    return np.round(1800 + 0.1 * x + 300 * np.sin(x / 900.0) * np.cos(y / 700.0))


def terrain_of(tmp_path, values, margin_cells=10, **said):
    """Return what is told of an elevation of 100 m pixels, of which some lie around the basin."""
    inner = (60 - 2 * margin_cells) * 100.0
    corner = LEFT + margin_cells * 100.0, TOP - margin_cells * 100.0
    outline = box(corner[0], corner[1] - inner, corner[0] + inner, corner[1])
    whole = geopandas.GeoDataFrame({"zone_id": ["A"], "name": ["A"]}, geometry=[outline], crs="EPSG:32625")
    grid = basin_grid(whole, CRS("EPSG:32625"), 100.0, margin_cells * 100.0)
    files = ElevationFiles([elevation_file(tmp_path / "z.tif", 32625, values=values)], **said)
    _, findings = read_terrain(files, None, whole, grid, BandEdges(200.0))
    return [(one.rule.name, one.severity.value, one.degrades, one.evidence, one.detail) for one in findings]


@pytest.mark.parametrize("void", [0.0, 8888.0])
def test_undeclared_voids_in_the_basin_degrade_the_night_and_name_the_setting(tmp_path, void):
    values = hills()
    values[25:28, 30:34] = void
    values[40, 22] = void
    values[33:40, 40:45] = void
    ((name, severity, degrades, evidence, detail),) = terrain_of(tmp_path, values)
    assert (name, severity, degrades) == ("undeclared voids", "error", True)
    # 12, 1 and 35 of 1600 cells.
    assert evidence == f"{void:g} among other heights, in 48 cells of the basin, 3.00% of its area"
    assert f"terrain.voids: [{void:g}]" in detail


def test_declared_voids_are_filled_and_undeclared_ones_of_the_margin_a_warning(tmp_path):
    values = hills()
    values[25:28, 30:34] = 0.0
    assert [row[:3] for row in terrain_of(tmp_path, values, voids=(0.0,))] == [
        ("voids in the terrain", "warning", False)
    ]
    values = hills()
    values[2:5, 3:6] = 0.0
    assert [row[:3] for row in terrain_of(tmp_path, values)] == [("undeclared voids outside", "warning", False)]


def test_a_lake_the_sea_a_cliff_and_plain_hills_are_no_voids(tmp_path):
    values = hills()
    lake = np.maximum(values, np.quantile(values, 0.1))
    cliff = values + np.where(np.arange(60) > 30, 700.0, 0.0)
    sea = np.maximum(values - 1750.0, 0.0)
    for field in (values, lake, cliff, sea):
        assert terrain_of(tmp_path, field) == []


def test_a_single_pixel_of_0_among_fine_pixels_is_seen():
    fine = np.repeat(np.repeat(hills(), 5, axis=0), 5, axis=1)
    fine[17, 23] = 0.0
    steps = Steps()
    steps.see(fine, 1.0, 20.0)
    assert steps.alone() == (0.0,)
    # Stored in decimetres a step of 100 m is a thousand.
    steps = Steps()
    steps.see(np.where(fine == 0.0, 9999.0, 10 * fine), 0.1, 20.0)
    assert steps.alone() == (9999.0,)


@pytest.mark.parametrize(
    ("ground", "heights", "severity", "words"),
    [
        (2000.0 * 3.2808, [1990.0, 2020.0], "error", "terrain.elevation_unit: foot"),
        (2000.0, [6550.0, 6600.0, 6500.0], "warning", "columns: {sites: {elevation: {unit: foot}}}"),
    ],
)
def test_feet_are_told_by_the_ratio_to_metres(ground, heights, severity, words):
    grid = grid_at(-105.5)
    terrain = xr.Dataset(
        {"elevation": grid.array(np.full(grid.shape, ground)), "inside_fraction": grid.array(np.ones(grid.shape))}
    )
    rows = pd.DataFrame({"site_id": [f"S{n}" for n in range(len(heights))], "elevation_m": heights, "kind": "course"})
    rows = rows.assign(longitude=-105.5, latitude=44.0, file="s.csv", line=rows.index + 2)
    names = ("terrain against the sites", "elevations in feet")
    told = [one for one in sites_on_grid(rows, grid, terrain, 150.0)[1] if one.rule.name in names]
    assert [(one.severity, one.degrades) for one in told] == [(severity, severity == "error")]
    assert words in told[0].detail
