"""A whole night on a small made-up basin, through the command line, as its users run it."""

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import xarray as xr
from made_basin import DENSITY, HEIGHT, LEFT, TOP, WIDTH, changed, depth_of, elevation_of, snowtally, snowtally_apart


def test_flight_day_gives_the_known_volume(basin):
    done = snowtally("update", basin / "basin.yaml", "--date", "2031-03-02", "--json")
    assert done.returncode == 0, done.stderr
    total = json.loads(done.stdout)["totals"][0]
    x, y = LEFT + (np.arange(WIDTH) + 0.5) * 100, TOP - (np.arange(HEIGHT) + 0.5) * 100
    truth = (depth_of(elevation_of(x[None, :], y[:, None])) * DENSITY).mean()
    # Density is told by six sites about a prior 10 % away: 6 % is the issue's own bar for flight dates.
    assert total["swe_mean_mm"] == pytest.approx(truth, rel=0.06)
    assert 0 < total["swe_se_mm"] < 0.3 * truth


def test_parts_add_up_and_fields_agree_with_totals(basin):
    answer = json.loads(snowtally("update", basin / "basin.yaml", "--date", "2031-03-02", "--json").stdout)
    volumes = pd.DataFrame(answer["totals"]).groupby("level")["volume_m3"].sum()
    assert volumes["zone"] == volumes["band"] == volumes["basin"]
    with xr.open_dataset(f"{answer['path']}/estimate.nc") as day:
        assert float((day["swe"] / 1000 * day["cell_area"]).sum()) == pytest.approx(volumes["basin"], rel=1e-3)


def test_night_after_a_flight_follows_the_stations(basin):
    first = json.loads(snowtally("update", basin / "basin.yaml", "--date", "2031-03-02", "--json").stdout)["totals"][0]
    later = json.loads(snowtally("update", basin / "basin.yaml", "--date", "2031-03-08", "--json").stdout)["totals"][0]
    # The stations gained 4 mm a day for six days.
    assert later["swe_mean_mm"] - first["swe_mean_mm"] == pytest.approx(24.0, abs=12.0)


def test_same_inputs_publish_nothing_new(basin):
    snowtally("update", basin / "basin.yaml", "--date", "2031-03-08", "--json")
    again = json.loads(snowtally("update", basin / "basin.yaml", "--date", "2031-03-08", "--json").stdout)
    assert again["unchanged"]
    assert again["revision"] == 1


@pytest.mark.parametrize(
    ("change", "status", "words"),
    [
        (("bands:", "bandz:"), 2, "unknown key bandz. Did you mean bands?"),
        (("elevation.tif", "elevaton.tif"), 2, "terrain.elevation: file"),
        (("EPSG:32625", "EPSG:3857"), 2, "distorts area"),
    ],
)
def test_wrong_settings_are_one_line(basin, change, status, words):
    file = basin / "wrong.yaml"
    file.write_text((basin / "basin.yaml").read_text().replace(*change, 1))
    done = snowtally("update", file, "--date", "2031-03-02")
    assert done.returncode == status
    assert words in done.stderr
    assert done.stderr.count("\n") == 1


def test_two_runs_give_the_same_bytes(basin):
    """In another process, and with two threads where the tests have one."""
    paths = []
    second = changed(basin, "second", lambda text: text)
    for file, command in ((basin / "basin.yaml", snowtally), (second, snowtally_apart)):
        paths.append(Path(json.loads(command("update", file, "--date", "2031-03-02", "--json").stdout)["path"]))
    for one in sorted(paths[0].iterdir()):
        if one.name not in ("record.json", "item.json"):
            assert one.read_bytes() == (paths[1] / one.name).read_bytes(), one.name
    first, second = (json.loads((path / "item.json").read_text()) for path in paths)
    assert first["properties"].pop("created") <= second["properties"].pop("created")
    for item in (first, second):
        # The record holds when it was made, and with that its own hash.
        item["assets"].pop("record", None)
    assert first == second


def test_missing_flight_raster_degrades_the_night_and_says_so(basin):
    (basin / "flights_gone.csv").write_text("flight_id,date,depth\nF2,2031-03-02,gone.tif\n")
    file = changed(basin, "gone", lambda text: text.replace("flights.csv", "flights_gone.csv"))
    done = snowtally("update", file, "--date", "2031-03-04", "--json")
    answer = json.loads(done.stdout)
    assert done.returncode == 3
    assert "gone.tif is named by" in answer["degraded"][0]
    record = json.loads((Path(answer["path"]) / "record.json").read_text())
    assert record["degraded"]


def test_truncated_raster_degrades_the_night_without_a_traceback(basin):
    whole = (basin / "depth.tif").read_bytes()
    (basin / "half.tif").write_bytes(whole[: len(whole) // 2])
    (basin / "flights_half.csv").write_text("flight_id,date,depth\nF3,2031-03-02,half.tif\n")
    file = changed(basin, "half", lambda text: text.replace("flights.csv", "flights_half.csv"))
    done = snowtally("update", file, "--date", "2031-03-04", "--json")
    assert done.returncode == 3
    assert "half.tif" in json.loads(done.stdout)["degraded"][0]


def test_nothing_dated_later_is_used(basin):
    """A day asked for again after more has come in is the same day."""
    before = json.loads(snowtally("update", basin / "basin.yaml", "--date", "2031-03-08", "--json").stdout)
    (basin / "flights.csv").write_text((basin / "flights.csv").read_text() + "F9,2031-03-09,depth.tif\n")
    again = json.loads(snowtally("update", basin / "basin.yaml", "--date", "2031-03-08", "--json").stdout)
    assert again["unchanged"]
    assert again["totals"] == before["totals"]


def test_a_date_before_every_measurement_publishes_nothing(basin):
    file = changed(basin, "early", lambda text: text)
    done = snowtally("update", file, "--date", "2030-12-01")
    assert done.returncode == 1
    assert done.stderr.startswith(
        "snowtally: made 2030-12-01 lies before the first measurement. The inputs cover 2031-03-01 to"
    )
    assert not list((basin / "archive_early").glob("made/2030*")) if (basin / "archive_early").exists() else True


def test_wrong_column_names_the_header_and_the_cure(basin):
    file = changed(basin, "column", lambda text: text + "columns: {sites: {site_id: {column: Station}}}\n")
    done = snowtally("update", file, "--date", "2031-03-04")
    assert done.returncode == 1
    assert "no column 'Station'. The header has: site_id" in done.stderr
    assert "columns.sites.site_id" in done.stderr


@pytest.mark.long
def test_other_units_give_the_same_day(basin):
    """The same survey in inches and in metric units gives one set of totals."""
    courses = pd.read_csv(basin / "courses.csv")
    inches = courses.assign(depth_cm=courses["depth_cm"] / 2.54, swe_mm=courses["swe_mm"] / 25.4)
    inches.rename(columns={"depth_cm": "Depth (in)", "swe_mm": "Water (in)"}).to_csv(basin / "inches.csv", index=False)
    units = 'columns: {courses: {depth: {column: "Depth (in)", unit: inch}, swe: {column: "Water (in)", unit: inch}}}\n'
    file = changed(basin, "inches", lambda text: text.replace("courses.csv", "inches.csv") + units)
    metric = changed(basin, "metric", lambda text: text)
    one, other = (
        json.loads(snowtally("update", f, "--date", "2031-03-02", "--json").stdout)["totals"] for f in (file, metric)
    )
    assert [row["volume_m3"] for row in one] == pytest.approx([row["volume_m3"] for row in other], rel=1e-6)


@pytest.mark.long
def test_check_publishes_nothing_and_status_tells_what_is_held(basin):
    file = changed(basin, "held", lambda text: text)
    assert snowtally("check", file, "--date", "2031-03-04").returncode == 0
    assert not (basin / "archive_held").exists()
    snowtally("update", file, "--date", "2031-03-04")
    told = json.loads(snowtally("status", file, "--json").stdout)
    assert told["newest"] == "2031-03-04"
    assert [day["date"] for day in told["days"]] == ["2031-03-04"]


@pytest.mark.parametrize(
    ("name", "edit", "status"),
    [
        ("no_stations", lambda text: text.replace("stations: stations.csv, ", ""), 0),
        ("no_courses", lambda text: text.replace("courses: courses.csv, ", ""), 0),
        ("no_flights", lambda text: text.replace(", flights: flights.csv", ""), 0),
        ("flights_alone", lambda text: text.replace("courses: courses.csv, stations: stations.csv, ", ""), 0),
        ("header_alone", lambda text: text.replace("stations.csv", "header.csv"), 3),
        ("empty_file", lambda text: text.replace("stations.csv", "empty.csv"), 3),
        (
            "one_course",
            lambda text: text.replace("sites.csv", "one_course.csv").replace(", flights: flights.csv", ""),
            0,
        ),
        (
            "one_station",
            lambda text: text.replace("sites.csv", "one_station.csv").replace(", flights: flights.csv", ""),
            0,
        ),
    ],
)
def test_little_to_go_by_still_gives_an_estimate(basin, name, edit, status):
    (basin / "header.csv").write_text("site_id,time,swe_mm\n")
    (basin / "empty.csv").write_text("")
    sites = pd.read_csv(basin / "sites.csv")
    sites[:1].to_csv(basin / "one_course.csv", index=False)
    sites[1:2].to_csv(basin / "one_station.csv", index=False)
    done = snowtally("update", changed(basin, name, edit), "--date", "2031-03-04", "--json")
    assert done.returncode == status, done.stderr
    total = json.loads(done.stdout)["totals"][0]
    assert total["swe_mean_mm"] >= 0
    assert total["swe_se_mm"] > 0


@pytest.mark.long
def test_without_stations_the_error_grows_with_the_days_since_the_flight(basin):
    file = changed(basin, "unheard", lambda text: text.replace("courses: courses.csv, stations: stations.csv, ", ""))
    soon, late = (
        json.loads(snowtally("update", file, "--date", d, "--json").stdout)["totals"][0]
        for d in ("2031-03-03", "2031-03-30")
    )
    assert late["swe_se_mm"] > soon["swe_se_mm"] + 50


def test_all_sites_bare_and_no_flight_is_no_snow(basin):
    pd.read_csv(basin / "courses.csv").assign(depth_cm=0, swe_mm=0).to_csv(basin / "bare_courses.csv", index=False)
    pd.read_csv(basin / "stations.csv").assign(depth_cm=0, swe_mm=0).to_csv(basin / "bare_stations.csv", index=False)

    def edit(text):
        text = text.replace("courses.csv", "bare_courses.csv").replace("stations.csv", "bare_stations.csv")
        return text.replace(", flights: flights.csv", "")

    total = json.loads(snowtally("update", changed(basin, "bare", edit), "--date", "2031-03-04", "--json").stdout)[
        "totals"
    ][0]
    assert total["swe_mean_mm"] <= 1
    assert total["swe_se_mm"] <= 1


def test_a_later_flights_missing_raster_is_no_trouble_of_today(basin):
    (basin / "flights_later.csv").write_text("flight_id,date,depth\nF1,2031-03-02,depth.tif\nF2,2031-05-01,gone.tif\n")
    file = changed(basin, "later", lambda text: text.replace("flights.csv", "flights_later.csv"))
    answer = json.loads(snowtally("check", file, "--date", "2031-03-04", "--json").stdout)
    assert answer["degraded"] == []
    assert answer["findings"] == []


def test_a_flight_sent_again_with_a_later_date_stands_until_then(basin):
    (basin / "flights_moved.csv").write_text("flight_id,date,depth\nF1,2031-03-02,depth.tif\nF1,2031-04-01,depth.tif\n")
    file = changed(basin, "moved", lambda text: text.replace("flights.csv", "flights_moved.csv"))
    assert json.loads(snowtally("check", file, "--date", "2031-03-04", "--json").stdout)["flights"] == ["F1"]


def test_the_order_of_rows_is_no_new_input(basin):
    file = changed(basin, "order", lambda text: text.replace("courses.csv", "turned.csv"))
    courses = pd.read_csv(basin / "courses.csv")
    courses.to_csv(basin / "turned.csv", index=False)
    snowtally("update", file, "--date", "2031-03-05")
    courses[::-1].to_csv(basin / "turned.csv", index=False)
    assert json.loads(snowtally("update", file, "--date", "2031-03-05", "--json").stdout)["unchanged"]


@pytest.mark.parametrize(
    ("text", "status", "words"),
    [
        ("terrain: {elevation: elevation.tif, canopy: gone.tif}", 3, "missing file"),
        ("terrain: {elevation: elevation.tif, canopy: elevation.tif}", 3, "where fractions from 0 to 1 are wanted"),
    ],
)
def test_a_canopy_that_cannot_be_used_degrades_the_night(basin, text, status, words):
    file = changed(basin, "canopy", lambda t: t.replace("terrain: {elevation: elevation.tif}", text))
    done = snowtally("check", file, "--date", "2031-03-04", "--json")
    assert done.returncode == status
    assert words in json.loads(done.stdout)["degraded"][0]


def test_no_site_but_a_flight_is_still_an_estimate(basin):
    (basin / "no_sites.csv").write_text("site_id,name,kind,longitude,latitude\n")
    file = changed(basin, "no_site", lambda text: text.replace("sites.csv", "no_sites.csv"))
    done = snowtally("update", file, "--date", "2031-03-02", "--json")
    assert json.loads(done.stdout)["totals"][0]["swe_mean_mm"] > 0, done.stderr


def test_an_archive_that_is_a_file_is_one_line_and_an_object(basin):
    (basin / "not_a_folder").write_text("x")
    file = basin / "file.yaml"
    file.write_text((basin / "basin.yaml").read_text().replace("archive: archive", "archive: not_a_folder"))
    done = snowtally("update", file, "--date", "2031-03-04", "--json")
    assert done.returncode == 1
    assert "Traceback" not in done.stderr
    assert json.loads(done.stdout)["exit_status"] == 1


def test_rows_out_of_service_are_set_aside(basin):
    sites = pd.read_csv(basin / "sites.csv").assign(until="")
    sites.loc[1, "until"] = "2031-03-02"
    sites.to_csv(basin / "ended.csv", index=False)
    file = changed(basin, "ended", lambda text: text.replace("sites.csv", "ended.csv"))
    answer = json.loads(snowtally("check", file, "--date", "2031-03-04", "--json").stdout)
    assert [(f["rule"], f["site_id"], f["evidence"]) for f in answer["findings"]] == [
        ("out of service", "S1", "2 rows")
    ]


ACRE_FOOT_M3 = 1233.48183755  # international: 43560 cubic feet of 0.3048 m
SQUARE_MILE_KM2 = 1.609344**2


@pytest.mark.long
def test_us_units_and_words_like_mark_up_are_told_as_they_are(basin):
    """Totals on the command line follow `report.units`; what the settings call the basin is no mark-up."""
    title = "Made [/upper] [bold]basin[/bold] :snowflake:"
    file = changed(basin, "us", lambda text: text.replace("Made basin", f"'{title}'") + "report: {units: us}\n")
    total = json.loads(snowtally("update", file, "--date", "2031-03-05", "--json").stdout)["totals"][0]
    told = snowtally("update", file, "--date", "2031-03-05").stdout
    volume, se = (float(f"{total[name] / ACRE_FOOT_M3:.3g}") for name in ("volume_m3", "volume_se_m3"))
    assert told.startswith(f"{title}, 2031-03-05\n")
    assert f"Water in the snow: {volume:,.0f} acre-feet, standard error {se:,.0f} " in told
    assert f"Mean SWE: {total['swe_mean_mm'] / 25.4:.1f} in, " in told
    assert f"over {total['area_km2'] / SQUARE_MILE_KM2:.1f} sq mi, " in told
    assert "million m3" not in told
    assert snowtally("verify", file).stdout.startswith(f"{title}: sound. ")
    assert snowtally("status", file).stdout.startswith(f"{title}\n")
    plan = snowtally("plan", file, "--date", "2031-03-05", "--count", 1).stdout
    assert plan.startswith(f"2031-03-05, basin: {volume:,.0f} +- {se:,.0f} acre-feet ")
