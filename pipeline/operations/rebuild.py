"""A revision made again from its archived inputs, and compared with what was published."""

from __future__ import annotations

import datetime as dt
import hashlib
import tempfile
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from snowtally.archive.grids import Grids
from snowtally.estimate.estimate import estimate_day
from snowtally.gather.archived_day import inputs_from_archived
from snowtally.gather.day import Stage, choices
from snowtally.model.problems import ArchiveError
from snowtally.operations.code_version import code_version
from snowtally.publishing.archived_inputs import read_archived
from snowtally.publishing.changes import changed_values
from snowtally.publishing.pack import pack
from snowtally.publishing.record import package_versions, plain
from snowtally.publishing.stac import ITEM
from snowtally.reading import find_revision, load_record
from snowtally.settings.basin import Settings


@dataclass(frozen=True)
class Rebuilt:
    """What a revision made again is against the one published.

    Parameters
    ----------
    date, revision, path : which one.
    same, different : names of files with the same bytes, and with others. item.json and record.json carry the time of their
        making and are not among them.
    values : what of the record's models and error budget differs, as `changed_values` has it.
    versions : program and packages that are other ones now: the likely cause of a difference.
    """

    date: dt.date
    revision: int
    path: Path
    same: list[str]
    different: list[str]
    values: list[dict[str, Any]]
    versions: list[dict[str, Any]]

    @property
    def reproduced(self) -> bool:
        """Whether every byte is the same."""
        return not self.different and not self.values


def rebuild_revision(settings: Settings, date: dt.date, number: int | None, stage: Stage) -> Rebuilt:
    """Make a revision again from the archive alone, and compare.

    The settings are those in its record. Nothing is published.

    Raises
    ------
    ArchiveError : there is no such revision, its inputs are not kept whole, or its settings mean nothing to this version.
    """
    root, basin = settings.archive_root, settings.basin.id
    stage("reading what the archive keeps")
    published = find_revision(root, basin, date, number)
    record = load_record(published.path)
    try:
        used = Settings.model_validate(record["settings"])
    except ValidationError as trouble:
        first = trouble.errors()[0]
        raise ArchiveError(
            f"The settings in {published.path / 'record.json'} mean nothing to this version ({'.'.join(map(str, first['loc']))}: "
            f"{first['msg']}). It was made by {record['code']['version']}: install that one to make it again"
        ) from None
    rows, grids = read_archived(root, basin, record["kept_inputs"])
    try:
        inputs = inputs_from_archived(used, date, rows, Grids.from_names(grids))
    except KeyError as missing:
        # A table or column that was added since.
        raise ArchiveError(
            f"What the archive keeps of {published.id} has no {missing}, which this version needs. It was made by "
            f"{record['code']['version']}: install that one to make it again"
        ) from missing
    stage("estimating")
    day = replace(estimate_day(inputs, choices(used)), metadata=used.metadata)
    stage("comparing")
    with tempfile.TemporaryDirectory(prefix="snowtally-") as folder:
        names = pack(day, Path(folder))
        made = {name: hashlib.sha256((Path(folder) / name).read_bytes()).hexdigest() for name in names}
    recorded = {file["name"]: file["sha256"] for file in record["files"] if file["name"] != ITEM}
    made_of = {"models": plain(day.models), "error_budget": plain(day.error_budget)}
    versions = {"snowtally": code_version()[0]} | package_versions()
    return Rebuilt(
        date,
        published.number,
        published.path,
        same=sorted(name for name in recorded if made.get(name) == recorded[name]),
        different=sorted(name for name in recorded.keys() | made.keys() if made.get(name) != recorded.get(name)),
        values=changed_values({name: record[name] for name in made_of}, made_of),
        versions=changed_values({"snowtally": record["code"]["version"]} | record["packages"], versions),
    )
