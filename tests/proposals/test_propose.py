"""A folder of canonical files: the settings that are proposed read back, and what is missing stands in them as a comment."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
import rioxarray  # noqa: F401  gives arrays their `rio`
import xarray as xr
import yaml
from made_basin import LEFT, TOP, depth_of, elevation_of, write_basin, write_raster
from made_folder import CORNER, FOOT, canonical_tables, heights, write

from snowtally.proposals.answers import Answers
from snowtally.proposals.folder import folder_of
from snowtally.proposals.proposal import Proposal, Refusal
from snowtally.proposals.propose import propose
from snowtally.proposals.write import Draft, text_of
from snowtally.proposals.written import write_proposed
from snowtally.settings.basin import read_settings
from snowtally.settings.yaml_file import read_yaml


@pytest.fixture
def home(tmp_path):
    """The made basin's files without its settings."""
    write_basin(tmp_path)
    (tmp_path / "basin.yaml").unlink()
    return tmp_path


def proposed_for(home, answers=None, tables=canonical_tables):
    folder = folder_of(home, [home / "settings.yaml"])
    return propose(folder, home, answers or Answers(), lambda _: None, tables)


def test_settings_of_canonical_files_are_read_back(home):
    proposed = proposed_for(home)
    assert (proposed.refusals, proposed.lacks, proposed.answers.questions) == ([], {}, [])
    assert write_proposed(proposed, home / "settings.yaml") == [home / "settings.yaml"]
    settings = read_settings(home / "settings.yaml")
    assert settings.basin.utc_offset_hours == -2
    assert (settings.grid.crs, settings.basin.season_start) == ("EPSG:32625", "10-01")
    assert settings.terrain.elevation == ["elevation.tif"]
    assert (settings.inputs.sites, settings.inputs.flights) == (["sites.csv"], ["flights.csv"])
    assert settings.columns == {}
    assert settings.archive_root == home / "archive"
    assert str(proposed.date) == "2031-03-10"


def test_every_key_has_its_evidence_above_it(home):
    proposed = proposed_for(home)
    write_proposed(proposed, home / "settings.yaml")
    lines = (home / "settings.yaml").read_text().splitlines()
    keys = [n for n, line in enumerate(lines) if line.startswith("  ") and line.lstrip()[:1] not in "#-"]
    assert len(keys) > 10
    assert all(lines[n - 1].lstrip().startswith("# ") for n in keys)
    assert all(len(line) < 120 for line in lines)


def test_an_earlier_file_is_kept(home):
    proposed = proposed_for(home)
    for n in range(3):
        (home / "settings.yaml").write_text(f"mine: {n}\n")
        write_proposed(proposed, home / "settings.yaml")
    kept = [(home / f"settings.yaml.{n}").read_text() for n in (1, 2, 3)]
    assert kept == ["mine: 0\n", "mine: 1\n", "mine: 2\n"]


@pytest.mark.parametrize(
    ("file", "key"),
    [("zones.geojson", "basin.zones"), ("elevation.tif", "terrain.elevation"), ("sites.csv", "inputs.sites")],
)
def test_what_is_missing_stands_in_the_file_with_the_cure(file, key, home):
    (home / file).unlink()
    proposed = proposed_for(home)
    assert list(proposed.lacks) == [key]
    write_proposed(proposed, home / "settings.yaml")
    text = (home / "settings.yaml").read_text()
    assert f"# {key.rsplit('.', 1)[1]}: missing. Put " in text
    assert yaml.safe_load(text)["inputs"]["courses"] == "courses.csv"


def test_flights_without_a_table_get_one_beside_the_settings(home):
    (home / "flights.csv").unlink()
    (home / "lidar").mkdir()
    (home / "depth.tif").rename(home / "lidar" / "snow_depth_20310302.tif")
    proposed = proposed_for(home)
    files = write_proposed(proposed, home / "settings.yaml")
    assert [file.name for file in files] == ["flights.csv", "settings.yaml"]
    text = (home / "flights.csv").read_text()
    assert text == (
        "flight_id,date,depth,snow_on,snow_off,stable_ground\nF20310302,2031-03-02,lidar/snow_depth_20310302.tif,,,\n"
    )
    assert read_settings(home / "settings.yaml").inputs.flights == ["flights.csv"]


def test_a_file_of_a_person_is_not_written_over_by_a_table_of_ours(home):
    (home / "flights.csv").write_text("pilot,hours\nA,3\nB,4\n")
    (home / "depth.tif").rename(home / "snow_depth_20310302.tif")
    proposed = proposed_for(
        home, tables=lambda paths, _: canonical_tables([p for p in paths if p.name != "flights.csv"])
    )
    files = write_proposed(proposed, home / "settings.yaml")
    assert [file.name for file in files] == ["flights_2.csv", "settings.yaml"]
    assert (home / "flights.csv").read_text() == "pilot,hours\nA,3\nB,4\n"
    assert read_settings(home / "settings.yaml").inputs.flights == ["flights_2.csv"]


def test_a_list_of_the_folder_s_files_takes_no_raster_away(home):
    (home / "files.txt").write_text("name,size\nelevation.tif,22796\ndepth.tif,560798\n")
    proposed = proposed_for(home)
    assert proposed.lacks == {}
    assert proposed.draft.values["terrain"]["elevation"] == str(home / "elevation.tif")


def test_depths_of_flights_in_inches_are_declared(home):
    x = 500_000.0 - 1007 + (np.arange(400) + 0.5) * 20
    y = 4_880_000.0 + 1003 - (np.arange(350) + 0.5) * 20
    inches = depth_of(elevation_of(x[None, :], y[:, None])) / 0.0254
    write_raster(home / "depth.tif", np.round(inches), 20, x[0] - 10, y[0] + 10)
    proposed = proposed_for(home)
    write_proposed(proposed, home / "settings.yaml")
    assert read_settings(home / "settings.yaml").columns["flights"]["depth"].unit == "inch"


def test_heights_in_feet_with_voids_are_declared(home):
    values = np.round(heights(1 / FOOT))
    values[:3, :] = 0
    write(home / "elevation.tif", values.astype("int16"), CORNER)
    proposed = proposed_for(home)
    write_proposed(proposed, home / "settings.yaml")
    terrain = read_settings(home / "settings.yaml").terrain
    assert (terrain.elevation_unit, terrain.voids) == ("foot", [0.0])


def test_a_person_s_answer_is_written_and_marked(home):
    write(home / "dem_old.tif", heights(), CORNER, unit="m")
    proposed = proposed_for(home, Answers(lambda proposal: proposal.others[0]))
    write_proposed(proposed, home / "settings.yaml")
    assert read_settings(home / "settings.yaml").terrain.elevation == ["elevation.tif"]
    words = (home / "settings.yaml").read_text().replace("#", " ").split()
    assert "(your answer)" in " ".join(words)


def read_yaml_text(home, text):
    (home / "x.yaml").write_text(text)
    return read_yaml(home / "x.yaml")


def test_a_table_in_two_ways_of_writing_becomes_a_list_of_formats(tmp_path):
    draft = Draft()
    draft.put("formats.courses.0.files", "a*")
    draft.put("formats.courses.0.decimal", ",", "numbers such as 3,5")
    draft.put("formats.courses.1.files", "b*", "crew b")
    draft.put("formats.courses.1.columns.depth", {"column": "Depth (in)"})
    draft.put("formats.courses.1.columns.depth", {"unit": "inch"}, "header 'Depth (in)'")
    draft.put("basin.season_start", "10-01", "north: of the equator # not a comment")
    text = text_of(draft, tmp_path, ["heading"])
    assert read_yaml_text(tmp_path, text) == {
        "basin": {"season_start": "10-01"},
        "formats": {
            "courses": [
                {"files": "a*", "decimal": ","},
                {"files": "b*", "columns": {"depth": {"column": "Depth (in)", "unit": "inch"}}},
            ]
        },
    }
    assert text.index("# numbers such as 3,5") < text.index("decimal")
    assert text.index("# header 'Depth (in)'") < text.index("depth: {")


def test_questions_are_taken_or_open():
    open_one = Proposal("a.b", 1, "x", (2,))
    unsafe = Proposal("a.c", 1, "y", (2,), is_safe=False)
    answers = Answers()
    assert [answers.settle(one).value for one in (open_one, unsafe, Proposal("a.d", 1, "z"))] == [1, 1, 1]
    assert (answers.questions, answers.undecided) == ([open_one, unsafe], [unsafe])
    asked = Answers(lambda proposal: proposal.others[0])
    assert [asked.settle(one).value for one in (open_one, unsafe)] == [2, 2]
    assert asked.questions == []


def test_station_times_without_a_clock_get_it_by_the_air(home):
    times = pd.date_range("2031-02-10", "2031-03-10T23:00", freq="1h")
    air = 5 * np.cos(2 * np.pi * (times.hour - 17) / 24) - 3
    rows = pd.DataFrame(
        {"site_id": "S1", "time": times.strftime("%Y-%m-%d %H:%M"), "swe_mm": 300, "air_temperature_c": air}
    )
    rows.to_csv(home / "stations.csv", index=False)

    def tables(paths, hint):
        got = canonical_tables(paths, hint)
        stations = got.tables["stations"]
        group = replace(stations.groups[0], lacks_clock=True)
        return replace(got, tables={**got.tables, "stations": replace(stations, groups=(group,))})

    folder = folder_of(home, [home / "settings.yaml"])
    answers = Answers()
    proposed = propose(folder, home, answers, lambda _: None, tables)
    # Two hours from UTC are too few to tell the clocks apart.
    assert [one.key for one in answers.undecided] == ["formats.stations.0.clock"]
    assert str(proposed.date) == "2031-03-10"


def test_what_waits_for_the_tables_is_named_where_they_cannot_be_read(home):
    (home / "flights.csv").unlink()
    (home / "depth.tif").rename(home / "snow_depth_20310302.tif")

    def tables(paths, hint):
        got = canonical_tables(paths, hint)
        group = replace(got.tables["stations"].groups[0], lacks_clock=True)
        stations = replace(got.tables["stations"], groups=(group,))
        refusal = Refusal(home / "courses.csv", "depth", "cm or inch", "Write the unit into the header")
        return replace(got, tables={**got.tables, "stations": stations}, refusals=(refusal,))

    proposed = propose(folder_of(home, [home / "settings.yaml"]), home, Answers(), lambda _: None, tables)
    assert len(proposed.undecided) == 3
    clock, rasters = proposed.undecided[1:]
    assert "clock of times without an offset (stations.csv)" in clock
    assert "snow_depth_20310302.tif" in rasters
    assert "run init again" in rasters


def test_sites_that_lie_elsewhere_are_refused_with_the_file_and_the_cure(home):
    # Longitudes of the west without their minus.
    sites = pd.read_csv(home / "sites.csv")
    sites.assign(longitude=-sites["longitude"]).to_csv(home / "sites.csv", index=False)
    (refusal,) = proposed_for(home).refusals
    assert refusal.file == home / "sites.csv"
    assert "no site lies near the zones: S0 has longitude 32.9" in refusal.why
    assert "their signs" in refusal.cure


def test_zones_that_lie_off_the_elevation_are_refused(home):
    write(home / "elevation.tif", heights(), (CORNER[0] + 90_000, CORNER[1]), unit="m")
    (refusal,) = proposed_for(home).refusals
    assert refusal.file == home / "elevation.tif"
    assert "the zones do not lie on the elevation" in refusal.why


def test_a_grid_in_netcdf_is_a_raster(home):
    x, y = LEFT + 50 + 100.0 * np.arange(60), TOP - 50 - 100.0 * np.arange(50)
    grid = xr.DataArray(np.full((50, 60), 0.7), coords={"y": y, "x": x}, dims=("y", "x"), name="scf")
    grid.rio.write_crs("EPSG:32625").to_netcdf(home / "snow_cover_fraction_20310305.nc")
    proposed = proposed_for(home)
    (table,) = proposed.new_tables
    assert [path.name for path in table.files] == ["snow_cover_fraction_20310305.nc"]
