"""Converted pieces of large files, kept by content, so that a file that grew is read again only at its end.

A piece's key is the hash of its bytes, of how they are converted and of the code that does it, so that a kept piece can
only be what reading it again would give. It is written aside and renamed into place, and carries its own hash: two
processes do each other no harm, and what is damaged counts as not there. The folder may be deleted at any time.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import tempfile
import time
from dataclasses import asdict
from functools import cache
from pathlib import Path

import numpy as np
import pyarrow as pa

from pipeline.inputs.lines import BadLine
from pipeline.inputs.tables import Converted, Plan, Wrong

UNUSED_DAYS = 30
"""A piece that no night asked for in so many days is taken away: its file was changed, or read in another way since."""

_HASH_BYTES = 32


def _seal(key: str, body: memoryview) -> bytes:
    """Return what shows that a file is whole and stands under its own key."""
    digest = hashlib.sha256(key.encode())
    digest.update(body)
    return digest.digest()


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


def kept_piece(folder: Path, key: str) -> Converted | None:
    """Return what is kept under a key; None where nothing is, or it is damaged."""
    path = folder / key
    try:
        data = path.read_bytes()
        if _seal(key, memoryview(data)[_HASH_BYTES:]) != data[:_HASH_BYTES]:
            return None
        with pa.ipc.open_stream(pa.BufferReader(data[_HASH_BYTES:])) as stream:
            table = stream.read_all().combine_chunks()
        os.utime(path)
    except (OSError, pa.ArrowInvalid):
        return None
    said = json.loads(table.schema.metadata[b"piece"])
    columns = {
        name: column.chunk(0) if pa.types.is_dictionary(column.type) else column.chunk(0).to_numpy(zero_copy_only=False)
        for name, column in zip(table.column_names, table.columns, strict=True)
    }
    line = columns.pop("line")
    bad = [BadLine(**one) for one in said["bad"]]
    wrong = [Wrong(one["key"], np.array(one["rows"], np.int64), one["texts"]) for one in said["wrong"]]
    return Converted(columns, line, said["lines"], bad, wrong)


def keep_piece(folder: Path, key: str, piece: Converted) -> None:
    """Keep a piece under a key. A folder that cannot be written costs time on the next night, never this one."""
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
    body = sink.getvalue()
    with contextlib.suppress(OSError):
        folder.mkdir(parents=True, exist_ok=True)
        handle, aside = tempfile.mkstemp(dir=folder, prefix=".")
        try:
            with os.fdopen(handle, "wb") as to:
                to.write(_seal(key, memoryview(body)))
                to.write(body)
            Path(aside).replace(folder / key)
        except OSError:
            Path(aside).unlink(missing_ok=True)


def drop_unused(folder: Path) -> None:
    """Take away the pieces that no night asked for lately."""
    oldest = time.time() - UNUSED_DAYS * 86400
    with contextlib.suppress(OSError):
        for path in folder.iterdir():
            with contextlib.suppress(OSError):
                if path.stat().st_mtime < oldest:
                    path.unlink()
