"""What an input table's columns are called inside the program, and where the settings say they stand in a user's file."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal, Protocol

from snowtally.inputs.units import conversion
from snowtally.model.problems import InputError, SettingsError

Kind = Literal["number", "text", "date", "time"]
"""What a column's values are; a time is an instant, a bare date, or a local time whose clock is declared."""


class ColumnSetting(Protocol):
    """What the settings say of one column, each None where not given.

    column : its header in the user's table.
    unit : its unit as pint spells it.
    constant : its value in every row, where the table has no such column.
    file_name, title, sheet_name : how the file's name, a line above the header or the sheet's name gives its value: the
        part at `{}`, with `*` for whatever else stands there.
    values : of a column of text, what words of the file mean; of longitude and latitude, what letters of the compass mean. They
        are compared without case and outer blanks.
    """

    column: str | None
    unit: str | None
    constant: str | None
    file_name: str | None
    title: str | None
    sheet_name: str | None

    @property
    def values(self) -> Mapping[str, str]:
        """What words of the file mean."""


PATTERNS = ("file_name", "title", "sheet_name")
"""Where a value may stand besides in a column: each holds a pattern with `{}` at the value."""


def is_outside(setting: ColumnSetting | None) -> bool:
    """Return whether a value is given by something else than a column."""
    return setting is not None and any(getattr(setting, name) is not None for name in ("constant", *PATTERNS))


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
    kind : number, text, date, or time (an instant, a bare date, or a local time whose clock is declared).
    required : a file without this column cannot be read.
    letters : of an angle, the letters of its positive and negative direction, such as "EW"; empty for other columns.
    words : a header that holds one of these may be the column under another name.
    standard_names : CF standard names under which a NetCDF time series holds it.
    """

    key: str
    header: str
    unit: str | None = None
    name: str = ""
    factor: float = 1.0
    kind: Kind = "number"
    required: bool = False
    standard_names: tuple[str, ...] = ()
    words: tuple[str, ...] = ()
    letters: str = ""

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
    may_be_empty : whether a header without rows is a whole file.
    shapes : whether its rows are the features of a vector file.
    visit : keys of what several rows are samples of; a row that sums up the others of a visit is no sample.
    """

    role: str
    columns: tuple[Column, ...]
    expects: tuple[tuple[str, ...], ...] = ()
    may_be_empty: bool = False
    shapes: bool = False
    visit: tuple[str, ...] = ()


def plain_header(header: object) -> str:
    """Return a header as plain text that can be compared.

    Blanks at both ends are removed, and letters become small.
    """
    return str(header).strip().casefold()


def check_declared(
    declared: Mapping[str, Mapping[str, ColumnSetting]], tables: list[Table], under: str = "columns"
) -> None:
    """Check the settings' `columns` against what there is: tables, keys and units.

    Parameters
    ----------
    declared : for each table, for each key, what is said of the column.
    tables : the tables there are.
    under : the settings' key that holds the declarations, for the messages.

    Raises
    ------
    SettingsError : naming the key, what is wrong and what is known.
    """
    known = {table.role: {column.key: column for column in table.columns} for table in tables}
    shapes = {table.role for table in tables if table.shapes}
    for role, keys in declared.items():
        if role not in known:
            raise SettingsError(f"{under}.{role}: there is no such table. Known: {', '.join(known)}")
        for key, setting in keys.items():
            column = known[role].get(key)
            if column is None:
                raise SettingsError(f"{under}.{role}.{key} is not a canonical column. Known: {', '.join(known[role])}")
            if role in shapes and (setting.values or any(getattr(setting, name) is not None for name in PATTERNS)):
                raise SettingsError(f"{under}.{role}.{key}: give column or constant; {role} are no table")
            _check_one(setting, column, f"{under}.{role}.{key}")


def _check_words(setting: ColumnSetting, column: Column, key: str) -> None:
    """Raise SettingsError where words of a file cannot mean what is said."""
    if not setting.values or column.kind == "text":
        return
    if not column.letters:
        raise SettingsError(
            f"{key}.values: {column.header} is no text: words stand for numbers and dates under missing: only"
        )
    for meaning in setting.values.values():
        if meaning not in tuple(column.letters):
            raise SettingsError(
                f"{key}.values: '{meaning}' is no letter of {column.header}. It is {' or '.join(column.letters)}, such as O: {column.letters[1]}"
            )


def _check_one(setting: ColumnSetting, column: Column, key: str) -> None:
    if sum(getattr(setting, name) is not None for name in ("column", "constant", *PATTERNS)) > 1:
        raise SettingsError(f"{key}: give only one of column, constant, {', '.join(PATTERNS)}")
    for name in PATTERNS:
        pattern = getattr(setting, name)
        if pattern is not None and pattern.count("{}") != 1:
            raise SettingsError(f"{key}.{name}: '{pattern}' must hold {{}} once, such as 'course_{{}}_*'")
    _check_words(setting, column, key)
    if setting.unit is None:
        return
    if column.unit is None:
        raise SettingsError(f"{key}.unit: {column.header} has no unit")
    try:
        change = conversion(setting.unit, column.unit)
    except InputError as trouble:
        raise SettingsError(f"{key}.unit: {trouble}") from None
    step = float(change.of(1.0) - change.of(0.0))
    if not BELIEVABLE_STEP[0] < abs(step) < BELIEVABLE_STEP[1]:
        raise SettingsError(f"{key}.unit: one {setting.unit} is {step:.3g} {column.unit}, which no crew writes down")


BELIEVABLE_STEP = (1e-4, 1e4)
"""Sizes of a declared unit in canonical units; others are slips of the pen (chosen: no crew writes km for cm)."""
