"""docs/own-basin.md: its commands run as they stand there, and its screens are what they print."""

import shutil

import make_screens
import pytest
import yaml
from made_basin import snowtally

PAGE = make_screens.PAGE.read_text("utf-8")
BLOCKS = make_screens.BLOCK.findall(PAGE)


def test_the_page_goes_from_files_to_scheduled_nights():
    words = [command for block in BLOCKS for command in make_screens.commands(block)]
    steps = [command.partition("snowtally ")[2].split()[0] for command in words if "snowtally " in command]
    assert steps == ["init", "check", "update", "backfill", "status", "schedule", "init", "check", "check"]


def test_init_proposes_the_settings_that_the_page_shows(tmp_path):
    folder = shutil.copytree(make_screens.ROOT / "sample_inputs" / "ettlewick", tmp_path / "ettlewick")
    done = snowtally("init", folder, "--yes")
    assert done.returncode == 0, done.stdout + done.stderr
    shown = next(block for block in BLOCKS if block.startswith("$ cat "))
    proposed = yaml.safe_load((folder / "settings.yaml").read_text("utf-8"))
    assert proposed == yaml.safe_load(shown.partition("\n")[2])
    assert "24 course samples on 24 visits" in done.stdout


@pytest.mark.long
def test_every_screen_is_as_shown():
    assert make_screens.without_varying(make_screens.page()) == make_screens.without_varying(PAGE)
