"""`snowtally --help`, as a person waits for it, against an interpreter that does nothing."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

from timing import Figure, Runs, alternate, no_more_than, slower_at_most

MAIN = "import sys; from snowtally.cli.main import main; sys.argv = ['snowtally', '--help']; main()"
"""What the console command does, whatever folder it was installed in."""


def runs(_folder: Path) -> Runs:
    """Return the help page and an interpreter's start and end."""
    return {"help": lambda: _run(MAIN), "pass": lambda: _run("pass")}


def figures(folder: Path) -> list[Figure]:
    """Return the seconds and the ratio."""
    taken = alternate(runs(folder), rounds=9)
    row = slower_at_most("snowtally --help", taken["help"], ("python -c pass", taken["pass"]), 1.0)
    return [
        Figure(row.path, row.ours, row.reference, row.ratio),
        no_more_than("its CPU seconds", taken["help"].cpu_s, 0.5, "s"),
    ]


def _run(code: str) -> None:
    root = Path(__file__).parents[2]
    subprocess.run([sys.executable, "-c", code], check=True, capture_output=True, cwd=root)
