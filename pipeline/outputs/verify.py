"""The archive held against its own records: every file hashed again, strays found, and for each trouble how to mend it."""

from __future__ import annotations

import datetime as dt
import hashlib
import json
import re
from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Any

import jsonschema
import pyarrow as pa

from pipeline.outputs.attempts import ATTEMPTS
from pipeline.outputs.derived import derive, root_catalogue
from pipeline.outputs.keep import inputs_folder
from pipeline.outputs.kept_grids import read_grids
from pipeline.outputs.kept_rows import kept_months, read_rows
from pipeline.outputs.record import record_is_whole
from pipeline.outputs.second_look import SECOND_LOOK
from pipeline.outputs.stac import ITEM
from pipeline.outputs.staging import left_behind
from pipeline.parquet import read_arrow
from pipeline.problems import ArchiveError
from pipeline.reading import (
    RECORD,
    Revision,
    archive_folder,
    basin_folder,
    dates_held,
    load_record,
    revisions,
    withdrawals,
)

_REBUILD = "Run `snowtally verify --rebuild`."
_COPY = "Put it back from a copy of the archive."
_REVISION_COPY = "Put the revision back from a copy, or withdraw it and run `snowtally rerun`."
_STRAY = "Nothing of the archive names it: move it out."


@dataclass(frozen=True)
class Trouble:
    """One thing wrong: where (path from the archive's folder), what, and how to mend it."""

    path: str
    what: str
    cure: str


@dataclass(frozen=True)
class Verified:
    """What was looked at, and what is wrong; `rebuilt` tells that what is derived was made again first."""

    revisions: int
    files: int
    bytes: int
    troubles: list[Trouble]
    rebuilt: bool = False


class _Look:
    """One basin's archive under examination."""

    def __init__(self, root: str | Path, basin: str) -> None:
        self.root, self.basin = archive_folder(root), basin
        self.folder = basin_folder(root, basin)
        self.troubles: list[Trouble] = []
        self.files = self.bytes = self.revisions = 0
        self.kept: dict[str, str] = {}

    def wrong(self, path: Path, what: str, cure: str) -> None:
        self.troubles.append(Trouble(str(path.relative_to(self.root)), what, cure))


def verify(root: str | Path, basin: str, stage: Callable[[str], None]) -> Verified:
    """Hash every file of a basin's archive again and hold it against its records.

    Raises ArchiveError when there is no such archive or basin.
    """
    look = _Look(root, basin)
    dates = dates_held(root, basin)
    for date in dates:
        stage(str(date))
        _date(look, date)
    stage("decisions")
    _decisions(look)
    stage("inputs")
    _inputs(look)
    stage("what is derived")
    # From records that cannot be read nothing can be derived; they are told already.
    with suppress(ArchiveError):
        _derived(look, dates)
    _strays(look, dates)
    return Verified(look.revisions, look.files, look.bytes, look.troubles)


# --- revisions --------------------------------------------------------------------------------------------------------


def _date(look: _Look, date: dt.date) -> None:
    folder = look.folder / date.isoformat()
    held = {revision.path.name: revision for revision in revisions(look.root, look.basin, date)}
    for path in sorted(folder.iterdir()):
        if path.name in held:
            look.revisions += 1
            _revision(look, held[path.name])
        elif re.fullmatch(r"r\d{3,}", path.name):
            look.wrong(path, f"is no revision: it has no {RECORD}", "Put it back from a copy, or remove the folder.")
        elif path.name not in {"current.json", "report.html"}:
            look.wrong(path, "does not belong here", _STRAY)


def _revision(look: _Look, revision: Revision) -> None:
    path = revision.path / RECORD
    data = path.read_bytes()
    look.files += 1
    look.bytes += len(data)
    if record_is_whole(data) is False:
        look.wrong(path, "is not what was written: its own hash does not fit", _REVISION_COPY)
        return
    try:
        record = load_record(revision.path)
    except ArchiveError as trouble:
        look.wrong(path, str(trouble).removeprefix(f"{path} "), _REVISION_COPY)
        return
    broken = next(iter(sorted(_schema().iter_errors(json.loads(data)), key=lambda e: list(map(str, e.path)))), None)
    if broken is not None:
        where = ".".join(map(str, broken.path)) or "the record"
        look.wrong(path, f"does not follow docs/record.schema.json: {where}: {broken.message[:200]}", _REVISION_COPY)
        return
    said = record["basin_id"], record["date"], record["revision"]
    if said != (look.basin, revision.date.isoformat(), revision.number):
        look.wrong(path, f"speaks of {said[0]} {said[1]}@{said[2]}, not of its own folder", _REVISION_COPY)
    named = {file["name"]: file for file in record["files"]}
    for name, file in named.items():
        _file(look, revision.path / name, file)
    for stray in sorted(revision.path.iterdir()):
        if stray.name not in named and stray.name != RECORD:
            look.wrong(stray, "is not named by the record", _STRAY)
    for name, sha256 in record["kept_inputs"].items():
        look.kept.setdefault(sha256, f"{name} of {revision.date}@{revision.number}")
    if ITEM in named:
        _item(look, revision, record)


def _file(look: _Look, path: Path, said: dict[str, Any]) -> None:
    try:
        with path.open("rb") as stream:
            digest = hashlib.file_digest(stream, "sha256").hexdigest()
            size = stream.tell()
    except OSError as trouble:
        look.wrong(path, f"cannot be read ({trouble.strerror})", _REVISION_COPY)
        return
    look.files += 1
    look.bytes += size
    if (size, digest) != (said["size"], said["sha256"]):
        look.wrong(path, f"is not what the record says ({size} bytes, {said['size']} said)", _REVISION_COPY)


def _item(look: _Look, revision: Revision, record: dict[str, Any]) -> None:
    """Check that the catalogue's item says the same as the record; its bytes are hashed with the others."""
    path = revision.path / ITEM
    try:
        item = json.loads(path.read_text("utf-8"))
        told = {
            name: (asset["file:size"], asset["file:checksum"])
            for name, asset in item["assets"].items()
            if name != RECORD
        }
        identity = item["type"], item["id"], item["collection"], item["properties"]["version"]
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        look.wrong(path, "is no STAC item", _REVISION_COPY)
        return
    said = {f["name"]: (f["size"], f"1220{f['sha256']}") for f in record["files"] if f["name"] != ITEM}
    wanted = "Feature", f"{look.basin}-{revision.date}-{revision.path.name}", look.basin, str(revision.number)
    if told != said or identity != wanted:
        look.wrong(path, "does not say what the record says", _REVISION_COPY)


@cache
def _schema() -> jsonschema.Draft202012Validator:
    schema = json.loads(files("pipeline.outputs").joinpath("record.schema.json").read_text("utf-8"))
    return jsonschema.Draft202012Validator(schema)


# --- the rest ---------------------------------------------------------------------------------------------------------


def _decisions(look: _Look) -> None:
    path = look.folder / "decisions.jsonl"
    try:
        gone = withdrawals(look.root, look.basin)
    except ArchiveError as trouble:
        look.wrong(path, str(trouble).removeprefix(f"{path}, ").split(". ")[0], _COPY)
        return
    for date, number in gone:
        if not any(r.number == number for r in revisions(look.root, look.basin, date)):
            look.wrong(path, f"withdraws {date}@{number}, which is not there", "Put the revision back from a copy.")
    # A first decision that found no room leaves an empty file.
    if path.exists() and (data := path.read_bytes()) and not data.endswith(b"\n"):
        look.wrong(path, "ends in a decision that was cut off and does not count", "Withdraw again; that mends it.")


def _inputs(look: _Look) -> None:
    folder = inputs_folder(look.root, look.basin)
    wanted: set[str] = set()
    for sha256, whose in look.kept.items():
        try:
            if (folder / f"{sha256}.nc").exists():
                read_grids(folder, sha256)
                wanted.add(f"{sha256}.nc")
            else:
                read_rows(folder, sha256)
                wanted |= {f"{sha256}.json", *(f"{month}.csv.gz" for month in kept_months(folder, sha256))}
        except ArchiveError as trouble:
            what = f"holds no sound {whose}: {trouble}"
            look.wrong(folder, what, "Put the file back from a copy; until then the revision cannot be made again.")
    if not folder.is_dir():
        return
    broken = any(trouble.path.endswith("inputs") for trouble in look.troubles)
    for path in sorted(folder.iterdir()):
        look.files += 1
        look.bytes += path.stat().st_size
        if path.name not in wanted and not broken:
            look.wrong(
                path, "is named by no revision", "A night that was cut off left it: remove it while no night runs."
            )


def _derived(look: _Look, dates: list[dt.date]) -> None:
    should = derive(look.root, look.basin, None, dates)
    for name, table in (("index.parquet", should.index), ("totals.parquet", should.totals)):
        if not _same_table(look.folder / name, table):
            look.wrong(look.folder / name, "does not say what the revisions say", _REBUILD)
    small = dict(should.small)
    if (look.root / "catalog.json").exists() or (look.folder / "collection.json").exists():
        small[look.root / "catalog.json"] = root_catalogue(look.root)
    for path, data in small.items():
        if not path.exists() or path.read_bytes() != data:
            look.wrong(path, "does not say what the revisions say" if path.exists() else "is missing", _REBUILD)


def _same_table(path: Path, should: pa.Table) -> bool:
    try:
        return read_arrow(path).equals(should)
    except (OSError, pa.ArrowInvalid):
        return False


def _strays(look: _Look, dates: list[dt.date]) -> None:
    known = {
        "inputs",
        "latest.json",
        "index.parquet",
        "totals.parquet",
        "decisions.jsonl",
        "collection.json",
        "season.html",
        ATTEMPTS,
        SECOND_LOOK,
    }
    known |= {date.isoformat() for date in dates}
    for path in sorted(look.folder.iterdir()):
        if path.name not in known and not re.fullmatch(r"\d{4}(-\d{4})?\.json", path.name):
            look.wrong(path, "does not belong here", _STRAY)
    for path in _outside(look.root):
        look.wrong(path, "does not belong here", _STRAY)
    for folder in left_behind(look.root, look.basin):
        look.wrong(folder, "was left by a night that was cut off", f"The next night clears it away. {_REBUILD}")


def _outside(root: Path) -> Iterator[Path]:
    """Yield the files in the archive's own folder that are not the archive's; folders are basins."""
    known = {"archive.json", "catalog.json"}
    yield from (path for path in sorted(root.iterdir()) if path.is_file() and path.name not in known)
