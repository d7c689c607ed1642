"""Signals and time limits: one line, the shell's exit status, and locks that are free afterwards."""

import contextlib
import json
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest

sys.path.append(str(Path(__file__).parent / "basin"))

from made_basin import snowtally, write_basin

from pipeline.problems import TooLongError
from pipeline.stopping import time_limit

SLOW = """
import signal, time
# Whatever starts the tests may have these ignored for its children, as nohup has.
signal.signal(signal.SIGINT, signal.default_int_handler)
signal.signal(signal.SIGHUP, signal.SIG_DFL)
from pipeline import run
run._update = lambda *_: time.sleep(60)
from pipeline.cli import main
main()
"""


@pytest.fixture(scope="module")
def home(tmp_path_factory):
    return write_basin(tmp_path_factory.mktemp("stopped"))


@pytest.mark.parametrize(
    ("number", "status", "as_json"), [(signal.SIGINT, 130, False), (signal.SIGTERM, 143, True), (signal.SIGHUP, 129, False)]
)  # fmt: skip
def test_a_signal_ends_an_update_with_one_line_and_frees_its_lock(home, number, status, as_json):
    words = ["update", str(home / "basin.yaml"), "--date", "2031-03-05", *["--json"] * as_json]
    process = subprocess.Popen(
        [sys.executable, "-c", SLOW, *words], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )
    lock = home / "archive" / ".locks" / "made.2031-03-05.json"
    while not lock.exists():
        assert process.poll() is None, process.communicate()
        time.sleep(0.05)
    process.send_signal(number)
    out, err = process.communicate(timeout=60)
    assert process.returncode == status
    assert err.startswith("snowtally: stopped by ")
    assert err.count("\n") == 1
    assert not lock.exists()
    if as_json:
        assert json.loads(out)["exit_status"] == status


def test_an_update_that_takes_too_long_is_one_line_and_frees_its_lock(home, monkeypatch):
    file = home / "short.yaml"
    file.write_text((home / "basin.yaml").read_text() + "operations: {limits: {night_s: 0.3}}\n")

    def slow(*_):
        for _ in range(600):
            # What the limit raises must not be taken for a failure in hand.
            with contextlib.suppress(Exception):
                time.sleep(0.1)

    monkeypatch.setattr("pipeline.run._update", slow)
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
