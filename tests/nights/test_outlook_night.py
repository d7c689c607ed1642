"""The melt outlook through the command line: files, standards, other programs, and made again from the archive."""

import datetime as dt
import json
import subprocess
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import xarray as xr
from made_basin import HEIGHT, LEFT, TOP, WIDTH, changed, snowtally, write_raster

from snowtally.gather.covers import with_age
from snowtally.gather.day import read_inputs
from snowtally.operations.late import changed_dates
from snowtally.publishing.archived_grids import read_grids
from snowtally.publishing.archived_inputs import archive_inputs
from snowtally.publishing.record import input_sha256
from snowtally.settings.basin import read_settings

DAYS = 8


@pytest.fixture(scope="module")
def night(basin):
    dates = pd.date_range("2031-02-20", "2031-03-08")
    past = pd.DataFrame({"date": dates, "issued": dates + pd.Timedelta(days=1)})
    ahead = [
        pd.DataFrame({"date": pd.date_range(issued, periods=DAYS + 1)[1:], "issued": pd.Timestamp(issued)})
        for issued in ("2031-03-06", "2031-03-08", "2031-03-09")
    ]
    table = pd.concat([past, *ahead], ignore_index=True)
    table = table.assign(
        elevation_m=1900,
        solar_mj_m2=18 + table.index % 4,
        air_temperature_c=5 + 0.5 * (table.index % 3),
        precipitation_mm=0.0,
    )
    table.to_csv(basin / "weather.csv", index=False)
    write_raster(basin / "albedo.tif", np.full((HEIGHT, WIDTH), 0.62), 100, LEFT, TOP)
    (basin / "covers.csv").write_text("date,variable,path\n2031-03-04,snow_albedo,albedo.tif\n", "utf-8")
    path = changed(
        basin, "outlook", lambda text: text.replace("inputs: {", "inputs: {weather: weather.csv, covers: covers.csv, ")
    )
    done = snowtally("update", path, "--date", "2031-03-08", "--json")
    assert done.returncode == 0, done.stdout + done.stderr
    return path, json.loads(done.stdout)


def test_the_outlook_starts_the_day_after_and_uses_no_later_issue(night):
    told = night[1]["outlook"]
    assert [row["day"] for row in told] == [str(day.date()) for day in pd.date_range("2031-03-09", periods=DAYS)]
    record = json.loads((Path(night[1]["path"]) / "record.json").read_text("utf-8"))
    outlook = record["models"]["outlook"]
    assert outlook["issued"] == ["2031-03-08"]
    assert outlook["issue_pairs"] == DAYS - 2
    assert "pvlib" in record["packages"]
    assert {"earlier_issues", "albedo", "weather"} <= set(record["kept_inputs"])


def test_table_and_grids_agree(night):
    path = Path(night[1]["path"])
    rows = pd.read_csv(path / "outlook.csv").query("level == 'basin'")
    with xr.open_dataset(path / "melt.nc") as grids, xr.open_dataset(path / "estimate.nc") as day:
        volume = (grids["melt"] * day["cell_area"] / 1000).sum(("y", "x")).to_numpy()
        assert str(grids["time"].to_numpy()[0]) == "2031-03-09T14:00:00.000000000"
        assert (grids["melt"].sum("time") <= day["swe"] + 0.5).where(np.isfinite(day["swe"])).min() > 0
        np.testing.assert_allclose(volume, rows["melt_m3"], rtol=0.005)
    assert rows["melt_m3"].sum() > 0


def test_the_grids_follow_the_conventions(night):
    checker = Path(sys.executable).with_name("compliance-checker")
    if not checker.exists():
        pytest.skip("compliance-checker is not installed")
    done = subprocess.run(
        [checker, "--test=cf:1.11", "--criteria=strict", "--format=json", "--output=-", Path(night[1]["path"]) / "melt.nc"],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout + done.stderr


def test_it_is_made_again_from_the_archive_byte_by_byte(night):
    again = snowtally("rerun", night[0], "--inputs-of", "2031-03-08@1", "--json")
    assert again.returncode == 0, again.stdout + again.stderr
    assert snowtally("verify", night[0]).returncode == 0
    unchanged = json.loads(snowtally("update", night[0], "--date", "2031-03-08", "--json").stdout)
    assert unchanged["unchanged"]


def test_another_forecast_is_another_day_and_compare_tells_it(basin, night):
    text = (basin / "weather.csv").read_text("utf-8")
    (basin / "weather.csv").write_text(text.replace("2031-03-16,2031-03-08", "2031-03-16,2031-03-07"), "utf-8")
    done = snowtally("rerun", night[0], "--date", "2031-03-08", "--reason", "forecast withdrawn")
    (basin / "weather.csv").write_text(text, "utf-8")
    assert done.returncode == 0, done.stdout + done.stderr
    told = json.loads(snowtally("compare", night[0], "2031-03-08@1", "2031-03-08@2", "--json").stdout)
    assert "weather" in told["changes"]["rows"]
    assert told["totals"][0]["change_m3"] == 0


def test_a_date_that_no_forecast_passes_says_so(night):
    done = snowtally("update", night[0], "--date", "2031-03-02")
    assert "No melt outlook: the weather table has no day after the date" in " ".join(done.stdout.split())
    told = json.loads(snowtally("update", night[0], "--date", "2031-03-02", "--json").stdout)
    assert told["outlook"] is None
    assert not (Path(told["path"]) / "melt.nc").exists()


def test_nights_share_the_albedo_that_they_have_in_common(night):
    other = json.loads(snowtally("update", night[0], "--date", "2031-03-06", "--json").stdout)
    records = [json.loads((Path(one["path"]) / "record.json").read_text("utf-8")) for one in (night[1], other)]
    assert len({record["kept_inputs"]["albedo"] for record in records}) == 1
    kept = read_grids(Path(other["path"]).parents[1] / "inputs", records[0]["kept_inputs"]["albedo"])

    def ages(albedo, day):
        values = with_age(albedo, dt.date(2031, 3, day))["age_days"].to_numpy()
        return set(values[np.isfinite(values)])

    assert ages(kept, 6) == {2}
    assert ages(kept, 8) == {4}
    # Archives of before hold the age of their own date.
    before = kept.drop_vars("seen_on").assign(age_days=kept["seen_on"] * 0 + 3)
    assert ages(before, 8) == {3}


def test_an_albedo_archived_with_its_age_is_no_late_input(night, monkeypatch):
    settings, date = read_settings(night[0]), dt.date(2031, 3, 5)
    made = json.loads(snowtally("update", night[0], "--date", str(date), "--json").stdout)
    # The rasters were written a moment ago, and are whole.
    monkeypatch.setattr("snowtally.operations.late.wait_for_arrival", lambda *_words: frozenset())
    hashes = read_inputs(settings, date, lambda _name: None).hashes
    path = Path(made["path"]) / "record.json"
    text, mode = path.read_text("utf-8"), path.stat().st_mode
    record = json.loads(text)
    kept = read_grids(path.parents[2] / "inputs", record["kept_inputs"]["albedo"])
    old = with_age(kept, date)[["snow_albedo", "age_days"]]
    sha256 = archive_inputs(settings.archive_root, settings.basin.id, {}, {"albedo": old})["albedo"]
    record["kept_inputs"]["albedo"] = sha256
    record["input_hash"] = input_sha256(hashes | {"albedo": sha256})
    path.chmod(0o644)
    try:
        path.write_text(json.dumps(record), "utf-8")
        late = [one.date for one in changed_dates(settings, date).late]
    finally:
        path.write_text(text, "utf-8")
        path.chmod(mode)
    assert date not in late


def test_what_the_outlook_finds_is_told_with_the_night(night, monkeypatch):
    monkeypatch.setattr("snowtally.melt.outlook.DEGREE_DAY_RANGE", (0.0, 0.01))
    done = snowtally("update", night[0], "--date", "2031-03-07")
    assert "1 x degree-day factor (used)" in " ".join(done.stdout.split())
    assert "snow_albedo of 2031-03-04" in done.stdout
    again = json.loads(snowtally("update", night[0], "--date", "2031-03-07", "--json").stdout)
    assert again["unchanged"]
    assert [row["severity"] for row in again["findings"] if row["rule"] == "degree-day factor"] == ["warning"]
