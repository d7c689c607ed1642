"""Nights that are stopped on purpose: their locks are free, no note calls them crashed, and no failure is told."""

import json
import signal
import subprocess
import sys
import time

import pytest

from snowtally.flows import schedule
from snowtally.operations import child_process as apart
from snowtally.operations.child_process import run_apart
from snowtally.operations.night import Job
from snowtally.operations.notes import crashed_nights
from snowtally.storage.processes import myself

SLOW_NIGHT = (
    "import time; from snowtally.operations import run; run._update = lambda *_: time.sleep(60); "
    "from snowtally.operations.child_process import child; child()"
)
RUN = f"""
import sys
from snowtally.operations import child_process as apart
from snowtally.operations.night import Job
from snowtally.operations.nights import run_once
from snowtally.operations.stopping import number_of, stops_raised
apart._CODE = {SLOW_NIGHT!r}
try:
    with stops_raised():
        run_once(Job(sys.argv[1], "2031-03-05", "the-id"))
except KeyboardInterrupt as stop:
    sys.exit(128 + number_of(stop))
"""


def wait_for(path, process):
    while not path.exists():
        assert process.poll() is None
        time.sleep(0.05)


def test_a_stopped_run_stops_its_night_which_frees_its_lock_and_leaves_no_note(home, settings):
    process = subprocess.Popen([sys.executable, "-c", RUN, str(home / "basin.yaml")])
    lock = settings.archive_root / ".locks" / "made.2031-03-05.json"
    wait_for(lock, process)
    assert list((settings.archive_root / ".operations" / "runs").glob("the-id.*.json"))
    process.send_signal(signal.SIGTERM)
    assert process.wait(30) == 143
    assert not lock.exists()
    assert not list((settings.archive_root / ".operations" / "runs").glob("*.json"))
    assert crashed_nights(settings.archive_root) == []


def test_a_night_that_is_stopped_itself_says_by_what(home, monkeypatch):
    code = "import os, signal; os.kill(os.getpid(), signal.SIGTERM)"
    monkeypatch.setattr(apart, "_CODE", code)
    monkeypatch.setattr(apart, "STOPPED_TOO_S", 0.0)
    result = run_apart(Job(str(home / "basin.yaml"), "2031-03-05", "id"), 60)
    assert (result.state, result.message) == ("failed", "the night was ended by SIGTERM")
    monkeypatch.setattr(apart, "_CODE", "import sys; sys.exit(143)")
    result = run_apart(Job(str(home / "basin.yaml"), "2031-03-05", "id"), 60)
    assert result.message == "the night was ended by SIGTERM"


def test_a_schedule_stopped_in_the_middle_of_a_night_tells_no_crash_at_its_next_start(home, settings, monkeypatch):
    runs = settings.archive_root / ".operations" / "runs"

    def stopped(process, _basins):
        # As a flow leaves it that was killed at once: the note of a process that is gone.
        runs.mkdir(parents=True)
        for run_id in ("the-id", "another"):
            note = {"run_id": run_id, "basin": "made", "date": "2031-03-05", "process": myself() | {"started": "1"}}
            (runs / f"{run_id}.made.2031-03-05.json").write_text(json.dumps(note))
        assert process.poll() is None
        raise KeyboardInterrupt

    monkeypatch.setattr(schedule, "_said", stopped)
    monkeypatch.setattr(schedule.sys, "executable", str(home / "flow"))
    (home / "flow").write_text("#!/bin/sh\nexec sleep 60\n")
    (home / "flow").chmod(0o755)
    begun = time.monotonic()
    with pytest.raises(KeyboardInterrupt):
        schedule.start_flow([str(home / "basin.yaml")], schedule.dt.datetime.now(schedule.dt.UTC), "the-id")
    assert time.monotonic() - begun < 10
    # What another run left is still told.
    assert [note["run_id"] for note in crashed_nights(settings.archive_root)] == ["another"]
