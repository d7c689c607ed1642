"""A program of a reader, who has xarray and geopandas and nothing of ours, makes a season's chart and a map."""

import json
import subprocess
import sys
from pathlib import Path

import pandas as pd
import pytest

PROGRAM = Path(__file__).parents[1] / "downstream" / "season.py"


def test_a_readers_own_program_makes_a_chart_and_a_map(archive, tmp_path):
    assert "snowtally" not in PROGRAM.read_text("utf-8")
    words = [sys.executable, PROGRAM, archive / "larkmoor", tmp_path]
    done = subprocess.run(words, capture_output=True, text=True, check=True)
    found = json.loads(done.stdout)
    totals = pd.read_parquet(archive / "larkmoor" / "totals.parquet").query("level == 'basin'")
    # Cells are stored to 0.1 mm.
    assert found["volume_m3"] == pytest.approx(totals["volume_m3"].tolist(), rel=1e-3)
    assert (found["zones"], found["sites"]) == (2, 2)
    for name in ("season.png", "map.png"):
        assert (tmp_path / name).read_bytes().startswith(b"\x89PNG")
        assert (tmp_path / name).stat().st_size > 5000
