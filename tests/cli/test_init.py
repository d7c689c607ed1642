"""`snowtally init`: from a folder of files to settings that run, or that say what is missing and are refused until then."""

import json
import shutil
from pathlib import Path

import pytest
from made_basin import snowtally, write_basin
from made_folder import CORNER, FOOT, heights, write

from snowtally.cli import init
from snowtally.proposals.proposal import Proposal
from snowtally.settings.basin import read_settings

ROOT = Path(__file__).parents[2]


@pytest.fixture
def home(tmp_path):
    """The made basin's files in a folder, without its settings."""
    (tmp_path / "fork").mkdir()
    write_basin(tmp_path / "fork").joinpath("basin.yaml").rename(tmp_path / "basin.yaml")
    return tmp_path / "fork"


def volume(done):
    (basin,) = (row for row in json.loads(done.stdout)["totals"] if row["level"] == "basin")
    return basin["volume_m3"]


def test_init_then_update_publishes_what_settings_by_hand_do(home):
    done = snowtally("init", home, "--yes", "--json")
    assert done.returncode == 0, done.stderr
    told = json.loads(done.stdout)
    assert (told["date"], told["troubles"], told["questions"]) == ("2031-03-10", [], [])
    assert told["next"] == f"snowtally update {home / 'settings.yaml'} --date 2031-03-10"
    assert told["check"]["degraded"] == []
    assert {"basin.zones", "grid.crs", "grid.cell_m", "inputs.stations"} <= {one["key"] for one in told["proposals"]}
    ours = snowtally("update", home / "settings.yaml", "--date", told["date"], "--json")
    by_hand = home / "by_hand.yaml"
    by_hand.write_text((home.parent / "basin.yaml").read_text().replace("archive: archive", "archive: ../by_hand"))
    theirs = snowtally("update", by_hand, "--date", told["date"], "--json")
    assert volume(ours) == pytest.approx(volume(theirs), rel=0.02)


def test_people_read_what_was_found_and_what_comes_next(home):
    done = snowtally("init", home, "--yes")
    assert done.returncode == 0
    for line in ("basin.zones: zones.geojson", "grid.crs: EPSG:32625", "Written: ", "Next: snowtally update "):
        assert line in done.stdout
    assert "2031-03-10 may use" in done.stdout


def test_an_existing_file_is_never_overwritten_unasked(home):
    (home / "settings.yaml").write_text("mine: 1\n")
    done = snowtally("init", home, "--yes")
    assert done.returncode == 2
    assert "exists already. Give --replace" in done.stderr
    assert (home / "settings.yaml").read_text() == "mine: 1\n"
    assert snowtally("init", home, "--yes", "--replace").returncode == 0
    assert (home / "settings.yaml.1").read_text() == "mine: 1\n"


def test_questions_stay_open_where_nobody_can_answer(home):
    write(home / "dem_2.tif", heights(), CORNER, unit="m")
    done = snowtally("init", home)
    assert done.returncode == 2
    assert "Which raster is the elevation of the ground?" in done.stdout
    assert not (home / "settings.yaml").exists()
    assert json.loads(snowtally("init", home, "--json").stdout)["path"] is None
    taken = snowtally("init", home, "--yes")
    assert "Check these before you trust the first night" in taken.stdout


def test_what_would_be_silent_is_not_guessed_and_the_settings_are_refused(home):
    # Heights of a file without a unit, and sites that state none.
    write(home / "elevation.tif", heights(1 / FOOT), CORNER)
    lines = [line.rsplit(",", 1)[0] for line in (home / "sites.csv").read_text().splitlines()]
    (home / "sites.csv").write_text("\n".join(lines) + "\n")
    done = snowtally("init", home, "--yes")
    assert done.returncode == 2
    assert "These settings are not ready" in done.stdout
    assert "terrain.elevation_unit: metre or foot?" in done.stdout
    refused = snowtally("update", home / "settings.yaml", "--date", "2031-03-10")
    assert refused.returncode == 2
    assert "undecided: init could not decide this: terrain.elevation_unit: metre or foot?" in refused.stderr
    # A person decides: the line goes, and the unit is as it says.
    text = (home / "settings.yaml").read_text()
    head, rest = text.split("undecided:\n")
    rest = rest.split("\n", 1)[1].replace("elevation_unit: metre", "elevation_unit: foot")
    (home / "settings.yaml").write_text(head + rest)
    assert read_settings(home / "settings.yaml").terrain.elevation_unit == "foot"
    assert snowtally("check", home / "settings.yaml", "--date", "2031-03-10").returncode == 0


@pytest.mark.parametrize("file", ["zones.geojson", "elevation.tif", "sites.csv"])
def test_a_missing_input_is_named_with_what_to_add(file, home):
    (home / file).unlink()
    done = snowtally("init", home, "--yes")
    assert done.returncode == 2
    assert " is missing. Put " in done.stdout
    assert "missing. Put " in (home / "settings.yaml").read_text()
    assert snowtally("update", home / "settings.yaml").returncode == 2


def test_a_folder_that_is_none_is_wrong_use(tmp_path):
    done = snowtally("init", tmp_path / "nowhere")
    assert done.returncode == 2
    assert "is not a folder" in done.stderr


def test_an_empty_folder_says_all_that_is_missing(tmp_path):
    done = snowtally("init", tmp_path, "--yes", "--json")
    assert done.returncode == 2
    told = json.loads(done.stdout)["troubles"]
    assert [one.split(" is missing")[0] for one in told] == ["basin.zones", "terrain.elevation", "inputs.sites"]


def answers_of(monkeypatch, *typed):
    left = list(typed)
    monkeypatch.setattr("builtins.input", lambda _: left.pop(0))
    return left


def test_a_person_is_asked_until_the_answer_is_a_number_of_the_list(monkeypatch, capsys):
    question = Proposal("terrain.elevation_unit", "metre", "dem.tif declares no unit", ("foot",), is_safe=False)
    left = answers_of(monkeypatch, "", "feet", "3", "2")
    assert init._ask(question) == "foot"
    assert left == []
    said = capsys.readouterr().out
    assert "In which unit are the heights of the elevation raster?" in said
    assert "What the files say: dem.tif declares no unit" in said
    assert "'feet' is not a number from 1 to 2." in said
    # Enter takes the first answer only where a wrong one would be noticed.
    answers_of(monkeypatch, "")
    assert init._ask(Proposal("basin.zones", "a.gpkg", "x", ("b.gpkg",))) == "a.gpkg"


def test_the_demo_s_folder_gives_the_demo_s_settings(tmp_path):
    """Whatever decides a day is as in configs/larkmoor.yaml, so that the published night is too."""
    folder = tmp_path / "larkmoor"
    shutil.copytree(ROOT / "sample_inputs" / "larkmoor", folder, ignore=shutil.ignore_patterns("*.py", "__pycache__"))
    done = snowtally("init", folder, "--yes", "--json")
    assert done.returncode == 0, done.stdout + done.stderr
    ours, theirs = read_settings(folder / "settings.yaml"), read_settings(ROOT / "configs" / "larkmoor.yaml")
    for block in ("grid", "bands", "checks", "stations", "flights", "density", "blend", "columns", "formats"):
        assert getattr(ours, block) == getattr(theirs, block), block
    assert ours.basin.id == theirs.basin.id
    for name in ("utc_offset_hours", "season_start", "margin_m"):
        assert getattr(ours.basin, name) == getattr(theirs.basin, name)
    for role in ("sites", "courses", "stations", "flights", "covers", "weather", "normals"):
        named = [Path(one).name for one in getattr(theirs.inputs, role)]
        assert [Path(one).name for one in getattr(ours.inputs, role)] == named
