"""Converted pieces of large files, cached by content, so that a file that grew is read again only at its end."""

from __future__ import annotations

import functools
from collections.abc import Callable
from dataclasses import asdict

import numpy as np
import pyarrow as pa

from snowtally.inputs.converting import Converted, Wrong
from snowtally.inputs.lines import BadLine, LineKind
from snowtally.inputs.station_rows import last_of
from snowtally.storage.cache import Cache, Encoding, Maker
from snowtally.storage.encodings import table_bytes, table_of

PIECE_MAKER = Maker("piece", 2, ("numpy", "pandas", "pyarrow"))
"""Maker of a chunk's rows (`converted`, `converted_wide`)."""

LAST_MAKER = Maker("last", 2, ("numpy", "pandas", "pyarrow"))
"""Maker of those of a chunk's rows that count once its time is past (`last_of` the piece)."""


def cached_piece(cache: Cache, deciding: object, begin: int | None, convert: Callable[[], Converted]) -> Converted:
    """Return a chunk's rows, from the cache where they are there.

    Parameters
    ----------
    deciding : all that decides what is made of the chunk, its bytes included (`Maker.key`).
    begin : seconds since 1970; of a chunk whose rows are all older only those that count are returned. None: all rows.
    convert : makes the rows.
    """
    key = PIECE_MAKER.key(deciding)

    @functools.cache
    def whole() -> Converted:
        return cache.get_or_make(key, PIECE, convert)

    if begin is not None:
        # Few rows of a chunk whose time is past count, and these few are cached by themselves.
        last = cache.get_or_make(LAST_MAKER.key(key), PIECE, lambda: last_of(whole()))
        if len(last.line) and last.arrays["seconds"].max() < begin:
            return last
    return whole()


def _encode(piece: Converted) -> memoryview:
    facts = {
        "lines": piece.lines,
        "bad": [asdict(line) for line in piece.bad],
        "wrong": [{"key": wrong.key, "rows": wrong.rows.tolist(), "texts": wrong.texts} for wrong in piece.wrong],
    }
    return table_bytes(pa.table({**piece.arrays, **piece.texts, "": piece.line}), facts)


def _decode(body: memoryview) -> Converted:
    table, facts = table_of(body)
    columns = {name: table.column(name).combine_chunks() for name in table.column_names}
    texts = {name: column for name, column in columns.items() if pa.types.is_dictionary(column.type)}
    arrays = {name: column.to_numpy(zero_copy_only=False) for name, column in columns.items() if name not in texts}
    line = arrays.pop("")
    bad = [BadLine(**(fields | {"kind": LineKind(fields["kind"])})) for fields in facts["bad"]]
    wrong = [Wrong(fields["key"], np.array(fields["rows"], np.int64), fields["texts"]) for fields in facts["wrong"]]
    return Converted(arrays, texts, line, facts["lines"], bad, wrong)


PIECE: Encoding[Converted] = Encoding(_encode, _decode)
"""A piece's columns, lines and troubles."""
