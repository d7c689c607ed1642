"""The command line in a forked child with limits: imports are paid for once, and a child's end is nobody else's.

A child has its own standard output and error at the level of file descriptors, so that what libraries in C write is seen
too. It is ended when it takes too long; its memory is measured and bounded.
"""

from __future__ import annotations

import one_thread  # noqa: F401  isort: skip  children are forked: no threads may have been begun

import os
import resource
import signal
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from snowtally.cli.main import main

_SPARE_ADDRESSES = 1 << 30
"""Address space beyond the limit of memory: mapped files and libraries are no memory. What is resident is judged apart."""

_KB = 1 << 10


@dataclass(frozen=True)
class Limits:
    """What one run of the command may take.

    Parameters
    ----------
    cpu_s : seconds of CPU; the wall may show three times as many, for machines that are busy.
    memory : bytes, of all that is resident.
    """

    cpu_s: int = 60
    memory: int = 2 << 30


@dataclass(frozen=True)
class Ran:
    """What a run said and took.

    Parameters
    ----------
    status : its exit status; negative is the signal that ended it.
    stdout, stderr : what it wrote, bytes that are no text replaced.
    cpu_s, seconds : of CPU and of the clock.
    memory : bytes resident at most.
    stopped : ended by us for its time.
    """

    status: int
    stdout: str
    stderr: str
    cpu_s: float
    seconds: float
    memory: int
    stopped: bool


def warm_up(*words: str) -> None:
    """Run a command here, without a word, so that children are forked from a process that has all imported and loaded."""
    from made_basin import snowtally  # noqa: PLC0415

    snowtally(*words)


def start(words: list[str], folder: Path, limits: Limits, before: Callable[[], None] = lambda: None) -> Running:
    """Start the command in a child that works in a folder; `before` is called in the child first."""
    out, err = (tempfile.TemporaryFile() for _ in range(2))  # noqa: SIM115  closed by `end`
    sys.stdout.flush()
    sys.stderr.flush()
    pid = os.fork()
    if pid == 0:
        _child(words, folder, limits, before, (out.fileno(), err.fileno()))
    return Running(pid, out, err, time.monotonic(), limits)


def run(words: list[str], folder: Path, limits: Limits, before: Callable[[], None] = lambda: None) -> Ran:
    """Run the command in a child and return what it said and took."""
    running = start(words, folder, limits, before)
    while not running.ended():
        time.sleep(0.02)
    return running.result()


class Running:
    """A child at work."""

    def __init__(self, pid, out, err, begun, limits) -> None:
        self.pid, self._out, self._err, self._begun, self._limits = pid, out, err, begun, limits
        self._ended: tuple[int, resource.struct_rusage] | None = None
        self._seconds, self._stopped = 0.0, False

    def ended(self) -> bool:
        """Return whether it has ended; end it where it takes too long."""
        pid, how, used = os.wait4(self.pid, os.WNOHANG)
        self._seconds = time.monotonic() - self._begun
        if pid:
            self._ended = how, used
        elif self._seconds > 3 * self._limits.cpu_s and not self._stopped:
            self._stopped = True
            os.kill(self.pid, signal.SIGKILL)
        return self._ended is not None

    def result(self) -> Ran:
        """Return what it said and took, once it has ended."""
        how, used = self._ended
        told = []
        for file in (self._out, self._err):
            file.seek(0)
            told.append(file.read().decode("utf-8", "replace"))
            file.close()
        status = os.waitstatus_to_exitcode(how)
        return Ran(
            status,
            *told,
            cpu_s=used.ru_utime + used.ru_stime,
            seconds=self._seconds,
            memory=used.ru_maxrss * _KB,
            stopped=self._stopped or status in (-signal.SIGXCPU, -signal.SIGKILL),
        )


def _child(words, folder, limits, before, files) -> None:
    """Be the child: run the command as `snowtally` would, and never return."""
    status = 1
    try:
        for target, file in enumerate(files, start=1):
            os.dup2(file, target)
        sys.stdout, sys.stderr = (os.fdopen(os.dup(n), "w", encoding="utf-8", errors="replace") for n in (1, 2))
        os.chdir(folder)
        addresses = int(Path("/proc/self/statm").read_text().split()[0]) * resource.getpagesize()
        most = addresses + limits.memory + _SPARE_ADDRESSES
        resource.setrlimit(resource.RLIMIT_AS, (most, most))
        resource.setrlimit(resource.RLIMIT_CPU, (limits.cpu_s, limits.cpu_s + 5))
        resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
        before()
        sys.argv = ["snowtally", *words]
        main()
        status = 0
    except SystemExit as end:
        status = end.code if isinstance(end.code, int) else 0 if end.code is None else 1
        if isinstance(end.code, str):
            sys.stderr.write(end.code + "\n")
    except BaseException:  # noqa: BLE001  what Python would print at its end
        import traceback  # noqa: PLC0415

        traceback.print_exc()
    finally:
        for stream in (sys.stdout, sys.stderr):
            stream.flush()
        os._exit(status)
