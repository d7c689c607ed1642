"""The examples of docs/inputs.md read the tables that stand beside them."""

import re
from pathlib import Path

import pytest
import yaml

from snowtally.inputs.formats import FileFormat, check_formats
from snowtally.inputs.known_tables import COURSES, STATIONS
from snowtally.inputs.read_courses import read_courses
from snowtally.inputs.read_stations import read_stations
from snowtally.inputs.source import Source
from snowtally.settings.basin import Settings
from snowtally.settings.blocks import Format
from snowtally.settings.whole import file_formats

PAGE = (Path(__file__).parents[2] / "docs" / "inputs.md").read_text("utf-8")


def example(title):
    """Return a section's text and what its settings say of the formats."""
    section = PAGE.split(f"### {title}\n")[1].split("\n### ")[0]
    said = yaml.safe_load(section.split("```yaml")[1].split("```")[0])
    formats = {role: [Format(**entry)] for role, entry in said["formats"].items()}
    check_formats(
        {role: [FileFormat(**dict(one)) for one in entries] for role, entries in formats.items()}, [COURSES, STATIONS]
    )
    settings = Settings.model_construct(formats=formats)
    return section, settings


def test_stations_and_readings_side_by_side(tmp_path):
    section, settings = example("Stations and readings side by side")
    header = re.search(r"`(Day, .*?)`", section)[1].replace(", ", ",")
    path = tmp_path / "stations.csv"
    path.write_text(f"{header}\n2031-03-01,10,40,20\n")
    rows, findings = read_stations(Source([path], {}, [""], file_formats(settings.formats["stations"])), 0.0)
    assert findings == []
    assert rows["site_id"].tolist() == ["fell_top", "hc02"]
    assert rows["swe_mm"].tolist() == pytest.approx([254.0, 508.0])
    assert rows["depth_m"].tolist()[0] == pytest.approx(1.016)


def test_a_row_a_season(tmp_path):
    section, settings = example("A row a season")
    header, row = (re.search(rf"`({start}, .*?)`", section)[1].replace(", ", ",") for start in ("Winter", "2031"))
    path = tmp_path / "C1.csv"
    path.write_text(f"{header}\n{row}\n")
    rows, findings = read_courses(Source([path], {}, [""], file_formats(settings.formats["courses"])))
    assert findings == []
    assert rows["date"].astype(str).tolist() == ["2031-03-30", "2031-04-28"]
    assert rows["swe_mm"].tolist() == pytest.approx([20.1 * 25.4, 16.0 * 25.4])
    assert rows[["site_id", "cores"]].to_numpy().tolist() == [["C1", 10.0]] * 2
