"""Which files feed a basin: an explicit, printable list with size and hash, made before any of them is read."""

from __future__ import annotations

import glob
import hashlib
import os
from dataclasses import dataclass
from pathlib import Path

from snowtally.model.problems import Finding
from snowtally.model.rules import files as rules


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
    """Return the files of each role, and findings for missing ones.

    They are in the order given, sorted within a glob.

    Parameters
    ----------
    patterns : for each role the absolute paths or globs of the settings.
    """
    files: dict[str, list[InputFile]] = {}
    findings: list[Finding] = []
    for role, given in patterns.items():
        files[role] = []
        for pattern in given:
            paths = matching(pattern)
            if not paths:
                findings.append(missing_file(role, pattern, f"inputs.{role} in the settings"))
            # A file named by path and by a glob as well is one file.
            for path in [path for path in paths if path not in {file.path for file in files[role]}]:
                if (misspelt := misspelt_file(role, path)) is not None:
                    findings.append(misspelt)
                    continue
                try:
                    files[role].append(describe(role, path))
                except OSError as trouble:
                    findings.append(unreadable_file(role, path, str(trouble.strerror)))
    return files, findings


def matching(pattern: Path) -> list[Path]:
    """Return the files that an absolute path or glob names, sorted.

    The list is empty where there is none. An existing file or folder is no glob: its name may hold brackets. A path
    that cannot be looked up is returned, so that its reader reports it.
    """
    try:
        if pattern.is_file():
            return [pattern]
        folder = next(parent for parent in pattern.parents if parent.is_dir())
    except (OSError, ValueError):
        # A folder that may not be looked into, a name that no file can have: that is reported when the file is read.
        return [pattern]
    names = glob.glob(str(pattern.relative_to(folder)), root_dir=folder)  # noqa: PTH207  hidden files are no match
    return [path for name in sorted(names) if is_file(path := folder / name)]


def is_file(path: Path) -> bool:
    """Return whether a path is a file's.

    A name too long for any file, or in a folder closed to us, is none.
    """
    try:
        return path.is_file()
    except (OSError, ValueError):
        return False


def describe(role: str, path: Path) -> InputFile:
    """Return the file's size and hash; it is read as bytes only."""
    with path.open("rb") as stream:
        digest = hashlib.file_digest(stream, "sha256").hexdigest()
    return InputFile(role, path, path.stat().st_size, digest)


def missing_file(role: str, path: Path, named_by: str) -> Finding:
    """Return the finding that a declared file is not there.

    A night with one is degraded.
    """
    lost = os.path.islink(path)  # noqa: PTH114  of a name too long it is none
    return Finding(
        rules.MISSING_FILE,
        role,
        str(path),
        evidence="a link that leads nowhere or to itself" if lost else "no such file",
        detail=rules.MISSING_FILE.says(path=path, named_by=named_by),
    )


def misspelt_file(role: str, path: Path) -> Finding | None:
    """Return the finding that a file's name is not UTF-8, None where it is.

    The libraries and the archive's own files need it so.
    """
    try:
        str(path).encode()
    except UnicodeEncodeError:
        spelt = Path(str(path).encode("utf-8", "backslashreplace").decode())
        return unreadable_file(role, spelt, "a name in this path is not UTF-8: give the file or folder another")
    return None


def unreadable_file(role: str, path: Path, why: str) -> Finding:
    """Return the finding that a declared file cannot be read.

    A night with one is degraded.
    """
    return Finding(rules.UNREADABLE_FILE, role, str(path), detail=f"{path}: {why}")
