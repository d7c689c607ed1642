"""A group of files that are written alike, on the way from its columns to proposals."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from snowtally.inputs.columns import Table
from snowtally.proposals.outside import Outside
from snowtally.proposals.proposal import Proposal, Refusal
from snowtally.proposals.raw_table import RawTable
from snowtally.proposals.reshaped import Reshaped
from snowtally.proposals.seen_columns import FolderEvidence, SeenColumn, SeenTable
from snowtally.proposals.table_role import RoleReading
from snowtally.proposals.unit_readings import Surveyed
from snowtally.proposals.units_known import units_said


@dataclass(frozen=True)
class Beside:
    """What the folder tells of a table beside its own files.

    Parameters
    ----------
    evidence : sites of the other tables, and where the basin lies.
    names : identifiers of sites by their names.
    kinds : course or station, by the identifier of a site that a table of measurements has.
    unplaced : kinds of the tables of measurements that name no site of a list.
    today : records do not lie after it.
    recorded : the first and the last day of the tables of measurements, datetime64[D]; None where there is none.
    """

    evidence: FolderEvidence
    today: dt.date
    names: Mapping[str, str] = field(default_factory=dict)
    kinds: Mapping[str, str] = field(default_factory=dict)
    recorded: tuple[np.datetime64, np.datetime64] | None = None
    unplaced: frozenset[str] = frozenset()


@dataclass
class Group:
    """One group on the way from its columns to proposals.

    Parameters
    ----------
    tables : of the files, in the order of reading.
    seen : their rows as one table.
    role : which table they are.
    table : its canonical columns.
    beside : what the folder tells of it beside its own files.
    reshaped : its rows by site and time, where its columns are stations or months; None of any other.
    columns : by canonical key.
    outside : values in file names, titles and sheet names, by key.
    doubted : keys whose columns are known by their values alone.
    """

    tables: Sequence[RawTable]
    seen: SeenTable
    role: RoleReading
    table: Table
    beside: Beside
    reshaped: Reshaped | None
    columns: dict[str, SeenColumn] = field(default_factory=dict)
    refusals: list[Refusal] = field(default_factory=list)
    proposals: list[Proposal] = field(default_factory=list)
    outside: dict[str, Outside] = field(default_factory=dict)
    doubted: frozenset[str] = frozenset()

    def __post_init__(self) -> None:
        """Begin with the columns of the role."""
        self.columns = dict(self.role.columns.columns) if self.role.columns else {}

    @property
    def spread(self) -> frozenset[str]:
        """Keys whose values stand under many headers."""
        return frozenset() if self.reshaped is None else self.reshaped.spread

    @property
    def file(self) -> Path:
        """The first file."""
        return self.tables[0].path

    def refuse(self, column: str, why: str, cure: str, key: str = "") -> None:
        """Note that nothing safe can be proposed, for a column or (empty) for the whole file."""
        self.refusals.append(Refusal(self.file, column, why, cure, key))

    def each_row(self, texts: Sequence[str]) -> list[str]:
        """Return the text of each table for each of its rows."""
        every = [text for table, text in zip(self.tables, texts, strict=True) for _ in table.rows]
        return every if self.reshaped is None else [every[row] for row in self.reshaped.from_row]

    def canonical(self, keys: str) -> str:
        """Return the canonical header of a key, of several joined by or."""
        names = {column.key: column.header for column in self.table.columns}
        return " or ".join(names.get(key, key) for key in keys.split(" or "))

    def site_texts(self) -> tuple[str, ...]:
        """Return the site of each row; empty where none is known."""
        if "site_id" in self.outside:
            texts = self.each_row(self.outside["site_id"].texts)
            return tuple(self.beside.names.get(text, text) for text in texts)
        if "site_id" in self.columns:
            return self.columns["site_id"].cells.texts
        return ()

    def surveyed(self, days: np.ndarray | None) -> Surveyed:
        """Return the columns as their units are asked for."""
        # The files of a group say the same units.
        said = units_said(self.tables[0].above)
        return Surveyed(self.columns, self.table, days, self.beside.evidence.hint, said)
