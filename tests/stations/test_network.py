"""Air and precipitation against neighbours: faults are set aside, cold valleys, fronts and rain shadows are not."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from snowtally.model.rules.stations import PRECIPITATION_OUT_OF_RANGE
from snowtally.sites.limits import SnowLimits
from snowtally.stations import catch_checks
from snowtally.stations.checks import check_stations
from snowtally.stations.daily import daily_values
from snowtally.stations.limits import StationLimits
from snowtally.stations.network import Network
from snowtally.stations.series import StationSeries
from snowtally.stations.table_checks import check_weather, within_limits

LIMITS = StationLimits(), SnowLimits()
DAYS = pd.date_range("2030-10-01", periods=240)
HEIGHTS = np.array([1500.0, 1650.0, 1800.0, 2000.0, 2200.0, 2400.0, 2600.0, 2800.0])


def made_network(heights=HEIGHTS, seed=0, latitude=np.nan):
    """Return daily air and precipitation (days, stations) of a made-up winter, and the network without a weather table."""
    rng = np.random.default_rng(seed)
    season = -9.0 * np.cos(2 * np.pi * (np.arange(len(DAYS)) - 100) / 365.0)
    air = (season + rng.normal(0, 5, len(DAYS)))[:, None] - 0.006 * (heights - 2000.0)
    air = air + rng.normal(0, 1.5, air.shape) + rng.normal(0, 1.0, len(heights))
    storms = np.where(rng.random(len(DAYS)) < 0.3, rng.gamma(1.2, 8.0, len(DAYS)), 0.0)
    fallen = storms[:, None] * rng.lognormal(0, 0.4, air.shape) * (1 + 0.0004 * (heights - 2000.0))
    names = [f"S{i}" for i in range(len(heights))]
    return air, np.round(fallen, 1), Network(pd.Series(heights, index=names), latitude=latitude)


def records(air, fallen, totals=False):
    """Return station records of one reading a day."""
    parts = [
        pd.DataFrame(
            {
                "site_id": f"S{site}", "time": (DAYS + pd.Timedelta(hours=19)).astype("datetime64[s]"), "date": DAYS.astype("datetime64[s]"),
                "swe_mm": np.nan, "depth_m": np.nan, "air_temperature_c": air[:, site],
                "precipitation_mm": np.nan if totals else fallen[:, site],
                "precipitation_total_mm": np.nancumsum(fallen[:, site]) if totals else np.nan,
                "file": "stations.csv", "line": np.arange(2, len(DAYS) + 2),
            }
        )
        for site in range(air.shape[1])
    ]  # fmt: skip
    return pd.concat(parts, ignore_index=True)


def check(air, fallen, network, totals=False):
    """Return the checked daily values (days, stations) of air and of precipitation, and the findings on them."""
    checked, findings = check_stations(records(air, fallen, totals), *LIMITS, "10-01", network)
    daily = daily_values(checked)
    wide = [
        daily.pivot_table(index="date", columns="site_id", values=name, dropna=False).reindex(DAYS).to_numpy()
        for name in ("air_temperature_c", "precipitation_mm")
    ]
    return *wide, [f for f in findings if f.rule.name != "gauge falls"]


def test_a_shorted_thermometer_is_one_finding_with_what_lies_between_its_bad_days():
    air, fallen, network = made_network()
    bad = air.copy()
    bad[100:140, 3] -= 38.0
    # It recovers for two days, and is half as far off as it fails.
    bad[120:122, 3] = air[120:122, 3]
    bad[99, 3] -= 25.0
    found, _, (finding,) = check(bad, fallen, network)
    assert (finding.site_id, finding.rule.name, finding.action) == (
        "S3",
        "air temperature against neighbours",
        "set aside",
    )
    assert (finding.start[:10], finding.end[:10]) == (str(DAYS[99].date()), str(DAYS[139].date()))
    assert "C is expected by the neighbours" in finding.evidence
    assert np.isnan(found[99:140, 3]).all()
    assert np.isfinite(np.delete(found, 3, axis=1)).all()
    assert np.isfinite(found[:99, 3]).all()


@pytest.mark.parametrize("most_of_the_season", [140, 200])
def test_a_thermometer_wrong_for_most_of_the_season_has_no_habit_of_it(most_of_the_season):
    air, fallen, network = made_network()
    bad = air.copy()
    bad[20 : 20 + most_of_the_season, 5] -= 40.0
    found, _, findings = check(bad, fallen, network)
    assert {f.site_id for f in findings} == {"S5"}
    assert np.isnan(found[20 : 20 + most_of_the_season, 5]).all()


def test_two_thermometers_that_fail_at_once_are_both_found():
    air, fallen, network = made_network()
    bad = air.copy()
    bad[60:75, 2] += 30.0
    bad[65:90, 6] -= 40.0
    found, _, findings = check(bad, fallen, network)
    assert {f.site_id for f in findings} == {"S2", "S6"}
    assert np.isnan(found[60:75, 2]).all()
    assert np.isnan(found[65:90, 6]).all()


@pytest.mark.parametrize("seed", [0, *(pytest.param(one, marks=pytest.mark.long) for one in (1, 2, 3))])
@pytest.mark.parametrize("below", [1600.0, 1700.0, 1900.0, 2300.0, 2500.0])
@pytest.mark.parametrize("depth", [12.0, pytest.param(20.0, marks=pytest.mark.long), 24.0])
def test_cold_air_in_the_valleys_is_weather(below, depth, seed):
    """Six days and more of a valley 20 K colder than its ridge, whichever of the stations lie in it."""
    air, fallen, network = made_network(seed=seed)
    for start in (60, 90, 105):
        air[start : start + 12, below > HEIGHTS] -= depth
    found, _, findings = check(air, fallen, network)
    assert not findings
    assert np.isfinite(found).all()


def test_an_even_inversion_and_a_front_against_the_range_are_weather():
    air, fallen, network = made_network()
    air[70:80] += 0.020 * (HEIGHTS - 2000.0)
    air[150:152, ::2] -= 18.0
    assert not check(air, fallen, network)[2]


def test_a_lasting_smaller_fault_is_found_and_shorter_ones_are_said_not_to_be():
    """Docs say what is not found: 12 K for a day, 8 K for weeks."""
    air, fallen, network = made_network()
    for size, days, told in ((13.0, 20, True), (11.0, 1, False), (8.0, 30, False)):
        bad = air.copy()
        bad[130 : 130 + days, 3] += size
        assert bool(check(bad, fallen, network)[2]) is told, (size, days)


def test_of_two_thermometers_alone_neither_is_set_aside_and_both_are_told():
    air, fallen, network = made_network(HEIGHTS[[3, 4]])
    air[40:50, 0] += 25.0
    found, _, findings = check(air, fallen, network)
    assert {(f.site_id, f.action, f.severity) for f in findings} == {
        ("S0", "used", "warning"),
        ("S1", "used", "warning"),
    }
    assert np.isfinite(found).all()


def test_climate_decides_between_two_thermometers():
    air, fallen, network = made_network(HEIGHTS[[3, 4]], latitude=45.0)
    air[195:205, 0] = -52.0 - 0.3 * np.arange(10)
    found, _, findings = check(air, fallen, network)
    assert {(f.site_id, f.action) for f in findings} == {("S0", "set aside")}
    assert np.isnan(found[195:205, 0]).all()


def with_table(network, air, fallen, height=2000.0):
    rows = pd.DataFrame({"date": DAYS, "elevation_m": height, "air_temperature_c": air, "precipitation_mm": fallen})
    return replace(network, weather=rows.assign(file="weather.csv", line=np.arange(2, len(DAYS) + 2)))


def test_the_weather_table_decides_between_two_thermometers():
    air, fallen, network = made_network(HEIGHTS[[2, 3, 4]])
    network = with_table(network, air[:, 1], fallen[:, 1])
    two = Network(network.elevation_m.iloc[[0, 2]].set_axis(["S0", "S1"]), network.weather)
    air = air[:, [0, 2]]
    air[40:50, 0] += 25.0
    found, _, findings = check(air, fallen[:, [0, 2]], two)
    assert {(f.site_id, f.action) for f in findings} == {("S0", "set aside")}
    assert np.isnan(found[40:50, 0]).all()


@pytest.mark.parametrize("wrong", ["fahrenheit", "kelvin", "ten times", "inches", "none"])
def test_a_weather_table_in_another_unit_is_set_aside_and_the_stations_are_not(wrong):
    air, fallen, network = made_network()
    said, rain = air.mean(axis=1), np.median(fallen, axis=1)
    said = {"fahrenheit": said * 1.8 + 32.0, "kelvin": said + 273.15}.get(wrong, said)
    rain = {"ten times": rain * 10.0, "inches": rain / 25.4}.get(wrong, rain)
    network = with_table(network, said, rain)
    checked, findings = check_stations(records(air, fallen), *LIMITS, "10-01", network)
    assert not [f for f in findings if "neighbours" in f.rule.name]
    table, findings = check_weather(network.weather, daily_values(checked), network, LIMITS[0])
    spoilt = {"fahrenheit": "air_temperature_c", "kelvin": "air_temperature_c"}.get(wrong, "precipitation_mm")
    if wrong == "none":
        assert not findings
        pd.testing.assert_frame_equal(table, network.weather)
        return
    assert {f.table for f in findings} == {"weather"}
    assert table[spoilt].notna().mean() < 0.1
    assert table[({"air_temperature_c", "precipitation_mm"} - {spoilt}).pop()].notna().all()
    # The table that was given stays as it was.
    assert network.weather[spoilt].notna().all()


def test_a_code_for_no_value_in_the_weather_table_is_no_witness():
    """Beside a table of -9999 two thermometers are alone; were it a third record, none of them would agree with anything."""
    air, fallen, network = made_network(HEIGHTS[[3, 4]])
    codes = np.full(len(DAYS), -9999.0)
    network = with_table(network, codes, codes)
    table, findings = within_limits(network.weather)
    assert [(f.table, f.rule.name, f.action) for f in findings] == [("weather", "out of range", "set aside")] * 2
    assert table[["air_temperature_c", "precipitation_mm"]].isna().all(axis=None)
    assert (network.weather["air_temperature_c"] == codes).all()
    air[40:50, 0] += 25.0
    assert not check(air, fallen, network)[2]
    told = check(air, fallen, replace(network, weather=table))[2]
    assert {(f.site_id, f.action) for f in told} == {("S0", "used"), ("S1", "used")}


def test_a_lone_wild_reading_of_an_hourly_thermometer_goes_and_its_day_stays():
    air, fallen, network = made_network()
    rows = records(air, fallen)
    hours = [
        rows.assign(time=rows["time"] + pd.Timedelta(hours=h - 12), precipitation_mm=np.nan) for h in range(0, 24, 6)
    ]
    rows = pd.concat(hours, ignore_index=True)
    wild = rows.index[(rows["site_id"] == "S4") & (rows["date"] == DAYS[80])][2]
    rows.loc[wild, "air_temperature_c"] -= 40.0
    checked, findings = check_stations(rows, *LIMITS, "10-01", network)
    assert [(f.site_id, f.rule.name, f.action) for f in findings] == [("S4", "spike", "set aside")]
    daily = daily_values(checked).set_index(["site_id", "date"])["air_temperature_c"]
    assert daily["S4", DAYS[80]] == pytest.approx(air[80, 4])


@pytest.mark.parametrize("totals", [False, True])
def test_a_capped_gauge_is_set_aside_and_what_slides_in_later_is_no_storm(totals):
    air, fallen, network = made_network()
    true = fallen.copy()
    held = fallen[60:90, 4].sum()
    fallen[60:90, 4] = 0.0
    fallen[90, 4] += held
    # The spell may begin earlier and end later with dry days of its own.
    _, caught, (finding,) = check(air, fallen, network, totals)
    assert (finding.site_id, finding.rule.name, finding.action) == (
        "S4",
        "precipitation against neighbours",
        "set aside",
    )
    assert np.isnan(caught[61:91, 4]).all()
    assert np.nansum(caught[:, 4]) <= true[:, 4].sum() - held + 1e-6
    assert caught[95:, 4] == pytest.approx(true[95:, 4], abs=1e-6)
    kept = np.delete(caught, 4, axis=1)[1:]
    assert kept == pytest.approx(np.delete(true, 4, axis=1)[1:], abs=1e-6)


@pytest.mark.parametrize(
    ("factor", "days", "told"),
    [(0.0, 30, True), (0.1, 40, True), (9.0, 40, True), (0.4, 240, False), (2.5, 240, False)],
)
def test_shares_of_what_the_neighbours_caught(factor, days, told):
    """A rain shadow and a wet corner are places; a seventh and nine times of it are faults."""
    air, fallen, network = made_network()
    fallen[100 : 100 + days, 1] *= factor
    _, caught, findings = check(air, np.round(fallen, 1), network)
    assert ({f.site_id for f in findings} == {"S1"}) is told
    assert bool(np.isnan(caught[105 : 95 + days, 1]).mean() > 0.9) is told
    assert np.isfinite(np.delete(caught, 1, axis=1)).all()


def test_antifreeze_poured_into_a_gauge_is_a_day_that_no_other_gauge_knows():
    air, fallen, network = made_network()
    dry = int(np.flatnonzero(fallen[:, 0] == 0.0)[50])
    fallen[dry, 2] += 110.0
    _, caught, (finding,) = check(air, fallen, network, totals=True)
    assert (finding.site_id, finding.start[:10], finding.end[:10]) == ("S2", *[str(DAYS[dry].date())] * 2)
    assert np.isnan(caught[dry, 2])
    assert np.isfinite(np.delete(caught[1:, 2], dry - 1)).all()


def test_daily_precipitation_follows_what_is_set_aside_whenever_it_was_asked_for():
    air, fallen, _ = made_network(HEIGHTS[[3, 4]])
    series = StationSeries(records(air, fallen))
    assert series.precipitation[5, 1] == fallen[5, 1]
    row = series.bounds[1] + 5
    series.tell(
        np.array([row]), "precipitation_mm", PRECIPITATION_OUT_OF_RANGE, evidence=lambda _rows: "", near_hours=0.0
    )
    assert np.isnan(series.precipitation[5, 1])
    assert np.isnan(series.gauge_steps[row])
    assert np.isfinite(series.precipitation).sum() == 2 * len(DAYS) - 1


def test_what_fell_while_a_gauge_was_silent_is_no_antifreeze():
    """A total goes on after a gap: its first day holds what fell in three weeks, a day on which it may be dry everywhere."""
    air, fallen, network = made_network()
    fallen[141, 0] = 0.0
    fallen[141:144] = np.where(np.arange(8) == 0, fallen[141:144], 0.0)
    rows = records(air, fallen, totals=True)
    silent = (rows["site_id"] == "S0") & rows["date"].between(DAYS[115], DAYS[140])
    checked, findings = check_stations(rows[~silent], *LIMITS, "10-01", network)
    assert not [f for f in findings if f.rule.name == "precipitation against neighbours"]
    held = daily_values(checked).set_index(["site_id", "date"])["precipitation_mm"]["S0", DAYS[141]]
    assert held == pytest.approx(fallen[115:142, 0].sum())
    assert held > catch_checks.ABSURD_DAY_MM


@pytest.mark.parametrize("several", [2, 3])
def test_several_thermometers_in_fahrenheit_do_not_bear_each_other_out(several):
    air, fallen, network = made_network()
    bad = air.copy()
    bad[:, 2 : 2 + several] = bad[:, 2 : 2 + several] * 1.8 + 32.0
    found, _, findings = check(bad, fallen, network)
    assert {f.site_id for f in findings if f.rule.name != "out of range"} == {
        f"S{site}" for site in range(2, 2 + several)
    }
    assert np.isnan(found[:, 2 : 2 + several]).mean() > 0.99
    assert np.isfinite(np.delete(found, np.s_[2 : 2 + several], axis=1)).all()


def test_of_two_gauges_alone_neither_is_set_aside_and_both_are_told():
    air, fallen, network = made_network(HEIGHTS[[3, 4]])
    fallen[:, 0] *= 10.0
    _, caught, findings = check(air, fallen.clip(max=140.0), network)
    assert {(f.site_id, f.action) for f in findings} == {("S0", "used"), ("S1", "used")}
    assert np.isfinite(caught).all()


@pytest.mark.parametrize("seed", [0, 1, *(pytest.param(one, marks=pytest.mark.long) for one in range(2, 6))])
def test_clean_networks_stay_whole(seed):
    air, fallen, network = made_network(seed=seed)
    table = with_table(network, air.mean(axis=1), np.median(fallen, axis=1))
    assert not check(air, fallen, table)[2]
    checked, _ = check_stations(records(air, fallen), *LIMITS, "10-01", table)
    assert not check_weather(table.weather, daily_values(checked), table, LIMITS[0])[1]
