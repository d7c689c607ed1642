"""Make the screens of docs/own-basin.md by running its commands: `python docs/make_screens.py`.

A fenced block `console` holds commands, each behind `$ `, and below each what it printed. They run in order, in a folder that
holds a copy of `sample_inputs` and nothing else.
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
PAGE = ROOT / "docs" / "own-basin.md"
BLOCK = re.compile(r"(?<=```console\n).*?(?=```)", re.DOTALL)
COLUMNS = 100
"""Width of a screen, characters."""

PROGRAM = '#!/bin/sh\nexec "{python}" -c "from snowtally.cli.main import main; main()" "$@"\n'
VARIES = (
    (re.compile(r"\b\d+(\.\d+)?(?= (s|seconds)\b)"), "N"),
    (re.compile(r"\d{4}-\d\d-\d\d \d\d:\d\d(:\d\d)?Z"), "TIME"),
    (re.compile(r"\b\d+ days ahead"), "N days ahead"),
    (re.compile(r"(?<=revisions, )[\d.]+ .B|disk: [^\n]*"), "SIZE"),
    (re.compile(r"\s+"), " "),
)
"""What differs between runs and machines: seconds, the clock, the disk, and where a line breaks behind a long path."""


def commands(block: str) -> list[str]:
    """Return a block's commands."""
    return [line.removeprefix("$ ") for line in block.splitlines() if line.startswith("$ ")]


def screen(block: str, home: Path) -> str:
    """Return a block with what its commands print now, run in a folder."""
    out = []
    for command in commands(block):
        told = {
            "COLUMNS": str(COLUMNS),
            "PATH": f"{home / 'bin'}{os.pathsep}{os.environ['PATH']}",
            "PYTHONPATH": str(ROOT),
        }
        ran = subprocess.run(  # noqa: S603  the page's own commands
            ["/bin/bash", "-c", command],
            cwd=home / "here",
            env=os.environ | told,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            check=False,
        )
        said = ran.stdout.replace(f"{home / 'here'}/", "")
        out.append(f"$ {command}\n" + "".join(f"{line.rstrip()}\n" for line in said.splitlines()))
    return "\n".join(out)


def page() -> str:
    """Return the page with the screens of today."""
    with tempfile.TemporaryDirectory(prefix="own-basin-") as place:
        home = Path(place)
        (home / "bin").mkdir()
        program = home / "bin" / "snowtally"
        program.write_text(PROGRAM.format(python=sys.executable), "utf-8")
        program.chmod(0o755)
        inputs = home / "here" / "sample_inputs"
        shutil.copytree(
            ROOT / "sample_inputs" / "ettlewick", inputs / "ettlewick", ignore=shutil.ignore_patterns("__pycache__")
        )
        return BLOCK.sub(lambda found: screen(found[0], home), PAGE.read_text("utf-8"))


def without_varying(text: str) -> str:
    """Return a page without what differs between runs."""
    for pattern, word in VARIES:
        text = pattern.sub(word, text)
    return text


if __name__ == "__main__":
    PAGE.write_text(page(), "utf-8")
