"""Pages made from published files: every number is the archive's, hard cases each get a page, a failure costs nothing."""

import csv
import datetime as dt
import json
import re
from dataclasses import replace
from pathlib import Path
from statistics import NormalDist

import made_day as maker
import numpy as np
import pandas as pd
import pytest
from made_day import made_day
from made_pages import archive_with_history, as_number, no_snow, provenance, read_page, with_flight
from pyproj import CRS
from scipy.stats import percentileofscore

from snowtally.archive.current import Loss
from snowtally.inspection.compare import compare, find_side
from snowtally.model.grid import BasinGrid
from snowtally.model.problems import ArchiveError
from snowtally.publishing.publish import publish, withdraw
from snowtally.reading import basin_row, read_totals, revision_totals
from snowtally.report import day_page, pages, season_page
from snowtally.report.compare_page import compare_page
from snowtally.report.earlier import same_day
from snowtally.report.notices import grouped
from snowtally.report.units import UNITS
from snowtally.report.words import CAUTIONS, ERROR_PARTS


@pytest.fixture(scope="module")
def history(tmp_path_factory):
    root = tmp_path_factory.mktemp("pages") / "archive"
    return root, archive_with_history(root)


def csv_rows(path):
    with path.open(newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


FACTORS = {
    "metric": {"m3": 1e-6, "km2": 1.0, "mm": 1.0, "depth": 1.0, "elevation": 1.0, "density": 1.0},
    # 1 international acre-foot is 43560 cubic feet of 0.3048 m, 1 square mile 1609.344 m squared.
    "us": {"m3": 1 / (43560 * 0.3048**3), "km2": 1 / 1.609344**2, "mm": 1 / 25.4, "depth": 1 / 0.0254,
           "elevation": 1 / 0.3048, "density": 0.1},
}  # fmt: skip


def kind(of):
    """Return which factor a number of the page is told by, None for one without a unit."""
    if of in {"elevation_m", "band_low_m", "band_high_m"}:
        return "elevation"
    if of in {"depth_mean_m", "ground_depth_m", "flight_depth_m", "difference_m"}:
        return "depth"
    if of in {"rmse", "bias"}:
        return "mm"
    ends = {"_kg_m3": "density", "_m3": "m3", "_km2": "km2", "_mm": "mm"}
    return next((name for end, name in ends.items() if of.endswith(end)), None)


def archives(root, date):
    """Return, by table of the page, what gives the archive's value for a row's key and a number's name, from the files alone."""
    folder = root / "larkmoor" / str(date) / "r002"
    record = json.loads((folder / "record.json").read_text("utf-8"))
    totals, normals, checks = (csv_rows(folder / f"{name}.csv") for name in ("totals", "normals", "checks"))
    whole = totals[0]
    standing = pd.read_parquet(root / "larkmoor" / "totals.parquet").query("level == 'basin'").astype({"date": str})
    basin = standing.set_index("date").to_dict("index")
    of_zone = {row["zone_id"]: row for row in totals if row["level"] == "zone"} | {"basin": whole}
    of_band = {float(row["band_low_m"]): row for row in totals if row["level"] == "band"}
    of_site = {row["site_id"]: row for row in csv_rows(folder / "sites.csv")}
    for row in normals:
        of_site.get(row["site_id"], {})["per_cent"] = row["per_cent"]
    skill = {f"{row['model']}|{row['part']}": row for row in csv_rows(folder / "skill.csv")}
    compared = {row["site_id"]: row for row in record["models"]["flights"][0]["by_site"]["sites_compared"]}
    years = {"2028-2029": basin["2029-03-08"], "2029-2030": basin["2030-03-08"]}
    files = [float(file["size"]) for file in record["inputs"]]

    def site(key, of):
        row = of_site[key]
        return float(row["swe_mm"]) - float(row["estimate_without_mm"]) if of == "difference_mm" else float(row[of])

    def finding(key, _of):
        return sum(f"{row['table']}|{row['rule']}|{row['action']}|{row['severity']}" == key for row in checks)

    loose = {name: {float(value)} for name, value in whole.items() if name.endswith(("_m3", "_mm", "_km2"))}
    volume, error = float(whole["volume_m3"]), float(whole["volume_se_m3"])
    then = [basin[day] for day in ("2031-03-07", "2031-03-01")]
    mean = np.mean([row["volume_m3"] for row in years.values()])
    loose |= {
        "parent_volume_m3": {float(csv_rows(folder.parent / "r001" / "totals.csv")[0]["volume_m3"])},
        "change_m3": {volume - row["volume_m3"] for row in then},
        # The day before has no flight: the made days' parts, density and blend, belong to none.
        "change_se_m3": {np.sqrt(abs(error**2 - row["volume_se_m3"] ** 2)) for row in then},
        "earlier_mean_m3": {mean}, "earlier_per_cent": {100 * volume / mean},
        "per_cent": {float(normals[0]["per_cent"])}, "normal_mm": {float(normals[0]["normal_mm"])},
    }  # fmt: skip
    return {
        "": lambda _key, of: loose[of],
        # By the normal distribution, which lies ten errors from zero.
        "chances": lambda key, of: {
            float(key) if of == "per_cent" else NormalDist(volume, error).inv_cdf(1 - float(key) / 100)
        },
        "zone": lambda key, of: {float(of_zone[key][of])},
        "band": lambda key, of: {float(of_band[float(key)][of])},
        "sites": lambda key, of: {site(key, of)},
        "flight|F-1": lambda key, of: {compared[key][of]},
        "skill": lambda key, of: {100 * float(skill[key][of[:7]]) if of.startswith("cover") else float(skill[key][of])},
        "budget": lambda key, _of: {100 * record["error_budget"][key]},
        "findings": lambda key, of: {finding(key, of)},
        "earlier-years": lambda key, of: {years[key][of]},
        "inputs": lambda _key, _of: set(files),
    }


@pytest.mark.parametrize("units", ["metric", "us"])
def test_every_number_on_the_page_is_the_archives(history, units):
    root, date = history
    page = read_page(pages.make_day_page(root, "larkmoor", date, units))
    told = archives(root, date)
    assert len(page.numbers) >= 120
    for number in page.numbers:
        wanted = told[number.level](number.key, number.of)
        assert any(number.value == pytest.approx(value, rel=1e-12, abs=1e-9) for value in wanted), number
        shown, half = as_number(number.text)
        factor = FACTORS[units].get(kind(number.of), 1.0)
        assert abs(shown - number.value * factor) <= half * (1 + 1e-9), number
    seen = {(number.level, number.of) for number in page.numbers}
    for of in ("volume_m3", "volume_se_m3", "volume_p10_m3", "swe_mean_mm", "snow_area_km2", "density_mean_kg_m3"):
        assert {("zone", of), ("band", of)} <= seen
    assert {
        ("sites", "estimate_without_mm"),
        ("flight|F-1", "difference_m"),
        ("", "change_m3"),
        ("", "earlier_mean_m3"),
    } <= seen
    assert {level for level, _ in seen} == set(told)


SHARES = [0.5, 0.7, 0.9, 0.95, 1.1, 1.3]
"""What six earlier seasons held on the day, of what the day holds."""


def earlier_seasons(totals, count=6):
    """Return a day's totals as `count` earlier seasons had them, each with its share of today's volumes."""
    held = []
    for year, share in zip(range(2025, 2025 + count), SHARES, strict=False):
        date = pd.Timestamp(f"{year}-03-08")
        held.append(totals.assign(date=date, volume_m3=totals["volume_m3"] * share, season=f"{year - 1}-{year}"))
    return pd.concat(held, ignore_index=True)


def told_of(page, of):
    return {(n.level, n.key): n.value for n in page.numbers if n.of == of}


def test_among_five_earlier_seasons_the_day_has_a_percentile_and_zones_and_bands_their_mean(history):
    root, date = history
    day = pages.read_day(root, "larkmoor", date)
    around, volume = pages.read_days_around(day), day.whole["volume_m3"]
    seen = replace(around, earlier_years=earlier_seasons(day.totals))
    page = read_page(day_page.day_page(day, seen, UNITS["metric"], None))
    # scipy's percentile of a score, ties shared, is told beside.
    assert told_of(page, "percentile") == {
        ("", ""): pytest.approx(percentileofscore(volume * np.array(SHARES), volume))
    }
    assert "4 of 6 had less water: percentile 67" in " ".join("".join(page.text).split())
    parts = told_of(page, "earlier_per_cent")
    assert {level for level, _ in parts} == {"", "zone", "band"}
    assert ("zone", "basin") in parts
    assert list(parts.values()) == pytest.approx([100 / np.mean(SHARES)] * len(parts))
    few = replace(around, earlier_years=earlier_seasons(day.totals, 4))
    page = read_page(day_page.day_page(day, few, UNITS["metric"], None))
    assert told_of(page, "percentile") == {}
    assert "4 of 4 had less" in " ".join("".join(page.text).split())
    assert {level for level, _ in told_of(page, "earlier_per_cent")} == {""}


def test_a_leap_day_is_met_by_the_28th_of_other_years():
    dates = pd.to_datetime(["2027-02-28", "2028-02-29", "2028-02-28", "2029-03-01"])
    met = same_day(pd.DataFrame({"date": dates}), dt.date(2032, 2, 29))
    assert met["date"].dt.strftime("%Y-%m-%d").tolist() == ["2027-02-28", "2028-02-29"]


def test_zones_that_have_normals_are_told_in_per_cent_of_them(history):
    root, date = history
    day = pages.read_day(root, "larkmoor", date)
    zone = pd.DataFrame({"level": ["zone"], "site_id": ["north"], "per_cent": [88.0], "period": ["2006-2030"]})
    day = replace(day, normals=pd.concat([day.normals, zone]))
    page = read_page(day_page.day_page(day, pages.read_days_around(day), UNITS["metric"], None))
    of_zones = {key: value for (level, key), value in told_of(page, "per_cent").items() if level == "zone"}
    # The basin's own normal stands in the row of the sum, as at the top.
    assert of_zones == {"north": 88.0, "basin": 120.0}


def test_the_season_page_tells_ranks_and_zones(history, monkeypatch):
    root, _ = history
    totals = read_totals(root, "larkmoor")
    now = totals[totals["date"] == "2031-03-08"]
    held = pd.concat([earlier_seasons(now)[totals.columns], totals[totals["date"] > "2030-10-01"]])
    monkeypatch.setattr(season_page, "totals_of_days", lambda *_: held)
    page = read_page(season_page.season_page(root, "larkmoor", UNITS["us"]))
    assert "4 of 6 earlier seasons with this day had less water: percentile 67." in " ".join("".join(page.text).split())
    assert told_of(page, "percentile")["season", "2031-03-08"] == pytest.approx(100 * 4 / 6)
    zones = told_of(page, "earlier_per_cent")
    assert set(zones) == {("zone", zone) for zone in now.loc[now["level"] == "zone", "zone_id"]}
    assert list(zones.values()) == pytest.approx([100 / np.mean(SHARES)] * len(zones))
    assert "Lower Moor" in "".join(page.text)


def test_numbers_are_rounded_to_their_error(history):
    root, date = history
    page = read_page(pages.make_day_page(root, "larkmoor", date, "metric"))
    se = next(n for n in page.numbers if n.of == "volume_se_m3" and n.level == "")
    # Two digits of the error, whatever its size, and the value to the same place.
    assert len(se.text.replace(".", "").lstrip("0")) == 2
    value = next(n for n in page.numbers if n.of == "volume_m3" and n.level == "")
    assert as_number(value.text)[1] == as_number(se.text)[1]


def test_the_top_says_degraded_and_revised_in_words(history):
    root, date = history
    text = " ".join("".join(read_page(pages.make_day_page(root, "larkmoor", date, "metric")).text).split())
    head = text[: text.index("Where the water lies")]
    assert "Some inputs were missing or damaged. This estimate is less certain than usual." in head
    assert "Station 007 is silent." in head
    assert "Revised." in head
    assert "For a second look." not in head
    assert "revision 2" in head
    assert "late sheet" in head
    for caution in ("not a flood or runoff forecast", "licensed engineers", "Travel in avalanche ground"):
        assert caution in text


def test_a_total_that_jumped_is_told_at_the_top(history, monkeypatch):
    root, date = history
    monkeypatch.setattr("snowtally.report.day_page.second_looks", lambda *_: {date: "jump of the total: 100 to 300 mm"})
    text = "".join(read_page(pages.make_day_page(root, "larkmoor", date, "metric")).text)
    assert "For a second look. jump of the total: 100 to 300 mm." in " ".join(text.split())
    monkeypatch.undo()
    pages.make_day_page(root, "larkmoor", date, "metric")


def test_pages_tell_at_their_foot_who_made_them_and_on_what_terms(history):
    root, date = history
    for path in (
        pages.make_day_page(root, "larkmoor", date, "metric"),
        pages.make_season_page(root, "larkmoor", "metric"),
    ):
        foot = path.read_text("utf-8").partition('<p id="makers">')[2].partition("</p>")[0]
        assert re.sub(r"<[^>]*>", "", foot).split() == [
            "Larkmoor",
            "Snow",
            "Office.",
            "Project:",
            "Nightly",
            "snow.",
            "Made",
            "by",
            "Øvre",
            "desk,",
            "snow@example.org.",
            "Contact:",
            "Survey",
            "desk,",
            "survey@example.org.",
            "Licence:",
            "CC-BY-4.0.",
            "Made",
            "up.",
        ]
        assert 'href="https://example.org/terms"' in foot


def test_the_cautions_are_those_of_the_readme():
    readme = " ".join((Path(__file__).parents[2] / "README.md").read_text("utf-8").split("## Cautions")[1].split())
    for caution in CAUTIONS:
        assert caution in readme


def test_the_same_archive_gives_the_same_page(history):
    root, date = history
    one = pages.make_day_page(root, "larkmoor", date, "metric").read_bytes()
    assert pages.make_day_page(root, "larkmoor", date, "metric").read_bytes() == one
    assert len(one) < 3_000_000


def test_a_page_asks_the_network_for_nothing_and_runs_its_own_script_alone(history):
    root, date = history
    page = read_page(pages.make_day_page(root, "larkmoor", date, "metric"))
    for tag, said in page.tags:
        address = said.get("src") or said.get("href") or "#"
        # Makers and terms are links that a reader may follow.
        outside = ("https://example.org", "mailto:") if tag == "a" else ()
        assert address.startswith(("data:", "#", "../", "r002/", *outside)), (tag, address)
        assert not any(name.startswith("on") for name in said), (tag, said)
    policy = next(said["content"] for tag, said in page.tags if said.get("http-equiv") == "Content-Security-Policy")
    assert "default-src 'none'" in policy
    assert "unsafe-inline" not in re.search(r"script-src[^;]*", policy)[0]


def made_page(root, day, **changes):
    publish(root, day, provenance(**changes))
    return read_page(pages.make_day_page(root, day.basin_id, day.date, "metric"))


def test_a_day_without_snow_has_a_page(tmp_path):
    page = made_page(tmp_path / "archive", no_snow(made_day("2031-07-01")))
    assert next(n for n in page.numbers if n.of == "volume_m3").text == "0.00"


def test_no_flight_one_site_and_the_first_day_are_said(tmp_path):
    day = made_day("2031-03-01")
    page = made_page(tmp_path / "archive", replace(day, sites=day.sites.head(1)))
    text = " ".join("".join(page.text).split())
    assert "No flight this season yet" in text
    assert "1 of 1 sites" in text
    assert "the day before is not in the archive" in text
    assert "no earlier season in the archive has this day" in text
    assert "No map of change" in text


def test_a_line_that_begins_with_a_file_writes_it_as_it_is():
    lost = Loss("lost input", "stations", "in/station_records.csv", "S3", reason="gone")
    assert grouped([lost])[0]["words"] == "station_records.csv (S3) lacks data that it had before"
    assert grouped([replace(lost, rule="silent station")])[0]["words"] == "Station S3 is silent"


def test_no_used_site_is_said_at_the_top(tmp_path):
    day = made_day("2031-03-01")
    page = made_page(tmp_path / "archive", with_flight(replace(day, sites=day.sites.assign(used=False))))
    assert "No site has a value for this date." in "".join(page.text)


def test_a_southern_basin_has_its_own_season(tmp_path):
    settings = {"basin": {"id": "larkmoor", "season_start": "04-01"}}
    grid = BasinGrid(CRS("EPSG:32718"), 100.0, 512_000.0, 4_880_000.0, 40, 30)
    root = tmp_path / "archive"
    publish(root, replace(made_day("2030-08-01"), grid=grid), provenance("before", settings=settings))
    page = made_page(root, replace(made_day("2031-08-01"), grid=grid), settings=settings)
    assert any(n.of == "earlier_mean_m3" for n in page.numbers)
    season = read_page(pages.make_season_page(root, "larkmoor", "metric"))
    assert "season 2031-2032" in "".join(season.text)


LONG = "Upper Long Meadow of the Very Long Name beyond the Second Bridge and the Old Mill " * 3


def test_long_and_non_latin_names_and_hostile_text_stand_as_text(tmp_path):
    hostile = '<script>alert(1)</script><img src=x onerror="alert(2)">&amp;'
    day = made_day("2031-03-01")
    day = replace(
        day, title=f"北の沢 Øvre {LONG}", zones=[("north", hostile), ("south", LONG), ("empty", "Ζώνη")],
        sites=day.sites.assign(reason=hostile), checks=day.checks.assign(detail=hostile, evidence=hostile, rule="'\"><b>rule"),
    )  # fmt: skip
    root = tmp_path / "archive"
    publish(root, day, provenance(reason=hostile, degraded=[hostile], command="rerun"))
    path = pages.make_day_page(root, "larkmoor", day.date, "metric")
    page = read_page(path)
    # Two scripts: the cells and the page's own.
    assert sum(tag == "script" for tag, _ in page.tags) == 2
    assert not any(said.get("src") == "x" for _, said in page.tags)
    assert "".join(page.text).count(hostile) >= 5
    assert "北の沢" in "".join(page.text)
    cells = json.loads(re.search(r'id="cells">(.*?)</script>', path.read_text("utf-8"), re.DOTALL)[1])
    assert cells["zones"][0] == hostile


def test_forty_bands_have_a_row_and_a_bar_each(tmp_path, monkeypatch):
    edges = 1860.0 + 12.0 * np.arange(41)
    bands = list(zip(edges[:-1].tolist(), edges[1:].tolist(), strict=True))
    monkeypatch.setattr(maker, "BANDS", bands)
    day = made_day("2031-03-01")
    elevation = day.fields["elevation"]
    band = np.clip((elevation - 1860) // 12, 0, 39) + 1
    fields = day.fields.assign(elevation_band=band.where(np.isfinite(elevation), 0).astype(int))
    totals = maker._totals(fields, day.basin_id, day.date)
    parts = totals[totals["level"] == "zone_band"]
    pairs = parts[["zone_id", "band_low_m"]].merge(parts[["zone_id", "band_low_m"]], how="cross", suffixes=("", "_2"))
    same = (pairs["zone_id"] == pairs["zone_id_2"]) & (pairs["band_low_m"] == pairs["band_low_m_2"])
    pairs["covariance_m6"] = np.where(same, 1e9, 0.0)
    day = replace(day, bands=bands, fields=fields, totals=totals, totals_covariance=pairs)
    page = made_page(tmp_path / "archive", day)
    assert len({n.key for n in page.numbers if n.level == "band"}) == (totals["level"] == "band").sum() >= 38


def test_another_grid_before_is_said(tmp_path):
    root = tmp_path / "archive"
    publish(root, made_day("2031-02-22", height=20, width=22), provenance("small"))
    page = made_page(root, made_day("2031-03-01"))
    assert "is another" in "".join(page.text)


def test_an_outlook_is_told_when_there_is_one(history):
    root, date = history
    day = pages.read_day(root, "larkmoor", date)
    whole = day.whole
    rows = pd.DataFrame({
        "level": "basin", "zone_id": None, "day": [f"2031-03-{d:02d}" for d in range(9, 16)], "potential_melt_mm": 9.5,
        "potential_melt_m3": 0.03 * whole["volume_m3"], "melt_mm": 4.25, "melt_se_mm": 1.5,
        "melt_m3": 0.01 * whole["volume_m3"], "melt_se_m3": 0.004 * whole["volume_m3"],
        "swe_left_m3": [whole["volume_m3"] * (1 - 0.01 * k) for k in range(1, 8)], "snow_area_km2": 8.0,
        "new_snow_m3": 0.0, "melt_out_p50": "2031-06-02",
    })  # fmt: skip
    around = pages.read_days_around(day)
    made = day_page.day_page(replace(day, outlook=rows), around, UNITS["us"], None)
    page = read_page(made)
    told = {(n.key, n.of): n for n in page.numbers if n.level == "outlook"}
    assert told["2031-03-12", "melt_m3"].value == pytest.approx(0.01 * whole["volume_m3"])
    assert told["2031-03-09", "melt_mm"].text == "0.17"
    assert "2031-06-02" in "".join(page.text)
    whole_melt = {n.of: n.value for n in page.numbers if n.of.startswith("outlook_")}
    # The days err nearly alike: the error of the sum is the sum, not the root of the squares.
    assert whole_melt["outlook_melt_m3"] == pytest.approx(0.07 * whole["volume_m3"])
    assert whole_melt["outlook_melt_se_m3"] == pytest.approx(7 * 0.004 * whole["volume_m3"])
    assert 'aria-label="Melt of each day to come' in made.decode()
    assert "How it may melt" not in "".join(read_page(pages.make_day_page(root, "larkmoor", date, "metric")).text)


def test_the_season_page_links_each_date_and_its_numbers_are_the_archives(history):
    root, _ = history
    page = read_page(pages.make_season_page(root, "larkmoor", "metric"))
    links = {said["href"] for tag, said in page.tags if tag == "a" and said.get("href", "").endswith("/report.html")}
    dates = ("2029-03-08", "2030-03-08", "2031-03-01", "2031-03-07", "2031-03-08")
    assert links == {f"{date}/report.html" for date in dates}
    totals = pd.read_parquet(root / "larkmoor" / "totals.parquet").query("level == 'basin'")
    held = {str(row["date"])[:10]: row for row in totals.to_dict("records")}
    rows = [n for n in page.numbers if n.level == "season"]
    assert {n.key for n in rows} == {d for d in dates if d.startswith("2031")}
    for number in rows:
        assert number.of == "per_cent" or number.value == held[number.key][number.of]
    assert [(n.key, n.value) for n in rows if n.of == "per_cent"] == [("2031-03-08", 120.0)]
    drawn = (root / "larkmoor" / "season.html").read_text("utf-8")
    assert 'class="normal"' in drawn
    assert "Dashes: the normal of 2006-2030." in drawn
    assert ">2029-2030</text>" in drawn
    degraded = [said for tag, said in page.tags if tag == "a" and said.get("class") == "degraded"]
    assert [said["href"] for said in degraded] == ["2031-03-08/report.html"]


def test_a_comparison_page_tells_both_sides(history):
    root, _ = history
    found = compare("larkmoor", find_side(root, "larkmoor", "2031-03-01"), find_side(root, "larkmoor", "2031-03-08@2"))
    page = read_page(compare_page(found, "larkmoor", UNITS["metric"]))
    row = {n.of: n for n in page.numbers if n.level == "compare" and n.key == "basin||"}
    whole = found.totals.iloc[0]
    for of in ("volume_m3_a", "volume_m3_b", "volume_se_m3_a", "change_m3", "change_m3_se", "change_mm"):
        assert row[of].value == whole[of], of
    sites = {(n.key, n.of): n.value for n in page.numbers if n.level == "compare-sites"}
    assert sites["NA", "estimate_a_mm"] == found.sites.set_index("site_id").loc["NA", "estimate_a_mm"]
    assert "Degraded." in "".join(page.text)


def test_a_day_that_was_withdrawn_is_told_on_the_page_of_what_stands(tmp_path):
    root = tmp_path / "archive"
    for number in range(3):
        publish(root, made_day("2031-03-01", extra_mm=number), provenance(str(number)))
    withdraw(root, "larkmoor", dt.date(2031, 3, 1), 2, "wrong flight")
    text = " ".join(
        "".join(read_page(pages.make_day_page(root, "larkmoor", dt.date(2031, 3, 1), "metric")).text).split()
    )
    assert "Withdrawn. Revision 2 of the day was taken back: “wrong flight”." in text
    withdraw(root, "larkmoor", dt.date(2031, 3, 1), 3, "wrong again")
    text = " ".join(
        "".join(read_page(pages.make_day_page(root, "larkmoor", dt.date(2031, 3, 1), "metric")).text).split()
    )
    assert "“wrong flight”. Revision 3 of the day was taken back: “wrong again”." in text


GONE = Loss(
    "missing file", "stations", "data/stations.csv", whole=True, reason="missing file: put it there or take it out"
)
SILENT = [
    Loss("silent station", "stations", "sites.csv", f"S{n}", reason=f"silent station S{n}: mend it") for n in range(8)
]


def words(path):
    return " ".join("".join(read_page(path).text).split())


def test_what_was_missing_is_told_in_plain_words_and_sites_together(tmp_path):
    root = tmp_path / "archive"
    publish(root, made_day("2031-03-01"), provenance(degraded=[*SILENT, GONE]))
    for path in (
        pages.make_day_page(root, "larkmoor", dt.date(2031, 3, 1), "metric"),
        pages.make_season_page(root, "larkmoor", "metric"),
    ):
        text = words(path)
        assert re.search(
            r"Some inputs were missing or damaged( on Saturday 1 March 2031)?\. This estimate is less certain", text
        )
        assert "than usual. stations.csv is missing. missing file: put it there or take it out" in text
        assert "8 stations are silent: S0, S1, S2, S3, S4, S5, 2 more." in text
        assert "silent station S0: mend it; and 7 more, in the record" in text
        assert "than it should be" not in text


def test_degraded_days_are_marked_on_the_curve_by_a_sign_and_a_word(tmp_path):
    root = tmp_path / "archive"
    for day, losses in ((1, []), (2, [GONE]), (3, []), (4, [GONE])):
        publish(root, made_day(f"2031-03-{day:02d}"), provenance(f"{day}", degraded=losses))
    season = pages.make_season_page(root, "larkmoor", "metric").read_text("utf-8")
    crosses = re.findall(r'<path[^>]*class="degraded"><title>([^<]*)</title>', season)
    assert crosses == [f"2031-03-0{day}: degraded, stations.csv is missing" for day in (2, 4)]
    assert season.count(">degraded</text>") == 1
    assert "Crosses: degraded days, on which some inputs were missing or damaged." in season
    assert "One earlier day of this season is degraded." in words(root / "larkmoor/season.html")
    # A day's page knows of no day after it.
    third = pages.make_day_page(root, "larkmoor", dt.date(2031, 3, 3), "metric").read_text("utf-8")
    assert [told[:10] for told in re.findall(r'class="degraded"><title>([^<]*)', third)] == ["2031-03-02"]
    first = pages.make_day_page(root, "larkmoor", dt.date(2031, 3, 1), "metric").read_text("utf-8")
    assert 'class="degraded"' not in first
    assert "Crosses" not in first


def test_a_run_that_was_held_back_is_told_and_what_readers_had_before_is_compared(tmp_path):
    root = tmp_path / "archive"
    day = dt.date(2031, 3, 1)
    publish(root, made_day("2031-03-01", extra_mm=90), provenance("sound"))
    made = pages.remake(root, "larkmoor", day, "metric")
    publish(root, made_day("2031-03-01"), provenance("worse", degraded=[GONE]))
    # A page of before it was held back is not up to date.
    assert pages.make_missing(root, "larkmoor", day, "metric") == made
    told = "Held back. A later run at 2031-03-02 04:30 UTC was held back: stations.csv is missing (not so in 2031-03-01@1)."
    for path in (made.day, root / "larkmoor/season.html"):
        assert told in words(path)
        links = [
            said["href"] for tag, said in read_page(path).tags if tag == "a" and "totals.csv" in said.get("href", "")
        ]
        assert any((path.parent / href).resolve() == root / "larkmoor/2031-03-01/r002/totals.csv" for href in links)
    assert "This page shows revision 1." in words(made.day)
    publish(root, made_day("2031-03-01", extra_mm=95), provenance("sound again"))
    page = read_page(pages.make_day_page(root, "larkmoor", day, "metric"))
    assert "Held back." not in "".join(page.text)
    before = next(number.value for number in page.numbers if number.of == "parent_volume_m3")
    assert before == basin_row(revision_totals(root / "larkmoor/2031-03-01/r001"))["volume_m3"]
    assert "Revision 1 had" in "".join(page.text)


def test_publishing_remakes_the_pages_that_lean_on_a_date(tmp_path):
    root = tmp_path / "archive"
    for date in ("2031-03-01", "2031-03-02"):
        publish(root, made_day(date), provenance(date))
        made = pages.remake(root, "larkmoor", dt.date.fromisoformat(date), "metric")
        assert made.troubles == []
    after = (root / "larkmoor/2031-03-02/report.html").read_bytes()
    publish(root, made_day("2031-03-01", extra_mm=50), provenance("again"))
    pages.remake(root, "larkmoor", dt.date(2031, 3, 1), "metric")
    assert (root / "larkmoor/2031-03-02/report.html").read_bytes() != after
    for number in (1, 2):
        withdraw(root, "larkmoor", dt.date(2031, 3, 1), number, "wrong")
        pages.remake(root, "larkmoor", dt.date(2031, 3, 1), "metric")
    assert not (root / "larkmoor/2031-03-01/report.html").exists()
    assert "2031-03-01" not in (root / "larkmoor/season.html").read_text("utf-8")


def test_the_change_since_the_flight_and_the_courses_is_told_and_follows_those_days(tmp_path, monkeypatch):
    # The flight is of 20 February; the archive holds the second day after it, and the last day of the courses.
    surveys = [dt.date(2031, 2, 26), dt.date(2031, 3, 1)]
    monkeypatch.setattr("snowtally.report.published.survey_dates", lambda *_: surveys)
    root = tmp_path / "archive"
    for n, date in enumerate(("2031-02-22", "2031-03-01", "2031-03-08")):
        publish(root, with_flight(made_day(date, extra_mm=7.0 * n)), provenance(date))
    made = pages.make_day_page(root, "larkmoor", dt.date(2031, 3, 8), "metric")
    held = pd.read_parquet(root / "larkmoor" / "totals.parquet").query("level == 'basin'").set_index("date")
    feb, round_, now = (held.loc[day] for day in held.index)
    told = [n.value for n in read_page(made).numbers if n.of == "change_m3"]
    assert told == [now["volume_m3"] - then["volume_m3"] for then in (round_, feb, round_)]
    assert "Since the flight of 20 February 2031" in words(made)
    assert "counted from 22 February 2031, the first day after it in the archive" in words(made)
    assert "Since the courses of 1 March 2031" in words(made)
    # Each of the parts errs alike on both days, since the flight is one: the variance is the difference of the variances.
    errors = [n.value for n in read_page(made).numbers if n.of == "change_se_m3"]
    assert errors[1] == pytest.approx(np.sqrt(now["volume_se_m3"] ** 2 - feb["volume_se_m3"] ** 2))
    before = made.read_bytes()
    publish(root, with_flight(made_day("2031-02-22", extra_mm=9)), provenance("late"))
    assert pages.remake(root, "larkmoor", dt.date(2031, 2, 22), "metric").troubles == []
    assert made.read_bytes() != before


def test_a_page_that_fails_is_told_in_a_line_and_leaves_what_is_published(tmp_path, monkeypatch):
    root = tmp_path / "archive"
    publish(root, made_day("2031-03-01"), provenance())
    monkeypatch.setattr(pages, "day_page", lambda *_: 1 / 0)
    made = pages.remake(root, "larkmoor", dt.date(2031, 3, 1), "metric")
    assert made.day is None
    assert made.troubles == ["page of 2031-03-01 could not be made: ZeroDivisionError: division by zero"]
    assert (root / "larkmoor/2031-03-01/r001/record.json").exists()
    assert not (root / "larkmoor/2031-03-01/report.html").exists()
    # The next update that finds nothing new makes up for it.
    monkeypatch.undo()
    path = pages.make_missing(root, "larkmoor", dt.date(2031, 3, 1), "metric").day
    # A page of an earlier revision counts as missing, that of the standing one does not.
    publish(root, made_day("2031-03-01", extra_mm=9), provenance("next"))
    first = path.read_bytes()
    second = pages.make_missing(root, "larkmoor", dt.date(2031, 3, 1), "metric").day.read_bytes()
    assert second != first
    monkeypatch.setattr(pages, "day_page", lambda *_: 1 / 0)
    assert pages.make_missing(root, "larkmoor", dt.date(2031, 3, 1), "metric") == pages.Pages(path)


def test_a_date_that_is_not_held_gets_no_page_and_no_folder(history):
    root, _ = history
    with pytest.raises(ArchiveError, match="has no day 2031-03-05"):
        pages.make_day_page(root, "larkmoor", dt.date(2031, 3, 5), "metric")
    assert not (root / "larkmoor/2031-03-05").exists()


def test_a_page_of_a_revision_with_a_damaged_file_is_one_line(tmp_path):
    root = tmp_path / "archive"
    publish(root, made_day("2031-03-01"), provenance())
    path = root / "larkmoor/2031-03-01/r001/totals.parquet"
    path.chmod(0o644)
    path.write_bytes(b"no parquet")
    with pytest.raises(ArchiveError, match=r"totals\.parquet cannot be read"):
        pages.make_day_page(root, "larkmoor", dt.date(2031, 3, 1), "metric")


def test_every_part_of_the_error_that_the_methods_name_has_words():
    code = "".join(path.read_text("utf-8") for path in sorted((Path(__file__).parents[2] / "pipeline").rglob("*.py")))
    named = set(re.findall(r'(?:Error|Kriged)Part\(\s*"([^"]+)"', code))
    assert len(named) > 10
    assert named <= set(ERROR_PARTS)


@pytest.mark.parametrize(("name", "mark", "other"), [("metric", "\u202f", ","), ("us", ",", "\u202f")])
def test_thousands_have_the_mark_of_the_units_everywhere(history, name, mark, other):
    root, date = history
    day = pages.read_day(root, "larkmoor", date)
    html = day_page.day_page(day, pages.read_days_around(day), UNITS[name], None).decode()
    numbers = re.findall(r"<data [^>]*>([^<]*)</data>", html) + re.findall(
        r'<text class="label[^>]*>([^<]*)</text>', html
    )
    assert any(re.search(rf"\d{mark}\d{{3}}", number) for number in numbers)
    assert not any(re.search(rf"\d{other}\d", number) for number in numbers)
