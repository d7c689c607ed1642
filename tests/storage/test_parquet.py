"""Parquet files are read in one way, which leaves no thread behind that could abort a process at its end."""

import ast
import os
import subprocess
import sys
from pathlib import Path

import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from snowtally.storage.parquet import read_arrow, read_frame

PROJECT = Path(__file__).parents[2]


def test_a_table_comes_as_it_was_written(tmp_path):
    table = pa.table({"site_id": ["NA", None], "swe_mm": [1.5, None], "used": [True, False]})
    pq.write_table(table, tmp_path / "a.parquet")
    assert read_arrow(tmp_path / "a.parquet").equals(table)
    pd.testing.assert_frame_equal(read_frame(tmp_path / "a.parquet"), pd.read_parquet(tmp_path / "a.parquet"))


def test_what_is_no_table_is_told_as_a_value_error(tmp_path):
    (tmp_path / "a.parquet").write_bytes(b"PAR1 but nothing after")
    with pytest.raises(ValueError, match="Parquet"):
        read_frame(tmp_path / "a.parquet")
    with pytest.raises(OSError, match="No such file"):
        read_frame(tmp_path / "b.parquet")


COUNT = """
import os, sys, pathlib
import pyarrow.parquet
from snowtally.storage.parquet import read_frame
before = set(os.listdir("/proc/self/task"))
read_frame(pathlib.Path(sys.argv[1]))
print(len(set(os.listdir("/proc/self/task")) - before))
"""


@pytest.mark.skipif(not Path("/proc/self/task").is_dir(), reason="threads are counted as Linux tells them")
def test_reading_starts_no_thread(tmp_path):
    pq.write_table(pa.table({name: list(range(500)) for name in "abcdefgh"}), tmp_path / "a.parquet")
    # In a process of its own: one that has read otherwise before has its threads already.
    run = subprocess.run(
        [sys.executable, "-c", COUNT, str(tmp_path / "a.parquet")],
        capture_output=True, text=True, check=True, cwd=PROJECT, env=os.environ | {"PYTHONPATH": str(PROJECT)},
    )  # fmt: skip
    assert run.stdout.strip() == "0"


def test_nothing_else_reads_parquet():
    for folder in ("pipeline", "flows"):
        for path in (PROJECT / folder).rglob("*.py"):
            if path == PROJECT / "pipeline" / "storage" / "parquet.py":
                continue
            for node in ast.walk(ast.parse(path.read_text("utf-8"))):
                if isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name):
                    told = f"{node.value.id}.{node.attr}"
                    assert told not in ("pd.read_parquet", "pq.read_table", "pq.ParquetFile"), f"{path.name}: {told}"
