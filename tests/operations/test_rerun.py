"""Past dates through the command line: made again, made from the archive alone, taken back, compared, filled in."""

import datetime as dt
import json
import shutil
from pathlib import Path
from types import SimpleNamespace

import pandas as pd
import pytest
import rasterio
from made_basin import changed, snowtally, write_basin

from snowtally.operations import rerun as past
from snowtally.operations import run
from snowtally.operations.night import NightResult
from snowtally.publishing.publish import Published

DATES = ("2031-03-01", "2031-03-02", "2031-03-05")


def told(*words, status=0):
    done = snowtally(*words, "--json")
    assert done.returncode == status, done.stderr + done.stdout
    return json.loads(done.stdout)


@pytest.fixture(scope="module")
def season(tmp_path_factory):
    """A basin with three dates published: before, on and after its flight."""
    home = write_basin(tmp_path_factory.mktemp("season"))
    for date in DATES:
        told("update", home / "basin.yaml", "--date", date)
    return home


@pytest.fixture
def mine(season, tmp_path):
    return Path(shutil.copytree(season, tmp_path / "season"))


@pytest.mark.parametrize("date", DATES[1:])
def test_a_revision_is_made_again_from_the_archive_alone(season, tmp_path, date):
    # No input file is left, and the settings have moved on: the record and the kept inputs must do.
    alone = Path(shutil.copytree(season, tmp_path / "alone"))
    for path in alone.glob("*.csv"):
        path.write_text("site_id\n")
    (alone / "depth.tif").unlink()
    settings = alone / "basin.yaml"
    settings.write_text(settings.read_text().replace("width_m: 200", "width_m: 100"))
    found = told("rerun", settings, "--inputs-of", f"{date}@1")
    assert found["reproduced"]
    assert (found["different"], found["values"], found["versions"]) == ([], [], [])
    published = {path.name for path in (alone / "archive" / "made" / date / "r001").iterdir()}
    assert set(found["same"]) == published - {"record.json", "item.json"}


def test_what_cannot_be_made_again_says_what_differs(mine):
    folder = mine / "archive" / "made" / "2031-03-05" / "r001"
    record = json.loads((folder / "record.json").read_text())
    record["files"][[f["name"] for f in record["files"]].index("swe.tif")]["sha256"] = "0" * 64
    record["models"]["blend"]["name"] = "tea leaves"
    record["packages"]["numpy"] = "0.1"
    (folder / "record.json").chmod(0o644)
    (folder / "record.json").write_text(json.dumps(record))
    found = told("rerun", mine / "basin.yaml", "--inputs-of", "2031-03-05@1", status=1)
    assert found["different"] == ["swe.tif"]
    assert [one["key"] for one in found["values"]] == ["models.blend.name"]
    assert [(one["key"], one["was"]) for one in found["versions"]] == [("numpy", "0.1")]
    words = snowtally("rerun", mine / "basin.yaml", "--inputs-of", "2031-03-05@1").stdout
    assert "1 files differ, 14 are the same" in words
    assert "Other versions, the likely cause: numpy 0.1 then" in words


def test_settings_of_another_version_cannot_be_used_and_it_is_said(mine):
    path = mine / "archive" / "made" / "2031-03-05" / "r001" / "record.json"
    path.chmod(0o644)
    path.write_text(path.read_text().replace('"width_m": 200.0', '"breadth_m": 200.0'))
    done = snowtally("rerun", mine / "basin.yaml", "--inputs-of", "2031-03-05@1")
    assert done.returncode == 1
    assert "mean nothing to this version (bands.breadth_m: Extra inputs are not permitted)" in done.stderr


def test_a_late_sheet_makes_a_new_revision_that_says_so(mine):
    settings, archive = mine / "basin.yaml", mine / "archive" / "made"
    courses = pd.read_csv(mine / "courses.csv")
    late = courses[courses["site_id"] == "S0"].assign(date="2031-03-04")
    pd.concat([courses, late]).to_csv(mine / "courses.csv", index=False)
    first = told("rerun", settings, "--date", "2031-03-05", "--reason", "late sheet of S0")["dates"]
    assert [(one["state"], one["revision"], one["unchanged"]) for one in first] == [("done", 2, False)]
    where = [{"site_id": "S0", "start": "2031-03-04", "end": "2031-03-04", "came": 6, "went": 0, "changed": 0}]
    assert first[0]["changes"]["rows"] == {"courses": {"came": 6, "went": 0, "changed": 0, "where": where}}
    record = json.loads((archive / "2031-03-05" / "r002" / "record.json").read_text())
    assert (record["command"], record["reason"], record["parent_revision"]) == ("rerun", "late sheet of S0", 1)
    assert record["changes"] == first[0]["changes"]
    assert json.loads((archive / "2031-03-05" / "current.json").read_text())["revision"] == 2
    # Again from the same: nothing new.
    again = told("rerun", settings, "--date", "2031-03-05", "--reason", "again")["dates"][0]
    assert (again["unchanged"], again["revision"]) == (True, 2)
    assert "same inputs, settings and code" in again["why"]


def test_a_night_leaves_an_analysts_revision_standing_and_says_why(mine):
    settings = mine / "basin.yaml"
    settings.write_text(settings.read_text() + "checks: {point_outlier_mad: 5}\n")
    told("rerun", settings, "--date", "2031-03-05", "--reason", "cores of the new crew")
    settings.write_text(settings.read_text().replace("point_outlier_mad: 5", "point_outlier_mad: 6"))
    done = snowtally("update", settings, "--date", "2031-03-05")
    assert done.returncode == 0
    words = " ".join(done.stdout.split())
    assert "Nothing new published: r002 is current, published by hand (cores of the new crew)" in words
    # Taken back, the night goes on.
    told("withdraw", settings, "2031-03-05@2", "--reason", "crew was fine")
    assert told("update", settings, "--date", "2031-03-05")["revision"] == 3


def test_a_range_is_made_again_where_dates_are_held_and_one_failure_hides_no_other(mine):
    settings = mine / "basin.yaml"
    settings.write_text(settings.read_text() + "checks: {point_outlier_mad: 5}\n")
    # Before the first reading and sheet there is nothing to go by.
    early = mine / "archive" / "made" / "2031-02-27"
    shutil.copytree(mine / "archive" / "made" / "2031-03-01", early)
    done = told("rerun", settings, "--date", "2031-02-20", "--until", "2031-03-03", "--reason", "cores", status=1)
    assert [(one["date"], one["state"]) for one in done["dates"]] == [
        ("2031-02-27", "failed"), ("2031-03-01", "done"), ("2031-03-02", "done"),
    ]  # fmt: skip
    assert done["dates"][0]["message"].startswith("made 2031-02-27 lies before the first measurement")
    assert done["dates"][1]["changes"]["settings"] == [{"key": "checks.point_outlier_mad", "was": 3.5, "is": 5.0}]


def test_a_disk_that_fails_on_one_date_hides_no_other(monkeypatch):
    def update(_settings, date, *_more):
        if date.day == 2:
            raise OSError(5, "Input/output error", "/archive")
        return outcome_of(date)

    monkeypatch.setattr(past, "update", update)
    dates = [dt.date(2031, 3, day) for day in (1, 2, 3)]
    found = list(past.backfill(None, dates, print))
    assert [one.published and one.published.path.name for one in found] == [str(dates[0]), None, str(dates[2])]
    assert found[1].trouble.startswith("/archive: Input/output error. Look at the disk")


def outcome_of(date):
    """Return the outcome of an update that published a date without doing it."""
    readings = SimpleNamespace(degraded=["no weather"], grids=Heavy())
    return run.Outcome(Published(Path(str(date)), 1), Heavy(), readings)


class Heavy:
    """Stands for the grids of a date; counts those that are still held."""

    held = 0

    def __init__(self):
        Heavy.held += 1

    def __del__(self):
        Heavy.held -= 1


def test_of_a_date_that_is_done_only_what_is_told_is_held(monkeypatch):
    monkeypatch.setattr(past, "update", lambda _settings, date, *_more: outcome_of(date))
    days = [dt.date(2031, 3, day) for day in range(1, 10)]
    found = [(one, Heavy.held) for one in past.rerun(None, days, "x", print)]
    assert [(one.to_look_at, held) for one, held in found] == [(("no weather",), 0)] * 9


@pytest.mark.long
def test_what_if_goes_into_a_side_archive_and_is_compared_with_the_real_one(mine, tmp_path):
    before = sorted(str(path) for path in (mine / "archive").rglob("*"))
    sites = pd.read_csv(mine / "sites.csv")
    sites[sites["site_id"] != "S1"].to_csv(mine / "without.csv", index=False)
    file = mine / "without.yaml"
    file.write_text((mine / "basin.yaml").read_text().replace("sites.csv", "without.csv"))
    side = tmp_path / "side"
    done = told("rerun", file, "--date", "2031-03-05", "--reason", "without S1", "--into", side)["dates"][0]
    assert done["path"] == str(side / "made" / "2031-03-05" / "r001")
    assert sorted(str(path) for path in (mine / "archive").rglob("*")) == before
    files = tmp_path / "files"
    words = ("compare", mine / "basin.yaml", "2031-03-05", "2031-03-05", "--other", side, "--output-folder", files)
    found = told(*words)
    assert found["changes"]["rows"]["sites"]["where"][0]["site_id"] == "S1"
    assert found["changes"]["settings"] == [{"key": "inputs.sites", "was": "sites.csv", "is": "without.csv"}]
    assert ("sites", "without.csv") in {(one["role"], one["path"]) for one in found["files_that_differ"]}
    basin = found["totals"][0]
    assert basin["change_m3"] == basin["volume_m3_b"] - basin["volume_m3_a"]
    assert {"difference.tif", "difference.png", "rows_sites.csv", "totals.csv"} <= {
        path.name for path in files.iterdir()
    }
    with rasterio.open(files / "difference.tif") as file:
        assert file.units == ("mm",)
    shown = snowtally(*words)
    assert shown.returncode == 0
    assert "Sites where the map changed most" in shown.stdout
    assert "S1" in shown.stdout


@pytest.mark.long
def test_a_new_archive_is_not_begun_without_a_word(mine):
    away, said = mine / "away.yaml", "a new archive was begun at"
    away.write_text((mine / "basin.yaml").read_text().replace("archive: archive", "archive: away"))
    done = snowtally("update", away, "--date", "2031-03-05")
    assert f"Note: {said} {mine / 'away'}" in " ".join(done.stdout.split())
    assert told("update", away, "--date", "2031-03-04")["new_archive"] == ""
    shutil.rmtree(mine / "away")
    found = told("backfill", away, "--from", "2031-03-04", "--until", "2031-03-05")["dates"]
    assert [one["new_archive"].startswith(said) for one in found] == [True, False]


def test_a_side_archive_may_be_a_stores_url(mine, tmp_path, monkeypatch):
    pytest.importorskip("upath", reason="universal_pathlib is not installed: no object store to try")
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    monkeypatch.chdir(mine)
    settings, before = mine / "basin.yaml", set(mine.iterdir())
    side = "memory://bucket/side"
    done = told("rerun", settings, "--date", "2031-03-05", "--reason", "what if", "--into", side)["dates"][0]
    assert done["path"] == f"{side}/made/2031-03-05/r001"
    found = told("compare", settings, "2031-03-05", "2031-03-05", "--other", side)
    assert found["totals"][0]["change_m3"] == 0
    assert set(mine.iterdir()) == before
    own = mine / "own.yaml"
    own.write_text(settings.read_text().replace("archive: archive", f"archive: {side}"))
    refused = snowtally("rerun", own, "--date", "2031-03-05", "--reason", "what if", "--into", f"{side}/")
    assert (refused.returncode, "is the basin's own archive" in refused.stderr) == (2, True)


def test_no_output_lies_inside_an_archive(season, tmp_path):
    settings, own = season / "basin.yaml", season / "archive"
    (tmp_path / "link").symlink_to(own / "made")
    (tmp_path / "loop").symlink_to(tmp_path / "loop")
    (tmp_path / "side").mkdir()
    (tmp_path / "side" / "archive.json").write_text('{"layout": 1}')
    before = sorted(own.rglob("*"))
    inside = [own, own / "new", own / "made" / "2031-03-05", own / "made" / "2031-03-05" / "r001" / "x" / "y", tmp_path / "link",
              tmp_path / "link" / "new", tmp_path / "side" / "out", own / "made" / ".." / ".." / "archive" / "z"]  # fmt: skip
    for path in inside:
        for words in (("compare", "2031-03-01", "2031-03-05"), ("plan", "--date", "2031-03-05")):
            done = snowtally(words[0], settings, *words[1:], "--output-folder", path)
            assert (done.returncode, done.stderr.count("\n")) == (2, 1), done.stderr
            assert f"--output-folder {path} lies in the archive" in done.stderr
        done = snowtally("rerun", settings, "--date", "2031-03-05", "--reason", "x", "--into", path)
        assert (done.returncode, done.stderr.count("\n")) == (2, 1), done.stderr
        file = season / "nested.yaml"
        file.write_text(settings.read_text().replace("archive: archive", f"archive: {path}/new"))
        done = snowtally("update", file, "--date", "2031-03-05")
        assert (done.returncode, "archive: the folder" in done.stderr) == (2, True), done.stderr
    loop = snowtally("compare", settings, "2031-03-01", "2031-03-05", "--output-folder", tmp_path / "loop" / "x")
    assert (loop.returncode, loop.stderr.count("\n"), "cannot be used" in loop.stderr) == (1, 1, True)
    above = snowtally("rerun", settings, "--date", "2031-03-05", "--reason", "x", "--into", season)
    assert (above.returncode, "holds the basin's own archive" in above.stderr) == (2, True)
    assert sorted(own.rglob("*")) == before
    assert sorted((tmp_path / "side").iterdir()) == [tmp_path / "side" / "archive.json"]
    beside = snowtally("compare", settings, "2031-03-01", "2031-03-05", "--output-folder", tmp_path / "beside" / "new")
    assert beside.returncode == 0, beside.stderr


@pytest.mark.parametrize(
    ("words", "status", "line"),
    [
        (("rerun",), 2, "rerun needs --date D"),
        (("rerun", "--date", "2031-03-05"), 2, "--reason TEXT is missing"),
        (("rerun", "--date", "2031-03-05", "--reason", " "), 2, "--reason TEXT is missing"),
        (("rerun", "--date", "2031-03-05", "--until", "2031-03-01", "--reason", "x"), 2, "--until 2031-03-01 lies before 2031-03-05"),
        (("rerun", "--date", "2030-01-01", "--reason", "x"), 1, "`snowtally backfill` makes dates that the archive lacks"),
        (("rerun", "--date", "2031-03-05", "--reason", "x", "--into", "{archive}"), 2, "is the basin's own archive"),
        (("rerun", "--inputs-of", "2031-03-05"), 2, "'2031-03-05' is not a revision. Write its date and number as 2031-03-01@2"),
        (("rerun", "--inputs-of", "2031-03-05@9"), 1, "made 2031-03-05 has no revision 9. There is: 1."),
        (("rerun", "--inputs-of", "2031-03-05@1", "--reason", "x"), 2, "publishes nothing: leave"),
        (("withdraw", "2031-03-05@1"), 2, "--reason TEXT is missing"),
        (("withdraw", "2031-03-05", "--reason", "x"), 2, "is not a revision"),
        (("withdraw", "2031-03-05@4", "--reason", "x"), 1, "has no revision 4"),
        (("compare", "2031-03-04", "2031-03-05"), 1, "made has no day 2031-03-04. Nearest: 2031-03-02 and 2031-03-05."),
        (("backfill", "--from", "2031-03-05", "--until", "March"), 2, "--until 'March' is not a date"),
    ],
)  # fmt: skip
def test_wrong_use_is_one_line(season, words, status, line):
    command, *rest = (word.replace("{archive}", str(season / "archive")) for word in words)
    done = snowtally(command, season / "basin.yaml", *rest)
    assert done.returncode == status
    assert line in done.stderr
    assert done.stderr.count("\n") == 1


def test_backfill_makes_the_dates_that_are_lacking_and_no_other(mine):
    settings = mine / "basin.yaml"
    told("withdraw", settings, "2031-03-02@1", "--reason", "wrong")
    done = told("backfill", settings, "--from", "2031-02-28", "--until", "2031-03-03", status=1)
    # What was withdrawn was taken back on purpose, and is no gap.
    assert [(one["date"], one["state"]) for one in done["dates"]] == [("2031-02-28", "failed"), ("2031-03-03", "done")]
    record = json.loads((mine / "archive" / "made" / "2031-03-03" / "r001" / "record.json").read_text())
    assert (record["command"], record["reason"]) == ("backfill", "backfill")
    assert done["dates"][0]["message"].startswith("made 2031-02-28 lies before the first measurement")
    # A day before every measurement is no gap either.
    assert told("status", settings)["missing"][0] == "2031-03-04"


STOPPED = "snowtally: stopped by the user. What was published is whole and stays; run the command again to go on\n"


@pytest.mark.long
def test_a_backfill_that_the_user_stops_tells_what_it_did(mine, monkeypatch):
    settings, words = mine / "basin.yaml", ("--from", "2031-03-03", "--until", "2031-03-09")
    whole = past.update

    def update(settings, date, *more):
        if date.day == 6:
            raise KeyboardInterrupt
        return whole(settings, date, *more)

    monkeypatch.setattr(past, "update", update)
    done = snowtally("backfill", settings, *words)
    assert (done.returncode, done.stderr) == (130, STOPPED)
    assert "2031-03-03" in done.stdout
    # One object, in which nothing of the first time is done again.
    shutil.rmtree(mine / "archive" / "made" / "2031-03-04")
    found = told("backfill", settings, *words, status=130)
    assert [one["date"] for one in found["dates"]] == ["2031-03-04"]
    assert f"snowtally: {found['error']}\n" == STOPPED


def test_dates_that_have_not_begun_are_left_when_the_user_stops_the_workers(mine, monkeypatch):
    def run_dates(*_words):
        yield NightResult("basin.yaml", "made", "2031-03-03", state="done", revision=1)
        raise KeyboardInterrupt

    monkeypatch.setattr("snowtally.operations.spread.run_dates", run_dates)
    file = changed(mine, "spread", lambda text: text + "operations: {workers: {engine: processes}}\n")
    words = ("backfill", file, "--from", "2031-03-03", "--until", "2031-03-09")
    assert [one["date"] for one in told(*words, status=130)["dates"]] == ["2031-03-03"]


def test_any_command_that_the_user_stops_says_so(mine, monkeypatch):
    def stopped(*_words):
        raise KeyboardInterrupt

    monkeypatch.setattr("snowtally.operations.run.update", stopped)
    done = snowtally("update", mine / "basin.yaml")
    assert (done.returncode, done.stderr) == (130, STOPPED)


def test_monitors_are_told_by_the_exit_status(mine):
    settings = mine / "basin.yaml"
    # The newest date lies in the future of the machine's clock: it is not old.
    assert snowtally("status", settings, "--max-age-days", "1").returncode == 0
    shutil.copytree(mine / "archive", mine / "archive_old")
    old = changed(mine, "old", lambda text: text)
    for date in DATES:
        told("withdraw", old, f"{date}@1", "--reason", "test")
    late = snowtally("status", old, "--max-age-days", "100000")
    assert late.returncode == 1
    assert "failed: no date is current, and --max-age-days 100000 asks for a newer one" in late.stdout
    assert snowtally("status", old).returncode == 0
    (mine / "flights_gone.csv").write_text("flight_id,date,depth\nF2,2031-03-02,gone.tif\n")
    gone = changed(mine, "gone", lambda text: text.replace("flights.csv", "flights_gone.csv"))
    assert snowtally("update", gone, "--date", "2031-03-04").returncode == 3
    degraded = snowtally("status", gone, "--max-age-days", "1")
    assert degraded.returncode == 3
    assert "degraded: the newest date is degraded (--max-age-days 1)" in degraded.stdout


def test_verify_by_the_command_line(mine):
    settings = mine / "basin.yaml"
    done = snowtally("verify", settings)
    assert done.returncode == 0
    assert "sound. 3 revisions" in done.stdout
    (mine / "archive" / "made" / "latest.json").write_text("{}")
    found = told("verify", settings, status=1)
    assert [t["path"] for t in found["troubles"]] == ["made/latest.json"]
    assert "verify --rebuild" in found["troubles"][0]["cure"]
    assert told("verify", settings, "--rebuild")["sound"]
