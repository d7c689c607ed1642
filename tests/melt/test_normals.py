import datetime as dt

import numpy as np
import pandas as pd
import pytest

from snowtally.inputs.read_normals import read_normals
from snowtally.inputs.relative import relative_to
from snowtally.inputs.source import Source
from snowtally.melt.normals import in_per_cent, normal_on
from snowtally.model.season import BasinDay

SEASON = dt.date(2030, 10, 1)


def normals(**of_day):
    return pd.DataFrame({"day": [d.replace("_", "-")[1:] for d in of_day], "swe_mm": list(of_day.values())})


def test_a_normal_lies_on_the_line_between_its_neighbours_and_nowhere_else():
    table = normals(d03_01=310.0, d04_01=341.0, d12_01=40.0)
    assert normal_on(table, dt.date(2031, 4, 1), SEASON) == 341.0
    assert normal_on(table, dt.date(2031, 3, 2), SEASON) == pytest.approx(311.0)
    # December to March is too far to draw a line, and after April nothing is said.
    assert np.isnan(normal_on(table, dt.date(2031, 1, 15), SEASON))
    assert np.isnan(normal_on(table, dt.date(2031, 4, 2), SEASON))
    assert np.isnan(normal_on(table, dt.date(2030, 11, 30), SEASON))


def test_the_turn_of_the_year_and_the_leap_day_are_days_like_others():
    table = normals(d12_16=100.0, d01_15=130.0)
    assert normal_on(table, dt.date(2030, 12, 31), SEASON) == pytest.approx(115.0)
    assert normal_on(normals(d02_29=200.0), dt.date(2031, 2, 28), SEASON) == 200.0
    southern = normals(d08_01=100.0, d09_01=131.0)
    assert normal_on(southern, dt.date(2031, 8, 11), dt.date(2031, 4, 1)) == pytest.approx(110.0)


def test_per_cent_of_normal_for_the_basin_and_the_sites_that_told_something():
    table = pd.DataFrame(
        {
            "site_id": ["larkmoor", "A", "B", "C", "D"],
            "day": "03-01",
            "swe_mm": [200.0, 50.0, 300.0, 4.0, 100.0],
            "period": ["1991-2020", "", "1991-2020", "", ""],
        }
    )
    sites = pd.DataFrame({"site_id": ["A", "B", "C"], "swe_mm": [75.0, np.nan, 3.0]})
    table = pd.concat(
        [table, pd.DataFrame({"site_id": ["north", "E"], "day": "03-01", "swe_mm": [80.0, 80.0], "period": ""})]
    )
    sites = pd.concat([sites, pd.DataFrame({"site_id": ["E"], "swe_mm": [20.0]})])
    totals = pd.DataFrame(
        {
            "level": ["basin", "zone", "zone", "band"], "zone_id": [None, "north", "E", None],
            "swe_mean_mm": [150.0, 120.0, 90.0, 40.0],
        }
    )  # fmt: skip
    found = in_per_cent(table, BasinDay("larkmoor", dt.date(2031, 3, 1), SEASON), totals, sites).set_index("site_id")
    assert found.loc["north", ["level", "per_cent"]].tolist() == ["zone", 150.0]
    # A zone that is called like a site: the normal is the site's.
    assert found.loc["E", ["level", "per_cent"]].tolist() == ["site", 25.0]
    assert found.loc["larkmoor", ["level", "per_cent", "period"]].tolist() == ["basin", 75.0, "1991-2020"]
    assert found.loc["A", "per_cent"] == 150.0
    # B was silent; C's normal is next to nothing; D is no site of the day.
    assert np.isnan(found.loc["B", "per_cent"])
    assert np.isnan(found.loc["C", "per_cent"])
    assert "D" not in found.index


@pytest.mark.parametrize("swe", ["abc", "", "M"])
def test_a_normal_that_cannot_be_read_is_told(tmp_path, swe):
    path = tmp_path / "normals.csv"
    path.write_text(f"site_id,day,swe_mm\nA,03-01,{swe}\nA,04-01,120\n", "utf-8")
    rows, findings = read_normals(Source([path], {}, ["M"]), "larkmoor", ["A"])
    assert rows["day"].tolist() == ["04-01"]
    (told,) = (f for f in findings if f.rule.name == "unusable normal")
    assert (told.line, told.evidence) == (2, "day '03-01', swe_mm missing")
    # Findings are brought to the settings' folder as text: one that is none would end the night.
    assert relative_to(told, tmp_path).file == "normals.csv"


def test_rows_that_are_no_normals_are_told_one_by_one(tmp_path):
    path = tmp_path / "normals.csv"
    path.write_text(
        "site_id,day,swe_mm\nA,03-01,100\nlarkmoor,03-01,90\nA,13-01,100\nA,04-01,-3\nZ,03-01,5\nA,03-01,120\n", "utf-8"
    )
    rows, findings = read_normals(Source([path], {}, ["M"]), "larkmoor", ["A"])
    assert rows[["site_id", "day", "swe_mm"]].to_numpy().tolist() == [
        ["larkmoor", "03-01", 90.0],
        ["A", "03-01", 120.0],
    ]
    assert sorted((f.line, f.rule.name) for f in findings) == [
        (2, "duplicate"),
        (4, "unusable normal"),
        (5, "unusable normal"),
        (6, "unknown site"),
    ]
