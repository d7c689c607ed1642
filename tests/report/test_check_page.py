"""The page of a dry run: its numbers are those of the input files, and what a person must see stands in its text."""

import datetime as dt
import json
import re

import pandas as pd
import pytest
from made_basin import elevation_of, snowtally
from made_check import DATE, OUTSIDE_M, TITLE, write_hard_basin
from made_pages import read_page
from pyproj import Transformer

from snowtally.model.dry_run import Stretch
from snowtally.report.check_page import near
from snowtally.report.labels import Labels
from snowtally.report.timeline import stretches_words
from snowtally.report.units import UNITS


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """The settings file, the JSON of the check, and its page in both units."""
    file = write_hard_basin(tmp_path_factory.mktemp("check"))
    done = snowtally("check", file, "--date", DATE, "--page", "--json")
    assert done.returncode == 0, done.stderr
    us = file.parent / "us.yaml"
    us.write_text(file.read_text() + "report: {units: us}\n")
    assert snowtally("check", us, "--date", DATE, "--page", file.parent / "us.html", "--json").returncode == 0
    return {
        "file": file,
        "json": json.loads(done.stdout),
        "metric": file.parent / "check.html",
        "us": file.parent / "us.html",
    }


def text_of(page):
    return " ".join(" ".join(read_page(page).text).split())


def row_of(page, level, key):
    """Return the text of a row of a table of the page."""
    html = page.read_text("utf-8")
    table = re.search(rf'<table[^>]*data-level="{level}".*?</table>', html, re.DOTALL)[0]
    row = re.search(rf'<tr data-key="{re.escape(key)}".*?</tr>', table, re.DOTALL)[0]
    return " ".join(re.sub(r"<[^>]+>", " ", row).split())


@pytest.mark.parametrize("units", ["metric", "us"])
def test_numbers_of_sites_are_those_of_the_files(made, units):
    home = made["file"].parent
    sites = pd.read_csv(home / "sites.csv").set_index("site_id")
    records, samples = pd.read_csv(home / "stations.csv"), pd.read_csv(home / "courses.csv")
    to_grid = Transformer.from_crs("EPSG:4326", "EPSG:32625", always_xy=True)
    numbers = {(n.key, n.of): n for n in read_page(made[units]).numbers if n.level == "sites"}
    for site_id, site in sites.iterrows():
        assert numbers[site_id, "stated_m"].value == pytest.approx(site["elevation_m"])
        rows = pd.concat([records, samples])
        rows = rows[rows["site_id"] == site_id]
        # S7 has no rows; of the others none is set aside.
        assert numbers[site_id, "used"].value == len(rows)
        assert numbers[site_id, "set_aside"].value == 0
        if site_id in {"S6", "S7"}:
            assert (site_id, "terrain_m") not in numbers or site_id == "S6"
            continue
        x, y = to_grid.transform(site["longitude"], site["latitude"])
        # The terrain is that of a cell of 100 m on a slope of 15 %.
        assert numbers[site_id, "terrain_m"].value == pytest.approx(elevation_of(x, y), abs=12)
        last = rows["swe_mm"].iloc[-1] if site["kind"] == "station" else rows["swe_mm"].mean()
        assert numbers[site_id, "swe_mm"].value == pytest.approx(last, abs=0.05)
        assert (site_id, "outside_m") not in numbers
        # What is read stands in the page's units.
        factor = {"metric": 1.0, "us": 1 / 25.4}[units]
        told = numbers[site_id, "swe_mm"].text.replace("\u202f", "")
        assert float(told) == pytest.approx(last * factor, abs=0.51 if units == "metric" else 0.051)


def test_numbers_of_inputs_are_those_of_the_files(made):
    home = made["file"].parent
    told = {(n.key, n.of): n.value for n in read_page(made["metric"]).numbers if n.level == "inputs"}
    for role, name in (("courses", "courses.csv"), ("stations", "stations.csv"), ("sites", "sites.csv")):
        count = len(pd.read_csv(home / name))
        aside = 1 if role == "sites" else 0
        assert [told[role, of] for of in ("read", "used", "set_aside")] == [count, count - aside, aside], role
    assert "2031-03-01 2031-03-25" in row_of(made["metric"], "inputs", "stations")
    assert "depth_cm as cm" in row_of(made["metric"], "inputs", "courses")


def test_a_site_outside_is_seen(made):
    numbers = {(n.key, n.of): n.value for n in read_page(made["metric"]).numbers if n.level == "sites"}
    assert numbers["S6", "outside_m"] == pytest.approx(OUTSIDE_M, abs=1.0)
    # From the nearest cell that has a part of the basin: a cell is 100 m wide.
    assert numbers["S7", "outside_m"] == pytest.approx(20_000.0, abs=100.0)
    assert " outside 0.3 " in row_of(made["metric"], "sites", "S6")
    assert " outside the margin 19.9 " in row_of(made["metric"], "sites", "S7")
    page = text_of(made["metric"])
    assert (
        "6 of 8 sites lie inside the basin, 1 outside it but inside the margin (up to 0.3 km), 1 outside the margin and left out."
        in page
    )
    # On the map: both by name, the one far off at the edge.
    (drawn,) = re.findall(
        r'<svg[^>]*aria-label="Sites, zones and ground.*?</svg>', made["metric"].read_text("utf-8"), re.DOTALL
    )
    names = re.findall(r"<text[^>]*>([^<]+)</text>", drawn)
    assert {"S0", "S1", "S6", "S7 outside the margin", "Zone west", "Zone east"} <= set(names)
    assert "19.9 km outside the basin, outside the margin: left out" in drawn


def test_a_flight_that_covers_half_is_seen(made):
    page = text_of(made["metric"])
    assert "F1 of 2 March 2031 saw 50 % of the basin" in page
    assert made["json"]["coverage"][0]["seen_of_basin"] == pytest.approx(0.5, abs=0.01)
    assert page.count("% of each cell that it saw") == 1


def test_a_hole_of_ten_days_is_seen(made):
    row = row_of(made["metric"], "series", "station|S1")
    assert row == "S1 station 2031-03-01 2031-03-25 15 10 2031-03-11 to 2031-03-20 (10 days)"
    assert row_of(made["metric"], "series", "station|S3") == "S3 station 2031-03-01 2031-03-25 25 0"
    drawn = re.search(r'<svg[^>]*aria-label="Season from.*?</svg>', made["metric"].read_text("utf-8"), re.DOTALL)[0]
    assert "S1: no value 2031-03-11 to 2031-03-20 (10 days)" in drawn
    assert drawn.count('class="hole"') == 1
    (hole,) = next(site["holes"] for site in made["json"]["sites"] if site["site_id"] == "S1")
    assert hole == {"first": "2031-03-11", "last": "2031-03-20", "days": 10}


def test_markup_in_a_title_and_in_a_name_is_text(made):
    html = made["metric"].read_text("utf-8")
    assert "<b>" not in html
    assert "<i>" not in html
    texts = {text.strip() for text in read_page(made["metric"]).text}
    assert {TITLE, "<i>far</i>"} <= texts


def test_the_page_asks_for_nothing_from_outside(made):
    for tag, said in read_page(made["metric"]).tags:
        for name in ("src", "href"):
            assert said.get(name, "#").startswith(("#", "data:")), (tag, said)


def test_the_same_inputs_give_the_same_page(made):
    again = made["file"].parent / "again.html"
    snowtally("check", made["file"], "--date", DATE, "--page", again)
    assert again.read_bytes() == made["metric"].read_bytes()


def test_names_lie_on_no_other_where_there_is_room():
    labels = Labels((0.0, 0.0, 100.0, 100.0))
    places = [(50.0, 50.0), (53.0, 50.0), (50.0, 53.5), (97.0, 97.0)]
    for column, row in places:
        labels.take(column, row, 1.0)
    for column, row in places:
        labels.beside("LC01", column, row)
    names = labels.taken[len(places) :]
    assert len(names) == len(places)
    for number, name in enumerate(names):
        assert all(name.overlap(other) == 0 for other in (*names[:number], *labels.taken[: len(places)]))
        assert name.beyond(labels.window) == pytest.approx(0.0, abs=1e-9)


def test_many_stretches_are_told_longest_first():
    day = dt.date(2031, 1, 1)
    parts = [Stretch(day + dt.timedelta(days=10 * n), day + dt.timedelta(days=10 * n + n)) for n in range(7)]
    told = stretches_words(parts)
    assert told.startswith("2031-03-02 to 2031-03-08 (7 days); ")
    assert told.endswith("; 2 more")


def test_units_of_short_distances_have_a_tenth():
    assert near(UNITS["metric"]).text(1234.0) == "1.2"
