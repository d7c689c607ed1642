"""A basin's date in a process of its own: what kills it, or keeps it too long, ends that night and no other."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from contextlib import suppress

from pipeline.model.problems import SnowtallyError
from pipeline.operations.night import NIGHTLY, NightResult
from pipeline.operations.run_id import RUN_ID
from pipeline.operations.stopping import number_of, stops_raised

_CODE = "from pipeline.operations.child_process import child; child()"


def run_apart(
    settings_file: str, date: str, run_id: str, limit_s: float, why: tuple[str, str] = NIGHTLY
) -> NightResult:
    """Run a night in a process of its own, stop it after `limit_s`, and return what became of it.

    Parameters
    ----------
    limit_s : with what the night may wait for its inputs and for another run (`Operations.longest_s`).
    why : the command and the reason for the record.
    """
    begun = time.monotonic()
    words = json.dumps([settings_file, date, run_id, why])
    process = subprocess.Popen(  # noqa: S603  this program itself
        [sys.executable, "-c", _CODE, words],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        stdin=subprocess.PIPE,
        text=True,
        errors="replace",
        env=os.environ | {RUN_ID: run_id},
        start_new_session=True,
    )
    _AT_WORK.add(process)
    try:
        out, err = process.communicate(timeout=limit_s)
    except subprocess.TimeoutExpired:
        _stop(process)
        return _lost(
            settings_file,
            date,
            run_id,
            begun,
            f"took more than {limit_s:g} s, its waiting for inputs and other runs included, and was stopped (operations.limits.night_s)",
        )
    except BaseException:
        # The flow itself is being stopped: its night must not go on without it.
        _stop(process)
        raise
    finally:
        _AT_WORK.discard(process)
    result = _result(out)
    if result is None and process.returncode in _STOPPED:
        # A service's stop reaches the night a moment before us: it is no failure to tell of, and ends us here.
        time.sleep(STOPPED_TOO_S)
    return result or _lost(settings_file, date, run_id, begun, _death(process.returncode, err))


def _result(out: str) -> NightResult | None:
    """Return the night's own result where its line is whole, whatever the process died of after it: the night was over."""
    last = out.splitlines(keepends=True)[-1:]
    if not last or not last[0].endswith("\n"):
        return None
    try:
        return NightResult(**json.loads(last[0]))
    except (ValueError, TypeError):
        return None


_AT_WORK: set[subprocess.Popen] = set()
"""Processes of nights that this process waits for, in whichever thread."""

STOP_S = 10.0
"""A night that is asked to end frees its locks within this, s, unless a library's call keeps it; then it is killed."""

STOPPED_TOO_S = 1.0
"""Signals to all processes of a service arrive within this of each other, s: they are sent in one go."""

_STOPPED = {-signal.SIGTERM, -signal.SIGHUP, 128 + signal.SIGTERM, 128 + signal.SIGHUP}
"""Statuses of a process that was asked to end."""


def stop_all() -> None:
    """Ask the processes of all nights at work to end, those that other threads of this process wait for."""
    for process in list(_AT_WORK):
        with suppress(ProcessLookupError):
            process.terminate()


def _stop(process: subprocess.Popen) -> None:
    """End a night's process: first asked, so that it frees its locks, then killed with all that it started."""
    process.terminate()
    with suppress(subprocess.TimeoutExpired):
        process.communicate(timeout=STOP_S)
    with suppress(ProcessLookupError):
        os.killpg(process.pid, signal.SIGKILL)
    process.communicate()


def _death(status: int, err: str) -> str:
    if status == -signal.SIGKILL:
        return "was killed from outside, most often for want of memory: look at the system's log"
    if status < 0 or status in _STOPPED:
        return f"was ended by {signal.Signals(-status if status < 0 else status - 128).name}"
    said = err.strip().splitlines()[-1:] or ["it said nothing"]
    return f"ended with status {status}: {said[0]}"


def _lost(settings_file: str, date: str, run_id: str, begun: float, message: str) -> NightResult:
    """Return the result of a night that could give none itself."""
    from pipeline.settings.basin import read_settings  # noqa: PLC0415

    basin = ""
    with suppress(SnowtallyError, OSError):
        basin = read_settings(settings_file).basin.id
    seconds = round(time.monotonic() - begun, 2)
    passing = "killed from outside" in message
    return NightResult(
        settings_file, basin, date, run_id, passing=passing, message=f"the night {message}", seconds=seconds
    )


def child() -> None:
    """Run one night as told on the command line and print its result as the last line."""
    from pipeline.operations.night import run_night  # noqa: PLC0415

    end_with_parent()
    settings_file, date, run_id, why = json.loads(sys.argv[1])
    try:
        with stops_raised():
            result = run_night(settings_file, date, run_id, tuple(why))
    except KeyboardInterrupt as stop:
        # Its locks are free by now.
        os._exit(128 + number_of(stop))
    sys.stdout.write(json.dumps(result.plain()) + "\n")
    sys.stdout.flush()
    sys.stderr.flush()
    # Without taking the interpreter down: threads of libraries that still run then can abort a process whose work is done.
    os._exit(0)


def end_with_parent() -> None:
    """Ask the kernel to end this process when the one that started it dies; where it cannot, the lock still tells."""
    import ctypes  # noqa: PLC0415  for this process only

    try:
        ctypes.CDLL(None).prctl(1, signal.SIGKILL)  # PR_SET_PDEATHSIG
    except (AttributeError, OSError):
        return
