"""One run of a date at a time; a stale lock is known by evidence, not by its age."""

import datetime as dt
import json
import os
import subprocess
import sys
import threading

import pytest

from snowtally.model.problems import BusyError
from snowtally.publishing.night_lock import SILENT_BEATS, NightLock, nights_at_work
from snowtally.storage.processes import lives, myself

DATE = dt.date(2031, 3, 5)


def lock(root, **more):
    return NightLock(root, "made", DATE, "run", **more)


def write(root, **other):
    path = lock(root).path
    path.parent.mkdir(parents=True, exist_ok=True)
    holder = (
        myself() | {"run_id": "other", "token": "t", "beat": 0, "beat_s": 0.02, "since": "2031-03-06T05:30"} | other
    )
    path.write_text(json.dumps(holder))


def test_a_second_run_waits_and_is_told_who_holds_the_lock(tmp_path):
    with lock(tmp_path).hold(0):
        said = rf"made 2031-03-05 is being estimated by process {os.getpid()} on .* \(run run, since"
        with pytest.raises(BusyError, match=said), lock(tmp_path).hold(0.1):
            pass
    with lock(tmp_path).hold(0):
        assert lock(tmp_path).path.exists()
    assert not lock(tmp_path).path.exists()


def test_another_date_is_another_lock(tmp_path):
    with lock(tmp_path).hold(0), NightLock(tmp_path, "made", dt.date(2031, 3, 6), "run").hold(0):
        pass


def test_a_dead_process_frees_its_lock_however_young_it_is(tmp_path):
    code = (
        "import sys, os, datetime as dt\nfrom pathlib import Path\nfrom snowtally.publishing.night_lock import NightLock\n"
        "with NightLock(Path(sys.argv[1]), 'made', dt.date(2031, 3, 5), 'killed').hold(0): os.kill(os.getpid(), 9)\n"
    )
    assert subprocess.run([sys.executable, "-c", code, tmp_path], check=False).returncode == -9
    assert json.loads(lock(tmp_path).path.read_text())["run_id"] == "killed"
    with lock(tmp_path).hold(0):
        assert json.loads(lock(tmp_path).path.read_text())["run_id"] == "run"


def test_a_living_process_keeps_its_lock_however_old_it_is(tmp_path):
    write(tmp_path, beat=7)
    os.utime(lock(tmp_path).path, (0, 0))
    with pytest.raises(BusyError), lock(tmp_path).hold(0.1):
        pass


@pytest.mark.parametrize("other", [{"boot": "an earlier one"}, {"started": "1"}, {"pid": 2**22 + 1}])
def test_an_id_given_again_is_not_the_process_that_held_the_lock(tmp_path, other):
    write(tmp_path, **other)
    with lock(tmp_path).hold(0):
        pass


def test_another_hosts_lock_is_stale_when_it_stops_beating_while_we_watch(tmp_path):
    write(tmp_path, host="elsewhere")
    with pytest.raises(BusyError, match="elsewhere"), lock(tmp_path).hold(0):
        pass
    with lock(tmp_path).hold(SILENT_BEATS * 0.02 + 5):
        pass


def test_another_hosts_lock_that_beats_is_left(tmp_path):
    write(tmp_path, host="elsewhere")
    done = threading.Event()

    def beat():
        number = 0
        while not done.wait(0.01):
            number += 1
            beside = tmp_path / "beat"
            beside.write_text(json.dumps(json.loads(lock(tmp_path).path.read_text()) | {"beat": number}))
            os.replace(beside, lock(tmp_path).path)  # noqa: PTH105  as the holder does it

    beating = threading.Thread(target=beat)
    beating.start()
    try:
        # Many times longer than a silent holder would be believed.
        with pytest.raises(BusyError), lock(tmp_path).hold(1.5):
            pass
    finally:
        done.set()
        beating.join()


def test_a_holder_beats(tmp_path):
    mine = lock(tmp_path, beat_s=0.02)
    with mine.hold(0):
        before = json.loads(mine.path.read_text())["beat"]
        waited = threading.Event()
        while json.loads(mine.path.read_text())["beat"] <= before:
            waited.wait(0.02)


def test_a_lock_cut_off_in_writing_is_nobodys(tmp_path):
    lock(tmp_path).path.parent.mkdir(parents=True)
    lock(tmp_path).path.write_text('{"host": "els')
    with lock(tmp_path).hold(0):
        pass


def test_evidence_of_a_living_process():
    assert lives(myself())
    assert lives(myself() | {"host": "elsewhere"}) is None
    assert lives({"host": myself()["host"]}) is False


@pytest.mark.parametrize("beat_s", ["soon", None, [], 0, -1, float("nan"), float("inf"), 10**400])
def test_a_beat_that_is_no_time_is_taken_as_the_readers_own(tmp_path, beat_s):
    write(tmp_path, host="elsewhere", beat_s=beat_s)
    with pytest.raises(BusyError), lock(tmp_path, beat_s=60.0).hold(0):
        pass
    # Silent for so many beats it is gone all the same.
    with lock(tmp_path, beat_s=0.01).hold(5):
        pass


@pytest.mark.parametrize("pid", [10**30, float("inf"), "1", None])
def test_a_process_id_that_is_none_is_no_living_process(pid):
    assert lives(myself() | {"pid": pid}) is False


def test_who_is_at_work_is_told_by_the_locks(tmp_path):
    assert nights_at_work(tmp_path, "made") == []
    with lock(tmp_path).hold(0):
        assert nights_at_work(tmp_path, "made") == ["2031-03-05"]
        assert nights_at_work(tmp_path, "mad") == []
    write(tmp_path, boot="another")
    assert nights_at_work(tmp_path, "made") == []
    # Another host's cannot be asked; no night takes two days.
    write(tmp_path, host="elsewhere")
    assert nights_at_work(tmp_path, "made") == ["2031-03-05"]
    os.utime(lock(tmp_path).path, (0, 0))
    assert nights_at_work(tmp_path, "made") == []
