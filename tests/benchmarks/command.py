"""What a command of the program takes in a process of its own, as the operations team runs it."""

from __future__ import annotations

import os
import re
import resource
import subprocess
import sys
import time
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).parents[2]


@dataclass(frozen=True)
class Taken:
    """CPU seconds of all processes of a command, wall seconds, and the greatest resident memory of its own, MB."""

    cpu_s: float
    wall_s: float
    peak_mb: float


def taken_by(home: Path, *words: str, beside: str = "", **environment: str) -> Taken:
    """Return what a command takes, by what the kernel counts of this process's children.

    Parameters
    ----------
    home : a folder for its notes.
    words : of the command line, after `snowtally`.
    beside : code to run before the command.
    environment : variables that differ from this process's own.
    """
    before, began = resource.getrusage(resource.RUSAGE_CHILDREN), time.time()
    peak = home / "peak.txt"
    # The command writes its own peak: what the kernel counts of children is the most of all that there were.
    code = (
        f"import atexit, pathlib; atexit.register(lambda: pathlib.Path({str(peak)!r}).write_text(open('/proc/self/status').read()))\n"
        f"{beside}\n"
        "from snowtally.cli.main import main; main()"
    )
    # Without its folder of links a checkout that is not installed has no such package.
    paths = os.pathsep.join(filter(None, [str(ROOT / ".names"), os.environ.get("PYTHONPATH", "")]))
    own = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
    done = subprocess.run(
        [sys.executable, "-c", code, *words],
        cwd=home, env=own | {"PYTHONPATH": paths} | environment, capture_output=True, text=True, check=False,
    )  # fmt: skip
    wall_s = time.time() - began
    if done.returncode:
        raise SystemExit(f"{' '.join(words)}: status {done.returncode}: {done.stdout[-2000:]}{done.stderr[-2000:]}")
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    used = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    return Taken(used, wall_s, int(re.search(r"VmHWM:\s+(\d+) kB", peak.read_text("ascii"))[1]) / 1000)
