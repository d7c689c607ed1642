"""A table in its file: a delimited text or a sheet of a workbook, opened at its header."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

import numpy as np
import pyarrow as pa

from snowtally.inputs.decoding import open_as_utf8
from snowtally.inputs.formats import SEPARATORS, FileFormat
from snowtally.inputs.header_line import Header, Search, Wanted, find_header, header_of_rows
from snowtally.inputs.lines import Layout, Split, chunks, split
from snowtally.inputs.sheets import SUFFIXES, Sheet, read_sheets


@dataclass(frozen=True)
class OpenedTable:
    """A table whose header was found, and whose rows are still to be read.

    Parameters
    ----------
    path, how : its file, and how that is written.
    header : its header; without a separator where none fits.
    sheet : the sheet that holds it, None of delimited text.
    stream : the text after the header, None of a sheet.
    """

    path: Path
    how: FileFormat
    header: Header
    sheet: Sheet | None
    stream: BinaryIO | None

    @property
    def begins(self) -> int:
        """The first line of file or sheet, from 1."""
        return 1 if self.sheet is None else self.sheet.lines_before + 1

    @property
    def first_line(self) -> int:
        """The line after the header."""
        return self.begins + self.header.lines

    def close(self) -> None:
        """Close the file, where its rows are not going to be read."""
        if self.stream is not None:
            self.stream.close()

    def chunks(self) -> Iterator[bytes]:
        """Yield the text after the header in chunks of whole lines, at least one."""
        if self.stream is None:
            return
        empty = True
        with self.stream:
            for chunk in chunks(self.stream):
                empty = False
                yield chunk
        if empty:
            yield b""

    def splits(self, layout: Layout) -> Iterator[Split]:
        """Yield the rows' fields a piece at a time."""
        if self.sheet is not None:
            yield _split_sheet(self.sheet.rows[self.header.lines :], layout)
        yield from (split(chunk, layout) for chunk in self.chunks())


def tables_in(path: Path, how: FileFormat) -> list[Sheet | None]:
    """Return the sheets of a workbook that are read; of any other file None alone.

    Raises
    ------
    InputError : the workbook cannot be read, or it is not declared which of its sheets are.
    """
    if path.suffix.casefold() in SUFFIXES:
        return list(read_sheets(path, how.sheet, how.decimal))
    return [None]


def open_table(path: Path, how: FileFormat, wanted: Wanted, sheet: Sheet | None) -> OpenedTable:
    """Return a file's table, opened at its header.

    Raises
    ------
    InputError : the file cannot be opened, or its bytes are not in the declared encoding.
    """
    separators = [how.separator] if how.separator else list(SEPARATORS)
    search = Search(wanted, separators, how.comment, how.skip_lines, how.header)
    if sheet is not None:
        return OpenedTable(path, how, header_of_rows(sheet.rows, search), sheet, None)
    stream = open_as_utf8(path, how.encoding)
    return OpenedTable(path, how, find_header(stream, search), None, stream)


def _split_sheet(rows: list[list[str]], layout: Layout) -> Split:
    data = [
        (number, row)
        for number, row in enumerate(rows)
        if any(cell.strip() for cell in row) and not (layout.comment and row[0].startswith(layout.comment))
    ]
    fields = {position: pa.array([row[position] for _, row in data], pa.string()) for position in layout.wanted}
    return Split(fields, np.array([number for number, _ in data], np.int64), len(rows))
