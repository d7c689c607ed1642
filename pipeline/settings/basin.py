"""The settings of one basin: one YAML file, every key checked.

Paths are relative to the settings file. docs/settings.md is the table for people.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import json
import os
from pathlib import Path
from typing import Any

from pydantic import Field, ValidationError, field_validator

from snowtally.model.block import Block
from snowtally.model.metadata import Metadata
from snowtally.model.problems import SettingsError
from snowtally.model.season import BasinDay, first_of_season, last_complete_day
from snowtally.settings.blocks import (
    Bands,
    BasinBlock,
    Blend,
    Checks,
    Column,
    Courses,
    Dask,
    Density,
    Flights,
    Format,
    Grid,
    Inputs,
    PlanLimits,
    Report,
    Terrain,
)
from snowtally.settings.operations import Operations
from snowtally.settings.whole import problems_of, sound_parts
from snowtally.settings.yaml_file import in_words, read_yaml
from snowtally.stations.limits import StationLimits
from snowtally.storage.paths import cache_folder, in_store, named_path, outside_archives

NOT_OF_THE_DAY = ("archive", "dask", "plan", "report")
"""Settings that do not decide what a day's estimate is: where it is made and kept, what is told besides."""


class Settings(Block):
    """The settings of one basin, as read."""

    # Defaults are constructed, not checked: checks of a block by itself take longer to build than settings to be refused.

    basin: BasinBlock
    grid: Grid
    bands: Bands = Bands.model_construct(width_m=200.0)
    terrain: Terrain
    inputs: Inputs
    columns: dict[str, dict[str, Column]] = Field(default_factory=dict)
    formats: dict[str, list[Format]] = Field(default_factory=dict)
    missing: list[str] = Field(default_factory=lambda: ["-9999", "", "M"])
    checks: Checks = Checks.model_construct()
    courses: Courses = Courses.model_construct()
    stations: StationLimits = StationLimits.model_construct()
    flights: Flights = Flights.model_construct()
    density: Density = Density.model_construct()
    blend: Blend = Blend.model_construct()
    plan: PlanLimits = PlanLimits.model_construct()
    dask: Dask = Dask.model_construct()
    operations: Operations = Operations.model_construct()
    report: Report = Report.model_construct()
    metadata: Metadata = Metadata.model_construct()
    archive: str
    undecided: list[str] = Field(default_factory=list)

    _file: Path = Path()

    @field_validator("missing", mode="before")
    @classmethod
    def _codes_as_text(cls, value: object) -> object:
        codes = value if isinstance(value, list) else [value]
        if any(code is None for code in codes):
            raise ValueError("give codes as text, such as [-9999, '', M]; leave the key out for these")
        return [str(code) for code in codes]

    @field_validator("undecided")
    @classmethod
    def _is_decided(cls, points: list[str]) -> list[str]:
        if points:
            more = f" ({len(points) - 1} more stand below it)" if len(points) > 1 else ""
            raise ValueError(f"init could not decide this: {points[0]}{more}. Decide it, then take its line out")
        return points

    @property
    def file(self) -> Path:
        """The settings file these were read from."""
        return self._file

    def path(self, relative: Path | str) -> Path:
        """Return a path of the settings as an absolute one.

        Relative paths start at the settings file.
        """
        # A link that leads to itself stays as it is, and is told where the file is read.
        return Path(os.path.realpath(self._file.parent / relative))

    def cache_folder(self, name: str) -> Path:
        """Return the folder of a cache.

        It lies beside the archive's entries and may be deleted at any time.
        """
        return cache_folder(self.archive_root) / name

    @property
    def archive_root(self) -> Path:
        """Where the archive is: a folder, or a place in an object store."""
        return named_path(self.archive, self._file.parent)

    def season_start(self, date: dt.date) -> dt.date:
        """Return the first day of the snow season that holds `date`."""
        return first_of_season(date, self.basin.season_start)

    def last_complete_day(self, now: dt.datetime) -> dt.date:
        """Return the last local day that is over at an instant."""
        return last_complete_day(now, self.basin.utc_offset_hours)

    def day(self, date: dt.date) -> BasinDay:
        """Return a day of the basin in its season."""
        return BasinDay(self.basin.id, date, self.season_start(date))

    def as_used(self) -> dict[str, Any]:
        """Return the settings as plain values, defaults filled in.

        How nights are run is left out of the record.

        The address of an alert may be a secret, and a record is for everybody.
        """
        used = json.loads(self.model_dump_json(exclude={"operations", "undecided"}))
        # Without metadata a day is what it was before there was such a block.
        return {key: value for key, value in used.items() if key != "metadata" or self.metadata != Metadata()}

    def identity(self) -> str:
        """Return the sha256 of the settings that decide a day.

        Those of `NOT_OF_THE_DAY` are left out.
        """
        used = {key: value for key, value in self.as_used().items() if key not in NOT_OF_THE_DAY}
        return hashlib.sha256(json.dumps(used, sort_keys=True).encode()).hexdigest()


def read_settings(path: Path | str) -> Settings:
    """Return the settings that a file holds, checked.

    Raises
    ------
    SettingsError : the file is missing, is not YAML, has an unknown key, an impossible value, or names a required file
        that does not exist. One line with a clause for each: which key, what is wrong, what to do.
    """
    file = Path(os.path.realpath(path))
    content = read_yaml(path)
    if isinstance(content.get("formats"), dict):
        content["formats"] = {role: _as_entries(given) for role, given in content["formats"].items()}
    settings, problems = None, []
    try:
        settings = Settings.model_validate(content)
        settings._file = file  # noqa: SLF001  the one place that knows where the settings came from
        parts = dict(settings)
    except ValidationError as trouble:
        problems = [in_words(error, Settings) for error in trouble.errors()]
        parts = sound_parts(content, trouble.errors(), Settings)
    problems += problems_of(content, parts, lambda relative: Path(os.path.realpath(file.parent / relative)))
    if settings is None or problems:
        raise SettingsError(f"settings {file.name}: {'; '.join(problems)}")
    _check_archive(settings)
    return settings


def _as_entries(given: object) -> object:
    return [given] if isinstance(given, dict) else given


def _check_archive(settings: Settings) -> None:
    """Refuse to begin an archive inside another one.

    One that lies there already is left as it is.
    """
    root = settings.archive_root
    if not in_store(root) and not (root / "archive.json").exists():
        outside_archives(root.parent, "settings: archive: the folder")
