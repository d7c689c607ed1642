"""A file that is missing for a moment: the sound estimate stays current, and everybody is told why the later one is not."""

import json
import re
import shutil
from pathlib import Path

import pytest
from made_basin import changed, snowtally, write_basin

from snowtally import reading
from snowtally.operations.night import Job, run_night

DATE = "2031-03-05"
WHY = f"stations.csv was read on {DATE}@1 and is missing now"


def told(*words, status=0):
    done = snowtally(*words, "--json")
    assert done.returncode == status, done.stderr + done.stdout
    return json.loads(done.stdout)


def words_of(path: Path) -> str:
    """Return the text of a page's body, as a reader has it."""
    text = re.sub(r"<(script|style).*?</\1>", "", path.read_text("utf-8"), flags=re.DOTALL)
    return " ".join(re.sub(r"<[^>]*>", " ", text).split()).replace(" .", ".")


@pytest.fixture(scope="module")
def sound(tmp_path_factory):
    """A basin without a flight and with two sound nights, with the settings file's folder."""
    home = write_basin(tmp_path_factory.mktemp("basin"))
    file = changed(home, "ground", lambda text: text.replace(", flights: flights.csv", ""))
    for date in ("2031-03-04", DATE):
        assert told("update", file, "--date", date)["held_back"] == ""
    return home


@pytest.fixture
def mine(sound, tmp_path):
    """A copy whose stations file has gone, and the settings file."""
    home = Path(shutil.copytree(sound, tmp_path / "basin"))
    (home / "stations.csv").rename(home / "away.csv")
    return home / "ground.yaml"


def archive(file: Path) -> Path:
    return file.parent / "archive_ground"


def current(file: Path) -> int:
    return json.loads((archive(file) / "made" / DATE / "current.json").read_text("utf-8"))["revision"]


def test_a_file_missing_for_a_moment_displaces_nothing_and_everybody_is_told(mine):
    before = reading.read_totals(archive(mine), "made")
    worse = told("update", mine, "--date", DATE, status=3)
    assert (worse["revision"], worse["unchanged"], worse["held_back"], worse["current_revision"]) == (2, False, WHY, 1)
    # It is another estimate, and published: by its number it can be read.
    whole = before[before["level"] == "basin"].iloc[-1]
    assert abs(worse["totals"][0]["volume_m3"] - whole["volume_m3"]) > 0.02 * whole["volume_m3"]
    assert reading.read_record(archive(mine), "made", DATE, 2)["degraded"]
    # What readers get is as it was.
    assert reading.read_totals(archive(mine), "made").equals(before)
    assert current(mine) == 1
    found = told("compare", mine, "2031-03-04", DATE)
    assert (found["a"]["revision"], found["b"]["revision"]) == (1, 1)
    # Told: status, the page of the day, the page of the season.
    held = told("status", mine)
    assert held["held_back"] == {f"{DATE}@2": WHY}
    assert (held["newest"], held["newest_degraded"]) == (DATE, False)
    assert f"held back {DATE}@2: {WHY}" in " ".join(snowtally("status", mine).stdout.split())
    for page in ("season.html", f"{DATE}/report.html"):
        text = words_of(archive(mine) / "made" / page)
        assert re.search(rf"Held back\. A later run at 20\d\d-\S+ \S+ UTC was held back: {re.escape(WHY)}\.", text), (
            page
        )
        assert "Some inputs were missing or damaged" not in text
    assert told("verify", mine)["sound"]


def test_people_are_told_in_the_first_lines(mine):
    done = snowtally("update", mine, "--date", DATE)
    assert done.returncode == 3
    line = f"Held back: {WHY}. r001 stays current: readers do not get the figures below"
    assert " ".join(done.stdout.split()).startswith(f"Made basin, {DATE} {line} Water in the snow:")
    done = snowtally("rerun", mine, "--date", DATE, "--reason", "again")
    words = " ".join(done.stdout.split())
    assert "nothing new" in words
    assert "--make-current" in words


@pytest.mark.long
def test_nights_with_the_same_loss_publish_once_and_when_the_file_is_back_nothing_is_needed(mine):
    first = run_night(Job(str(mine), DATE, "one"))
    assert (first.state, first.revision, first.unchanged, first.held_back) == ("degraded", 2, False, WHY)
    assert first.message.startswith(f"held back: {WHY}. r001 stays current; missing file")
    again = run_night(Job(str(mine), DATE, "two"))
    assert (again.revision, again.unchanged) == (2, True)
    (mine.parent / "away.csv").rename(mine.parent / "stations.csv")
    back = told("update", mine, "--date", DATE)
    assert (back["revision"], back["unchanged"], back["held_back"]) == (1, True, "")
    assert [r.number for r in reading.revisions(archive(mine), "made", DATE)] == [1, 2]


def test_a_person_decides_otherwise_and_a_sound_night_is_current_again(mine):
    for words in (
        ("rerun", mine, "--date", DATE, "--make-current"),
        ("update", mine, "--date", DATE, "--make-current"),
    ):
        done = snowtally(*words)
        assert (done.returncode, "--reason TEXT is missing" in done.stderr) == (2, True)
    done = snowtally("update", mine, "--date", DATE, "--reason", "no use")
    assert (done.returncode, "--reason goes with --make-current" in done.stderr) == (2, True)
    told("update", mine, "--date", DATE, status=3)
    reason = ("--reason", "the stations stood in water", "--make-current")
    decided = told("rerun", mine, "--date", DATE, *reason, status=3)["dates"][0]
    assert (decided["revision"], decided["unchanged"], decided["made_current"], decided["current_revision"]) == (
        2,
        True,
        True,
        2,
    )
    assert "made from the same inputs" in decided["why"]
    assert "held back" not in decided["why"]
    assert current(mine) == 2
    lines = [json.loads(line) for line in (archive(mine) / "made" / "decisions.jsonl").read_text("utf-8").splitlines()]
    assert [(one["decision"], one["revision"], one["reason"]) for one in lines] == [
        ("make current", 2, "the stations stood in water")
    ]
    text = words_of(archive(mine) / "made" / DATE / "report.html")
    assert (
        "Some inputs were missing or damaged. This estimate is less certain than usual. stations.csv is missing."
        in text
    )
    assert "A person made this revision current. Reason given: “the stations stood in water”." in text
    season = words_of(archive(mine) / "made" / "season.html")
    assert (
        "Some inputs were missing or damaged on Wednesday 5 March 2031. This estimate is less certain than usual."
        in season
    )
    assert "Crosses: degraded days" in season
    (mine.parent / "away.csv").rename(mine.parent / "stations.csv")
    back = told("update", mine, "--date", DATE)
    assert (back["revision"], back["unchanged"], back["current_revision"]) == (3, False, 3)
    assert "Revision 2 had" in words_of(archive(mine) / "made" / DATE / "report.html")
    # In one run, from the first: published and made current.
    (mine.parent / "stations.csv").rename(mine.parent / "away.csv")
    made = told("update", mine, "--date", "2031-03-04", *reason, status=3)
    assert (made["revision"], made["made_current"], made["held_back"]) == (2, True, "")
    assert told("verify", mine)["sound"]
