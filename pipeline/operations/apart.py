"""A basin's date in a process of its own: what kills it, or keeps it too long, ends that night and no other."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from contextlib import suppress

from pipeline.operations.night import NIGHTLY, NightResult
from pipeline.problems import SnowtallyError
from pipeline.run_id import RUN_ID

_CODE = "from pipeline.operations.apart import child; child()"


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
    result = _result(out)
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


def _stop(process: subprocess.Popen) -> None:
    with suppress(ProcessLookupError):
        os.killpg(process.pid, signal.SIGKILL)
    process.communicate()


def _death(status: int, err: str) -> str:
    if status == -signal.SIGKILL:
        return "was killed from outside, most often for want of memory: look at the system's log"
    if status < 0:
        return f"was ended by {signal.Signals(-status).name}"
    said = err.strip().splitlines()[-1:] or ["it said nothing"]
    return f"ended with status {status}: {said[0]}"


def _lost(settings_file: str, date: str, run_id: str, begun: float, message: str) -> NightResult:
    """Return the result of a night that could give none itself."""
    from pipeline.settings import read_settings  # noqa: PLC0415

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
    result = run_night(settings_file, date, run_id, tuple(why))
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
