"""Tables, arrays and texts as bytes for the cache, in Arrow's stream format.

The facts beside them are plain values, written as JSON.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa

from snowtally.storage.cache import Encoding

_FACTS = b"facts"


def table_bytes(table: pa.Table, facts: object = None) -> memoryview:
    """Return the bytes of a table and facts."""
    held = {**(table.schema.metadata or {}), _FACTS: json.dumps(facts)}
    table = table.replace_schema_metadata(held)
    sink = pa.BufferOutputStream()
    with pa.ipc.new_stream(sink, table.schema, options=pa.ipc.IpcWriteOptions(compression="lz4")) as stream:
        stream.write_table(table)
    return memoryview(sink.getvalue())


def table_of(body: memoryview) -> tuple[pa.Table, Any]:
    """Return the table and facts in bytes of `table_bytes`, each column in one chunk."""
    with pa.ipc.open_stream(pa.BufferReader(body)) as stream:
        table = stream.read_all().combine_chunks()
    return table, json.loads(table.schema.metadata[_FACTS])


def arrays_bytes(arrays: Mapping[str, np.ndarray], facts: object = None) -> memoryview:
    """Return the bytes of numeric arrays of any shape, and facts."""
    columns = {
        name: pa.LargeListArray.from_arrays(pa.array([0, values.size]), pa.array(values.ravel()))
        for name, values in arrays.items()
    }
    shapes = {name: values.shape for name, values in arrays.items()}
    return table_bytes(pa.table(columns), [shapes, facts])


def arrays_of(body: memoryview) -> tuple[dict[str, np.ndarray], Any]:
    """Return the arrays and facts in bytes of `arrays_bytes`."""
    table, (shapes, facts) = table_of(body)
    arrays = {
        name: np.array(table.column(name).chunk(0).values.to_numpy(zero_copy_only=False)).reshape(shape)
        for name, shape in shapes.items()
    }
    return arrays, facts


FRAME: Encoding[pd.DataFrame] = Encoding(
    lambda frame: table_bytes(pa.Table.from_pandas(frame, preserve_index=False)),
    lambda body: table_of(body)[0].to_pandas(use_threads=False),
)
"""A table without its index."""

ARRAYS: Encoding[dict[str, np.ndarray]] = Encoding(arrays_bytes, lambda body: arrays_of(body)[0])
"""Numeric arrays by name."""

TEXT: Encoding[str] = Encoding(lambda text: text.encode(), lambda body: str(body, "utf-8"))
"""A short text."""
