"""Which code runs: its version, and the commit of its checkout."""

from __future__ import annotations

import hashlib
import subprocess
from functools import cache
from importlib.metadata import version
from pathlib import Path


@cache
def code_version() -> tuple[str, str]:
    """Return the program's version and the commit of its checkout, if any.

    The version names the commit too. A checkout's files change without a new version, and a day made by other code is another day: what is changed and not
    committed is named by a hash of its own.
    """
    release = version("snowtally")
    # An installed copy may lie inside somebody's own repository, whose commits say nothing of this program.
    if not _git("ls-files", "--error-unmatch", "reading.py"):
        return release, ""
    commit = _git("rev-parse", "--short=12", "HEAD").strip()
    changed = _git("diff", "HEAD", "--", ".")
    mark = "." + hashlib.sha256(changed.encode()).hexdigest()[:8] if changed else ""
    return f"{release}+{commit}{mark}", commit


def _git(*words: str) -> str:
    """Return what git says of the program's folder, "" without a checkout."""
    try:
        asked = subprocess.run(  # noqa: S603  fixed words, nothing from outside
            ["git", "-C", str(Path(__file__).resolve().parents[1]), *words],  # noqa: S607  git from the path, where there is one
            capture_output=True,
            text=True,
            errors="replace",
            check=False,
        )
    except OSError:
        return ""
    return asked.stdout if asked.returncode == 0 else ""
