"""Cores that were weighed under unknown words, cells that are left out, and words that stand where others are looked for."""

import numpy as np
import pandas as pd
import pytest
from other_ways import COURSES, HINT, SITES, STATIONS, Settled, assert_courses_are_true, canonical, lines, read_back
from pyproj import Transformer

from snowtally.inputs.formats import FileFormat
from snowtally.inputs.read_courses import read_courses
from snowtally.inputs.source import Source
from snowtally.proposals.tables import propose_tables
from snowtally.proposals.trial import nested
from snowtally.settings.blocks import Format

BORE_CM2, TUBE_G = 30.0, 900.0

WEIGHED = COURSES.assign(
    full=(COURSES["swe_mm"] / 10 * BORE_CM2 + TUBE_G).where(COURSES["point"] != "1"),
    empty=(TUBE_G + COURSES.index % 3).where(COURSES["point"] != "1"),
    bore=BORE_CM2,
    swe_mm=COURSES["swe_mm"].where(COURSES["point"] == "1"),
)[["site_id", "date", "point", "depth_cm", "swe_mm", "full", "empty", "bore"]]
"""Course samples of which the first of a visit has SWE, the others weights."""


def found_in(folder, courses=None, sites=None):
    (folder / "sites.csv").write_text((SITES if sites is None else sites).to_csv(index=False), "utf-8")
    if courses is not None:
        (folder / "courses.csv").write_text(courses.to_csv(index=False), "utf-8")
    return propose_tables(sorted(folder.iterdir()), HINT)


def headed(*words):
    return WEIGHED.set_axis(["site_id", "date", "point", "depth_cm", "swe_mm", *words], axis=1)


def test_weights_and_bore_are_known_by_their_units(tmp_path):
    found = found_in(tmp_path, headed("ah [g]", "be [g]", "ce [cm2]"))
    assert not found.refusals
    (group,) = found.tables["courses"].groups
    keys = {one.key: one for one in group.proposals}
    for key, header in (("mass_full", "ah [g]"), ("mass_empty", "be [g]"), ("cutter", "ce [cm2]")):
        assert keys[f"columns.{key}"].value == {"column": header}
        assert keys[f"columns.{key}"].is_safe
    truth = COURSES.assign(date=pd.to_datetime(COURSES["date"]))
    read = read_back(found, "courses").merge(truth, on=["site_id", "date", "point"], suffixes=("", "_true"))
    assert len(read) == len(truth)
    assert np.abs(read["swe_mm"] - read["swe_mm_true"]).max() < 1.0


def test_weights_and_bore_without_a_word_that_is_known_are_asked_for(tmp_path):
    (group,) = found_in(tmp_path, headed("ah", "be", "ce")).tables["courses"].groups
    keys = {one.key: one for one in group.proposals}
    for key, header in (("mass_full", "ah"), ("mass_empty", "be"), ("cutter", "ce")):
        assert keys[f"columns.{key}"].value["column"] == header
        assert {} in keys[f"columns.{key}"].others
        assert not keys[f"columns.{key}"].is_safe


def test_weights_without_a_bore_are_refused_where_samples_have_no_other_swe(tmp_path):
    found = found_in(tmp_path, headed("full [g]", "empty [g]", "ce").drop(columns="ce"))
    assert any("no column tells the cutter's area" in str(one) for one in found.refusals)


def test_average_where_the_day_should_stand_is_a_summary_row(tmp_path):
    sheet = []
    for (site, day), visit in COURSES.groupby(["site_id", "date"]):
        sheet += [[site, day, row.point, row.depth_cm, row.swe_mm] for row in visit.itertuples()]
        sheet.append([site, "Average", "", round(visit["depth_cm"].mean()), round(visit["swe_mm"].mean())])
    (tmp_path / "courses.csv").write_text(lines([["Course", "Date", "Pt", "Depth (cm)", "SWE (mm)"], *sheet]), "utf-8")
    found = found_in(tmp_path)
    assert not found.refusals
    assert_courses_are_true(read_back(found, "courses"))
    how = FileFormat(**dict(Format.model_validate(nested(found.tables["courses"].groups[0].proposals))))
    findings = read_courses(Source([tmp_path / "courses.csv"], {}, ["-9999", ""], [how]))[1]
    assert {one.rule.name for one in findings} == {"summary row"}
    assert len(findings) == COURSES.groupby(["site_id", "date"]).ngroups


@pytest.mark.parametrize("key", ["date", "site_id"])
def test_what_stands_in_the_first_row_of_a_visit_alone_is_refused_with_the_cure(tmp_path, key):
    first = COURSES["point"] == "1"
    found = found_in(tmp_path, COURSES.assign(**{key: COURSES[key].where(first, "")}))
    assert any("first row of each visit alone. Write it into every row" in str(one) for one in found.refusals)


def test_day_and_hour_in_two_columns_are_refused_with_the_cure(tmp_path):
    rows = STATIONS.loc[STATIONS.index.repeat(4)].drop(columns="precipitation_total_mm")
    rows.insert(2, "Hour", [f"{6 * (n % 4):02d}:00" for n in range(len(rows))])
    rows.to_csv(tmp_path / "hours.csv", index=False)
    found = found_in(tmp_path, COURSES)
    assert any("Write day and time of day into one column" in str(one) for one in found.refusals)


@pytest.mark.parametrize(
    ("east", "north", "crs"),
    [("POINT_X", "POINT_Y", "EPSG:32627"), ("Øst (EPSG:32628)", "Nord (EPSG:32628)", "EPSG:32628")],
)
def test_sites_in_a_projected_system_and_stations_under_words_of_other_tables(tmp_path, east, north, crs):
    x, y = Transformer.from_crs(4326, crs, always_xy=True).transform(SITES["longitude"], SITES["latitude"])
    sites = SITES.drop(columns=["longitude", "latitude"]).assign(**{east: np.round(x), north: np.round(y)})
    words = {"date": "Dato", "swe_mm": "Snøens vannekvivalent (mm)", "depth_cm": "Snødybde (cm)"}
    for site, own in STATIONS.groupby("site_id"):
        own.rename(columns=words)[list(words.values())].to_csv(tmp_path / f"sno_{site}.csv", index=False)
    courses = COURSES[["site_id", "date", "point", "depth_cm", "swe_mm"]]
    courses = courses.rename(columns={"swe_mm": "Vannekvivalent (mm)", "depth_cm": "Snødybde (cm)"})
    found = found_in(tmp_path, courses, sites)
    assert not found.refusals
    assert set(found.tables) == {"sites", "courses", "stations"}
    assert Settled.of(found, "sites").keys["crs"] == crs
    assert "wide" not in Settled.of(found, "stations").keys


def test_planned_days_of_a_survey_are_its_nominal_dates(tmp_path):
    planned = pd.to_datetime(COURSES["date"]) + pd.offsets.SemiMonthBegin(0)
    found = found_in(tmp_path, COURSES.assign(**{"Survey run": planned.dt.strftime("%Y-%m-%d")}))
    assert Settled.of(found, "courses").keys["columns.nominal_date"] == {"column": "Survey run"}


def test_a_code_with_a_nought_behind_it_is_declared(tmp_path):
    inches = STATIONS.assign(
        swe_in=(STATIONS["swe_mm"] / 25.4).map("{:.2f}".format).where(STATIONS.index % 50 > 0, "-99.90")
    )
    inches[["site_id", "date", "swe_in"]].to_csv(tmp_path / "pillows.csv", index=False)
    canonical(tmp_path, "courses")
    assert "-99.90" in found_in(tmp_path).missing.value
