"""Settings that cannot be used are one line that names the key."""

import hashlib
import json
import subprocess
import sys
from pathlib import Path

import pytest

from snowtally.model.problems import SettingsError
from snowtally.settings.basin import read_settings

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
    ("block", "words"),
    [
        ("{licence: {id: CC BY}}", r"metadata.licence.id: is no identifier of the SPDX list such as CC-BY-4.0"),
        ("{licence: {id: other, url: example.org}}", r"metadata.licence.url: is no web address"),
        ("{creator: {email: snow@example.org}}", r"metadata.creator.name"),
        ("{contact: {name: Desk, email: desk}}", r"metadata.contact.email: is no address of mail"),
        ("{institution: ''}", r"metadata.institution"),
        ("{license: CC-BY-4.0}", r"unknown key metadata.license. Did you mean licence\?"),
        ("{licence: {id: other, link: x}}", r"unknown key metadata.licence.link. .*id, url"),
        ("{naming_authority: our office}", r"metadata.naming_authority: is no domain turned round"),
    ],
)
def test_metadata_that_others_could_not_use_are_refused(written, block, words):
    with pytest.raises(SettingsError, match=words):
        read_settings(written(lambda text: f"{text.split('metadata:')[0]}metadata: {block}\n"))


def test_without_metadata_a_record_says_nothing_of_them(written):
    told, silent = (read_settings(written(edit)) for edit in (str, lambda text: text.split("metadata:")[0]))
    assert told.as_used()["metadata"]["licence"]["id"] == "CC-BY-4.0"
    assert "metadata" not in silent.as_used()
    assert told.identity() != silent.identity()


def test_a_records_settings_give_their_hash_again(written):
    # As record.schema.json says it, with the record alone.
    settings = read_settings(written(lambda text: text.replace("title: ", "title: Øvre ")))
    recorded = json.loads(json.dumps(settings.as_used()))
    deciding = {key: recorded[key] for key in recorded if key not in ("archive", "dask", "plan", "report")}
    assert hashlib.sha256(json.dumps(deciding, sort_keys=True).encode()).hexdigest() == settings.identity()


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


def test_all_that_is_wrong_is_told_in_one_run(written):
    """Unknown keys, bad values, missing blocks and files, declared columns and formats, coordinate systems: a clause each."""

    def edit(text):
        text = text.replace(
            "grid:\n  crs: EPSG:32625\n  cell_m: 100", "grid:\n  crs: EPSG:99999\n  cell_m: -1\n  cells: 3"
        )
        text = text.replace("larkmoor/elevation.tif", "larkmoor/elevatoin.tif").replace("id: larkmoor", "id: lark moor")
        text = text.replace("zones.geojson", "zone.geojson").split("archive:")[0]
        return text + (
            "columns: {courses: {depht: {unit: inch}, swe: {unit: hour}}, cores: {depth: {}}, zones: {title: {column: T}}}\n"
            "formats:\n  sites: {crs: EPSG:1}\n  courses: [{clock: -7}, {separator: ab}, {decimal: ',', separator: ','}]\n"
        )

    with pytest.raises(SettingsError) as told:
        read_settings(written(edit))
    message = str(told.value)
    assert message.startswith("settings basin.yaml: ")
    assert "\n" not in message
    for clause in (
        "basin.id: may hold letters", "grid.cell_m: should be greater than 0", "unknown key grid.cells", "archive is missing",
        "grid.crs: 'EPSG:99999' is not a known", "columns.courses.depht is not a canonical", "columns.courses.swe.unit",
        "columns.cores: there is no such table", "columns.zones.title is not a canonical", "formats.sites.crs: 'EPSG:1' is not",
        "formats.courses: wide,", "formats.courses.1.separator", "formats.courses: separator and decimal cannot both be",
        "basin.zones: file", "terrain.elevation: file",
    ):  # fmt: skip
        assert message.count(clause) == 1, f"{clause} in {message}"
    assert "inputs.sites" not in message


def test_what_is_sound_beside_an_error_is_no_second_error(written):
    with pytest.raises(SettingsError) as told:
        read_settings(written(lambda text: text.replace("cell_m: 100", "cell_m: wide")))
    assert str(told.value).count(";") == 0


GRIDS_AND_TABLES = {
    "pandas", "xarray", "scipy", "pyarrow", "numba", "shapely", "geopandas", "pint", "dask", "sklearn", "prefect", "matplotlib"
}  # fmt: skip


def loaded_by(*words):
    """Return the exit status of a command, and the packages that it loaded, in a process of its own."""
    program = (
        f"import sys; sys.argv = ['snowtally', *{words!r}]\n"
        "from snowtally.cli.main import main\n"
        "try: main()\n"
        "except SystemExit as end: print(end.code, *{name.partition('.')[0] for name in sys.modules}, file=sys.stderr)"
    )
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)
    code, *packages = done.stderr.splitlines()[-1].split()
    return int(code), set(packages)


def test_settings_are_refused_without_what_takes_long_to_load(written):
    """What grids, tables and rasters need is loaded once the settings are known to be right; a usual unit is checked without it."""
    bad = "columns:\n  courses:\n    depth:\n      unit: inch\n    swe:\n      unit: cm\nblend:\n  wind_from_deg: 400\n"
    code, packages = loaded_by("update", str(written(lambda text: text + bad)))
    assert code == 2
    assert not packages & (GRIDS_AND_TABLES | {"numpy", "rasterio"})


def test_the_version_is_told_without_what_takes_long_to_load():
    code, packages = loaded_by("--version")
    assert code == 0
    assert not packages & GRIDS_AND_TABLES
