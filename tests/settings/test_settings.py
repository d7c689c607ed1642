"""Settings that cannot be used are one line that names the key."""

from pathlib import Path

import pytest

from pipeline.model.problems import SettingsError
from pipeline.settings.basin import read_settings

CONFIG = Path(__file__).parents[2] / "configs" / "larkmoor.yaml"


@pytest.fixture
def written(tmp_path):
    def write(edit):
        file = tmp_path / "basin.yaml"
        file.write_text(edit(CONFIG.read_text("utf-8").replace("../", f"{CONFIG.parents[1]}/")), "utf-8")
        return file

    return write


@pytest.mark.parametrize(
    ("edit", "words"),
    [
        (lambda text: text + "archive: elsewhere\n", "key archive is given twice, first at line 27"),
        (lambda text: text.replace("  cell_m: 100", "  cell_m: 100\n  cell_m: 50"), "at line 12 .*key cell_m is given twice"),
        (lambda text: text.split("archive:")[0] + "archive:\n", "archive is empty"),
        (lambda text: text.split("archive:")[0], "archive is missing"),
    ],
)  # fmt: skip
def test_what_is_wrong_is_told_by_its_key(written, edit, words):
    with pytest.raises(SettingsError, match=words):
        read_settings(written(edit))


def test_merged_keys_stand_once(written):
    file = written(lambda text: text.replace("grid:", "grid: &cells").replace("bands:\n", "bands:\n  <<: {}\n"))
    assert read_settings(file).bands.width_m == 200.0


def test_paths_may_be_lists_and_one_alone_stands_in_a_record_as_before(written):
    settings = read_settings(written(lambda text: text))
    used = settings.as_used()
    assert settings.terrain.elevation == [used["terrain"]["elevation"]]
    assert set(used["terrain"]) == {"elevation", "canopy"}
    assert isinstance(used["inputs"]["sites"], str)
    tiles = settings.terrain.elevation[0].replace("elevation.tif", "elev*.tif")
    more = read_settings(
        written(
            lambda text: text.replace(
                "  elevation: ", f"  elevation_unit: US survey foot\n  voids: 0\n  elevation: [{tiles}]  # "
            )
        )
    )
    assert (more.terrain.elevation, more.terrain.voids) == ([tiles], [0.0])
    assert more.as_used()["terrain"]["elevation_unit"] == "US survey foot"
    assert more.identity() != settings.identity()


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ("elevation_unit: fathom", r"terrain.elevation_unit: is no length known here, .*given: 'fathom'"),
        ("voids: none", "terrain.voids"),
        ("voids: [.nan]", r"terrain.voids.0"),
    ],
)
def test_what_the_terrain_cannot_be_is_told(written, line, words):
    with pytest.raises(SettingsError, match=words):
        read_settings(written(lambda text: text.replace("terrain:\n", f"terrain:\n  {line}\n")))


def test_all_required_files_that_are_not_there_are_told_at_once(written):
    def edit(text):
        return (
            text.replace("zones.geojson", "zone.geojson")
            .replace("elevation.tif", "tiles/*.tif")
            .replace("sites.csv", "s.csv")
        )

    with pytest.raises(
        SettingsError, match=r"basin.zones: file .*zone.geojson does not exist; terrain.elevation: .*; inputs.sites: "
    ):
        read_settings(written(edit))


def test_settings_with_undecided_points_are_refused(written):
    said = r"init could not decide this: courses\.csv: inch or cm\? \(1 more stand below it\)"
    with pytest.raises(SettingsError, match=said):
        read_settings(written(lambda text: 'undecided:\n  - "courses.csv: inch or cm?"\n  - "b"\n' + text))
    assert "undecided" not in read_settings(written(lambda text: "undecided: []\n" + text)).as_used()
