"""A revision held against its own record: every file hashed again, and what is damaged named."""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass, field
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Any

import jsonschema

from snowtally.archive.records import RECORD, load_record
from snowtally.archive.revisions import Revision
from snowtally.model.problems import NewerVersionError, RecordError
from snowtally.publishing.record import record_is_whole
from snowtally.publishing.stac import ITEM
from snowtally.storage.json_text import from_json


@dataclass(frozen=True)
class Damage:
    """One damaged file of a revision, and what is wrong with it."""

    path: Path
    what: str


@dataclass
class Examined:
    """What a look at a revision found.

    Parameters
    ----------
    record : its record; None where that is damaged, so that what it names is not known.
    newer : whether the record is of a newer version than this program reads: not damaged, but not known either.
    damages : files that are not what was published.
    strays : files that the record does not name.
    files, bytes : how much was looked at.
    """

    record: dict[str, Any] | None = None
    newer: bool = False
    damages: list[Damage] = field(default_factory=list)
    strays: list[Path] = field(default_factory=list)
    files: int = 0
    bytes: int = 0

    def add(self, path: Path, what: str) -> None:
        """Take in a damage."""
        self.damages.append(Damage(path, what))


def examine(basin: str, revision: Revision) -> Examined:
    """Return what a look at every byte of a revision finds."""
    examined = Examined()
    record = examined.record = sound_record(revision.path, examined)
    if record is None:
        return examined
    said = record["basin_id"], record["date"], record["revision"]
    if said != (basin, revision.date.isoformat(), revision.number):
        examined.add(revision.path / RECORD, f"speaks of {said[0]} {said[1]}@{said[2]}, not of its own folder")
    named = {file["name"]: file for file in record["files"]}
    for name, file in named.items():
        _file(examined, revision.path / name, file)
    examined.strays = [p for p in sorted(revision.path.iterdir()) if p.name not in named and p.name != RECORD]
    if ITEM in named:
        _item(examined, record, basin, revision)
    return examined


def sound_record(folder: Path, examined: Examined) -> dict[str, Any] | None:
    """Return a folder's record, None where it is damaged. What is wrong goes into `examined`."""
    path = folder / RECORD
    try:
        data = path.read_bytes()
        examined.files += 1
        examined.bytes += len(data)
        record = load_record(folder)
    except FileNotFoundError:
        examined.add(folder, f"is no revision: it has no {RECORD}")
        return None
    except OSError as error:
        examined.add(path, f"cannot be read ({error.strerror})")
        return None
    except RecordError as trouble:
        examined.newer = isinstance(trouble, NewerVersionError)
        examined.add(path, trouble.what)
        return None
    if record_is_whole(data) is False:
        examined.add(path, "is not what was written: its own hash does not fit")
        return None
    broken = _broken(json.loads(data))
    if broken:
        examined.add(path, broken)
        return None
    return record


def _broken(content: dict[str, Any]) -> str:
    """Return how a record breaks its schema, empty where it does not.

    Keys that a later version added break nothing.
    """
    errors = [error for error in _schema().iter_errors(content) if error.validator != "additionalProperties"]
    if not errors:
        return ""
    first = min(errors, key=lambda error: list(map(str, error.path)))
    where = ".".join(map(str, first.path)) or "the record"
    return f"does not follow docs/record.schema.json: {where}: {first.message[:200]}"


@cache
def _schema() -> jsonschema.Draft202012Validator:
    schema = json.loads(files("snowtally.publishing").joinpath("record.schema.json").read_text("utf-8"))
    return jsonschema.Draft202012Validator(schema)


def _file(examined: Examined, path: Path, said: dict[str, Any]) -> None:
    try:
        with path.open("rb") as stream:
            digest = hashlib.file_digest(stream, "sha256").hexdigest()
            size = stream.tell()
    except OSError as trouble:
        examined.add(path, f"cannot be read ({trouble.strerror})")
        return
    examined.files += 1
    examined.bytes += size
    if (size, digest) != (said["size"], said["sha256"]):
        how = f"{size} bytes, {said['size']} said" if size != said["size"] else "as long, but with another hash"
        examined.add(path, f"is not what the record says ({how})")


def _item(examined: Examined, record: dict[str, Any], basin: str, revision: Revision) -> None:
    """Check that the catalogue's item says the same as the record. Its bytes are hashed with the others."""
    path = revision.path / ITEM
    try:
        item = from_json(path.read_text("utf-8"))
        assets = {
            name: (asset["file:size"], asset["file:checksum"])
            for name, asset in item["assets"].items()
            if name != RECORD
        }
        identity = item["type"], item["id"], item["collection"], item["properties"]["version"]
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        examined.add(path, "is no STAC item")
        return
    said = {f["name"]: (f["size"], f"1220{f['sha256']}") for f in record["files"] if f["name"] != ITEM}
    wanted = "Feature", f"{basin}-{revision.date}-{revision.path.name}", basin, str(revision.number)
    if assets != said or identity != wanted:
        examined.add(path, "does not say what the record says")
