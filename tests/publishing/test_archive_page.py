"""Every snippet of docs/archive.md runs on an archive, in the language it is written in, where that is installed."""

from __future__ import annotations

import functools
import http.server
import re
import shutil
import subprocess
import threading
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import xarray as xr
from made_day import made_day

from snowtally import reading
from snowtally.model.variables import VARIABLES
from snowtally.publishing.cube import write_cube
from snowtally.publishing.publish import publish

ROOT = Path(__file__).parents[2]
BASH = shutil.which("bash")
TEXT = (ROOT / "docs" / "archive.md").read_text("utf-8")
SNIPPETS = re.findall(r"^```(python|r|js|sh)\n(.*?)^```$", TEXT, re.DOTALL | re.MULTILINE)


@pytest.fixture(scope="module")
def place(tmp_path_factory):
    """A folder with an archive as the page names it."""
    from made_provenance import make_provenance  # noqa: PLC0415

    folder = tmp_path_factory.mktemp("docs")
    for number, date in enumerate(("2031-04-10", "2031-04-14")):
        publish(folder / "archive", made_day(date, extra_mm=number), make_provenance(str(number)))
    write_cube(reading.open_days(folder / "archive", "larkmoor", "2031-04-10", "2031-04-14"), folder / "season.zarr")
    return folder


def run(words, place):
    done = subprocess.run(
        words,
        cwd=place,
        capture_output=True,
        text=True,
        check=False,
        env={"PATH": "/usr/bin:/bin", "PYTHONPATH": str(ROOT)},
    )
    assert done.returncode == 0, done.stderr
    return done.stdout


def of(language: str) -> list[str]:
    return [text for name, text in SNIPPETS if name == language]


def basin(place) -> pd.Series:
    return pd.read_parquet(place / "archive" / "larkmoor" / "2031-04-14" / "r001" / "totals.parquet").iloc[0]


def test_the_page_speaks_every_language():
    assert [len(of(language)) for language in ("python", "r", "js", "sh")] == [8, 1, 1, 3]


@pytest.mark.parametrize(
    ("number", "told"),
    [
        (0, lambda b: f"2031-04-14 {b['swe_mean_mm']:.1f} mm"),
        (1, lambda _: "['2031-04-10' '2031-04-14'] [517. 518.] mm"),
        (2, lambda _: "snow water equivalent, mean of the cell mm EPSG:32625"),
        (3, lambda b: f"{b['volume_m3']:.1f}"),
        (4, lambda _: "larkmoor-2031-04-14-r001 2031-04-14 14:00:00+00:00"),
        (5, lambda _: "007"),
        (6, lambda _: "volume_se_m3="),
        (7, lambda _: "revisions [1 1]"),
    ],
)
def test_python(place, number, told, monkeypatch, capsys):
    # What the text says is printed is what was published: figures are compared, not only that it runs.
    monkeypatch.chdir(place)
    exec(compile(of("python")[number], "docs/archive.md", "exec"), {"__name__": "__main__"})  # noqa: S102  our own page
    assert told(basin(place)) in capsys.readouterr().out


def test_r(place):
    program = shutil.which("Rscript")
    if program is None:
        pytest.skip("R is not installed")
    text = of("r")[0]
    has_terra = subprocess.run(
        [program, "-e", "quit(status = !requireNamespace('terra', quietly = TRUE))"], capture_output=True, check=False
    )
    if has_terra.returncode != 0:
        text = text[: text.index("swe <-")]
    out = run([program, "-e", text], place)
    assert f"{basin(place)['volume_m3']:.0f}" in out
    if has_terra.returncode == 0:
        assert '"2031-04-14 14:00:00"' in out
    else:
        pytest.skip("R has no package terra: the tables were read, the map was not")


def test_javascript(place):
    program = shutil.which("node")
    if program is None:
        pytest.skip("Node is not installed")
    handler = functools.partial(http.server.SimpleHTTPRequestHandler, directory=str(place / "archive"))
    handler.log_message = lambda *_: None
    with http.server.ThreadingHTTPServer(("127.0.0.1", 0), handler) as server:
        threading.Thread(target=server.serve_forever, daemon=True).start()
        text = of("js")[0].replace("localhost:8000", f"127.0.0.1:{server.server_port}")
        out = run([program, "--input-type=module", "--eval", text], place)
        server.shutdown()
    assert out == f"2031-04-14 {basin(place)['swe_mean_mm']:.2f} mm\n"


def test_nco_and_cdo(place):
    if None in {shutil.which(name) for name in ("ncrcat", "cdo")}:
        pytest.skip("NCO and CDO are not installed")
    assert run([BASH, "-c", of("sh")[0]], place).split() == ["2031-04-10", "2031-04-14"]
    with xr.open_dataset(place / "season.nc") as nco, xr.open_dataset(place / "season_cdo.nc") as cdo:
        assert nco["swe"].dims == cdo["swe"].dims == ("time", "y", "x")
        assert nco["elevation"].dims == cdo["elevation"].dims == ("y", "x")
        np.testing.assert_array_equal(nco["swe"], cdo["swe"])


def test_gdal(place):
    if shutil.which("gdalinfo") is None:
        pytest.skip("GDAL's programs are not installed")
    assert "STATISTICS_MEAN" in run([BASH, "-c", of("sh")[1]], place)


def test_a_record_is_checked_by_the_shell(place):
    assert run([BASH, "-c", of("sh")[2]], place) == "whole\n"
    record = place / "archive" / "larkmoor" / "2031-04-14" / "r001" / "record.json"
    before = record.read_bytes()
    record.chmod(0o644)
    record.write_bytes(before.replace(b"nightly", b"mightly"))
    try:
        done = subprocess.run([BASH, "-c", of("sh")[2]], cwd=place, capture_output=True, text=True, check=False)
        assert done.stdout == ""
    finally:
        record.write_bytes(before)


def test_the_page_names_every_file_and_variable(place):
    folder = place / "archive" / "larkmoor" / "2031-04-14" / "r001"
    named = [*(path.name for path in folder.iterdir()), *VARIABLES]
    assert [name for name in named if f"`{name}`" not in TEXT] == []
