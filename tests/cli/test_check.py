"""`snowtally check`, the dry run: what it says of inputs and sites, how a night would end, and where its page goes."""

import json
import shutil

import numpy as np
import pandas as pd
import pytest
from made_basin import LEFT, TOP, changed, snowtally
from pyproj import Transformer


def checked(file, date, *more):
    return json.loads(snowtally("check", file, "--date", date, *more, "--json").stdout)


def test_what_check_counts_is_what_a_night_uses(home):
    """The night's own record and tables say the same as the dry run before it."""
    file = home / "basin.yaml"
    before = checked(file, "2031-03-05")
    assert not (home / "archive").exists()
    done = json.loads(snowtally("update", file, "--date", "2031-03-05", "--json").stdout)
    record = json.loads((home / "archive" / "made" / "2031-03-05" / "r001" / "record.json").read_text())
    sites = pd.read_csv(home / "archive" / "made" / "2031-03-05" / "r001" / "sites.csv")
    assert before["findings"] == [one for one in done["findings"] if one in before["findings"]]
    flown = record["models"]["flights"][0]
    assert before["coverage"] == [{"flight_id": "F1", "date": "2031-03-02", "seen_of_basin": flown["seen_of_basin"]}]
    counting = {site["site_id"] for site in before["sites"] if site["counts"]}
    assert counting == set(sites.loc[sites["used"], "site_id"])
    files = {file["role"] for file in record["inputs"]} & {one["input"] for one in before["inputs"]}
    assert files == {one["input"] for one in before["inputs"]}


def test_a_table_of_33_sites_fits_a_hundred_columns(home):
    sites = pd.read_csv(home / "sites.csv", keep_default_na=False)
    to_degrees = Transformer.from_crs("EPSG:32625", "EPSG:4326", always_xy=True)
    rng = np.random.default_rng(5)
    longitude, latitude = to_degrees.transform(LEFT + rng.uniform(-400, 6000, 27), TOP - rng.uniform(0, 5000, 27))
    more = pd.DataFrame({
        "site_id": [f"COURSE-{n:02d}" for n in range(27)], "name": "", "kind": "course", "longitude": longitude, "latitude": latitude,
        "elevation_m": 1900.0,
    })  # fmt: skip
    pd.concat([sites, more]).to_csv(home / "sites.csv", index=False)
    lines = snowtally("check", home / "basin.yaml", "--date", "2031-03-05").stdout.splitlines()
    start = next(n for n, line in enumerate(lines) if line.startswith("By site"))
    table = lines[start : next(n for n, line in enumerate(lines) if line.startswith("stated, ground"))]
    assert max(map(len, table)) <= 100
    # Each site in one row by its whole name, with the distance of one that lies outside.
    assert sum(line.split()[:2] == [f"COURSE-{n:02d}", "*"] for n in range(27) for line in table) == 27
    assert any("km out" in line for line in table)


def test_units_and_clock_stand_as_declared(home):
    courses = pd.read_csv(home / "courses.csv").rename(columns={"depth_cm": "Depth (in)", "swe_mm": "Water"})
    courses["Depth (in)"] /= 2.54
    courses.to_csv(home / "courses.csv", index=False)
    records = pd.read_csv(home / "stations.csv")
    records.assign(time=records["time"] + " 06:00").to_csv(home / "stations.csv", index=False)
    file = changed(home, "declared", lambda text: text + (
        "columns: {courses: {depth: {column: Depth (in), unit: inch}, swe: {column: Water, unit: mm}}}\n"
        "formats: {stations: {clock: -2}}\n"
    ))  # fmt: skip
    done = snowtally("check", file, "--date", "2031-03-05")
    assert "courses: Depth (in) as inch, Water as mm" in done.stdout
    assert "local times by UTC-2 h" in done.stdout
    (one,) = (one for one in checked(file, "2031-03-05")["inputs"] if one["input"] == "courses")
    assert (one["read"], one["used"], one["first"], one["last"]) == (18, 18, "2031-03-01", "2031-03-01")


def test_units_of_months_side_by_side_name_their_group(home):
    (home / "courses.csv").write_text(
        "site_id,Season,Mar,Mar 2,Mar 3\nS0,2031,1,10,3\nS2,2031,1,40,12\nS4,2031,1,70,21\n"
    )
    file = changed(home, "monthly", lambda text: text + (
        "formats: {courses: {monthly: {season: Season, group: [date, depth, swe]}}}\n"
        "columns: {courses: {depth: {unit: inch}, swe: {unit: inch}}}\n"
    ))  # fmt: skip
    (one,) = (one for one in checked(file, "2031-03-05")["inputs"] if one["input"] == "courses")
    assert one["units"] == ["depth of each month as inch", "swe of each month as inch"]
    assert (one["read"], one["used"]) == (3, 3)


def test_what_is_set_aside_is_counted_where_it_is_lost(home):
    with (home / "courses.csv").open("a") as file:
        # Deeper than any snow, a site that nobody knows, a date that is none.
        file.write("S0,2031-03-01,7,4000,200\nS9,2031-03-01,1,100,300\nS0,soon,8,100,300\n")
    told = checked(home / "basin.yaml", "2031-03-05")
    (courses,) = (one for one in told["inputs"] if one["input"] == "courses")
    assert (courses["read"], courses["used"], courses["set_aside"]) == (21, 18, 3)
    site = told["sites"][0]
    assert (site["site_id"], site["used"], site["set_aside"]) == ("S0", 6, 1)
    # The rule of the worst finding about it.
    assert site["findings"] >= 1
    assert site["worst"] in {one["rule"] for one in told["findings"] if one["site_id"] == "S0"}


def test_the_verdict_names_the_cure(home):
    file = home / "basin.yaml"
    sound = snowtally("check", file, "--date", "2031-03-05")
    assert (sound.returncode, sound.stdout.splitlines()[-1]) == (0, "A night on these inputs would be sound.")
    degraded = snowtally("check", file, "--date", "2031-03-25")
    assert degraded.returncode == 3
    assert "would be degraded: " in degraded.stdout
    assert "check the station and its telemetry" in " ".join(degraded.stdout.split())
    (home / "flights.csv").write_text("flight_id,date,depth\n")
    courses = pd.read_csv(home / "courses.csv")
    courses.assign(date="2030-12-01").to_csv(home / "courses.csv", index=False)
    (home / "stations.csv").write_text("site_id,time,swe_mm,depth_cm\n")
    failing = snowtally("check", file, "--date", "2031-02-20")
    assert failing.returncode == 1
    told = " ".join(failing.stdout.split())
    assert (
        "would fail: no estimate for made on 2031-02-20: no flight, and no course or station with a usable SWE near"
        in told
    )
    assert "Give courses, stations or a flight of these days" in told
    page = home / "check.html"
    snowtally("check", file, "--date", "2031-02-20", "--page")
    assert "A night on these inputs would fail." in page.read_text()


def test_the_page_lies_beside_the_settings_or_where_it_is_told(home):
    file = home / "basin.yaml"
    done = snowtally("check", file, "--date", "2031-03-05", "--page")
    assert done.stdout.splitlines()[-1] == f"Page: {home / 'check.html'}"
    assert (home / "check.html").read_text("utf-8").startswith("<!doctype html>")
    elsewhere = home / "new" / "dry.html"
    assert checked(file, "2031-03-05", "--page", elsewhere)["page"] == str(elsewhere)
    assert elsewhere.read_bytes() == (home / "check.html").read_bytes()
    assert not (home / "archive").exists()
    assert checked(file, "2031-03-05")["page"] is None


@pytest.mark.parametrize("page", [True, False])
def test_a_page_in_the_archive_and_a_file_without_page_are_refused(home, page):
    (home / "archive").mkdir()
    (home / "archive" / "archive.json").write_text("{}")
    words = ["--page"] if page else []
    done = snowtally("check", home / "basin.yaml", "--date", "2031-03-05", *words, home / "archive" / "check.html")
    assert done.returncode == 2
    assert ("lies in the archive" if page else "goes with --page: snowtally check SETTINGS --page FILE") in done.stderr
    shutil.rmtree(home / "archive")


def test_a_page_that_cannot_be_written_is_told_with_its_path(home):
    (home / "a-file").write_text("")
    done = snowtally("check", home / "basin.yaml", "--date", "2031-03-05", "--page", home / "a-file" / "check.html")
    assert done.returncode == 1
    assert "Cannot write the page" in done.stderr
    assert "a-file" in done.stderr
    assert done.stderr.count("\n") == 1
