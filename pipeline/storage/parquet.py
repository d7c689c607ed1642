"""Parquet files, read in one way."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pyarrow.parquet as pq

if TYPE_CHECKING:
    from pathlib import Path

    import pandas as pd
    import pyarrow as pa


def read_arrow(path: Path) -> pa.Table:
    """Return a Parquet file's table.

    Raises OSError and ValueError (Arrow's own errors are ValueErrors) when it cannot be read.
    """
    # From an open file: by its path it would be opened twice, and may be replaced in between. Without threads: those that
    # read ahead may still be at work when a short command ends, and the process then dies of SIGABRT (3 of
    # 300 that read one small file on two busy cores, none of 300 in this way). These tables are small: one thread is as fast.
    with path.open("rb") as file:
        return pq.ParquetFile(file, pre_buffer=False).read(use_threads=False)


def read_frame(path: Path) -> pd.DataFrame:
    """Return a Parquet file's table for pandas. Raises as `read_arrow` does."""
    return read_arrow(path).to_pandas(use_threads=False)
