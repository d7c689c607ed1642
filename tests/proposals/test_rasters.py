"""Which raster is what: by values, names and dates, never by a guess that would be silent."""

import numpy as np
import openpyxl
import pandas as pd
import pytest
from made_basin import LEFT, TOP, elevation_of
from made_folder import CORNER, FOOT, heights, outlines, write
from pyproj import Transformer

from snowtally.proposals.answers import Answers
from snowtally.proposals.flight_tables import (
    FlightDay,
    covers_table,
    depths_in_two_units,
    flights_of,
    flights_table,
    unit_proposals,
)
from snowtally.proposals.folder import folder_of
from snowtally.proposals.ground import ground_of, named_in_tables, with_decided_unit
from snowtally.proposals.raster_facts import RasterFacts, facts_of
from snowtally.proposals.rasters import RasterKind, fraction_refusal, kind_of


def facts(path):
    got = facts_of(path)
    assert isinstance(got, RasterFacts), got
    return got


def fraction(high=0.8, shape=(50, 60)):
    return (np.random.default_rng(1).random(shape) * high).astype("float32")


def test_rasters_are_known_by_values_names_and_dates(tmp_path):
    rng = np.random.default_rng(2)
    snow = (rng.random((50, 60)) * 3).astype("float32")
    rasters = {
        "dem_10m.tif": (heights(), RasterKind.ELEVATION),
        "area51.tif": (heights(), RasterKind.ELEVATION),
        "tcc.tif": (fraction(), RasterKind.CANOPY),
        "fsc_20310410.tif": (fraction(1.0), RasterKind.COVER),
        "albedo_2031-04-10.tif": (fraction(), RasterKind.ALBEDO),
        "snowdepth_20310327.tif": (snow, RasterKind.DEPTH),
        "lidar_snow_on_20310327.tif": (heights(), RasterKind.SNOW_ON),
        "lidar_snow_off_20300901.tif": (heights(), RasterKind.SNOW_OFF),
        "stable_20310327.tif": ((snow > 2).astype("uint8"), RasterKind.STABLE),
    }
    for name, (values, kind) in rasters.items():
        assert kind_of(facts(write(tmp_path / name, values))) is kind, name
    unusable = {
        "hillshade.tif": (heights(), "no setting needs"),
        "snowdepth.tif": (snow, "holds no date"),
        "product_20310327.tif": (snow, "does not say what it holds"),
    }
    for name, (values, said) in unusable.items():
        assert said in kind_of(facts(write(tmp_path / name, values))), name


def test_a_file_that_is_no_raster_is_told_with_the_reason(tmp_path):
    (tmp_path / "a.tif").write_bytes(b"not a raster at all")
    assert "cannot be read as a raster" in facts_of(tmp_path / "a.tif").why


def test_per_cents_are_used_only_where_the_file_says_so(tmp_path):
    plain = facts(write(tmp_path / "canopy.tif", fraction(90.0)))
    said = facts(write(tmp_path / "canopy2.tif", fraction(90.0), unit="%"))
    assert "gdal_edit -units %" in fraction_refusal(plain)
    assert fraction_refusal(said) == ""


def ground_in(home, answers=None):
    outlines(home / "zones.geojson", [{"zone_id": "a", "name": "A"}], west=-32.995, south=44.03)
    return ground_of(folder_of(home), answers or Answers())


@pytest.mark.parametrize(
    ("values", "voids"),
    [
        (np.where(heights() > 1900, 0, heights()).astype("int16"), [0]),
        (np.where(heights() > 1900, 9999, heights()).astype("int16"), [9999]),
        (np.where(heights() > 2300, -32768, np.where(heights() < 1400, 0, heights())).astype("int16"), [0, -32768]),
        ((heights() - 1360).astype("int16"), None),
    ],
    ids=["sea of hills", "nines", "two codes", "a shore"],
)
def test_undeclared_voids_stand_apart_from_all_heights(values, voids, tmp_path):
    write(tmp_path / "dem.tif", values, CORNER, unit="m")
    ground = ground_in(tmp_path)
    proposed = {one.key: one.value for one in ground.elevation.proposals}
    assert proposed.get("terrain.voids") == voids
    low, high = ground.elevation.heights.min(), ground.elevation.heights.max()
    assert high < 2500
    assert low > (1000 if voids else -100)


def test_declared_voids_need_no_word(tmp_path):
    values = np.where(heights() > 1900, -9999, heights()).astype("int16")
    write(tmp_path / "dem.tif", values, CORNER, nodata=-9999)
    assert {one.key for one in ground_in(tmp_path).elevation.proposals} == {"terrain.elevation"}


def sites_at(stated):
    """Return sites on the made basin whose stated heights are so many times the truth."""
    x, y = LEFT + 900 * (np.arange(5) + 0.5), TOP - 700 * (np.arange(5) + 0.5)
    longitude, latitude = Transformer.from_crs("EPSG:32625", "EPSG:4326", always_xy=True).transform(x, y)
    return pd.DataFrame({"longitude": longitude, "latitude": latitude, "elevation_m": elevation_of(x, y) * stated})


@pytest.mark.parametrize(
    ("factor", "unit", "proposed"),
    [(1.0, None, None), (1 / FOOT, None, "foot"), (1 / FOOT, "ft", None), (1 / FOOT, "US survey foot", None)],
)
def test_the_unit_of_heights_is_the_file_s_or_decided_by_the_sites(factor, unit, proposed, tmp_path):
    write(tmp_path / "dem.tif", heights(factor), CORNER, unit=unit)
    answers = Answers()
    ground = with_decided_unit(ground_in(tmp_path, answers), answers, sites_at(1.0))
    keys = {one.key: one.value for one in ground.elevation.proposals}
    assert keys.get("terrain.elevation_unit") == proposed
    assert answers.undecided == []
    # Whatever the unit, the terrain's heights come out in metres.
    sites = sites_at(1.0)
    at = ground.elevation.heights_at(sites["longitude"].to_numpy(), sites["latitude"].to_numpy())
    assert at == pytest.approx(sites["elevation_m"].to_numpy(), abs=20)


def test_heights_that_nothing_decides_the_unit_of_are_a_question_that_must_be_answered(tmp_path):
    write(tmp_path / "dem.tif", heights(), CORNER)
    answers = Answers()
    silent = sites_at(1.0).assign(elevation_m=np.nan)
    with_decided_unit(ground_in(tmp_path, answers), answers, silent)
    (question,) = answers.undecided
    assert question.key == "terrain.elevation_unit"
    assert (question.value, question.others) == ("metre", ("foot",))
    assert "dem.tif" in question.evidence
    assert "no site states an elevation" in question.evidence
    # Sites that agree, and say no unit either, are both metres or both feet: the question says so.
    write(tmp_path / "dem.tif", heights(3.0), CORNER)
    answers = Answers()
    with_decided_unit(ground_in(tmp_path, answers), answers, sites_at(3.0), compares=False)
    (question,) = answers.undecided
    assert "the sites' heights are equal to it and have no unit either" in question.evidence


def test_equal_heights_are_metres_where_feet_would_make_the_ground_flat(tmp_path):
    write(tmp_path / "dem.tif", heights(), CORNER)
    answers = Answers()
    ground = with_decided_unit(ground_in(tmp_path, answers), answers, sites_at(1.0), compares=False)
    assert answers.undecided == []
    assert ground.elevation.metres_per_unit == 1.0


def test_heights_that_no_mountain_has_are_feet_and_so_are_slopes_that_none_has(tmp_path):
    write(tmp_path / "dem.tif", heights(8.0), CORNER)
    high = ground_in(tmp_path).elevation
    assert high.metres_per_unit == FOOT
    rng = np.random.default_rng(3)
    steep = (heights() + rng.normal(0, 120, heights().shape)).astype("float32")
    write(tmp_path / "dem.tif", steep, CORNER)
    assert ground_in(tmp_path).elevation.metres_per_unit == FOOT


def test_tiles_are_one_elevation_named_by_a_glob_or_a_list(tmp_path):
    whole = heights()
    for n, columns in enumerate((slice(0, 40), slice(40, 80))):
        write(tmp_path / f"ned_{n}.tif", whole[:, columns], (CORNER[0] + 4000 * n, CORNER[1]), unit="m")
    (paths,) = (one.value for one in ground_in(tmp_path).elevation.proposals)
    assert paths == str(tmp_path / "ned_*.tif")
    write(tmp_path / "ned_9.tif", fraction(), (LEFT + 90_000, TOP))
    (paths,) = (one.value for one in ground_in(tmp_path).elevation.proposals)
    assert paths == [str(tmp_path / f"ned_{n}.tif") for n in (0, 1)]


def test_two_elevations_of_one_place_are_asked_for(tmp_path):
    write(tmp_path / "dem_fine.tif", heights(), CORNER, unit="m")
    write(tmp_path / "dem_old.tif", heights(), CORNER, unit="m")
    answers = Answers()
    ground_in(tmp_path, answers)
    (question,) = answers.questions
    assert (question.value, question.others) == ("dem_fine.tif", ("dem_old.tif",))
    assert "dem_fine.tif: heights" in question.evidence
    assert "dem_old.tif: heights" in question.evidence
    chosen = ground_in(tmp_path, Answers(lambda proposal: proposal.others[0])).elevation
    assert chosen.tiles[0].path.name == "dem_old.tif"


def test_rasters_that_a_table_names_are_no_elevation(tmp_path):
    write(tmp_path / "dem.tif", heights(), CORNER, unit="m")
    write(tmp_path / "f1_a.tif", heights(), CORNER, unit="m")
    (tmp_path / "flights.csv").write_text("flight_id,date,snow_on,snow_off\nF1,2031-03-01,f1_*.tif,\n")
    answers = Answers()
    assert ground_in(tmp_path, answers).elevation.tiles[0].path.name == "dem.tif"
    assert answers.questions == []
    (tmp_path / "flights.csv").unlink()
    book = openpyxl.Workbook()
    for row in (["flight_id", "date", "snow_on", "snow_off"], ["F1", "2031-03-01", "f1_*.tif", None]):
        book.active.append(row)
    book.save(tmp_path / "flights.xlsx")
    assert named_in_tables(folder_of(tmp_path)) == {tmp_path / "f1_a.tif"}


def kinds_of(*paths):
    kinds = {}
    for path in paths:
        kinds.setdefault(kind_of(facts(path)), []).append(facts(path))
    return kinds


def test_a_table_of_flights_comes_from_names(tmp_path):
    rng = np.random.default_rng(2)
    snow = (rng.random((50, 60)) * 3).astype("float32")
    flights, left = flights_of(
        kinds_of(
            write(tmp_path / "depth_20310206_a.tif", snow),
            write(tmp_path / "depth_20310206_b.tif", snow, (LEFT + 6000, TOP)),
            write(tmp_path / "depth_20310206_coarse.tif", snow, cell=110.0),
            write(tmp_path / "snow_on_20310327.tif", heights()),
            write(tmp_path / "snow_off_2030-09-01.tif", heights()),
            write(tmp_path / "stable.tif", (snow > 2).astype("uint8")),
            write(tmp_path / "snow_on_20310508.tif", heights(), (LEFT + 90_000, TOP)),
        )
    )
    table = flights_table(flights)
    rows = [
        {key: value if isinstance(value, str) else [path.name for path in value] for key, value in row.items()}
        for row in table.rows
    ]
    assert rows[0] == {
        "flight_id": "F20310206",
        "date": "2031-02-06",
        "depth": ["depth_20310206_a.tif", "depth_20310206_b.tif"],
    }
    assert rows[1]["snow_off"] == ["snow_off_2030-09-01.tif"]
    assert rows[1]["stable_ground"] == ["stable.tif"]
    assert left[0].path.name == "depth_20310206_coarse.tif"


def test_a_surface_without_bare_ground_makes_no_flight(tmp_path):
    flights, left = flights_of(kinds_of(write(tmp_path / "snow_on_20310327.tif", heights())))
    assert flights == []
    assert "no surface without snow" in left[0].why


def test_a_table_of_covers_comes_from_names_and_leaves_per_cents_out(tmp_path):
    table, left = covers_table(
        kinds_of(
            write(tmp_path / "fsc_20310410.tif", fraction(1.0)),
            write(tmp_path / "fsc_20310418.tif", fraction(100.0)),
            write(tmp_path / "albedo_20310411.tif", fraction()),
        )
    )
    assert [(row["date"], row["variable"]) for row in table.rows] == [
        ("2031-04-10", "snow_cover_fraction"),
        ("2031-04-11", "snow_albedo"),
    ]
    assert [one.path.name for one in left] == ["fsc_20310418.tif"]


def depths(ratio):
    """Return depths at sites of a flight whose values are `ratio` times as many metres."""
    x, y = LEFT + 900 * (np.arange(5) + 0.5), TOP - 700 * (np.arange(5) + 0.5)
    longitude, latitude = Transformer.from_crs("EPSG:32625", "EPSG:4326", always_xy=True).transform(x, y)
    return pd.DataFrame(
        {
            "date": pd.Timestamp("2031-03-25"),
            "longitude": longitude,
            "latitude": latitude,
            "depth_m": np.array([1.0, 1.6, 2.0, 2.3, 1.2]) / ratio,
        }
    )


@pytest.mark.parametrize(
    ("factor", "unit"), [(1.0, None), (1 / FOOT, "foot"), (1 / 0.0254, "inch"), (100.0, "cm"), (1000.0, "mm")]
)
def test_the_unit_of_a_flight_s_depths_is_decided_by_the_sites(factor, unit, tmp_path):
    values = np.full((50, 60), 1.7 * factor, "float32")
    file = facts(write(tmp_path / "depth_20310327.tif", values))
    day = FlightDay("depth", [file], pd.Timestamp("2031-03-27"))
    got = unit_proposals([day], depths(1.0), None)
    assert [one.value for one in got] == ([] if unit is None else [{"unit": unit}])
    assert all(one.is_safe for one in got)


@pytest.mark.parametrize(("course", "is_told"), [(1.0, False), (1.6, False), (2.54, True), (1 / 2.54, True)])
@pytest.mark.parametrize("unit", ["m", None])
def test_courses_in_another_unit_than_the_stations_are_told_by_the_flights(course, is_told, unit, tmp_path):
    # A sheet of inches under a header in centimetres: depth and SWE by themselves have a snow's density.
    file = facts(write(tmp_path / "depth_20310327.tif", np.full((50, 60), 1.7, "float32"), unit=unit))
    both = pd.concat([depths(course).assign(kind="course"), depths(1.0).assign(kind="station")])
    why = depths_in_two_units([FlightDay("depth", [file], pd.Timestamp("2031-03-27"))], both)
    assert bool(why) == is_told
    assert not is_told or f"at {'courses' if course > 1 else 'stations'} as at the others" in why


def test_no_foot_is_taken_where_inches_under_a_wrong_header_would_explain_it(tmp_path):
    file = facts(write(tmp_path / "depth_20310327.tif", np.full((50, 60), 1.6 * 2.54, "float32")))
    (question,) = unit_proposals([FlightDay("depth", [file], pd.Timestamp("2031-03-27"))], depths(1.0), None)
    assert not question.is_safe


def test_depths_without_sites_nearby_are_a_question_that_must_be_answered(tmp_path):
    file = facts(write(tmp_path / "depth_20310527.tif", np.full((50, 60), 1.7, "float32")))
    (question,) = unit_proposals([FlightDay("depth", [file], pd.Timestamp("2031-05-27"))], depths(1.0), None)
    assert not question.is_safe
    assert {"unit": "foot"} in (question.value, *question.others)
    declared = facts(write(tmp_path / "depth_20310528.tif", np.full((50, 60), 1.7, "float32"), unit="ft"))
    assert unit_proposals([FlightDay("depth", [declared], pd.Timestamp("2031-05-28"))], depths(1.0), None) == []
