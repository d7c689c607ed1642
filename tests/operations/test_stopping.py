"""Signals and time limits: one line, the shell's exit status, and locks that are free afterwards."""

import contextlib
import json
import os
import signal
import threading
import time

import pytest
from forked_command import Limits, start
from made_basin import snowtally, write_basin

from snowtally.model.problems import TooLongError
from snowtally.operations import run
from snowtally.operations.stopping import time_limit


def be_slow():
    """Make the night of a forked child long, and its signals those of a process of its own."""
    # Whatever starts the tests may have these ignored for its children, as nohup has.
    signal.signal(signal.SIGINT, signal.default_int_handler)
    for number in (signal.SIGHUP, signal.SIGTERM):
        signal.signal(number, signal.SIG_DFL)
    run._update = lambda *_: time.sleep(60)


@pytest.fixture(scope="module")
def home(tmp_path_factory):
    return write_basin(tmp_path_factory.mktemp("stopped"))


@pytest.mark.parametrize(
    ("number", "status", "as_json"), [(signal.SIGINT, 130, False), (signal.SIGTERM, 143, True), (signal.SIGHUP, 129, False)]
)  # fmt: skip
def test_a_signal_ends_an_update_with_one_line_and_frees_its_lock(home, number, status, as_json):
    words = ["update", str(home / "basin.yaml"), "--date", "2031-03-05", *["--json"] * as_json]
    night = start(words, home, Limits(), be_slow)
    lock = home / "archive" / ".locks" / "made.2031-03-05.json"
    while not lock.exists():
        assert not night.ended(), night.result()
        time.sleep(0.05)
    os.kill(night.pid, number)
    while not night.ended():
        time.sleep(0.05)
    done = night.result()
    assert done.status == status
    assert done.stderr.startswith("snowtally: stopped by ")
    assert done.stderr.count("\n") == 1
    assert not lock.exists()
    if as_json:
        assert json.loads(done.stdout)["exit_status"] == status


def test_an_update_that_takes_too_long_is_one_line_and_frees_its_lock(home, monkeypatch):
    file = home / "short.yaml"
    file.write_text((home / "basin.yaml").read_text() + "operations: {limits: {night_s: 0.3}}\n")

    def slow(*_):
        for _ in range(600):
            # What the limit raises must not be taken for a failure in hand.
            with contextlib.suppress(Exception):
                time.sleep(0.1)

    monkeypatch.setattr("snowtally.operations.run._update", slow)
    begun = time.monotonic()
    done = snowtally("update", file, "--date", "2031-03-05")
    assert time.monotonic() - begun < 30
    assert done.returncode == 1
    assert (
        done.stderr
        == "snowtally: made 2031-03-05 took more than 0.3 s and was stopped (operations.limits.night_s in the settings)\n"
    )
    assert not (home / "archive" / ".locks" / "made.2031-03-05.json").exists()


def test_the_limit_ends_with_its_block_and_other_threads_have_none():
    with time_limit(0.05, "it"):
        pass
    time.sleep(0.1)
    with pytest.raises(TooLongError, match=r"it took more than 0\.05 s"), time_limit(0.05, "it"):
        time.sleep(5)
    ended = []
    thread = threading.Thread(target=lambda: [ended.append(1) for _ in [0] if not _limited()])
    thread.start()
    thread.join()
    assert ended == [1]


def _limited():
    with time_limit(0.05, "it"):
        time.sleep(0.1)
