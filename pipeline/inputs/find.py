"""Which files feed a basin: an explicit, printable list with size and hash, made before any of them is read."""

from __future__ import annotations

import glob
import hashlib
from dataclasses import dataclass
from pathlib import Path

from pipeline.problems import Finding


@dataclass(frozen=True)
class InputFile:
    """One input file.

    Parameters
    ----------
    role : what it is to the basin: zones, elevation, canopy, sites, courses, stations, flights, covers, weather, or
        for rasters named by a table "flight LF-1 depth" and the like.
    path : absolute path.
    size : bytes.
    sha256 : hash of the bytes, hexadecimal.
    """

    role: str
    path: Path
    size: int
    sha256: str


def find_tables(patterns: dict[str, list[Path]]) -> tuple[dict[str, list[InputFile]], list[Finding]]:
    """Return the files of each role, in the order given and sorted within a glob, with findings for what is missing.

    Parameters
    ----------
    patterns : for each role the absolute paths or globs of the settings.
    """
    found: dict[str, list[InputFile]] = {}
    findings: list[Finding] = []
    for role, given in patterns.items():
        found[role] = []
        for pattern in given:
            is_glob = any(mark in str(pattern) for mark in "*?[")
            paths = [Path(p) for p in sorted(glob.glob(str(pattern)))] if is_glob else [pattern]  # noqa: PTH207  absolute patterns
            paths = [path for path in paths if path.is_file()]
            if not paths:
                findings.append(missing_file(role, pattern, f"inputs.{role} in the settings"))
            # A file named by path and by a glob as well is one file.
            for path in [path for path in paths if path not in {file.path for file in found[role]}]:
                try:
                    found[role].append(describe(role, path))
                except OSError as trouble:
                    findings.append(unreadable_file(role, path, str(trouble.strerror)))
    return found, findings


def describe(role: str, path: Path) -> InputFile:
    """Return the file's size and hash; it is read as bytes only."""
    with path.open("rb") as stream:
        digest = hashlib.file_digest(stream, "sha256").hexdigest()
    return InputFile(role, path, path.stat().st_size, digest)


def missing_file(role: str, path: Path, named_by: str) -> Finding:
    """Return the finding that a declared file is not there; a night with one is degraded."""
    return Finding(
        table=role,
        file=str(path),
        rule="missing file",
        severity="error",
        evidence="no such file",
        action="set aside",
        detail=f"{path} is named by {named_by} but is not there: put it there or take it out",
    )


def unreadable_file(role: str, path: Path, why: str) -> Finding:
    """Return the finding that a declared file cannot be read; a night with one is degraded."""
    return Finding(
        table=role,
        file=str(path),
        rule="unreadable file",
        severity="error",
        action="set aside",
        detail=f"{path}: {why}",
    )
