"""A basin's date in a process of its own: what kills it, or keeps it too long, ends that night and no other."""

from __future__ import annotations

import ctypes
import json
import os
import signal
import subprocess
import sys
import time
from contextlib import suppress
from dataclasses import asdict, dataclass

from snowtally.model.problems import SnowtallyError
from snowtally.operations.night import Job, NightResult, run_night
from snowtally.operations.run_id import RUN_ID
from snowtally.operations.stopping import number_of, stops_raised
from snowtally.settings.basin import read_settings

STOP_S = 10.0
"""A night that is asked to end frees its locks within this, s, unless a library's call keeps it; then it is killed (chosen)."""

STOPPED_TOO_S = 1.0
"""Signals to all processes of a service arrive within this of each other, s: they are sent in one go (chosen)."""

_STOPPED = {-signal.SIGTERM, -signal.SIGHUP, 128 + signal.SIGTERM, 128 + signal.SIGHUP}
"""Statuses of a process that was asked to end."""

_CODE = "from snowtally.operations.child_process import child; child()"


@dataclass(frozen=True)
class _Death:
    """Why a process gave no result; `passing` where a second try may help."""

    words: str
    passing: bool = False


def run_apart(job: Job, limit_s: float) -> NightResult:
    """Run a night in its own process and return what became of it.

    Parameters
    ----------
    limit_s : it is stopped after this, s, with what it may wait for its inputs and for another run (`Operations.longest_s`).
    """
    begun = time.monotonic()
    process = subprocess.Popen(  # noqa: S603  this program itself
        [sys.executable, "-c", _CODE, json.dumps(asdict(job))],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        stdin=subprocess.PIPE,
        text=True,
        errors="replace",
        env=os.environ | {RUN_ID: job.run_id},
        start_new_session=True,
    )
    try:
        out, err = process.communicate(timeout=limit_s)
    except subprocess.TimeoutExpired:
        _stop(process)
        words = (
            f"took more than {limit_s:g} s, its waiting for inputs and other runs included, and was stopped "
            "(operations.limits.night_s)"
        )
        return _lost(job, begun, _Death(words))
    except BaseException:
        # The flow itself is being stopped: its night must not go on without it.
        _stop(process)
        raise
    result = _result(out)
    if result is None and process.returncode in _STOPPED:
        # A service's stop reaches the night a moment before us: it is no failure to report, and ends us here.
        time.sleep(STOPPED_TOO_S)
    return result or _lost(job, begun, _death(process.returncode, err))


def _result(out: str) -> NightResult | None:
    """Return the night's own result, None where its line is not whole.

    It counts whatever the process died of after it: the night was over.
    """
    last = out.splitlines(keepends=True)[-1:]
    if not last or not last[0].endswith("\n"):
        return None
    try:
        return NightResult.from_plain(json.loads(last[0]))
    except (ValueError, TypeError, KeyError):
        return None


def _stop(process: subprocess.Popen[str]) -> None:
    """End a night's process.

    It is asked first, so that it frees its locks, then killed with all that it started.
    """
    process.terminate()
    with suppress(subprocess.TimeoutExpired):
        process.communicate(timeout=STOP_S)
    with suppress(ProcessLookupError):
        os.killpg(process.pid, signal.SIGKILL)
    process.communicate()


def _death(status: int, err: str) -> _Death:
    if status == -signal.SIGKILL:
        return _Death("was killed from outside, most often for want of memory: look at the system's log", passing=True)
    if status < 0 or status in _STOPPED:
        return _Death(f"was ended by {signal.Signals(-status if status < 0 else status - 128).name}")
    said = err.strip().splitlines()[-1:] or ["it said nothing"]
    return _Death(f"ended with status {status}: {said[0]}")


def _lost(job: Job, begun: float, death: _Death) -> NightResult:
    """Return the result of a night that could give none itself."""
    basin = ""
    with suppress(SnowtallyError, OSError):
        basin = read_settings(job.settings).basin.id
    seconds = round(time.monotonic() - begun, 2)
    message = f"the night {death.words}"
    return NightResult(
        job.settings, basin, job.date, job.run_id, passing=death.passing, message=message, seconds=seconds
    )


def child() -> None:
    """Run the night that the command line names and print its result."""
    end_with_parent()
    job = Job(**json.loads(sys.argv[1]))
    try:
        with stops_raised():
            result = run_night(job)
    except KeyboardInterrupt as stop:
        # Its locks are free by now.
        os._exit(128 + number_of(stop))
    sys.stdout.write(json.dumps(result.plain()) + "\n")
    sys.stdout.flush()
    sys.stderr.flush()
    # Without taking the interpreter down: threads of libraries that still run then can abort a process whose work is done.
    os._exit(0)


def end_with_parent() -> None:
    """Let the kernel end this process with its parent.

    Where it cannot, the lock still shows that this process lives.
    """
    with suppress(AttributeError, OSError):
        ctypes.CDLL(None).prctl(1, signal.SIGKILL)  # PR_SET_PDEATHSIG
