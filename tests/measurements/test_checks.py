"""The basic checks on station readings: what is planted is found and named, what is clean stays."""

import numpy as np
import pandas as pd
import pytest

from pipeline.measurements.daily import daily_values, silent_stations
from pipeline.measurements.station_checks import StationLimits, check_stations

STATION = StationLimits(4000.0, 12.0, 60.0, 0.8, 5.0, 50.0, 600.0, 0.2)


def records(days=60, start=100.0, gain=2.0):
    times = pd.date_range("2031-01-01", periods=4 * days, freq="6h")
    wobble = 0.7 * np.sin(np.arange(len(times)))
    swe = start + gain * np.arange(len(times)) / 4 + wobble
    return pd.DataFrame(
        {
            "site_id": "S", "time": times, "date": times.floor("D"), "swe_mm": swe, "depth_m": swe / 280.0,
            "air_temperature_c": -5.0, "precipitation_mm": np.nan, "precipitation_total_mm": np.nan, "file": "s.csv",
            "line": np.arange(len(times)) + 2,
        }
    )  # fmt: skip


def rules(findings):
    return sorted({finding.rule for finding in findings})


def test_clean_measurements_stay_whole():
    clean = records()
    checked, findings = check_stations(clean, STATION)
    assert findings == []
    pd.testing.assert_frame_equal(checked, clean)


@pytest.mark.parametrize(
    ("edit", "rule", "count"),
    [
        (lambda r: r["swe_mm"].where(r.index != 100, r["swe_mm"] + 250), "spike", 1),
        (lambda r: r["swe_mm"].where((r.index < 100) | (r.index > 119), r["swe_mm"] / 25.4), "unit mix-up", 20),
        (lambda r: r["swe_mm"].where((r.index < 100) | (r.index > 139), 150.0), "flat line", 40),
        (lambda r: r["swe_mm"].where(r.index != 100, 9999.0), "out of range", 1),
    ],
)
def test_planted_station_faults_are_named_and_set_aside(edit, rule, count):
    faulty = records().assign(swe_mm=edit(records()))
    checked, findings = check_stations(faulty, STATION)
    assert rule in rules(findings)
    assert checked["swe_mm"].isna().sum() == count


def test_a_depth_that_contradicts_swe_goes_and_the_swe_stays():
    faulty = records().assign(depth_m=lambda r: r["depth_m"].where(r.index < 200, 8.0 * r["depth_m"]))
    checked, findings = check_stations(faulty, STATION)
    assert "depth against SWE" in rules(findings)
    assert checked["swe_mm"].notna().all()
    assert checked["depth_m"].isna().sum() == 40


def test_bare_ground_is_no_flat_line():
    assert check_stations(records(gain=0.0, start=0.0).assign(swe_mm=0.0, depth_m=0.0), STATION)[1] == []


def test_daily_values_are_means_and_gauges_sum_through_a_reset():
    readings = records(days=2).assign(
        swe_mm=[10.0, 20, 30, np.nan, 1, 2, 3, 4], precipitation_total_mm=[100.0, 102, 102, 105, 3, 3, 4, 4]
    )
    daily = daily_values(readings)
    assert daily["swe_mm"].tolist() == [20.0, 2.5]
    # The gauge was emptied between the days: what it then holds has fallen since.
    assert daily["precipitation_mm"].tolist() == [5.0, 4.0]


def test_a_silent_station_is_told_once_its_days_are_over():
    heard = records(days=10)
    sites = pd.DataFrame(
        {
            "site_id": ["S", "T"],
            "since": pd.NaT,
            "until": [pd.NaT, pd.Timestamp("2030-06-30")],
            "file": "sites.csv",
            "line": [2, 3],
        }
    )
    assert silent_stations(heard, sites, pd.Timestamp("2031-01-15"), 5.0) == []
    told = silent_stations(heard, sites, pd.Timestamp("2031-01-16"), 5.0)
    assert [(f.site_id, f.rule) for f in told] == [("S", "silent station")]


def test_a_spike_does_not_become_the_level_of_what_follows():
    values = np.concatenate([[100.0, 102.0, 1030.0], np.linspace(104, 112, 40)])
    faulty = records(days=11).head(43).assign(swe_mm=values, depth_m=np.nan)
    checked, findings = check_stations(faulty, STATION)
    assert rules(findings) == ["spike"]
    assert checked["swe_mm"].isna().sum() == 1


def test_a_cold_dry_week_and_a_gap_are_no_flat_lines():
    still = records().assign(
        swe_mm=lambda r: r["swe_mm"].where((r.index < 100) | (r.index > 139), 150.0), depth_m=np.nan
    )
    other = still.assign(site_id="T", line=still["line"] + 1000)
    assert check_stations(pd.concat([still, other], ignore_index=True), STATION)[1] == []
    gap = records(days=30).assign(depth_m=np.nan)
    gap = gap[(gap.index < 40) | (gap.index > 80)].reset_index(drop=True)
    gap.loc[[39, 40], "swe_mm"] = 130.0
    assert "flat line" not in rules(check_stations(gap, STATION)[1])
