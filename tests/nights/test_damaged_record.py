"""Each command beside a damaged record: it goes on where it can, ends in one line where it cannot, and its status is true."""

import datetime as dt
import json
import shutil
from pathlib import Path
from types import SimpleNamespace

import pytest
from made_basin import snowtally, write_basin

from snowtally.operations import late
from snowtally.settings.basin import read_settings

DATES = ("2031-03-02", "2031-03-04", "2031-03-05")
DAMAGED = "2031-03-04"


def edited(**changes):
    return lambda data: json.dumps({k: v for k, v in (json.loads(data) | changes).items() if v is not ...}).encode()


DAMAGES = {
    "missing key": edited(input_hash=...),
    "truncated": lambda data: data[: len(data) // 2],
    "empty": lambda _data: b"",
    "other type": edited(files={"name": 1}),
    "newer version": edited(schema_version=99),
    "binary": lambda _data: bytes(range(255, -1, -1)),
}


@pytest.fixture(scope="module")
def season(tmp_path_factory):
    home = write_basin(tmp_path_factory.mktemp("season"))
    for date in DATES:
        assert snowtally("update", home / "basin.yaml", "--date", date).returncode == 0
    return home


@pytest.fixture(params=DAMAGES)
def damaged(request, season, tmp_path):
    home = Path(shutil.copytree(season, tmp_path / "season"))
    path = home / "archive" / "made" / DAMAGED / "r001" / "record.json"
    path.chmod(0o644)
    path.write_bytes(DAMAGES[request.param](path.read_bytes()))
    return home


def ran(home, words, status):
    """Run a command for people and for machines; return its lines and its object."""
    told = []
    for more in ((), ("--json",)):
        command, *rest = words
        done = snowtally(command, home / "basin.yaml", *rest, *more)
        assert done.returncode == status, (words, done.stdout, done.stderr)
        assert "Traceback" not in done.stderr + done.stdout
        assert done.stderr.count("\n") <= 1, done.stderr
        told.append(done)
        if words[0] in {"update", "backfill", "withdraw", "rerun"} and status == 0:
            break
    return told[0].stdout + told[0].stderr, json.loads(told[1].stdout) if len(told) > 1 else {}


@pytest.mark.long
@pytest.mark.parametrize("damaged", ["other type"], indirect=True)
def test_what_needs_no_estimate(damaged, tmp_path):
    # What each damage does to each function: tests/publishing/test_damaged_records.py.
    inputs = sorted((damaged / "archive" / "made" / "inputs").iterdir())
    ran(damaged, ("status",), 0)
    ran(damaged, ("compare", DATES[0], DATES[2]), 0)
    ran(damaged, ("compare", DATES[0], DATES[2], "--output-folder", tmp_path / "out"), 0)
    line, _ = ran(damaged, ("compare", DATES[0], DAMAGED), 1)
    assert f"{DAMAGED}/r001/record.json" in line
    ran(damaged, ("report", "--date", DATES[0]), 0)
    ran(damaged, ("report",), 0)
    ran(damaged, ("report", "--date", DAMAGED), 1)
    ran(damaged, ("rerun", "--inputs-of", f"{DATES[0]}@1"), 0)
    ran(damaged, ("rerun", "--inputs-of", f"{DAMAGED}@1"), 1)
    ran(damaged, ("prune",), 0)
    line, _ = ran(damaged, ("prune", "--yes"), 0)
    assert "cannot be read and may name any of them" in line
    # One trouble before and after a rebuild, and the same way named.
    for words in (("verify",), ("verify", "--rebuild")):
        line, told = ran(damaged, words, 1)
        where = {trouble["path"] for trouble in told["troubles"]} - {"made/index.parquet", "made/latest.json"}
        assert {path for path in where if path.startswith("made/2031")} == {f"made/{DAMAGED}/r001/record.json"}
    assert [trouble["path"] for trouble in told["troubles"]] == [f"made/{DAMAGED}/r001/record.json"]
    line, told = ran(damaged, ("status",), 0)
    assert [day["degraded"] for day in told["days"]] == [False, True, False]
    assert "its record.json cannot be read" in " ".join(line.split())
    ran(damaged, ("withdraw", f"{DATES[0]}@1", "--reason", "test"), 0)
    ran(damaged, ("withdraw", f"{DAMAGED}@1", "--reason", "damaged"), 0)
    ran(damaged, ("status", "--max-age-days", "100000"), 0)
    assert sorted((damaged / "archive" / "made" / "inputs").iterdir()) == inputs


@pytest.mark.long
@pytest.mark.parametrize("damaged", ["missing key"], indirect=True)
def test_what_estimates(damaged):
    line, _ = ran(damaged, ("update", "--date", DAMAGED), 1)
    assert f"withdraw {DAMAGED}@1 and then rerun {DAMAGED}" in line
    ran(damaged, ("update", "--date", "2031-03-06"), 0)
    ran(damaged, ("backfill", "--from", "2031-03-02", "--until", "2031-03-05"), 0)
    settings = damaged / "basin.yaml"
    settings.write_text(settings.read_text() + "checks: {point_outlier_mad: 5}\n")
    line, _ = ran(damaged, ("rerun", "--date", DAMAGED, "--reason", "limits"), 0)
    assert "the record of the revision before cannot be read" in " ".join(line.replace("│", " ").split())
    _, told = ran(damaged, ("verify",), 1)
    assert [trouble["path"] for trouble in told["troubles"]] == [f"made/{DAMAGED}/r001/record.json"]
    ran(damaged, ("withdraw", f"{DAMAGED}@1", "--reason", "damaged"), 0)
    line, told = ran(damaged, ("verify",), 0)
    assert f"Lost: {DAMAGED}@1 was withdrawn as damaged" in line


@pytest.mark.parametrize("damaged", ["truncated"], indirect=True)
def test_the_watch_for_late_inputs_goes_on(damaged, monkeypatch):
    seen = []
    now = SimpleNamespace(hashes={"courses": "0" * 64})
    # The files were copied just now: a wait for them to rest is another test's matter.
    monkeypatch.setattr(late, "wait_for_arrival", lambda *_: set())
    monkeypatch.setattr(late, "read_inputs", lambda _settings, date, *_, **_how: seen.append(date) or now)
    monkeypatch.setattr(late, "_damaged", lambda *_: [])
    found = late.changed_dates(read_settings(damaged / "basin.yaml"), dt.date(2031, 3, 5)).late
    assert [str(one.date) for one in found] == [DATES[0], DATES[2]]
    assert len(seen) == 2


def test_rows_kept_before_a_column_was_added_are_told_in_one_line(season, monkeypatch):
    def needs_more(*_words):
        raise KeyError("crew")

    monkeypatch.setattr("snowtally.operations.rebuild.inputs_from_archived", needs_more)
    done = snowtally("rerun", season / "basin.yaml", "--inputs-of", f"{DATES[0]}@1")
    assert (done.returncode, done.stderr.count("\n")) == (1, 1)
    assert "has no 'crew', which this version needs" in done.stderr
