"""The record of a revision: what went in, with which settings and versions, and what came out. Schema in docs/."""

from __future__ import annotations

import datetime as dt
import hashlib
import json
import math
import platform
import re
from dataclasses import asdict, dataclass, field
from functools import cache
from importlib.metadata import PackageNotFoundError, version
from typing import Any

import numpy as np

from snowtally.archive.current import Loss
from snowtally.archive.records import RECORD_VERSION
from snowtally.model.day import Day
from snowtally.storage.files import Written

SCHEMA_VERSION = RECORD_VERSION
"""What this program writes; `snowtally.reading` reads it and every older one."""

BY_HAND = "rerun"
"""The command of an analyst. What it publishes is displaced by another of its kind only."""

_PACKAGES = (
    "affine", "exactextract", "geopandas", "netCDF4", "numba", "numpy", "openpyxl", "pandas", "pint", "pvlib", "pyarrow",
    "pydantic", "pykrige", "pyogrio", "pyproj", "PyYAML", "rasterio", "rioxarray", "scikit-learn", "scipy", "shapely",
    "threadpoolctl", "xarray",
)  # fmt: skip
"""The packages whose version can change a figure or a byte: those that are imported on the way from the files to the files of
a day. tests/test_dependencies.py derives them."""


@dataclass(frozen=True)
class UsedFile:
    """One file that a day was made from.

    Parameters
    ----------
    role : what it is in the settings: sites, courses, stations, flights, elevation ...
    path : where it stood, as the settings name it.
    size : bytes.
    sha256 : hash of the whole file, hexadecimal.
    used_sha256 : hash of the canonical rows or grids used from it (`snowtally.publishing.archived_inputs`); empty where none were.
    """

    role: str
    path: str
    size: int
    sha256: str
    used_sha256: str = ""


@dataclass(frozen=True)
class Provenance:
    """What the caller knows about how a day came to be.

    Parameters
    ----------
    settings : the settings as used.
    settings_hash : identity of those of them that decide a day, `Settings.identity`.
    inputs : the files read.
    input_hash : identity of the rows and grids used, `input_sha256` of their hashes.
    reason : why this revision is made: "nightly update", or what the operator wrote.
    degraded : what the day lacks, each with the reason in one sentence; empty for a sound day.
    code_version, commit : version of the program; commit empty where it is not known.
    made : when, with time zone (a time without one is taken as UTC). The caller's clock, so that tests can hold it.
    archived : hash of each archived table and grid of this day by name, from `archive_inputs`.
    command : what made it: update, backfill or rerun.
    """

    settings: dict[str, Any]
    settings_hash: str
    inputs: list[UsedFile]
    input_hash: str
    reason: str
    degraded: list[Loss]
    code_version: str
    commit: str
    made: dt.datetime
    archived: dict[str, str] = field(default_factory=dict)
    command: str = "update"


def input_sha256(hashes: dict[str, str]) -> str:
    """Return one hash for all inputs of a day. It is that of the sorted lines "NAME HASH", each with its LF."""
    lines = "".join(f"{name} {hashes[name]}\n" for name in sorted(hashes))
    return hashlib.sha256(lines.encode("utf-8")).hexdigest()


@dataclass(frozen=True)
class Numbers:
    """The number of a revision, and of the one before it.

    That is the newest of its date until then, None for the first.
    """

    revision: int
    before: int | None


def build_record(
    day: Day, provenance: Provenance, numbers: Numbers, files: dict[str, Written], changes: dict[str, Any] | None
) -> dict[str, Any]:
    """Return the content of `record.json`.

    Parameters
    ----------
    files : every other file by name.
    changes : what changed since the revision before, as `snowtally.publishing.changes` tells it.
    """
    return plain(
        {
            "schema_version": SCHEMA_VERSION,
            "basin_id": day.basin_id,
            "title": day.title,
            "date": day.date,
            "revision": numbers.revision,
            "parent_revision": numbers.before,
            "command": provenance.command,
            "reason": provenance.reason,
            "made": provenance.made,
            "code": {"version": provenance.code_version, "commit": provenance.commit},
            "degraded": bool(provenance.degraded),
            "degraded_reasons": [loss.reason for loss in provenance.degraded],
            "losses": [loss.plain() for loss in provenance.degraded],
            "settings": provenance.settings,
            "settings_hash": provenance.settings_hash,
            "inputs": [asdict(file) for file in provenance.inputs],
            "input_hash": provenance.input_hash,
            "kept_inputs": provenance.archived,
            "packages": package_versions(),
            "changes": changes,
            "models": day.models,
            "error_budget": day.error_budget,
            "files": [{"name": name, **asdict(files[name])} for name in sorted(files)],
        }
    )


def record_bytes(record: dict[str, Any]) -> bytes:
    """Return a record as it is stored. JSON, UTF-8, one key a line, with `record_sha256` as its last key.

    That is the sha256 of these bytes with its own 64 digits as zeros, so that a flipped byte in the record is found too.
    """
    data = json.dumps(record | {_OWN: _ZEROS}, ensure_ascii=False, indent=1, allow_nan=False) + "\n"
    digest = hashlib.sha256(data.encode("utf-8")).hexdigest()
    head, tail = data.rsplit(_ZEROS, 1)
    return f"{head}{digest}{tail}".encode()


def record_is_whole(data: bytes) -> bool | None:
    """Return whether a stored record is what was written. None for one of before records carried their own hash."""
    match = re.search(rb'\n "record_sha256": "([0-9a-f]{64})"\n}\n\Z', data)
    if match is None:
        return None if b'"schema_version": 1,' in data else False
    return (
        hashlib.sha256(data[: match.start(1)] + _ZEROS.encode() + data[match.end(1) :]).hexdigest().encode() == match[1]
    )


_OWN = "record_sha256"
_ZEROS = "0" * 64
"""As many zeros as a SHA-256 hash has hexadecimal digits (FIPS 180-4)."""


@cache
def package_versions() -> dict[str, str]:
    """Return the versions that can change a figure or a byte. They are those of Python and of packages."""
    versions = {"python": platform.python_version()}
    for name in _PACKAGES:
        try:
            versions[name] = version(name)
        except PackageNotFoundError:
            continue
    return versions


def plain(value: Any) -> Any:  # noqa: ANN401  any value of settings or models, as JSON has it
    """Return `value` in JSON's own types. Arrays as lists, dates and paths as text, NaN and infinity as null.

    >>> plain({"n": np.int64(3), "r2": float("nan"), "edges": np.array([1.0, 2.5]), "on": dt.date(2031, 3, 1)})
    {'n': 3, 'r2': None, 'edges': [1.0, 2.5], 'on': '2031-03-01'}
    """
    if isinstance(value, np.generic):
        value = value.item()
    if isinstance(value, dt.datetime):
        moment = value.replace(tzinfo=dt.UTC) if value.tzinfo is None else value.astimezone(dt.UTC)
        return moment.isoformat().replace("+00:00", "Z")
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if value is None or isinstance(value, str | int):
        return value
    if isinstance(value, dict):
        return {str(key): plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple | set | np.ndarray):
        return [plain(item) for item in (sorted(value) if isinstance(value, set) else value)]
    return str(value)
