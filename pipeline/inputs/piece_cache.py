"""Converted pieces of large files, kept by content, so that a file that grew is read again only at its end.

A piece's key is the hash of its bytes, of how they are converted and of the code that does it, so that a kept piece can
only be what reading it again would give.
"""

from __future__ import annotations

import hashlib
import json
from dataclasses import asdict
from functools import cache
from pathlib import Path

import numpy as np
import pyarrow as pa

from pipeline.inputs.lines import BadLine
from pipeline.inputs.tables import Converted, Plan, Wrong
from pipeline.storage.cache import KeptFiles


@cache
def _code() -> bytes:
    """Return the hash of the code that reads: other code may read the same bytes otherwise."""
    digest = hashlib.sha256(f"{pa.__version__} {np.__version__}".encode())
    for source in sorted(Path(__file__).parent.glob("*.py")):
        digest.update(source.read_bytes())
    return digest.digest()


def piece_key(chunk: bytes, plan: Plan, also: str = "") -> str:
    """Return the name under which a chunk's rows are kept.

    Parameters
    ----------
    also : whatever else decides what is made of the chunk.
    """
    how = (plan.table, plan.layout, plan.places, plan.constants, plan.conversions, plan.writing, also)
    digest = hashlib.sha256(repr(how).encode("utf-8", "surrogateescape"))
    digest.update(_code())
    digest.update(chunk)
    return digest.hexdigest()


def kept_piece(kept: KeptFiles, key: str) -> Converted | None:
    """Return what is kept under a key; None where nothing is, or it is damaged."""
    body = kept.find(key)
    if body is None:
        return None
    with pa.ipc.open_stream(pa.BufferReader(body)) as stream:
        table = stream.read_all().combine_chunks()
    said = json.loads(table.schema.metadata[b"piece"])
    columns = {
        name: column.chunk(0) if pa.types.is_dictionary(column.type) else column.chunk(0).to_numpy(zero_copy_only=False)
        for name, column in zip(table.column_names, table.columns, strict=True)
    }
    line = columns.pop("line")
    bad = [BadLine(**one) for one in said["bad"]]
    wrong = [Wrong(one["key"], np.array(one["rows"], np.int64), one["texts"]) for one in said["wrong"]]
    return Converted(columns, line, said["lines"], bad, wrong)


def keep_piece(kept: KeptFiles, key: str, piece: Converted) -> None:
    """Keep a piece under a key."""
    if len(piece.line) == 0:
        return  # Arrow gives back nothing to hold columns by
    said = {
        "lines": piece.lines,
        "bad": [asdict(one) for one in piece.bad],
        "wrong": [{"key": one.key, "rows": one.rows.tolist(), "texts": one.texts} for one in piece.wrong],
    }
    columns = {**piece.columns, "line": piece.line}
    table = pa.table(columns).replace_schema_metadata({"piece": json.dumps(said)})
    sink = pa.BufferOutputStream()
    with pa.ipc.new_stream(sink, table.schema, options=pa.ipc.IpcWriteOptions(compression="lz4")) as stream:
        stream.write_table(table)
    kept.keep(key, memoryview(sink.getvalue()))
