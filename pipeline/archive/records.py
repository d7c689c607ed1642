"""One revision's `record.json`, as every reader takes it: whole, of a version that this program knows, or refused in one line."""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import Any

from snowtally.model.problems import NewerVersionError, RecordError
from snowtally.storage.json_text import from_json

RECORD_VERSION = 3
"""Newest version of `record.json` that this program reads; every older one is read too. 2 added `command`, `changes` and
`record_sha256`, and an `item.json` beside it, 3 `losses`, by which it is told which revision is current."""

RECORD = "record.json"
"""A revision folder without this file is no revision: it is written last."""

_KEYS = {
    "basin_id": str, "title": str, "date": str, "revision": int, "reason": str, "made": str, "code": dict, "degraded": bool,
    "degraded_reasons": list, "settings": dict, "settings_hash": str, "inputs": list, "input_hash": str, "kept_inputs": dict,
    "packages": dict, "models": dict, "error_budget": dict, "files": list,
}  # fmt: skip
"""Keys that every record has had from the first version on, and their types. Readers look for no other without asking."""

_FILE_KEYS = {"name": str, "size": int, "sha256": str}

_LOSS_KEYS = {"rule": str, "table": str, "file": str, "site_id": str, "start": str, "whole": bool}
"""Of each of `losses`, which every record from version 3 on has."""


def load_record(folder: Path) -> dict[str, Any]:
    """Return the record of a revision's folder. What older versions did not say is filled in with its meaning.

    Keys that later versions added are passed on. Raises RecordError when it cannot be read or lacks what every record has, and
    NewerVersionError when it is of a newer version than this program knows.
    """
    path = folder / RECORD
    try:
        record = from_json(path.read_text("utf-8"))
        newer = record["schema_version"] > RECORD_VERSION
        if not newer:
            _look_for(record, _KEYS)
            _look_for(record["code"], {"version": str})
            _look_for(record["kept_inputs"], dict.fromkeys(record["kept_inputs"], str))
            for file in record["files"]:
                _look_for(file, _FILE_KEYS)
            for file in record["inputs"]:
                _look_for(file, {"role": str, "path": str, "sha256": str})
            if record.get("losses") is not None:
                _look_for(record, {"losses": list})
                for loss in record["losses"]:
                    _look_for(loss, _LOSS_KEYS)
            dt.datetime.fromisoformat(record["made"])
    except (OSError, ValueError, KeyError, TypeError) as error:
        why = f"it has no {error.args[0]}" if isinstance(error, KeyError) else error
        what = f"cannot be read ({why})"
        raise RecordError(f"{path} {what}. {way_back(folder)}", what) from error
    if newer:
        what = f"is of version {record['schema_version']}; this snowtally reads up to {RECORD_VERSION}"
        raise NewerVersionError(f"{path} {what}. Install a newer one.", what)
    # Version 1 told an analyst's rerun from a night by its reason alone.
    command = "update" if record["reason"] == "nightly update" else "rerun"
    return {"command": command, "changes": None, "parent_revision": None} | record


def way_back(folder: Path) -> str:
    """Return what to do about a damaged revision, in order."""
    date = folder.parent.name
    return f"Put it back from a copy; without one, withdraw {date}@{folder.name[1:].lstrip('0')} and then rerun {date}."


def _look_for(content: dict[str, Any], kinds: dict[str, type]) -> None:
    for key, kind in kinds.items():
        # True is a whole number to Python.
        if not isinstance(content[key], kind) or (kind is int and isinstance(content[key], bool)):
            raise TypeError(f"{key} is not what it should be")
