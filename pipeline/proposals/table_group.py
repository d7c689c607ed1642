"""Files of one table that are written alike.

What is proposed for them, column by column.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from snowtally.inputs.columns import Column, Table
from snowtally.proposals.cells import Cells
from snowtally.proposals.group_dates import clock_of, dates_of, days_of, refuse_lost_hours
from snowtally.proposals.group_doubts import (
    ask_for_strange,
    rain_by_values,
    refuse_doubts,
    refuse_gaps,
    refuse_unplaced,
    weights_alone,
)
from snowtally.proposals.group_state import Beside, Group
from snowtally.proposals.monthly_known import monthly_table
from snowtally.proposals.outside import Outside, date_outside, setting_of, site_outside
from snowtally.proposals.proposal import Proposal, Refusal, Value
from snowtally.proposals.raw_table import RawTable
from snowtally.proposals.seen_columns import SeenTable, seen_table
from snowtally.proposals.site_columns import SiteGroup, site_settings
from snowtally.proposals.table_columns import Assignment
from snowtally.proposals.table_role import RoleReading, role_of
from snowtally.proposals.table_units import unit_readings
from snowtally.proposals.unit_readings import UnitReading
from snowtally.proposals.wide_known import wide_table


@dataclass(frozen=True)
class GroupReading:
    """What is proposed for some files that are written alike.

    Parameters
    ----------
    role : the table that they are; empty where they are none.
    proposals : keys of the entry under `formats`.
    refusals : what no reading is safe for.
    sites : the site of each row; empty where none is known.
    days : of the rows, datetime64[D].
    numbers : the columns of numbers, by key.
    texts : the columns of text, by key.
    inferred_units : of columns of numbers whose headers state none, by key.
    series : files of time series, which need no reading of columns.
    """

    role: str
    evidence: str
    tables: tuple[RawTable, ...]
    proposals: tuple[Proposal, ...] = ()
    refusals: tuple[Refusal, ...] = ()
    others: tuple[str, ...] = ()
    sites: tuple[str, ...] = ()
    days: np.ndarray | None = None
    numbers: Mapping[str, Cells] = field(default_factory=dict)
    texts: Mapping[str, Cells] = field(default_factory=dict)
    lacks_clock: bool = False
    offsets_hours: tuple[float, ...] = ()
    not_read: tuple[str, ...] = ()
    inferred_units: Mapping[str, str] = field(default_factory=dict)
    series: tuple[Path, ...] = ()

    @property
    def files(self) -> tuple[Path, ...]:
        """The files, each once."""
        return tuple(dict.fromkeys([*(table.path for table in self.tables), *self.series]))


def joined(tables: Sequence[RawTable]) -> SeenTable:
    """Return the rows of files that are written alike as one table."""
    if len(tables) == 1:
        return seen_table(tables[0])
    rows = tuple(row for table in tables for row in table.rows)
    return seen_table(replace(tables[0], rows=rows))


def read_group(
    seen: SeenTable, tables: Sequence[RawTable], canonical: Mapping[str, Table], beside: Beside
) -> GroupReading:
    """Return what is proposed for files that are written alike.

    `seen` are their rows as one table.
    """
    ids = beside.evidence.site_ids
    reshaped = monthly_table(seen, ids | frozenset(beside.names)) or wide_table(seen, ids, beside.names)
    if reshaped is None:
        role = role_of(seen, beside.evidence)
    else:
        lacks = () if "site_id" in reshaped.columns else ("site_id",)
        role = RoleReading(reshaped.role, Assignment(reshaped.columns, {}, ()), reshaped.evidence, lacks)
    if not role.role or role.columns is None:
        return GroupReading("", role.evidence, tuple(tables))
    return _reading_of(Group(tables, seen, role, canonical[role.role], beside, reshaped))


def _reading_of(group: Group) -> GroupReading:
    """Return what is proposed for a group, step by step."""
    if group.reshaped is not None:
        group.proposals += group.reshaped.proposals
    _find_outside(group)
    if refuse_unplaced(group):
        # What else is wrong with its columns follows from it.
        return GroupReading(group.role.role, group.role.evidence, tuple(group.tables), refusals=tuple(group.refusals))
    refuse_doubts(group)
    refuse_gaps(group)
    if group.role.role == "courses":
        weights_alone(group)
    chosen = dates_of(group)
    days = days_of(chosen)
    ask_for_strange(group, days)
    if group.role.role == "stations":
        rain_by_values(group)
    if chosen is not None and group.role.role == "stations":
        refuse_lost_hours(group, chosen, days)
    _writing(group)
    units = _units(group, days)
    _columns(group, units)
    time = group.columns.get("time")
    lacks_clock, offsets = False, tuple[float, ...]()
    if time is not None and chosen is not None and group.role.role == "stations":
        lacks_clock, offsets = clock_of(group, time, chosen)
    kinds = {column.key: column.kind for column in group.table.columns}
    return GroupReading(
        group.role.role,
        group.role.evidence,
        tuple(group.tables),
        tuple(group.proposals),
        tuple(group.refusals),
        group.role.others,
        group.site_texts(),
        days,
        {key: column.cells for key, column in group.columns.items() if kinds.get(key) == "number"},
        {key: column.cells for key, column in group.columns.items() if kinds.get(key) == "text"},
        lacks_clock,
        offsets,
        _not_read(group),
        {key: unit.unit for key, unit in units.items() if not unit.is_stated},
    )


def _find_outside(group: Group) -> None:
    """Find the site and the date in file names, titles and sheet names where no column holds them."""
    if "site_id" in group.role.lacks:
        by_id = site_outside(group.tables, group.beside.evidence.site_ids)
        _take(group, "site_id", by_id or site_outside(group.tables, frozenset(group.beside.names)))
    key = "time" if group.role.role == "stations" else "date"
    if key in group.role.lacks:
        _take(group, key, date_outside(group.tables))


def _take(group: Group, key: str, value: Outside | None) -> None:
    if value is not None:
        group.outside[key] = value


def _not_read(group: Group) -> tuple[str, ...]:
    if group.reshaped is not None:
        return ()
    taken = {column.position for column in group.columns.values()}
    return tuple(column.header for column in group.seen.columns if column.header and column.position not in taken)


def _writing(group: Group) -> None:
    """Propose separator, decimal mark, encoding and the like."""
    raw, add = group.tables[0], group.proposals.append
    if raw.separator not in ("", ","):
        add(Proposal("separator", raw.separator, f"every line has {raw.width} fields by it"))
    if group.seen.decimal != ".":
        add(Proposal("decimal", group.seen.decimal, group.seen.decimal_evidence))
    if raw.encoding is not None:
        add(Proposal("encoding", raw.encoding, "the file is not UTF-8; read so, its letters are words'"))
    if raw.comment is not None:
        add(Proposal("comment", raw.comment, "lines that begin with it stand above or between the rows"))
    if raw.skip_lines:
        add(Proposal("skip_lines", raw.skip_lines, f"the header stands in line {raw.skip_lines + 1}"))
    if any(table.sheet is not None and not table.is_only_sheet for table in group.tables):
        names = [table.sheet or "" for table in group.tables]
        add(Proposal("sheet", sheet_pattern(group.tables), f"the workbook's sheets {', '.join(dict.fromkeys(names))}"))
    if not raw.header:
        held = {column.position: group.canonical(key) for key, column in group.columns.items()}
        names = [held.get(position, f"column_{position + 1}") for position in range(raw.width)]
        add(Proposal("header", list(names), "the first line is a row like the others"))
        group.columns = {key: replace(column, header=held[column.position]) for key, column in group.columns.items()}


def _units(group: Group, days: np.ndarray | None) -> dict[str, UnitReading]:
    return unit_readings(group.surveyed(days))


def _columns(group: Group, units: Mapping[str, UnitReading]) -> None:
    """Propose header, unit and words of each column.

    Where they differ from the canonical ones.
    """
    own = _own_of_sites(group) if group.role.role == "sites" else {}
    for column in group.table.columns:
        if column.key in own:
            group.proposals.append(own[column.key])
            continue
        setting, evidence = _setting(group, column)
        unit = units.get(column.key) if column.unit is not None else None
        if unit is not None:
            evidence = unit.evidence
            if unit.unit != column.unit or unit.others:
                setting["unit"] = unit.unit
            if not unit.fits:
                _refuse_unit(group, column.key, unit)
                continue
        if setting:
            others: tuple[Value, ...] = tuple({**setting, "unit": other} for other in (unit.others if unit else ()))
            if column.key in group.doubted:
                evidence = f"the header says nothing that is known, but the values are like it: {evidence}"
                others = (*others, {})
            group.proposals.append(Proposal(f"columns.{column.key}", setting, evidence, others, is_safe=not others))


def _own_of_sites(group: Group) -> dict[str, Proposal]:
    beside, left = group.beside, group.role.columns.left if group.role.columns else ()
    sites = SiteGroup(group.columns, group.tables, beside.kinds, beside.evidence.hint, beside.unplaced, left)
    own = dict(site_settings(sites))
    group.proposals += sites.proposals
    group.refusals += sites.refusals
    return own


def _setting(group: Group, column: Column) -> tuple[dict[str, Value], str]:
    """Return where a column's values stand, as under `columns`, and the evidence.

    Nothing where it is canonical.
    """
    key = column.key
    if key in group.outside:
        return setting_of(group.outside[key], group.beside.names), group.outside[key].evidence
    if key not in group.columns or key in group.spread:
        return {}, ""
    header = group.columns[key].header
    setting: dict[str, Value] = {} if header.casefold() == column.header.casefold() else {"column": header}
    words = _words(group, key)
    if not words:
        return setting, f"header '{header}'"
    return {**setting, "values": words}, f"header '{header}'; names of sites stand for their identifiers"


def _refuse_unit(group: Group, key: str, unit: UnitReading) -> None:
    header = group.columns[key].header
    group.refuse(
        header,
        unit.evidence,
        f"Mend the values or the header, or declare the unit under columns.{group.role.role}.{key}",
        key,
    )


def _words(group: Group, key: str) -> dict[str, Value]:
    """Return the words of a column of sites that are names of sites."""
    if key != "site_id" or group.role.role == "sites":
        return {}
    names, known = group.beside.names, group.beside.evidence.site_ids
    texts = dict.fromkeys(group.columns[key].cells.filled)
    return {text: names[text] for text in texts if text in names and text not in known}


def sheet_pattern(tables: Sequence[RawTable]) -> str:
    """Return the name or pattern of the sheets of some tables."""
    names = list(dict.fromkeys(table.sheet or "" for table in tables))
    return names[0] if len(names) == 1 else "*"
