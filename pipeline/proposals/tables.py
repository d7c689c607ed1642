"""What the tables of a folder are, and what is proposed for each: which input, how it is written, what its columns hold."""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from fnmatch import fnmatchcase
from pathlib import Path

import numpy as np

from snowtally.inputs.sheets import SUFFIXES as WORKBOOKS
from snowtally.inputs.time_series import SUFFIXES as TIME_SERIES
from snowtally.model.problems import InputError
from snowtally.proposals.clocks_known import clock_said
from snowtally.proposals.kinds_known import COURSE, STATION
from snowtally.proposals.missing_codes import USUAL, missing_codes
from snowtally.proposals.names import name_pattern
from snowtally.proposals.proposal import (
    BasinHint,
    FileGroup,
    Proposal,
    Refusal,
    TableProposal,
    TableProposals,
    UnknownFile,
)
from snowtally.proposals.raw_table import BlanksError, RawTable, raw_sheets, raw_text
from snowtally.proposals.seen_columns import FolderEvidence, SeenTable, site_like, words_around
from snowtally.proposals.series_known import time_series
from snowtally.proposals.table_group import Beside, GroupReading, joined, read_group
from snowtally.proposals.table_role import role_of
from snowtally.proposals.trial import TABLES, days_of, today, tried
from snowtally.proposals.units_known import units_said
from snowtally.proposals.wide_known import reading_named

ORDER = ("sites", "courses", "stations", "flights", "covers", "weather", "normals", "overrides")
"""The tables in the order of the settings."""

KIND_OF = {"courses": COURSE, "stations": STATION}
"""The kind of the sites in tables of measurements."""


def propose_tables(paths: Sequence[Path], hint: BasinHint | None = None) -> TableProposals:
    """Return what is proposed for the tables among some files.

    Parameters
    ----------
    paths : absolute; delimited texts and workbooks, of one folder or several.
    hint : where the basin lies, as rasters and zones tell.
    """
    series = [path for path in paths if path.suffix.casefold() in TIME_SERIES]
    refusals: list[Refusal] = []
    raws, unknown = _raw_tables([path for path in paths if path not in series], refusals)
    of_series, no_series = time_series(series)
    unknown += no_series
    groups = [*_read_groups(_alike(raws), hint, of_series), *of_series]
    unknown += [UnknownFile(file, group.evidence) for group in groups if not group.role for file in group.files]
    recognised = [group for group in groups if group.role]
    missing, doubled = missing_codes(recognised)
    refusals += doubled
    refusals += [refusal for group in recognised for refusal in group.refusals]
    codes = [str(code) for code in missing.value] if missing and isinstance(missing.value, list) else list(USUAL)
    by_role: dict[str, list[GroupReading]] = defaultdict(list)
    for group in recognised:
        by_role[group.role].append(group)
    tables = {}
    for role in ORDER:
        if role in by_role:
            table, troubles = _table(role, by_role[role], codes, paths)
            tables[role] = table
            refusals += troubles
    return TableProposals(tables, missing, _basin_id(by_role), tuple(unknown), tuple(refusals))


def _basin_id(by_role: Mapping[str, Sequence[GroupReading]]) -> Proposal | None:
    """Return the basin's identifier.

    The only one of the normals that is no site's.
    """
    sites = {site for group in by_role.get("sites", ()) for site in group.sites}
    others = {site for group in by_role.get("normals", ()) for site in group.sites} - sites - {""}
    if len(others) != 1 or not sites:
        return None
    (one,) = others
    file = by_role["normals"][0].files[0].name
    evidence = f"{file} has normals of '{one}', which is no site"
    return Proposal("basin.id", one, evidence) if re.fullmatch(r"[A-Za-z0-9_-]+", one) else None


def _raw_tables(paths: Sequence[Path], refusals: list[Refusal]) -> tuple[list[RawTable], list[UnknownFile]]:
    raws: list[RawTable] = []
    unknown: list[UnknownFile] = []
    for path in paths:
        try:
            if path.suffix.casefold() in WORKBOOKS:
                tables = raw_sheets(path)
            else:
                one = raw_text(path)
                tables = [] if one is None else [one]
        except BlanksError as trouble:
            refusals.append(Refusal(path, "", "its fields stand apart by blanks alone", str(trouble)))
            continue
        except (InputError, OSError) as trouble:
            unknown.append(UnknownFile(path, str(trouble)))
            continue
        if not tables:
            unknown.append(UnknownFile(path, "holds no table"))
        raws += tables
    return raws, unknown


def _alike(raws: Sequence[RawTable]) -> list[list[RawTable]]:
    """Return the tables in groups that are written alike."""
    groups: dict[object, list[RawTable]] = defaultdict(list)
    for raw in raws:
        writing = (raw.separator, raw.encoding, raw.comment, bool(raw.units), raw.sheet is not None, raw.width)
        clock = clock_said(["", *raw.above])
        said = units_said(raw.above), None if clock is None else clock.hours
        # A table without a header line stands by itself; one whose headers are stations may be named for its reading.
        named = reading_named(raw.path.stem), reading_named(raw.sheet or "")
        groups[writing, raw.header or raw.path, raw.skip_lines, named, said].append(raw)
    return list(groups.values())


def _read_groups(
    groups: Sequence[list[RawTable]], hint: BasinHint | None, series: Sequence[GroupReading]
) -> list[GroupReading]:
    """Return what each group of files is.

    The sites first, since their identifiers are evidence for the others.
    """
    seen = [joined(group) for group in groups]
    texts_in = [
        frozenset().union(*site_like(table), *(words_around(raw) for raw in group))
        for table, group in zip(seen, groups, strict=True)
    ]
    ids = frozenset[str]()
    names: dict[str, str] = {}
    kinds: dict[str, str] = {site: STATION for group in series for site in group.sites}
    sites_at = []
    for at, table in enumerate(seen):
        elsewhere = frozenset().union(*(texts for other, texts in enumerate(texts_in) if other != at))
        role = role_of(table, FolderEvidence(elsewhere, hint=hint, headers=_headers(seen, at)))
        if role.role != "sites" or role.columns is None:
            continue
        sites_at.append(at)
        columns = role.columns.columns
        if "site_id" in columns:
            own = columns["site_id"].cells.texts
            ids |= frozenset(text for text in own if text)
            if "name" in columns:
                names |= {n: i for n, i in zip(columns["name"].cells.texts, own, strict=True) if n and i and n != i}
    day = today()
    readings: dict[int, GroupReading] = {}
    for at, group in enumerate(groups):
        if at not in sites_at:
            evidence = FolderEvidence(ids or _elsewhere(texts_in, at), frozenset(names), hint)
            readings[at] = read_group(seen[at], group, TABLES, Beside(evidence, day, names))
            if readings[at].role in KIND_OF:
                kinds |= {names.get(site, site): KIND_OF[readings[at].role] for site in readings[at].sites}
    measured = [one for one in [*readings.values(), *series] if one.role in KIND_OF]
    unplaced = frozenset(
        KIND_OF[one.role] for one in measured if not ids & {names.get(site, site) for site in one.sites}
    )
    for at in sites_at:
        evidence = FolderEvidence(_elsewhere(texts_in, at), hint=hint, headers=_headers(seen, at))
        beside = Beside(evidence, day, {}, kinds, _recorded(measured), unplaced)
        readings[at] = read_group(seen[at], groups[at], TABLES, beside)
    return [readings[at] for at in range(len(groups))]


def _recorded(readings: Sequence[GroupReading]) -> tuple[np.datetime64, np.datetime64] | None:
    """Return the first and the last day of the tables of measurements.

    None where one of them tells no days.
    """
    days = [one.days[~np.isnat(one.days)] for one in readings if one.days is not None]
    if len(days) < len(readings) or not any(map(len, days)):
        return None
    return min(each.min() for each in days if len(each)), max(each.max() for each in days if len(each))


def _headers(seen: Sequence[SeenTable], at: int) -> str:
    """Return the headers of the other tables, a line each."""
    return "\n".join(header for other, table in enumerate(seen) if other != at for header in table.raw.header)


def _elsewhere(texts_in: Sequence[frozenset[str]], at: int) -> frozenset[str]:
    return frozenset().union(*(texts for other, texts in enumerate(texts_in) if other != at))


def _table(
    role: str, groups: Sequence[GroupReading], missing: Sequence[str], paths: Sequence[Path]
) -> tuple[TableProposal, list[Refusal]]:
    """Return what is proposed for a table, and what its trial refused."""
    files, refusals = [], []
    groups = _merged(groups)
    refusals += _of_one_name(groups)
    for part in _parts(groups):
        group, pattern = part.group, part.pattern
        proposals, first, last = group.proposals, "", ""
        if not group.refusals:
            trial = tried(role, group.files, proposals, missing, lacks_clock=group.lacks_clock)
            first, last = days_of(trial.rows)
            if trial.trouble and not any(one.others for one in proposals):
                refusals.append(
                    Refusal(
                        group.files[0],
                        "",
                        f"read as {role} ({group.evidence}) it gives: {trial.trouble}",
                        "Mend the file, or take it out of the folder and declare it by hand",
                    )
                )
        files.append(
            FileGroup(
                group.files,
                pattern,
                proposals,
                group.lacks_clock,
                group.offsets_hours,
                first,
                last,
                group.not_read,
                group.inferred_units,
            )
        )
    evidence = "; ".join(dict.fromkeys(f"{group.files[0].name}: {group.evidence}" for group in groups))
    others = tuple(dict.fromkeys(other for group in groups for other in group.others))
    every = list(dict.fromkeys(file for group in groups for file in group.files))
    return TableProposal(role, tuple(_globs(every, paths)), evidence, tuple(files), others), refusals


def _merged(groups: Sequence[GroupReading]) -> list[GroupReading]:
    """Return groups for which the same is proposed as one.

    Their headers differ in what is not read.
    """
    alike: list[list[GroupReading]] = []
    for group in groups:
        same = next((some for some in alike if _proposes_the_same(some[0], group)), None)
        if same is None:
            alike.append([group])
        else:
            same.append(group)
    return [
        replace(
            same[0],
            tables=tuple(table for one in same for table in one.tables),
            series=tuple(path for one in same for path in one.series),
        )
        for same in alike
    ]


def _proposes_the_same(one: GroupReading, other: GroupReading) -> bool:
    mine, its = ([(each.key, each.value, each.others) for each in group.proposals] for group in (one, other))
    return not one.refusals and not other.refusals and mine == its


@dataclass(frozen=True)
class _Part:
    """Files that are written alike, and the pattern of names that meets these and none of another group."""

    group: GroupReading
    pattern: str


def _parts(groups: Sequence[GroupReading]) -> list[_Part]:
    """Return the groups with their patterns.

    One that no pattern with one star tells from the others is cut into single names.
    """
    if len(groups) == 1:
        return [_Part(groups[0], "*")]
    parts = []
    for group in groups:
        names = list(dict.fromkeys(file.name for file in group.files))
        other = [file.name for one in groups if one is not group for file in one.files]
        pattern = name_pattern(names)
        if any(fnmatchcase(name, pattern) for name in other):
            parts += [_Part(_of_name(group, name), name_pattern([name])) for name in names]
        else:
            parts.append(_Part(group, pattern))
    return parts


def _of_name(group: GroupReading, name: str) -> GroupReading:
    """Return a group with the files of one name alone."""
    return replace(
        group,
        tables=tuple(table for table in group.tables if table.path.name == name),
        series=tuple(path for path in group.series if path.name == name),
    )


def _of_one_name(groups: Sequence[GroupReading]) -> list[Refusal]:
    """Return refusals of files of one name in two groups.

    `formats` tells files by their names alone.
    """
    refusals = []
    for at, group in enumerate(groups):
        before = {file.name: file for one in groups[:at] for file in one.files}
        for file in group.files:
            first = before.get(file.name)
            if first == file:
                why = "its sheets are written in different ways, and the settings have one way for a whole file"
                refusals.append(Refusal(file, "", why, "Save each sheet as a CSV file of its own"))
            elif first is not None:
                why = (
                    f"it is written in another way than {first}, and the settings tell files apart by their names alone"
                )
                refusals.append(Refusal(file, "", why, "Give one of the two another name"))
    return refusals


def _globs(files: Sequence[Path], paths: Sequence[Path]) -> list[Path]:
    """Return paths and globs that name some files and no others."""
    named: list[Path] = []
    by_folder: dict[Path, list[Path]] = defaultdict(list)
    for file in files:
        by_folder[file.parent].append(file)
    for folder, own in by_folder.items():
        pattern = name_pattern([file.name for file in own])
        met = {path for path in paths if path.parent == folder and fnmatchcase(path.name, pattern)}
        has_glob_marks = any(mark in pattern.replace("*", "", 1) for mark in "*?[")
        if len(own) > 1 and met == set(own) and not has_glob_marks:
            named.append(folder / pattern)
        else:
            named += sorted(own)
    return named
