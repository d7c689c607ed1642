"""Workbooks (.xlsx): a sheet's cells as text, as a delimited file would hold them."""

from __future__ import annotations

import datetime as dt
import zipfile
from collections.abc import Iterator
from pathlib import Path

from pipeline.problems import InputError

SUFFIXES = (".xlsx", ".xlsm")


def read_sheet(path: Path, sheet: str | None, decimal: str) -> list[list[str]]:
    """Return the rows of a sheet from the first on, each cell as text.

    Parameters
    ----------
    sheet : its name; None where the workbook has only one.
    decimal : the decimal mark that numbers are written with, as the values' reader expects it.

    Dates come in ISO 8601. A formula that the workbook holds no value of comes as the formula, so that it is told.

    Raises
    ------
    InputError : the file is no workbook, the sheet is not there, or there are several and none is declared.
    """
    import openpyxl  # noqa: PLC0415  a fifth of a second, needed for workbooks only
    from openpyxl.utils.exceptions import InvalidFileException  # noqa: PLC0415

    try:
        with path.open("rb") as values_of, path.open("rb") as formulas_of:
            values = openpyxl.load_workbook(values_of, read_only=True, data_only=True)
            formulas = openpyxl.load_workbook(formulas_of, read_only=True, data_only=False)
            name = _chosen(path, values.sheetnames, sheet)
            sheets = values[name], formulas[name]
            for one in sheets:
                # What a sheet says of its own size may be stale, and rows beyond it would not be read.
                one.reset_dimensions()
            pairs = zip(*(one.iter_rows(values_only=True) for one in sheets), strict=True)
            rows = [list(_texts(row, formula, decimal)) for row, formula in pairs]
            width = max(map(len, rows), default=0)
            return [row + [""] * (width - len(row)) for row in rows]
    except OSError as trouble:
        raise InputError(f"{path} cannot be read: {trouble.strerror or trouble}") from None
    except InputError:
        raise
    except (
        InvalidFileException,
        zipfile.BadZipFile,
        KeyError,
        ValueError,
        TypeError,
        EOFError,
        SyntaxError,
    ) as trouble:
        why = str(trouble).splitlines()[0] if str(trouble) else type(trouble).__name__
        raise InputError(f"{path} cannot be read as a workbook ({why}). Save it anew as .xlsx or as CSV") from None


def _chosen(path: Path, names: list[str], sheet: str | None) -> str:
    if sheet is None and len(names) == 1:
        return names[0]
    if sheet in names:
        return sheet
    said = "has several sheets" if sheet is None else f"has no sheet '{sheet}'"
    raise InputError(f"{path} {said}: {', '.join(names)}. Name one as sheet under formats: in the settings")


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
