"""The picture for a bulletin: the map's colours, and the figures and losses that it tells."""

import io

import numpy as np
import pytest
from made_pages import archive_with_history
from matplotlib import figure
from PIL import Image
from typer.testing import CliRunner

from snowtally.cli import report as command
from snowtally.cli.main import app
from snowtally.report import bulletin, pages
from snowtally.report.colours import WATER, sequential
from snowtally.report.published import read_day
from snowtally.report.units import UNITS


@pytest.fixture(scope="module")
def day(tmp_path_factory):
    root = tmp_path_factory.mktemp("bulletin") / "archive"
    return read_day(root, "larkmoor", archive_with_history(root))


@pytest.fixture
def said(monkeypatch):
    """The words that are put on the figure, in order."""
    words, text = [], figure.Figure.text

    def heard(self, x, y, said, **how):
        words.append(said)
        return text(self, x, y, said, **how)

    monkeypatch.setattr(figure.Figure, "text", heard)
    return words


@pytest.mark.parametrize("name", ["metric", "us"])
def test_it_tells_the_published_figures_and_what_is_lacking(day, said, name):
    units = UNITS[name]
    data = bulletin.bulletin(day, units)
    image = Image.open(io.BytesIO(data))
    assert (image.format, image.size) == ("PNG", (1600, 1200))
    whole, unit = day.whole, units.volume
    volume, se = (unit.text(whole[column], whole["volume_se_m3"]) for column in ("volume_m3", "volume_se_m3"))
    assert said[0] == day.record["title"]
    assert "8 March 2031" in said[1]
    assert said[2].startswith(f"{volume} ± {se} {unit.label} of water")
    assert said[3] == "Degraded: Station 007 is silent."
    assert "not a flood or runoff forecast" in said[-1]
    # A legend's own colours stand in the picture, and the map's cells are of their hues.
    dots = {tuple(dot) for dot in np.asarray(image.convert("RGB")).reshape(-1, 3)}
    assert {tuple(colour) for colour in sequential(WATER).tolist()} <= dots


def test_the_command_writes_it_where_it_is_told(day, tmp_path, monkeypatch):
    class Chosen:
        archive_root = day.root
        basin = type("Basin", (), {"id": "larkmoor"})
        report = type("Report", (), {"units": "metric"})

    monkeypatch.setattr(command.base, "read", lambda _path: Chosen)
    # The day that the picture is made of is the page's too: it is read once.
    monkeypatch.setattr(pages, "read_day", None)
    target = tmp_path / "map.png"
    done = CliRunner().invoke(app, ["report", "x.yaml", "--picture", str(target)])
    assert f"Picture: {target}" in done.stdout
    assert Image.open(target).size == (1600, 1200)
    refused = CliRunner().invoke(app, ["report", "x.yaml", "--picture", str(day.root / "map.png")])
    assert "lies in the archive" in str(refused.exception)
    named = CliRunner().invoke(app, ["report", "x.yaml", "--picture", str(tmp_path / "map.jpg")])
    assert "Give a name that ends in .png" in str(named.exception)
    assert not (tmp_path / "map.jpg").exists()
    lost = CliRunner().invoke(app, ["report", "x.yaml", "--picture", str(tmp_path / "nowhere" / "map.png")])
    assert "no such file or folder" in str(lost.exception)
