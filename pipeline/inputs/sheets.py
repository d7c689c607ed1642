"""Workbooks (.xlsx): a sheet's cells as text, as a delimited file would hold them."""

from __future__ import annotations

import datetime as dt
import re
import zipfile
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from fnmatch import fnmatchcase
from pathlib import Path
from typing import Any

from snowtally.inputs.printable import first_line
from snowtally.model.problems import InputError

SUFFIXES = (".xlsx", ".xlsm")


@dataclass(frozen=True)
class Sheet:
    """A sheet's cells as text.

    Parameters
    ----------
    name : the sheet's.
    rows : from the first row on, all equally long.
    lines_before : is added to a row's number where several sheets are read, so that no two rows have the same: 3000 in the
        third sheet, where none has a thousand rows.
    """

    name: str
    rows: list[list[str]]
    lines_before: int = 0


def read_sheets(path: Path, sheet: str | None, decimal: str) -> list[Sheet]:
    """Return the sheets that are read, in the workbook's order, each cell as text.

    Parameters
    ----------
    sheet : the sheet's name, or a pattern (`*` and `?`) of which all that fit and hold a text are read; None where the workbook
        has only one.
    decimal : the decimal mark that numbers are written with, as the values' reader expects it.

    Dates come in ISO 8601. A formula that the workbook holds no value of comes as the formula, so that it is told.

    Raises
    ------
    InputError : the file is no workbook, is encrypted or too large, no such sheet is there, or there are several and none is
        declared.
    """
    import openpyxl  # noqa: PLC0415  a fifth of a second, needed for workbooks only

    try:
        with path.open("rb") as values_of, path.open("rb") as formulas_of:
            _check_parts(path)
            books = [openpyxl.load_workbook(values_of, read_only=True, data_only=True)]
            if _has_formulas(path):
                books.append(openpyxl.load_workbook(formulas_of, read_only=True, data_only=False))
            cells = _Cells(path)
            names = _chosen(path, books[0].sheetnames, sheet)
            sheets = [Sheet(name, _rows([book[name] for book in books], cells, decimal)) for name in names]
    except OSError as trouble:
        raise InputError(f"{path} cannot be read: {trouble.strerror or trouble}") from None
    except InputError:
        raise
    except Exception as trouble:  # noqa: BLE001  the reader raises whatever the damaged part of a workbook leads it to
        raise InputError(
            f"{path} cannot be read as a workbook ({first_line(trouble)}). Save it anew as .xlsx or as CSV"
        ) from None
    if len(sheets) == 1:
        return sheets
    # A sheet without any text is one that nobody has written on.
    written = [
        (n, one) for n, one in enumerate(sheets, start=1) if any(cell.strip() for row in one.rows for cell in row)
    ]
    longest, step = max(len(one.rows) for one in sheets), LEAST_BEFORE
    while step <= longest:
        step *= 10
    return [replace(one, lines_before=number * step) for number, one in written] or sheets[:1]


LEAST_BEFORE = 1000
"""Rows of the several sheets of a workbook are numbered from 1001, 2001 and so on, by more where one has more rows (chosen)."""


def _rows(sheets: list[Any], cells: _Cells, decimal: str) -> list[list[str]]:
    """Return the rows of a sheet, given with its values and, where it has any, with its formulas."""
    for one in sheets:
        # What a sheet says of its own size may be stale, and rows beyond it would not be read.
        one.reset_dimensions()
    pairs = zip(*(one.iter_rows(values_only=True) for one in sheets), strict=True)
    rows = [list(_texts(row, formulas[0] if formulas else row, decimal)) for row, *formulas in cells.few(pairs)]
    width = max(map(len, rows), default=0)
    return [row + [""] * (width - len(row)) for row in rows]


def _has_formulas(path: Path) -> bool:
    """Return whether a workbook may hold a formula: only then its cells are read a second time."""
    with zipfile.ZipFile(path) as parts:
        for name in parts.namelist():
            if not name.casefold().endswith(".xml"):
                continue
            with parts.open(name) as stream:
                end = b""
                while piece := stream.read(1 << 20):
                    # XML of two bytes a letter is looked at no further.
                    if _FORMULA.search(end + piece) or b"\0" in piece:
                        return True
                    end = piece[-LONGEST_BEGINNING:]
    return False


_FORMULA = re.compile(rb"<([\w.-]{1,40}:)?f[\s/>]")
"""How the element of a formula begins (ECMA-376 part 1, 18.3.1.40), with or without a prefix."""

LONGEST_BEGINNING = 50
"""It is no longer, bytes."""


def _check_parts(path: Path) -> None:
    """Refuse a workbook that is encrypted or too large unpacked."""
    with path.open("rb") as stream:
        if stream.read(len(OLE)) == OLE:
            raise InputError(
                f"{path} is encrypted, or of the format before .xlsx. Save it without a password as .xlsx or as CSV"
            )
    with zipfile.ZipFile(path) as parts:
        infos = parts.infolist()
    if any(info.flag_bits & 1 for info in infos):
        raise InputError(f"{path} is encrypted. Save it without a password")
    unpacked = sum(info.file_size for info in infos)
    if unpacked > MOST_BYTES:
        raise InputError(
            f"{path} holds {unpacked / 1e6:.0f} MB once unpacked, more than the {MOST_BYTES / 1e6:.0f} MB that a workbook may. "
            "Save the sheet as CSV"
        )


OLE = bytes.fromhex("d0cf11e0a1b11ae1")
"""What a workbook that is encrypted, or older than .xlsx, begins with."""

MOST_BYTES = 400_000_000
"""A workbook unpacks to no more, bytes: a sheet with Excel's most rows and ten columns of numbers is some 300 MB."""

MOST_CELLS = 20_000_000
"""A sheet has no more cells: Excel's most rows by twenty columns. One stray cell in the far corner would make 17 thousand million."""


@dataclass
class _Cells:
    """Counts the cells of a workbook's sheets."""

    path: Path
    before: int = 0

    def few(self, pairs: Iterable[tuple[tuple, ...]]) -> Iterator[tuple[tuple, ...]]:
        """Yield a sheet's rows.

        Raises InputError where the sheets have more cells than tables of measurements.
        """
        widest = number = 0
        for number, pair in enumerate(pairs, start=1):
            # Every row is made as long as the longest.
            widest = max(widest, len(pair[0]))
            if self.before + number * widest > MOST_CELLS:
                raise InputError(
                    f"{self.path} spans more than {MOST_CELLS / 1e6:.0f} million cells: something may stand far outside the table. "
                    "Delete what is beyond it, or save the sheet as CSV"
                )
            yield pair
        self.before += number * widest


def _chosen(path: Path, names: list[str], sheet: str | None) -> list[str]:
    if sheet is None and len(names) == 1:
        return names
    if sheet in names:
        return [sheet]
    fitting = [name for name in names if sheet is not None and fnmatchcase(name.casefold(), sheet.casefold())]
    if fitting:
        return fitting
    said = "has several sheets" if sheet is None else f"has no sheet '{sheet}'"
    raise InputError(
        f"{path} {said}: {', '.join(names)}. Name one, or a pattern, as sheet under formats: in the settings"
    )


def _texts(row: tuple, formulas: tuple, decimal: str) -> Iterator[str]:
    for value, formula in zip(row, formulas, strict=True):
        yield _text(formula if value is None else value, decimal)


def _text(value: object, decimal: str) -> str:
    """Return a cell as text; numbers in the fewest digits that give them back.

    >>> _text(12.50, ","), _text(3.0, "."), _text(dt.datetime(2031, 3, 1), "."), _text(None, ".")
    ('12,5', '3', '2031-03-01', '')
    """
    if value is None:
        return ""
    if isinstance(value, dt.datetime):
        midnight = value.time() == dt.time()
        return value.date().isoformat() if midnight else value.isoformat(timespec="seconds")
    if isinstance(value, float):
        return (str(int(value)) if value.is_integer() and abs(value) < _WHOLE else repr(value)).replace(".", decimal)
    return str(value)


_WHOLE = 1e15
"""Whole numbers below this are exact in a float."""
