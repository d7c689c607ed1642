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
