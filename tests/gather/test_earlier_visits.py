"""Courses of earlier seasons tell how dense snow is in this basin, before the season's own have much of a say."""

import json

import numpy as np
import pandas as pd
import pytest
from made_basin import changed, snowtally

from snowtally.gather import earlier_visits as gather_earlier_visits
from snowtally.model.rules.courses import EARLIER_VISIT_NOT_USED

DATE = "2031-03-04"
YEARS = range(2026, 2031)


def earlier_visits():
    """Return six points a visit on five days of five seasons, half as heavy again as this season's, one visit with lead in it."""
    rng = np.random.default_rng(4)
    rows = []
    for year in (1990, *YEARS):
        for month in range(1, 6):
            for site_id in ("S0", "S2", "S4"):
                density = 4000.0 if (year, month, site_id) == (2028, 3, "S2") else 450.0 if year > 1990 else 100.0
                depth = rng.uniform(1.0, 2.5, 6)
                rows += [
                    (
                        site_id,
                        f"{year}-{month:02d}-01",
                        point + 1,
                        100 * one,
                        density * one * np.exp(rng.normal(0, 0.02)),
                    )
                    for point, one in enumerate(depth)
                ]
    return pd.DataFrame(rows, columns=["site_id", "date", "point", "depth_cm", "swe_mm"])


@pytest.fixture(scope="module")
def nights(basin):
    """Return what a night without and one with earlier seasons' rows in the courses' table published."""
    courses = pd.read_csv(basin / "courses.csv")
    pd.concat([courses, earlier_visits()]).to_csv(basin / "long.csv", index=False)
    long = changed(basin, "long_record", lambda text: text.replace("courses.csv", "long.csv"))
    short = changed(basin, "short_record", lambda text: text)
    found = {}
    for name, file in (("short", short), ("long", long)):
        told = json.loads(snowtally("update", file, "--date", DATE, "--json").stdout)
        folder = basin / f"archive_{name}_record" / "made" / DATE / "r001"
        tables = (pd.read_csv(folder / f"{table}.csv") for table in ("skill", "checks"))
        found[name] = told, json.loads((folder / "record.json").read_text("utf-8")), *tables
    return long, found


def test_earlier_seasons_move_the_density_and_are_told(nights):
    _, found = nights
    told, _, skill, _ = found["long"]
    assert told["degraded"] == []
    # 25 visits a course, less the one that no snow can weigh; not those of forty years ago.
    density = {name: found[name][1]["models"]["density"] for name in found}
    assert [density[name]["earlier_seasons"]["records"] for name in ("short", "long")] == [0, 74]
    # They are half as heavy again as this season's.
    assert density["long"]["correction"]["level"] > density["short"]["correction"]["level"] + 0.02
    assert (
        skill.set_index("model").loc["relation and sites", "n"]
        == found["short"][2].set_index("model").loc["relation and sites", "n"]
    )


def test_earlier_visits_that_are_left_out_are_told_course_by_course(nights):
    _, found = nights
    long, short = found["long"][3], found["short"][3]
    told = long[long["rule"] == EARLIER_VISIT_NOT_USED.name]
    assert told[["site_id", "start", "evidence"]].to_numpy().tolist() == [["S2", "2028-03-01", "1 of 25 visits"]]
    assert sorted(long["rule"]) == sorted([*short["rule"], EARLIER_VISIT_NOT_USED.name])


def test_the_archive_makes_the_night_again(nights):
    long, _ = nights
    again = json.loads(snowtally("rerun", long, "--inputs-of", f"{DATE}@1", "--json").stdout)
    assert again["reproduced"], again


def test_a_visit_set_aside_by_hand_does_not_come_back_as_a_teacher(nights, basin):
    long, found = nights
    (basin / "set_aside.csv").write_text(
        "site_id,start,end,variable,action,value,who,when,why\n"
        "S0,2026-01-01,2030-06-30,,set aside,,analyst,2031-01-05,tube was bent\n"
    )
    file = basin / "aside.yaml"
    text = long.read_text().replace("archive_long_record", "archive_aside")
    file.write_text(text.replace("courses: long.csv", "courses: long.csv, overrides: set_aside.csv"))
    told = json.loads(snowtally("update", file, "--date", DATE, "--json").stdout)
    record = json.loads((basin / "archive_aside" / "made" / DATE / "r001" / "record.json").read_text("utf-8"))
    assert record["models"]["density"]["earlier_seasons"]["records"] == 49
    # What was decided of those years is none of this season's business.
    assert told["degraded"] == found["long"][0]["degraded"]


@pytest.mark.long
def test_a_late_row_of_an_earlier_season_is_told_as_what_changed(nights):
    basin = nights[0].parent
    text = nights[0].read_text().replace("archive_long_record", "archive_late").replace("long.csv", "late.csv")
    (basin / "late.yaml").write_text(text)
    rows = pd.read_csv(basin / "long.csv")
    rows.to_csv(basin / "late.csv", index=False)
    snowtally("update", basin / "late.yaml", "--date", DATE)
    late = rows[(rows["date"] == "2029-02-01") & (rows["site_id"] == "S4")].assign(date="2029-02-20")
    pd.concat([rows, late]).to_csv(basin / "late.csv", index=False)
    snowtally("rerun", basin / "late.yaml", "--date", DATE, "--reason", "a sheet was found")
    compared = json.loads(snowtally("compare", basin / "late.yaml", f"{DATE}@1", f"{DATE}@2", "--json").stdout)
    told = compared["changes"]["rows"]["earlier_visits"]
    # The other seasons came from where they were kept, the same as they were.
    assert (told["came"], told["went"], told["changed"]) == (1, 0, 0)


def test_seasons_that_were_checked_before_are_not_checked_again(nights, monkeypatch):
    """Kept or made anew, the visits are the same; only what changed is made anew."""
    file = nights[0].with_name("again.yaml")
    file.write_text(nights[0].read_text().replace("archive_long_record", "archive_again"))
    seasons = []
    whole = gather_earlier_visits._season

    def noted(*given):
        seasons.append(whole(*given))
        return seasons[-1]

    monkeypatch.setattr(gather_earlier_visits, "_season", noted)
    snowtally("update", file, "--date", DATE)
    snowtally("rerun", file, "--date", DATE, "--reason", "again")
    assert len(seasons) == len(YEARS)
    # The same inputs are no new revision.
    assert [path.name for path in sorted((file.parent / "archive_again" / "made" / DATE).glob("r0*"))] == ["r001"]
