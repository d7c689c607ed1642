"""The short trial on the small made basin; `python tests/input_losses` tries every loss on the demo basin."""

import json
import time

import pytest
from forked_command import run, warm_up
from loss_trial import AGAIN, LIMITS, Attempt, Home, breaches, revisions, volume_of
from losses import (
    FILE,
    PAST,
    SETTINGS,
    Loss,
    decimal_commas,
    emptied_column,
    header_only,
    lines_of,
    mixed_line_ends,
    renamed,
    without_rows,
    write_lines,
)
from made_basin import write_basin

DATE = "2031-03-10"


def null_geometry(home):
    content = json.loads((home / "zones.geojson").read_text("utf-8"))
    content["features"][1]["geometry"] = None
    (home / "zones.geojson").write_text(json.dumps(content), "utf-8")


LOSSES = [
    Loss("sites-decimal-commas", decimal_commas("sites.csv"), FILE),
    Loss("courses-header-only", header_only("courses.csv"), FILE),
    Loss("courses-mixed-line-ends", mixed_line_ends("courses.csv"), FILE),
    Loss("stations-swe-header-renamed", renamed("stations.csv", swe_mm="SWE [mm]"), FILE),
    Loss("stations-swe-empty", emptied_column("stations.csv", "swe_mm"), FILE),
    Loss("stations-one-lost", without_rows("stations.csv", lambda t: t["site_id"] == "S5"), PAST),
    Loss("flights-row-lost", header_only("flights.csv"), PAST),
    Loss("zones-null-geometry", null_geometry, FILE),
]


@pytest.fixture(scope="module")
def home(tmp_path_factory):
    folder = tmp_path_factory.mktemp("losses") / "home"
    folder.mkdir()
    write_basin(folder)
    text = (folder / SETTINGS).read_text("utf-8").replace("cell_m: 100", "cell_m: 400")
    (folder / SETTINGS).write_text(text + "blend: {method: kriging}\n", "utf-8")
    warm_up("check", str(folder / SETTINGS), "--date", DATE)
    good = run(["update", SETTINGS, "--date", DATE, "--json"], folder, LIMITS)
    assert good.status == 0, good.stderr
    (folder / "made_before").mkdir()
    made = Home(folder, "made", DATE, DATE, {})
    made.good[DATE] = volume_of(revisions(made, folder, DATE)[-1].parent)
    return made


def night_of(home, loss, tmp_path):
    attempt = Attempt(home, loss, AGAIN, tmp_path)
    while not attempt.ended():
        time.sleep(0.02)
    return attempt.night()


@pytest.mark.parametrize(
    "loss",
    [
        pytest.param(loss, id=loss.name, marks=() if number % 2 == 0 else pytest.mark.long)
        for number, loss in enumerate(LOSSES)
    ],
)
def test_a_night_that_lost_an_input_is_neither_silent_nor_in_the_place_of_a_sound_one(home, loss, tmp_path):
    night = night_of(home, loss, tmp_path)
    assert breaches(loss, night) == [], f"exit {night.ran.status}, {night.off} % off: {night.message}"


def test_a_night_on_the_same_inputs_is_the_same_night(home, tmp_path):
    night = night_of(home, Loss("nothing", lambda _home: None, FILE), tmp_path)
    assert (night.ran.status, night.off, night.replaced) == (0, None, False)


def test_a_table_written_another_way_is_no_loss(home, tmp_path):
    """The judge cries at losses alone: carriage returns at every line's end change nothing."""
    same = Loss("dos", lambda h: write_lines(h / "courses.csv", lines_of(h / "courses.csv"), "\r\n"), FILE)
    night = night_of(home, same, tmp_path)
    assert breaches(same, night) == []
    assert not night.degraded
