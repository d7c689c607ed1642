"""Station readings to local days, and stations that fell silent."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from snowtally.stations.daily import daily_values, silent_stations
from snowtally.stations.precipitation import resets, steps_of_totals


def records(days=2, per_day=4):
    times = pd.date_range("2031-01-01", periods=per_day * days, freq=f"{24 // per_day}h").astype("datetime64[s]")
    return pd.DataFrame(
        {
            "site_id": "S", "time": times, "date": times.floor("D"), "swe_mm": 100.0, "depth_m": 0.4,
            "air_temperature_c": -5.0, "precipitation_mm": np.nan, "precipitation_total_mm": np.nan, "file": "s.csv",
            "line": np.arange(len(times)) + 2,
        }
    )  # fmt: skip


def test_a_day_is_the_mean_of_what_was_accepted_and_never_less_than_nothing():
    daily = daily_values(records().assign(swe_mm=[10.0, 20, 30, np.nan, -4, -2, -3, -4]))
    assert daily["swe_mm"].tolist() == [20.0, 0.0]


def test_gaps_stay_gaps():
    readings = records(days=3)
    readings.loc[4:7, "swe_mm"] = np.nan
    daily = daily_values(readings)
    assert daily["swe_mm"].isna().tolist() == [False, True, False]
    assert len(daily_values(readings.drop(index=range(4, 8)))) == 2


def test_an_emptied_gauge_begins_anew_from_nothing():
    daily = daily_values(records().assign(precipitation_total_mm=[100.0, 102, 102, 105, 3, 3, 4, 4]))
    # The gauge was emptied between the days: what it then holds has fallen since.
    assert daily["precipitation_mm"].tolist() == [5.0, 4.0]


def test_a_gauge_that_falls_without_being_emptied_has_caught_nothing_and_goes_on():
    daily = daily_values(records().assign(precipitation_total_mm=[300.0, 302, 302, 305, 200, 200, 204, 204]))
    assert daily["precipitation_mm"].tolist() == [5.0, 4.0]
    emptied, fell = resets(np.array([300.0, 200, 10]), np.array([0, 3]))
    assert (emptied.tolist(), fell.tolist()) == ([False, False, True], [False, True, False])


def test_steps_are_summed_and_stand_before_totals():
    readings = records().assign(precipitation_mm=1.0, precipitation_total_mm=np.arange(8.0) * 10)
    assert daily_values(readings)["precipitation_mm"].tolist() == [4.0, 4.0]


def test_a_gauges_wavering_is_no_precipitation():
    rng = np.random.default_rng(1)
    true = np.concatenate([np.zeros(500), np.linspace(0, 40, 200), np.full(500, 40.0)])
    steps = steps_of_totals(100 + true + rng.normal(0, 0.5, 1200), np.array([0, 1200]))
    # Summing every rise would make some 300 mm of the noise; the highest total so far is off by its extremes alone.
    assert np.nansum(steps) == pytest.approx(40, abs=4)


@settings(max_examples=60, deadline=None)
@given(st.lists(st.floats(0, 30), min_size=2, max_size=40), st.lists(st.booleans(), min_size=40, max_size=40))
def test_what_fell_is_kept_through_gaps_and_over_stations(fallen, there):
    totals = 20.0 + np.cumsum(fallen)
    seen = np.where(there[: len(totals)], totals, np.nan)
    steps = steps_of_totals(np.concatenate([seen, totals]), np.array([0, len(totals), 2 * len(totals)]))
    known = totals[~np.isnan(seen)]
    assert np.nansum(steps[: len(totals)]) == pytest.approx(known[-1] - known[0] if len(known) else 0.0, abs=1e-4)
    assert np.nansum(steps[len(totals) :]) == pytest.approx(totals[-1] - totals[0], abs=1e-4)


def test_rows_in_any_order_give_the_same_days():
    rng = np.random.default_rng(2)
    readings = pd.concat([records(20).assign(site_id=s) for s in "ABC"], ignore_index=True)
    readings["swe_mm"] = rng.normal(100, 20, len(readings))
    readings["precipitation_total_mm"] = 50.0 + np.tile(np.arange(80.0), 3)
    shuffled = readings.sample(frac=1.0, random_state=3)
    pd.testing.assert_frame_equal(daily_values(readings), daily_values(shuffled), check_exact=True)


def test_daily_means_are_those_of_a_plain_group_mean():
    rng = np.random.default_rng(4)
    readings = pd.concat([records(30, 24).assign(site_id=s) for s in "AB"], ignore_index=True)
    readings["swe_mm"] = np.where(rng.random(len(readings)) < 0.1, np.nan, rng.uniform(0, 500, len(readings)))
    plain = readings.groupby(["site_id", "date"])["swe_mm"].mean()
    assert daily_values(readings)["swe_mm"].to_numpy() == pytest.approx(plain.to_numpy(), rel=1e-12)


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
    assert [(f.site_id, f.rule.name) for f in told] == [("S", "silent station")]


def test_a_new_station_is_not_silent_on_its_first_days():
    sites = pd.DataFrame(
        {"site_id": ["N"], "since": pd.Timestamp("2031-01-10"), "until": pd.NaT, "file": "sites.csv", "line": [2]}
    )
    heard = records(days=10)
    assert silent_stations(heard, sites, pd.Timestamp("2031-01-12"), 5.0) == []
    (told,) = silent_stations(heard, sites, pd.Timestamp("2031-01-16"), 5.0)
    assert told.evidence == "no SWE or depth yet"
