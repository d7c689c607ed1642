"""From a user's table to canonical columns: headers, units, missing codes and times settled, every row kept.

A table is described once (`Table`), read as text, and converted column by column. What cannot be converted becomes a
missing value and a finding with file and line; nothing is guessed and no row vanishes.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

import numpy as np
import pandas as pd

from pipeline.problems import Finding, InputError, SettingsError


class ColumnSetting(Protocol):
    """What the settings say of one column: its header in the user's table and its unit, each None where not given."""

    column: str | None
    unit: str | None


@dataclass(frozen=True)
class Column:
    """One canonical column.

    Parameters
    ----------
    key : the name without its unit, as in the settings' `columns`.
    header : the canonical header in the file.
    unit : the unit of the canonical header as pint spells it, None for text and times.
    name : the name inside the program; depths are metres there.
    factor : program value per canonical value.
    kind : number, text or date.
    required : a file without this column cannot be read.
    """

    key: str
    header: str
    unit: str | None = None
    name: str = ""
    factor: float = 1.0
    kind: str = "number"
    required: bool = False

    def __post_init__(self) -> None:
        """Fill in the program's name where it is the header."""
        if not self.name:
            object.__setattr__(self, "name", self.header)


@dataclass(frozen=True)
class Table:
    """A kind of input table.

    Parameters
    ----------
    role : its name in the settings.
    columns : its canonical columns.
    expects : groups of keys; a file with none of a group's columns says nothing of what the group is about, and is told.
    """

    role: str
    columns: tuple[Column, ...]
    expects: tuple[tuple[str, ...], ...] = ()


def read_table(
    path: Path, table: Table, settings: Mapping[str, ColumnSetting], missing: list[str]
) -> tuple[pd.DataFrame, list[Finding]]:
    """Read one CSV file into canonical columns.

    Parameters
    ----------
    path : the file, UTF-8 with a header line.
    table : the columns to look for; all others are ignored.
    settings : for each canonical key, the user's header and unit where they differ.
    missing : codes that mean "no value".

    Returns
    -------
    rows : one row each line of data, in the file's order, with the program's column names (missing optional columns are
        all-missing) and `file` and `line`.
    findings : values that could not be converted.

    Raises
    ------
    InputError : the file cannot be read as CSV or a required column is not there; the message names file and columns.
    """
    raw = _read_text(path)
    headers = {_plain(header): header for header in raw.columns}
    rows = pd.DataFrame({"file": str(path), "line": raw.index.to_numpy() + 2}, index=raw.index)
    findings: list[Finding] = []
    found: set[str] = set()
    for column in table.columns:
        setting = settings.get(column.key)
        wanted = setting.column if setting is not None and setting.column else column.header
        header = headers.get(_plain(wanted))
        if header is None:
            if column.required or (setting is not None and setting.column):
                message = (
                    f"{path}: no column '{wanted}'. The header has: {', '.join(map(str, raw.columns))}. "
                    f"Name the column under columns.{table.role}.{column.key} in the settings"
                )
                raise InputError(message)
            rows[column.name] = _nothing(column, len(rows))
            continue
        found.add(column.key)
        text = raw[header].str.strip()
        text = text.mask(text.isin(missing), "")
        unit = setting.unit if setting is not None else None
        values, wrong = _convert(text, column, unit)
        rows[column.name] = values
        findings += [_unreadable(table.role, path, int(line) + 2, column, text[line]) for line in raw.index[wrong]]
    findings += [_no_such_column(path, table, keys, raw) for keys in table.expects if not (set(keys) & found)]
    blank = (raw == "").all(axis=1)
    return rows[~blank].reset_index(drop=True), findings


def _read_text(path: Path) -> pd.DataFrame:
    """Return the file as text; the index counts data lines from 0, blank lines kept so that line numbers hold."""
    try:
        raw = pd.read_csv(
            path,
            dtype=str,
            keep_default_na=False,
            na_filter=False,
            skip_blank_lines=False,
            encoding="utf-8-sig",
            index_col=False,
        )
    except pd.errors.EmptyDataError:
        message = f"{path} is empty: a header line is wanted"
        raise InputError(message) from None
    except UnicodeDecodeError as trouble:
        message = f"{path} is not UTF-8 text (byte {trouble.start}). Save it as CSV, UTF-8"
        raise InputError(message) from None
    except (pd.errors.ParserError, OSError, ValueError) as trouble:
        message = f"{path} cannot be read as CSV: {str(trouble).splitlines()[0]}"
        raise InputError(message) from None
    return raw.astype(str)


def _plain(header: str) -> str:
    return str(header).strip().casefold()


def _nothing(column: Column, n: int) -> object:
    if column.kind == "text":
        return pd.Series([""] * n, dtype=str)
    if column.kind == "date":
        return np.full(n, np.datetime64("NaT"), "datetime64[s]")
    return np.full(n, np.nan)


def _convert(text: pd.Series, column: Column, unit: str | None) -> tuple[object, np.ndarray]:
    """Return the converted values and a mask of those that were there but could not be read."""
    if column.kind == "text":
        return text, np.zeros(len(text), bool)
    given = (text != "").to_numpy()
    if column.kind == "date":
        values = pd.to_datetime(text.where(given), format="%Y-%m-%d", errors="coerce").to_numpy("datetime64[s]")
        return values, given & np.isnat(values)
    numbers = pd.to_numeric(text.where(given), errors="coerce").to_numpy(float)
    wrong = given & ~np.isfinite(numbers)
    numbers = np.where(wrong, np.nan, numbers)
    if unit is not None:
        numbers = _to_canonical(numbers, unit, column)
    return numbers * column.factor, wrong


def _to_canonical(numbers: np.ndarray, unit: str, column: Column) -> np.ndarray:
    """Return numbers in the canonical header's unit, from the unit declared in the settings."""
    import pint  # noqa: PLC0415  half a second, needed only where a unit is declared

    registry = pint.UnitRegistry(autoconvert_offset_to_baseunit=True)
    try:
        return registry.Quantity(numbers, unit).to(column.unit).magnitude
    except (pint.UndefinedUnitError, pint.DimensionalityError, AttributeError, ValueError) as trouble:
        message = f"'{unit}' cannot be turned into {column.unit} ({trouble})"
        raise InputError(message) from None


def _unreadable(role: str, path: Path, line: int, column: Column, value: str) -> Finding:
    wants = {"number": "a number", "date": "a date such as 2031-03-01"}
    return Finding(
        table=role,
        file=str(path),
        line=line,
        rule="unreadable value",
        severity="error",
        evidence=f"{column.header} = '{value[:40]}'",
        action="set aside",
        detail=f"{column.header} must be {wants[column.kind]}; mend the file or list the code under missing: in the settings",
    )


def _no_such_column(path: Path, table: Table, keys: tuple[str, ...], raw: pd.DataFrame) -> Finding:
    wanted = " or ".join(column.header for column in table.columns if column.key in keys)
    return Finding(
        table=table.role,
        file=str(path),
        line=1,
        rule="no such column",
        severity="warning",
        evidence=f"no {wanted}",
        action="used",
        detail=f"the header has: {', '.join(map(str, raw.columns))}; name the column under columns.{table.role} if it is there",
    )


def check_declared(declared: Mapping[str, Mapping[str, ColumnSetting]], tables: list[Table]) -> None:
    """Check the settings' `columns` against what there is: tables, keys and units.

    Raises
    ------
    SettingsError : naming the key, what is wrong and what is known.
    """
    known = {table.role: {column.key: column for column in table.columns} for table in tables}
    for role, keys in declared.items():
        if role not in known:
            raise SettingsError(f"columns.{role}: there is no such table. Known: {', '.join(known)}")
        for key, setting in keys.items():
            column = known[role].get(key)
            if column is None:
                raise SettingsError(f"columns.{role}.{key} is not a canonical column. Known: {', '.join(known[role])}")
            if setting.unit is not None:
                _check_unit(setting.unit, column, f"columns.{role}.{key}.unit")


def _check_unit(unit: str, column: Column, key: str) -> None:
    if column.unit is None:
        raise SettingsError(f"{key}: {column.header} has no unit")
    try:
        step = np.diff(_to_canonical(np.array([0.0, 1.0]), unit, column))[0]
    except InputError as trouble:
        raise SettingsError(f"{key}: {trouble}") from None
    if not BELIEVABLE_STEP[0] < abs(step) < BELIEVABLE_STEP[1]:
        raise SettingsError(f"{key}: one {unit} is {step:.3g} {column.unit}, which no crew writes down")


BELIEVABLE_STEP = (1e-4, 1e4)
"""A unit larger or smaller than the canonical one by more than this is a slip of the pen."""


def dated_outside(rows: pd.DataFrame, season: tuple[dt.date, dt.date]) -> pd.Series:
    """Return which rows are dated before the first or after the last day; rows without a date are not."""
    first, last = (pd.Timestamp(day) for day in season)
    return (rows["date"] < first) | (rows["date"] > last)


def without_lines(findings: list[Finding], rows: pd.DataFrame) -> list[Finding]:
    """Return the findings that are not about any of the rows."""
    lines = set(zip(rows["file"], rows["line"], strict=True))
    return [finding for finding in findings if (finding.file, finding.line) not in lines]


def local_days(instants_utc: np.ndarray, utc_offset_hours: float) -> np.ndarray:
    """Return the local day (datetime64[D]) of UTC instants by the basin's fixed offset.

    >>> local_days(np.array(["2031-03-01T01:00"], "datetime64[s]"), -2.0)
    array(['2031-02-28'], dtype='datetime64[D]')
    """
    offset = np.timedelta64(round(utc_offset_hours * 3600), "s")
    return (instants_utc.astype("datetime64[s]") + offset).astype("datetime64[D]")


def up_to(rows: pd.DataFrame, date: dt.date, column: str = "date") -> pd.DataFrame:
    """Return the rows dated no later than `date`: nothing dated after a day is used for it."""
    return rows[rows[column].to_numpy("datetime64[D]") <= np.datetime64(date)].reset_index(drop=True)


def read_tables(
    files: list[Path], table: Table, settings: Mapping[str, ColumnSetting], missing: list[str]
) -> tuple[pd.DataFrame, list[Finding]]:
    """Read the files of one optional role one after the other; a file that cannot be read is a finding, not a stop.

    Returns
    -------
    rows, findings : as `read_table`, all files together in the order given.
    """
    parts, findings = [], []
    for path in files:
        try:
            rows, found = read_table(path, table, settings, missing)
        except InputError as trouble:
            findings.append(
                Finding(
                    table.role,
                    str(path),
                    rule="unreadable file",
                    severity="error",
                    action="set aside",
                    detail=str(trouble),
                )
            )
            continue
        parts.append(rows)
        findings += found
    if not parts:
        names = ["file", "line", *(column.name for column in table.columns)]
        empty = {c.name: _nothing(c, 0) for c in table.columns}
        return pd.DataFrame({"file": pd.Series(dtype=str), "line": pd.Series(dtype=int), **empty})[names], findings
    return pd.concat(parts, ignore_index=True), findings


def keep_newest(rows: pd.DataFrame, key: list[str], role: str) -> tuple[pd.DataFrame, list[Finding]]:
    """Return the rows with the last of each key only; the earlier ones are findings.

    A later line of a file, or a later file, is a correction sent again.
    """
    repeated = rows.duplicated(key, keep="last").to_numpy()
    findings = [
        Finding(
            table=role,
            file=row.file,
            line=row.line,
            site_id=str(getattr(row, "site_id", getattr(row, "flight_id", ""))),
            start=day_text(row),
            end=day_text(row),
            rule="duplicate",
            severity="note",
            evidence="same " + ", ".join(key),
            action="set aside",
            detail="the same row stands again further on, and the later one is used",
        )
        for row in rows[repeated].itertuples()
    ]
    return rows[~repeated].reset_index(drop=True), findings


def day_text(row: object) -> str:
    """Return a row's date as text, empty where it has none."""
    day = getattr(row, "date", None)
    return "" if day is None or pd.isna(day) else str(pd.Timestamp(day).date())
