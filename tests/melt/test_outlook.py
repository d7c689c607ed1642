"""The outlook of a day as a whole: laws of its table and grids, and what it does without this or that input."""

import datetime as dt
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from pyproj import CRS

from snowtally.melt.outlook import OutlookInputs, with_outlook
from snowtally.model.basin import Basin
from snowtally.model.day import Day
from snowtally.model.grid import BasinGrid
from snowtally.model.ground import GroundRecord
from snowtally.model.problems import findings_table
from snowtally.statistics.totals import ZoneBands, covariance_rows

DATE = dt.date(2031, 4, 20)
SEASON = dt.date(2030, 10, 1)


def table(first, days, issued, temperature=4.0, solar=22.0):
    dates = pd.date_range(first, periods=days)
    return pd.DataFrame(
        {
            "date": dates, "issued": pd.Timestamp(issued), "elevation_m": 2200.0, "air_temperature_c": temperature,
            "solar_mj_m2": solar, "precipitation_mm": 0.0,
        }
    )  # fmt: skip


def ground(weather, melt_mm_day=0.0):
    """Return two stations that gain until March and then lose evenly."""
    dates = pd.date_range(SEASON, DATE)
    count = np.arange(len(dates))
    sites = pd.DataFrame(
        {"kind": "station", "row": [20, 30], "column": [10, 25], "elevation_m": [2000.0, 2400.0], "canopy": 0.0},
        index=pd.Index(["A", "B"], name="site_id"),
    )
    swe = np.where(count < 172, 3.0 * count, 516.0 - melt_mm_day * (count - 172))
    warm = np.where(count < 172, -8.0, 3.0)
    daily = pd.concat(
        pd.DataFrame({
            "site_id": site, "date": dates, "swe_mm": swe, "air_temperature_c": warm - 6 * (z - 2200) / 1000,
            "precipitation_mm": np.where(count < 172, 3.0, 0.0),
        })
        for site, z in sites["elevation_m"].items()
    )  # fmt: skip
    return GroundRecord(sites, daily, np.full(len(daily), 5.0), daily.iloc[:0], weather=weather)


def basin(melt_mm_day=10.0, se=0.1):
    """Return a day of a small rough basin and what its outlook is made from."""
    grid = BasinGrid(CRS("EPSG:32625"), 100.0, 500_000.0, 4_880_000.0, 40, 50)
    row, column = np.indices(grid.shape)
    height = 2200.0 + 300.0 * np.sin(row / 9.0) * np.cos(column / 7.0) + 4.0 * row
    inside = (row > 3) & (row < 46) & (column > 3) & (column < 36)
    bands = [(1800.0, 2000.0), (2000.0, 2200.0), (2200.0, 2400.0), (2400.0, 2600.0), (2600.0, 2800.0)]
    swe = np.clip(0.5 * (height - 1850.0), 0.0, None)
    values = {
        "elevation": height, "canopy": np.where(column > 30, 0.5, 0.0), "convergence": np.zeros(grid.shape),
        "cell_area": np.where(inside, 1e4, np.nan), "swe": np.where(inside, swe, np.nan), "swe_se": np.where(inside, 0.2 * swe, np.nan),
        "snow_cover": np.where(swe > 0, 0.9, 0.0), "density": np.where(swe > 0, 380.0, np.nan),
        "zone": np.where(inside, 1 + (column > 20), 0), "elevation_band": np.where(inside, (height - 1800) // 200 + 1, 0).astype(int),
    }  # fmt: skip
    terrain = grid.array(height).to_dataset(name="elevation")
    terrain = terrain.assign({name: (("y", "x"), field) for name, field in values.items()})
    part, window = grid.window(inside)
    units = ZoneBands("b", ["w", "e"], bands)
    number = units.numbers(values["zone"], values["elevation_band"])
    volume = np.bincount(number[inside], (swe * 10.0)[inside], units.count)
    covariance = covariance_rows(terrain, units, se**2 * np.outer(volume, volume))
    day = Day(
        basin_id="b", title="B", date=DATE, noon_utc=dt.datetime(2031, 4, 20, 14), grid=part, zones=[("w", ""), ("e", "")],  # noqa: DTZ001  UTC, naive
        bands=bands, fields=terrain.isel(y=window[0], x=window[1]), totals=pd.DataFrame(), totals_covariance=covariance,
        sites=pd.DataFrame(), checks=findings_table([]), skill=pd.DataFrame(), models={"density": {}},
    )  # fmt: skip
    past = table(SEASON, 202, "2031-04-21", temperature=0.0)
    forecast = table("2031-04-21", 10, DATE)
    return day, OutlookInputs(
        Basin(grid, terrain.fillna({"cell_area": 0.0})), ground(past, melt_mm_day), forecast, None, SEASON
    )


@pytest.fixture(scope="module")
def made():
    return with_outlook(*basin())


def test_volumes_add_up_and_mass_closes(made):
    rows = made.outlook.table
    for day, of_day in rows.groupby("day"):
        whole = of_day[of_day["level"] == "basin"].iloc[0]
        for level in ("zone", "band", "zone_band"):
            sums = of_day[of_day["level"] == level][
                ["melt_m3", "potential_melt_m3", "swe_left_m3", "new_snow_m3"]
            ].sum()
            assert (sums == whole[sums.index]).all(), (day, level)
    units = rows[rows["level"] == "zone_band"]
    swe = float(np.nansum(made.fields["swe"].to_numpy()) * 10.0)
    last = rows[(rows["level"] == "basin")].iloc[-1]
    gone = rows.loc[rows["level"] == "basin", "melt_m3"].sum()
    assert last["swe_left_m3"] + gone == pytest.approx(swe, abs=len(units))
    assert (rows["melt_m3"] <= rows["potential_melt_m3"] + 1).all()
    assert (rows["swe_left_m3"] >= 0).all()
    assert (rows["melt_se_m3"] >= 0).all()


def test_grids_say_what_the_table_says(made):
    melt = made.outlook.fields["melt"].to_numpy().astype(float)
    inside = np.isfinite(made.fields["cell_area"].to_numpy())
    assert np.isnan(melt[:, ~inside]).all()
    assert (melt.sum(axis=0)[inside] <= made.fields["swe"].to_numpy()[inside] + 1e-4).all()
    basin_rows = made.outlook.table[made.outlook.table["level"] == "basin"]
    units = (made.outlook.table["level"] == "zone_band").sum() / len(basin_rows)
    assert np.nansum(melt, axis=(1, 2)) * 10.0 == pytest.approx(basin_rows["melt_m3"].to_numpy(), abs=units)


def test_cells_share_their_zone_bands_error_and_add_their_own(made):
    day, inputs = basin()
    known = replace(day, fields=day.fields.assign(swe_se=0.0 * day.fields["swe_se"]))
    shared = with_outlook(known, inputs).outlook
    zone, band = (day.fields[name].to_numpy() for name in ("zone", "elevation_band"))
    rows = shared.table.query("level == 'zone_band'").set_index(["zone_id", "band_low_m"])
    for zone_id, low in rows.index.unique():
        cells = (zone == 1 + ["w", "e"].index(zone_id)) & (band == 1 + (low - 1800) // 200)
        # Cells of one zone-band err together: their errors add up as they are. 100 m2 of a cell and 1 mm are 10 m3.
        added = np.nansum(np.where(cells, shared.fields["melt_se"].to_numpy(), 0.0), axis=(1, 2)) * 10.0
        np.testing.assert_allclose(added, rows.loc[(zone_id, low), "melt_se_m3"], rtol=1e-5)
    both, own = (one.fields["melt_se"].to_numpy()[-1] for one in (made.outlook, shared))
    inside = np.isfinite(own)
    assert (both[inside] >= own[inside]).all()
    # How much snow there was decides what melts of a cell that is running out, not of one that is not.
    melt = made.outlook.fields["melt"].to_numpy()
    gone = melt.sum(axis=0) / np.maximum(day.fields["swe"].to_numpy(), 1e-9)
    more = np.sqrt(np.maximum(both**2 - own**2, 0.0)) / np.maximum(melt[-1], 1e-9)
    snowy = inside & (melt[-1] > 1.0)
    low, high = np.quantile(gone[snowy], [0.25, 0.75])
    assert np.median(more[snowy & (gone >= high)]) > 2 * np.median(more[snowy & (gone <= low)])


def test_the_lowest_band_melts_out_first_and_the_highest_not_yet(made):
    rows = made.outlook.table
    bands = rows[(rows["level"] == "band") & (rows["day"] == rows["day"].min())].sort_values("band_low_m")
    assert bands["melt_out_p50"].iloc[0] is not None
    assert bands["melt_out_p50"].iloc[-1] is None
    dated = bands.dropna(subset=["melt_out_p10", "melt_out_p90"])
    assert (dated["melt_out_p10"] <= dated["melt_out_p90"]).all()


def test_stations_that_melt_faster_tell_of_more_melt():
    slow, fast = (with_outlook(*basin(melt_mm_day=rate)) for rate in (4.0, 16.0))
    melt = [day.outlook.table.query("level == 'basin'")["potential_melt_m3"].sum() for day in (slow, fast)]
    assert melt[1] > 1.15 * melt[0]
    told = fast.models["outlook"]["tuning_stations"]
    assert {one["site_id"] for one in told} == {"A", "B"}
    off = [abs(one["modelled_mm"] - one["observed_mm"]) < abs(one["untuned_mm"] - one["observed_mm"]) for one in told]
    assert all(off)


def test_issues_that_disagree_and_a_map_less_sure_widen_the_error():
    day, inputs = basin(se=0.02)
    earlier = table("2031-04-21", 9, "2031-04-18", temperature=9.0, solar=12.0)
    plain, torn = (
        with_outlook(day, replace(inputs, forecast=forecast))
        for forecast in (inputs.forecast, pd.concat([inputs.forecast, earlier], ignore_index=True))
    )
    se = [one.outlook.table.query("level == 'basin'")["melt_se_m3"].sum() for one in (plain, torn)]
    assert se[1] > 1.2 * se[0]
    central = [one.outlook.table["melt_m3"].sum() for one in (plain, torn)]
    assert central[0] == central[1]
    wide_day, _ = basin(se=0.4)
    low = with_outlook(wide_day, inputs).outlook.table.query("level == 'band'").iloc[1]
    assert low["melt_se_m3"] > plain.outlook.table.query("level == 'band'").iloc[1]["melt_se_m3"]


def test_a_bright_albedo_grid_slows_the_melt():
    day, inputs = basin()
    shape = inputs.basin.grid.shape
    seen = inputs.basin.terrain[["elevation"]].assign(
        snow_albedo=(("y", "x"), np.full(shape, 0.85)), age_days=(("y", "x"), np.full(shape, 1.0))
    )
    bright = with_outlook(day, replace(inputs, albedo=seen))
    assert bright.outlook.table["melt_m3"].sum() < 0.95 * with_outlook(day, inputs).outlook.table["melt_m3"].sum()


def test_without_a_forecast_the_day_says_why_there_is_no_outlook():
    day, inputs = basin()
    for forecast in (inputs.forecast.iloc[:0], inputs.forecast.iloc[1:], inputs.forecast.assign(solar_mj_m2=np.nan)):
        told = with_outlook(day, replace(inputs, forecast=forecast))
        assert told.outlook is None
        assert told.models["outlook"]["made"] is False
        assert "issued by it" in told.models["outlook"]["why"]


def test_a_gap_in_the_forecast_ends_the_outlook():
    day, inputs = basin()
    gap = inputs.forecast.drop(index=4)
    assert with_outlook(day, replace(inputs, forecast=gap)).outlook.dates[-1] == dt.date(2031, 4, 24)


def test_without_stations_or_past_weather_there_is_still_an_outlook():
    day, inputs = basin()
    bare = replace(inputs.ground, daily=inputs.ground.daily.iloc[:0], weather=pd.DataFrame(), station_se_mm=np.zeros(0))
    told = with_outlook(day, replace(inputs, ground=bare))
    assert told.models["outlook"]["past_days_known"] is False
    assert told.models["outlook"]["sun_factor"] == 1.0
    assert told.outlook.table["melt_m3"].sum() > 0
    wide, narrow = (
        one.outlook.table.query("level == 'basin'")["melt_se_m3"].sum() for one in (told, with_outlook(day, inputs))
    )
    assert wide > narrow


def test_a_degree_day_factor_out_of_range_is_a_finding():
    day, inputs = basin(melt_mm_day=24.0)
    odd = inputs.forecast.assign(air_temperature_c=-1.5, solar_mj_m2=33.0)
    told = with_outlook(day, replace(inputs, forecast=odd))
    assert told.models["outlook"]["yardsticks"]["degree_day_factor_mm_per_k_day"] > 6
    assert told.checks["rule"].tolist() == ["degree-day factor"]


def test_the_same_inputs_in_another_order_give_the_same():
    day, inputs = basin()
    turned = replace(inputs, forecast=inputs.forecast.iloc[::-1].reset_index(drop=True))
    one, other = with_outlook(day, inputs), with_outlook(day, turned)
    pd.testing.assert_frame_equal(one.outlook.table, other.outlook.table)
    assert one.outlook.fields.identical(other.outlook.fields)
