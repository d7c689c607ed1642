"""What a day's files hold: the values given, rounded as stated, in the same bytes every time."""

from __future__ import annotations

import csv
import hashlib
import io
import json
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import xarray as xr
from hypothesis import given
from hypothesis import strategies as st
from made_day import BANDS, ZONES, made_day

from snowtally.archive.columns import COLUMNS, Column
from snowtally.model.problems import ArchiveError
from snowtally.model.variables import VARIABLES
from snowtally.publishing.estimate_nc import flag_words, rounded_fields
from snowtally.publishing.pack import pack
from snowtally.publishing.publish import publish
from snowtally.publishing.tables import add_up, csv_bytes, plain_csv, tidy
from snowtally.reading import read_sites
from snowtally.storage.csv_text import original

NAMES = [
    "checks.csv",
    "density.tif",
    "depth.tif",
    "estimate.nc",
    "sites.csv",
    "sites.geojson",
    "sites.parquet",
    "skill.csv",
    "swe.tif",
    "swe_se.tif",
    "totals.csv",
    "totals.parquet",
    "totals_covariance.parquet",
    "zones.geojson",
    "zones.parquet",
]


@pytest.fixture(scope="module")
def packed(tmp_path_factory):
    folder = tmp_path_factory.mktemp("packed")
    day = made_day()
    assert pack(day, folder) == NAMES
    return day, folder


def digests(folder: Path) -> dict[str, str]:
    return {path.name: hashlib.sha256(path.read_bytes()).hexdigest() for path in sorted(folder.iterdir())}


def test_the_same_day_gives_the_same_bytes_in_another_process_and_another_minute(packed, tmp_path):
    # Another process has another hash seed, another temporary folder and another clock.
    script = (
        "import sys, time; sys.path.insert(0, sys.argv[2]); time.time = lambda: 2e9\n"
        "from made_day import made_day; from snowtally.publishing.pack import pack; from pathlib import Path\n"
        "pack(made_day(), Path(sys.argv[1]))"
    )
    root = Path(__file__).parents[2]
    subprocess.run([sys.executable, "-c", script, str(tmp_path), str(root / "tests" / "made")], check=True, cwd=root)
    assert digests(tmp_path) == digests(packed[1])


@pytest.mark.parametrize("name", [name for name in VARIABLES if name not in {"source", "zone", "elevation_band"}])
def test_measures_come_back_rounded_as_the_table_of_variables_says(packed, name):
    day, folder = packed
    with xr.open_dataset(folder / "estimate.nc") as stored:
        values = stored[name].to_numpy().reshape(day.grid.shape)
    given = day.fields[name].to_numpy()
    np.testing.assert_array_equal(np.isnan(values), np.isnan(given))
    # Half a step, and what float32 cannot tell apart at this size.
    step = VARIABLES[name].step
    assert np.nanmax(np.abs(values - given)) <= 0.5 * step + np.spacing(np.float32(np.nanmax(np.abs(given))))
    np.testing.assert_array_equal(values, (np.round(given / step) * step).astype(np.float32))


@pytest.mark.parametrize("name", ["source", "zone", "elevation_band"])
def test_classes_are_missing_outside_the_basin_and_whole_inside(packed, name):
    day, folder = packed
    with xr.open_dataset(folder / "estimate.nc", mask_and_scale=False) as stored:
        values, fill = stored[name].to_numpy().reshape(day.grid.shape), stored[name].attrs["_FillValue"]
    assert fill == 0
    np.testing.assert_array_equal(values, day.fields[name].to_numpy())


def test_what_a_day_says_outside_its_basin_is_not_stored(packed):
    day, _ = packed
    leaky = replace(day, fields=day.fields.assign(swe=day.fields["swe"].fillna(0.0), zone=day.fields["zone"] * 0 + 1))
    stored = rounded_fields(leaky)
    outside = np.isnan(day.fields["cell_area"].to_numpy())
    assert outside.any()
    assert np.isnan(stored["swe"][outside]).all()
    assert (stored["zone"][outside] == 0).all()


def test_zones_and_bands_keep_their_true_names_beside_their_flag_words(packed):
    _, folder = packed
    with xr.open_dataset(folder / "estimate.nc") as stored:
        zone, band = stored["zone"].attrs, stored["elevation_band"].attrs
    assert zone["flag_meanings"].split() == ["Ovre_Flache", "Lower_Moor", "Lower_Moor_3"]
    assert list(zip(json.loads(zone["zone_ids"]), json.loads(zone["zone_names"]), strict=True)) == ZONES
    assert band["flag_meanings"].split() == ["1800_to_2000_m", "2000_to_2200_m", "2200_to_2400_m"]
    assert list(zip(band["band_low_m"], band["band_high_m"], strict=True)) == BANDS


def test_flag_words_are_one_ascii_word_each_and_no_two_alike():
    words = flag_words(["A b", "A_b", "", "北", "12\u201314", "a\tb\nc", "a+b@c-d.e"])
    assert len(set(words)) == len(words) == 7
    assert all(word.isascii() and word and " " not in word for word in words)
    # A number put behind a word must not make it the same as a word that ends so by itself.
    assert len(set(flag_words(["x", "x_3", "x"]))) == 3


def test_volumes_and_areas_add_up_exactly_as_stored(packed):
    _, folder = packed
    rows = list(csv.DictReader((folder / "totals.csv").open(encoding="utf-8")))
    for column, unit in (("volume_m3", 1), ("area_km2", 10**6), ("snow_area_km2", 10**6)):
        # In whole m3 and m2, so that the sum is exact and not a float's.
        sums = {level: sum(round(float(r[column]) * unit) for r in rows if r["level"] == level) for level in
                ("basin", "zone", "band", "zone_band")}  # fmt: skip
        assert len(set(sums.values())) == 1, (column, sums)
        for zone in {r["zone_id"] for r in rows if r["level"] == "zone"}:
            parts = sum(
                round(float(r[column]) * unit) for r in rows if r["level"] == "zone_band" and r["zone_id"] == zone
            )
            whole = next(r for r in rows if r["level"] == "zone" and r["zone_id"] == zone)
            assert round(float(whole[column]) * unit) == parts


def test_volumes_agree_with_the_grid_as_an_outsider_would_sum_it(packed):
    _, folder = packed
    totals = pd.read_csv(folder / "totals.csv")
    with xr.open_dataset(folder / "estimate.nc") as stored:
        cells = stored[["swe", "cell_area", "zone", "snow_cover"]].isel(time=0).load()
    volume = (cells["swe"].astype(float) * cells["cell_area"].astype(float) / 1000).groupby(cells["zone"]).sum()
    for number, (zone_id, _) in enumerate(ZONES[:2], start=1):
        row = totals[(totals["level"] == "zone") & (totals["zone_id"] == zone_id)].iloc[0]
        # Cells are rounded to 0.05 mm, here of 250 mm on average, at random.
        assert float(volume.sel(zone=number)) == pytest.approx(row["volume_m3"], rel=2e-5)


def test_totals_that_do_not_add_up_are_refused():
    totals = tidy(made_day().totals, COLUMNS["totals"], "totals")
    assert add_up(totals)["volume_m3"].sub(totals["volume_m3"]).abs().max() <= 3
    totals.loc[totals["level"] == "basin", "volume_m3"] += 100
    with pytest.raises(ArchiveError, match=r"Totals do not add up: volume_m3 of basin is 2493\d\d\d"):
        add_up(totals)


def test_a_zone_band_without_an_estimate_leaves_the_sums_to_the_others():
    totals = tidy(made_day().totals, COLUMNS["totals"], "totals")
    south = (totals["level"] == "zone_band") & (totals["zone_id"] == "south")
    gone = totals[south].index[-1]
    basin = totals["level"] == "basin"
    alone = (totals["level"] == "band") & (totals["band_low_m"] == totals.loc[gone, "band_low_m"])
    above = basin | (totals["level"] == "zone") & (totals["zone_id"] == "south")
    totals.loc[above, "volume_m3"] -= totals.loc[gone, "volume_m3"]
    totals.loc[gone, "volume_m3"] = np.nan
    with pytest.raises(ArchiveError, match=r"volume_m3 of band 2200.0 is \d+.0, its zone-bands make nan"):
        add_up(totals)
    totals.loc[alone, "volume_m3"] = np.nan
    summed = add_up(totals)["volume_m3"]
    assert summed[basin].item() == totals.loc[totals["level"] == "zone_band", "volume_m3"].sum()
    assert summed[alone].isna().all()


def test_csv_and_parquet_hold_the_same_totals(packed):
    _, folder = packed
    text = pd.read_csv(folder / "totals.csv", dtype={"zone_id": "str"}, parse_dates=["date"])
    parquet = pd.read_parquet(folder / "totals.parquet")
    parquet["date"] = pd.to_datetime(parquet["date"])
    pd.testing.assert_frame_equal(text, parquet, check_dtype=False, check_exact=True)


def test_numbers_in_csv_have_fixed_decimals_and_missing_values_are_empty(packed):
    _, folder = packed
    lines = (folder / "sites.csv").read_text("utf-8").splitlines()
    assert lines[1] == "NA,513000.0,4879000.1,2011.3,true,255.6,12.0,0.812,314.6,0,251.0,240.1,33.3,true,"
    assert lines[2] == '007,513000.0,4879000.1,2011.3,false,,,,,0,251.0,240.1,33.3,false,"silent, for 3 days"'
    skill = (folder / "skill.csv").read_text("utf-8").splitlines()
    assert skill[1] == "kriging,blend,12,33.333,-1.500,0.810,20.100,0.500,0.920,0.700"
    assert b"\r" not in (folder / "checks.csv").read_bytes()


def test_covariances_are_not_rounded(packed):
    day, folder = packed
    stored = pd.read_parquet(folder / "totals_covariance.parquet")
    np.testing.assert_array_equal(stored["covariance_m6"], day.totals_covariance["covariance_m6"])


@pytest.mark.parametrize(
    ("change", "told"),
    [
        ({"fields": lambda d: d.fields.drop_vars("swe")}, "no variable swe"),
        ({"fields": lambda d: d.fields.isel(y=slice(None, None, -1))}, "do not lie on its grid"),
        ({"fields": lambda d: d.fields.transpose("x", "y")}, r"does not lie on \(y, x\)"),
        ({"totals": lambda d: d.totals.drop(columns="area_km2")}, "totals lacks area_km2"),
        ({"totals": lambda d: d.totals.assign(basin_id="other")}, "rows of another basin or date"),
        ({"skill": lambda d: d.skill.assign(mae=1)}, "skill has unknown mae"),
        ({"sites": lambda d: d.sites.assign(x="far")}, "sites, column x is no number"),
    ],
)
def test_a_day_that_is_not_whole_is_refused_by_name(change, told, tmp_path):
    day = made_day()
    broken = replace(day, **{name: make(day) for name, make in change.items()})
    with pytest.raises(ArchiveError, match=told):
        pack(broken, tmp_path)


def test_a_day_without_sites_checks_or_flights_can_be_packed(tmp_path):
    day = made_day()
    bare = replace(day, sites=day.sites.iloc[:0], checks=day.checks.iloc[:0], skill=day.skill.iloc[:0],
                   totals_covariance=day.totals_covariance.iloc[:0])  # fmt: skip
    pack(bare, tmp_path)
    assert (tmp_path / "sites.csv").read_text("utf-8").count("\n") == 1
    assert pd.read_parquet(tmp_path / "totals_covariance.parquet").empty


WORDS = st.text(st.characters(codec="utf-8"), max_size=12) | st.sampled_from(
    ["LC\r99", "\r", "a\r\nb", "\n", 'say "so"', "a,b", " ", "=1+1", "-3", "'=quoted"]
)


@given(words=st.lists(WORDS, min_size=1, max_size=6), numbers=st.lists(st.floats(-1e6, 1e6), min_size=6, max_size=6))
def test_any_text_comes_back_from_csv_in_one_row(words, numbers):
    columns = (Column("site_id"), Column("swe_mm", "number", 1), Column("remark"))
    given_ = pd.DataFrame({"site_id": words, "swe_mm": numbers[: len(words)], "remark": words[::-1]})
    table = tidy(given_, columns, "made")
    for data in (csv_bytes(table, columns), plain_csv(table)):
        rows = list(csv.reader(io.StringIO(data.decode("utf-8"), newline="")))
        assert rows[0] == ["site_id", "swe_mm", "remark"]
        # What a spreadsheet would run has an apostrophe in front, which readers take off again.
        assert not any(cell.startswith(("=", "+", "-", "@")) for row in rows[1:] for cell in (row[0], row[2]))
        came_back = [(original(row[0]), original(row[2])) for row in rows[1:]]
        assert came_back == list(zip(words, words[::-1], strict=True))
        # As Python's writer has it, but for the lone CR that it leaves bare.
        plain = io.StringIO(newline="")
        csv.writer(plain, lineterminator="\n").writerows(rows)
        assert any("\r" in word for word in words) or data == plain.getvalue().encode("utf-8")


def test_a_site_named_with_a_carriage_return_stays_one_row(tmp_path, provenance):
    day = made_day(height=8, width=9)
    sites = day.sites.assign(site_id=["LC\r99", "007"])
    published = publish(tmp_path, replace(day, sites=sites), provenance("a"))
    assert list(read_sites(tmp_path, "larkmoor", "2031-03-01")["site_id"]) == ["LC\r99", "007"]
    assert b'"LC\r99"' in (published.path / "sites.csv").read_bytes()
