"""What is proposed for the settings.

Each value with its evidence, and what no reading is safe for.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TypeAlias

import numpy as np

Value: TypeAlias = "str | float | list[Value] | dict[str, Value]"
"""A value of the settings, as YAML holds it."""


@dataclass(frozen=True)
class Proposal:
    """A value that is proposed for a key of the settings.

    Parameters
    ----------
    key : dotted, such as `columns.courses.depth`. In a `FileGroup` it begins below the group's entry under `formats`.
    value : what is written unless a person answers otherwise; the best reading of the evidence.
    evidence : why, in plain words: "depth 12 to 190, SWE 2 to 75, header 'Depth (in)'".
    others : other values that the evidence leaves possible; where there are any, a person is asked.
    is_safe : whether `value` may be taken without asking. Where not, a wrong value would be silent.
    """

    key: str
    value: Value
    evidence: str
    others: tuple[Value, ...] = ()
    is_safe: bool = True

    @property
    def is_open(self) -> bool:
        """Whether a person is asked for it on a terminal."""
        return bool(self.others)


@dataclass(frozen=True)
class Refusal:
    """What nothing can be proposed for.

    Parameters
    ----------
    file : where it stands.
    column : the header it is about; empty where it is the whole file.
    why : what is wrong.
    cure : what to do.
    key : the canonical column that it is about; empty where it is about none, or several.
    """

    file: Path
    column: str
    why: str
    cure: str
    key: str = ""

    def __str__(self) -> str:
        """Return one line: file, column, what is wrong and the cure."""
        where = f"{self.file}, column '{self.column}'" if self.column else str(self.file)
        return f"{where}: {self.why}. {self.cure}"


@dataclass(frozen=True)
class FileGroup:
    """Files of one table that are written alike: one entry under `formats`.

    Parameters
    ----------
    files : in the order of reading.
    pattern : on the files' names, as the entry's `files`; no other file of the table meets it.
    proposals : keys of the entry: `decimal`, `dates`, `columns.depth` and so on. Plain CSV needs none.
    lacks_clock : whether it holds times of day without an offset, and says nowhere what clock they are of.
    offsets_hours : UTC offsets of the files' times, hours: behind each of them, or stated of all.
    first_day, last_day : ISO 8601; empty where the table has no days.
    not_read : headers of columns that no canonical column takes.
    inferred_units : by key, units that no header states, by the values.
    """

    files: tuple[Path, ...]
    pattern: str
    proposals: tuple[Proposal, ...] = ()
    lacks_clock: bool = False
    offsets_hours: tuple[float, ...] = ()
    first_day: str = ""
    last_day: str = ""
    not_read: tuple[str, ...] = ()
    inferred_units: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class TableProposal:
    """What is proposed for one table of the settings' `inputs`.

    Parameters
    ----------
    role : its key under `inputs`: sites, courses and so on.
    paths : absolute paths and globs that name its files and no others.
    evidence : why these files are this table.
    groups : its files by the way in which they are written.
    others : other tables that the files may be, by role; where there are any, a person is asked.
    """

    role: str
    paths: tuple[Path, ...]
    evidence: str
    groups: tuple[FileGroup, ...]
    others: tuple[str, ...] = ()


@dataclass(frozen=True)
class UnknownFile:
    """A file that no table of the settings fits, and why."""

    path: Path
    why: str


@dataclass(frozen=True)
class TableProposals:
    """What is proposed for the tables of a folder.

    Parameters
    ----------
    tables : by role.
    missing : the key `missing`; None where the usual codes do.
    basin_id : the key `basin.id`, where a table of normals has rows of the basin itself.
    unknown : files that are no input table.
    refusals : tables that nothing safe can be proposed for; no settings are written while there are any.
    """

    tables: Mapping[str, TableProposal] = field(default_factory=dict)
    missing: Proposal | None = None
    basin_id: Proposal | None = None
    unknown: tuple[UnknownFile, ...] = ()
    refusals: tuple[Refusal, ...] = ()


@dataclass(frozen=True)
class BasinHint:
    """What rasters and zones tell of where the basin lies.

    As evidence for the tables.

    Parameters
    ----------
    west, south, east, north : degrees, with the margin.
    lowest_m, highest_m : of the elevation raster; NaN where there is none.
    crs : coordinate systems that the sites may be written in, the likeliest first.
    heights : terrain heights (m, NaN outside) at longitudes and latitudes (degrees); None where there is no raster.
    """

    west: float
    south: float
    east: float
    north: float
    lowest_m: float = float("nan")
    highest_m: float = float("nan")
    crs: tuple[str, ...] = ()
    heights: Callable[[np.ndarray, np.ndarray], np.ndarray] | None = None
