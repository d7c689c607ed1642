"""Station rows by the million: put together, sorted, and one row a site and time."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from snowtally.inputs.converting import Converted, Wrong
from snowtally.inputs.rows import local_days
from snowtally.inputs.values import NO_TIME
from snowtally.model.problems import Finding
from snowtally.model.rules import files as rules

SNOW = ("swe_mm", "depth_m")


@dataclass
class StationRows:
    """Rows of a station file, the same number in each array.

    Parameters
    ----------
    site : the station, an index into the names that all files share (int32).
    seconds, kind : the time, as `values.times` gives it; later in UTC.
    line : from 1.
    readings : by the program's name, float64; those that no file has a column for are left out.
    wrong : for each key with unreadable values, which rows have one.
    """

    site: np.ndarray
    seconds: np.ndarray
    kind: np.ndarray
    line: np.ndarray
    readings: dict[str, np.ndarray]
    wrong: dict[str, np.ndarray] = field(default_factory=dict)

    def take(self, rows: np.ndarray) -> StationRows:
        """Return some of the rows by their indices."""
        return StationRows(
            self.site[rows],
            self.seconds[rows],
            self.kind[rows],
            self.line[rows],
            {name: values[rows] for name, values in self.readings.items()},
            {key: mask[rows] for key, mask in self.wrong.items()},
        )

    def reorder(self, rows: np.ndarray) -> None:
        """Reduce to some of the rows, by their indices and in their order.

        One array after the other, since millions of rows fill memory.
        """
        for name in ("site", "seconds", "kind", "line"):
            setattr(self, name, getattr(self, name)[rows])
        for arrays in (self.readings, self.wrong):
            for name in arrays:
                arrays[name] = arrays[name][rows]


@dataclass(frozen=True)
class StationFile:
    """A station file as read: its rows, and its readings' names."""

    path: Path
    rows: StationRows
    has: set[str]


def numbered(piece: Converted, start: int, names: dict[str, int], readings: dict[str, str]) -> StationRows:
    """Return a piece's rows with stations as indices into `names`.

    `names` grows by the new ones; lines are the file's.

    Parameters
    ----------
    start : the line where the piece begins.
    readings : the program's name of each reading's key, of those that the file has.
    """
    coded = piece.texts["site_id"]
    stations = pc.fill_null(coded.dictionary, "").to_pylist()
    numbers = np.array([names.setdefault(name, len(names)) for name in stations] or [0], np.int32)
    wrong = {}
    for values in piece.wrong:
        if values.key in readings:
            wrong[values.key] = np.zeros(len(piece.line), bool)
            wrong[values.key][values.rows] = True
    return StationRows(
        numbers[coded.indices.to_numpy(zero_copy_only=False)],
        piece.arrays["seconds"],
        piece.arrays["kind"],
        piece.line + start,
        {name: piece.arrays[name] for name in readings.values()},
        wrong,
    )


def together(parts: list[StationRows]) -> StationRows:
    """Return rows of several pieces as one.

    The pieces are used up, so that their memory is free at the end.
    """
    if len(parts) == 1:
        whole = parts.pop()
        # Arrow lends its memory for reading only.
        whole.readings = {name: np.require(values, requirements="W") for name, values in whole.readings.items()}
        return whole

    def joined(arrays: list[np.ndarray], type_: type) -> np.ndarray:
        return np.concatenate([np.empty(0, type_), *arrays], dtype=type_)

    keys = list(dict.fromkeys(key for part in parts for key in part.wrong))
    whole = StationRows(
        joined([part.site for part in parts], np.int32),
        joined([part.seconds for part in parts], np.int64),
        joined([part.kind for part in parts], np.int8),
        joined([part.line for part in parts], np.int64),
        {},
        {key: joined([part.wrong.get(key, np.zeros(len(part.line), bool)) for part in parts], bool) for key in keys},
    )
    for name in dict.fromkeys(name for part in parts for name in part.readings):
        values = [
            part.readings.pop(name) if name in part.readings else np.full(len(part.line), np.nan) for part in parts
        ]
        whole.readings[name] = joined(values, float)
        del values
    parts.clear()
    return whole


def last_before(rows: StationRows, begin: int) -> StationRows:
    """Return the rows from an instant on, and each station's last earlier ones.

    These are its last row with snow and its last of any kind.
    """
    early = rows.seconds < begin
    if not early.any():
        return rows
    before = np.flatnonzero(early)
    snow = _has_snow(rows)[before]
    last = [_last_of_each(rows.site, rows.seconds, some) for some in (before[snow], before)]
    return rows.take(np.unique(np.concatenate([*last, np.flatnonzero(~early)])))


def _has_snow(rows: StationRows) -> np.ndarray:
    """Return which rows hold SWE or depth."""
    present = np.zeros(len(rows.line), bool)
    for name in SNOW:
        if name in rows.readings:
            present |= np.isfinite(rows.readings[name])
    return present


def _last_of_each(site: np.ndarray, seconds: np.ndarray, which: np.ndarray) -> np.ndarray:
    """Return those of some indices that are a station's last in time."""
    order = which[np.lexsort((seconds[which], site[which]))]
    site = site[order]
    return order[np.append(site[1:] != site[:-1], True)] if len(order) else order


def last_of(piece: Converted) -> Converted:
    """Return those rows of a piece that count once its time is past.

    They are as `last_before` has it, and rows without a site or time.
    """
    site = piece.texts["site_id"].indices.to_numpy(zero_copy_only=False)
    seconds = piece.arrays["seconds"]
    nobody = pc.index_in(pa.array([""]), piece.texts["site_id"].dictionary)[0].as_py()
    nowhere = (seconds == NO_TIME) | (site == (-1 if nobody is None else nobody))
    snow = ~nowhere & np.any([np.isfinite(piece.arrays[name]) for name in SNOW], axis=0)
    last = [_last_of_each(site, seconds, np.flatnonzero(some)) for some in (snow, ~nowhere)]
    rows = np.unique(np.concatenate([*last, np.flatnonzero(nowhere)]))
    arrays = {name: values[rows] for name, values in piece.arrays.items()}
    texts = {name: values.take(pa.array(rows)) for name, values in piece.texts.items()}
    wrong = [
        Wrong(values.key, np.searchsorted(rows, values.rows), values.texts)
        for values in piece.wrong
        if values.key == "time"
    ]
    return Converted(arrays, texts, piece.line[rows], piece.lines, piece.bad, wrong)


def settled(
    files: list[StationFile], names: list[str], readings: list[str], since: dt.date | None, utc_offset_hours: float
) -> tuple[pd.DataFrame, list[Finding]]:
    """Return one row for each site and time, and the findings.

    The rows of all files are put together and sorted by site and time. The findings are about repeated rows.

    Parameters
    ----------
    files : in the order given: a later one is a correction of an earlier one. Their rows are used up.
    names : the stations' names.
    since : of rows before it only each station's last with snow remains.
    """
    file = np.concatenate(
        [np.empty(0, np.int16), *(np.full(len(read.rows.line), n, np.int16) for n, read in enumerate(files))]
    )
    has = {name: np.array([name in read.has for read in files], bool) for name in readings}
    paths = [str(read.path) for read in files]
    rows = together([read.rows for read in files])
    sorted_names = sorted(names)
    rank = np.array([sorted_names.index(name) for name in names] or [0], np.int32)
    site = rank[rows.site]
    order = _sorted(site, rows.seconds)
    if order is not None:
        site, file = site[order], file[order]
        rows.reorder(order)
        del order
    findings: list[Finding] = []
    again = np.zeros(len(site), bool)
    if len(site):
        again[:-1] = (site[1:] == site[:-1]) & (rows.seconds[1:] == rows.seconds[:-1])
    if again.any():
        findings = _merged(rows, _Keys(site, file, again, paths, sorted_names), has)
        site, file = site[~again], file[~again]
        rows.reorder(np.flatnonzero(~again))
    if since is not None:
        # Each piece left some earlier rows a station; one of them all is enough.
        rows.site = site
        begin = int(np.datetime64(since, "s").astype(np.int64)) - round(utc_offset_hours * 3600)
        which = _with_one_before(rows, begin)
        rows, site, file = rows.take(which), site[which], file[which]
    time = rows.seconds.view("datetime64[s]")
    frame = pd.DataFrame(
        {
            "file": pd.Categorical.from_codes(*_distinct(file, paths)),
            "line": rows.line,
            "site_id": pd.Categorical.from_codes(site, sorted_names),
            **{name: rows.readings[name] if name in rows.readings else np.full(len(site), np.nan) for name in readings},
            "time": time,
            "date": local_days(time, utc_offset_hours).astype("datetime64[s]"),
        },
        copy=False,
    )
    return frame, findings


def _distinct(codes: np.ndarray, paths: list[str]) -> tuple[np.ndarray, list[str]]:
    """Return the codes into the distinct paths, and these sorted.

    A file may be named twice.
    """
    distinct = sorted(set(paths))
    return np.array([distinct.index(path) for path in paths] or [0], np.int16)[codes], distinct


def _with_one_before(rows: StationRows, begin: int) -> np.ndarray:
    """Return the indices of rows from an instant on, and one earlier a station.

    That is its last row with snow, or its last of any kind where none has snow.
    """
    numbered_rows = StationRows(rows.site, rows.seconds, rows.kind, np.arange(len(rows.line)), rows.readings)
    last = last_before(numbered_rows, begin)
    early = last.seconds < begin
    snow = _has_snow(last)
    with_snow = np.unique(last.site[early & snow])
    drop = early & ~snow & np.isin(last.site, with_snow)
    return last.line[~drop]


def _sorted(site: np.ndarray, seconds: np.ndarray) -> np.ndarray | None:
    """Return the order of the rows by site and time.

    Rows of the same site and time stay in their order. The result is None where the rows are sorted already.
    """

    def in_order(site: np.ndarray, seconds: np.ndarray) -> bool:
        return bool(((site[1:] > site[:-1]) | ((site[1:] == site[:-1]) & (seconds[1:] >= seconds[:-1]))).all())

    if in_order(site, seconds):
        return None
    # Files run through time for all stations at once, or for one after the other: by site alone they mostly are sorted,
    # and small numbers are sorted in one pass.
    order = np.argsort(site.astype(np.uint16) if site.max(initial=0) < _SMALL else site, kind="stable")
    if in_order(site[order], seconds[order]):
        return order
    return np.lexsort((seconds, site))


_SMALL = 1 << 16
"""How many values a 16-bit number has: numpy sorts such by radix, in one pass."""


@dataclass(frozen=True)
class _Keys:
    """What rows sorted by site and time are merged by.

    Parameters
    ----------
    site, file : each row's indices into `names` and `paths`.
    again : whether the next row has the same site and time.
    """

    site: np.ndarray
    file: np.ndarray
    again: np.ndarray
    paths: list[str]
    names: list[str]


def _merged(rows: StationRows, keys: _Keys, has: dict[str, np.ndarray]) -> list[Finding]:
    """Merge repeated rows into the last one, and return findings.

    Repeated rows have the same site and time. The findings are about the rows that were replaced.

    Each reading comes from the last row whose file has a column for it. An empty cell of a later file withdraws the
    earlier value. A column that the later file lacks does not.
    """
    site, file, again = keys.site, keys.file, keys.again
    groups = np.flatnonzero(again | np.concatenate([[False], again[:-1]]))
    first = groups[np.concatenate([[True], ~again[groups[1:] - 1]])] if len(groups) else groups
    start = np.searchsorted(groups, first)
    last = groups[np.append(start[1:], len(groups)) - 1]
    replaced = np.zeros(len(groups), bool)
    changed = np.zeros(len(groups), bool)
    size = np.diff(np.append(start, len(groups)))
    has = {name: columns for name, columns in has.items() if name in rows.readings}
    for name, columns in has.items():
        values = rows.readings[name]
        there = columns[file[groups]]
        source = np.maximum.reduceat(np.where(there, groups, -1), start)
        final = np.where(source >= 0, values[source], np.nan)
        older = there & (groups < np.repeat(source, size))
        mine, other = values[groups], np.repeat(final, size)
        older &= np.isfinite(mine)
        replaced |= older
        changed |= older & ~(mine == other)
        values[last] = final
    # A row all of whose readings are empty is replaced by what comes later, too.
    empty = np.ones(len(groups), bool)
    for name in has:
        empty &= ~np.isfinite(rows.readings[name][groups])
    replaced |= empty & again[groups]
    which = groups[replaced]
    table = pd.DataFrame(
        {
            "site": site[which],
            "file": file[which],
            "line": rows.line[which],
            "seconds": rows.seconds[which],
            "changed": changed[replaced],
        }
    )
    findings = []
    for (file_number, site_number), part in table.groupby(["file", "site"], sort=True):
        n, differing = len(part), int(part["changed"].sum())
        times = part["seconds"].to_numpy().view("datetime64[s]")
        findings.append(
            Finding(
                rules.READING_TWICE,
                file=keys.paths[file_number],
                line=int(part["line"].iloc[0]),
                site_id=keys.names[site_number],
                start=f"{times[0]}Z",
                end=f"{times[-1]}Z",
                evidence=f"{n} row{'s' * (n > 1)} with the same site_id and time further on, {differing} with other values",
            )
        )
    return findings
