"""Values that stand outside a table's columns: constants, and parts of the file's name, of a title or of a sheet's name."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from snowtally.inputs.columns import PATTERNS, ColumnSetting
from snowtally.inputs.header_line import LineAbove
from snowtally.inputs.lines import NOT_UTF8
from snowtally.inputs.printable import header_list, printable
from snowtally.model.problems import InputError


@dataclass(frozen=True)
class Around:
    """What stands around a table.

    Parameters
    ----------
    path : its file.
    sheet : the sheet's name; empty where the file is no workbook.
    above : lines above the header.
    comment : what a comment begins with.
    """

    path: Path
    sheet: str
    above: Sequence[LineAbove]
    comment: str | None


@dataclass(frozen=True)
class OutsideValue:
    """A value, and the line above the header that gave it, None where it stands elsewhere."""

    text: str
    line: LineAbove | None = None


def outside_value(setting: ColumnSetting, key: str, around: Around) -> OutsideValue:
    """Return the value that holds for every row.

    Parameters
    ----------
    setting : says where it stands.
    key : TABLE.KEY, for messages.

    Raises
    ------
    InputError : nothing fits the declared pattern.
    """
    if setting.constant is not None:
        return OutsideValue(setting.constant)
    name = next(name for name in PATTERNS if getattr(setting, name) is not None)
    pattern = getattr(setting, name)
    fits = fitting(pattern)
    if name == "title":
        for line in around.above:
            for text in _readings(line, around.comment):
                if (said := fits.fullmatch(text)) is not None:
                    refuse_other_encoding(around.path, said[1])
                    return OutsideValue(said[1], line)
        there = header_list([" ".join(line.text.split()) for line in around.above]) or "nothing"
        raise InputError(
            f"{around.path}: no line above the header fits '{pattern}', which gives {key}. There stands: {there}. Mend columns.{key}.title"
        )
    text = around.path.name if name == "file_name" else around.sheet
    whose = "its name" if name == "file_name" else f"the name of its sheet, '{text}',"
    said = fits.fullmatch(text)
    if said is None:
        raise InputError(f"{around.path}: {whose} does not fit '{pattern}', which gives {key}. Mend the one or other")
    return OutsideValue(said[1])


def refuse_other_encoding(path: Path, text: str) -> None:
    """Raise InputError where a text that gives a value is not UTF-8."""
    if NOT_UTF8.search(text):
        raise InputError(
            f"{path}: {printable(text)} is not UTF-8 text. Declare its encoding under formats: in the settings"
        )


def fitting(pattern: str) -> re.Pattern[str]:
    """Return a declared pattern as a regular expression whose group is the part at `{}`.

    Blanks may be several, and letters small or not.

    >>> fitting("course_{}_*.csv").fullmatch("Course_A7_2031-03.csv")[1]
    'A7'
    >>> fitting("Snow course: {}").fullmatch("Snow course:  Fell Top")[1]
    'Fell Top'
    """
    before, after = (
        re.sub(r"(\\ )+", r"\\s+", re.escape(part)).replace(r"\*", ".*?") for part in pattern.split("{}", 1)
    )
    return re.compile(rf"\s*{before}\s*(\S|\S.*?\S)\s*{after}\s*", re.IGNORECASE)


def _readings(line: LineAbove, comment: str | None) -> Iterator[str]:
    """Yield the ways to read a line: field by field, fields side by side, as it stands."""
    text = line.text.strip()
    yield from line.fields
    yield " ".join(field.strip() for field in line.fields if field.strip())
    yield text
    if comment and text.startswith(comment):
        yield text.removeprefix(comment)
