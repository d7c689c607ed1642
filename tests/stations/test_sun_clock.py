"""Times that the daily wave of air temperature contradicts, and clocks that are put forward in summer."""

import numpy as np
import pandas as pd
import pytest

from snowtally.stations.network import Network
from snowtally.stations.series import StationSeries
from snowtally.stations.sun_clock import clocks_against_sun

LONGITUDE, OFFSET = -105.0, -7


def readings(late_h=0.0, summer=False, stations=4, files=1, seed=1, every_h=3):
    """Return a winter and spring of readings whose air is warmest at three by the sun, with weather of days and hours.

    `late_h` is what the clock adds to the true times; `summer` puts it forward from the second Sunday of March on.
    """
    rng = np.random.default_rng(seed)
    true = pd.date_range("2031-01-05", "2031-05-10", freq=f"{every_h}h", tz="UTC")
    sun = (true.hour + LONGITUDE / 15.0).to_numpy(float)
    fronts = np.interp(np.arange(len(true)), np.arange(0, len(true) + 60, 60), rng.normal(0, 4, len(true) // 60 + 2))
    parts = []
    for number in range(stations):
        wave = 4.0 * np.cos(2 * np.pi * (sun - 15.0 - rng.normal(0, 0.5)) / 24.0)
        time = true + pd.Timedelta(hours=late_h)
        if summer:
            time = time + pd.to_timedelta(np.where(true < pd.Timestamp("2031-03-09T09:00Z"), 0, 1), "h")
        parts.append(
            pd.DataFrame(
                {
                    "site_id": f"S{number}", "time": time, "date": (time + pd.Timedelta(hours=OFFSET)).tz_localize(None).floor("D"),
                    "air_temperature_c": fronts + wave + rng.normal(0, 1.5, len(true)) - 5.0, "swe_mm": np.nan, "depth_m": np.nan,
                    "precipitation_mm": np.nan, "precipitation_total_mm": np.nan, "file": f"air{number % files}.csv", "line": np.arange(len(true)),
                }
            )
        )  # fmt: skip
    return pd.concat(parts, ignore_index=True)


def told(records, longitude=LONGITUDE):
    series = StationSeries(records.assign(time=records["time"].dt.tz_convert(None)))
    clocks_against_sun(series, Network(pd.Series(dtype=float), latitude=40.0, longitude=longitude))
    return [(one.rule.name, bool(one.degrades), one.start) for one in series.findings]


@pytest.mark.parametrize("every_h", [3, 6])
def test_local_times_taken_for_utc_are_told_and_degrade_the_night(every_h):
    assert told(readings(late_h=-7, every_h=every_h)) == [("times against the sun", True, "")]
    assert told(readings(late_h=7, every_h=every_h)) == [("times against the sun", True, "")]


def test_files_of_one_station_each_are_told_together_and_one_alone_is_a_warning():
    assert told(readings(late_h=-7, files=4)) == [("times against the sun", True, "")]
    assert told(readings(late_h=-7, stations=1)) == [("one station's times against the sun", False, "")]


@pytest.mark.parametrize("late_h", [0, 1, 2, -2])
def test_clocks_that_slope_and_standard_time_may_explain_are_left(late_h):
    assert told(readings(late_h=late_h)) == []
    assert told(readings(late_h=late_h), np.nan) == []


@pytest.mark.parametrize("every_h", [1, 6])
def test_summer_time_is_noted_with_its_day(every_h):
    assert told(readings(summer=True, every_h=every_h)) == [("summer time", False, "2031-03-09")]


def test_standard_time_is_not_taken_for_summer_time():
    assert [told(readings(seed=seed)) for seed in range(5)] == [[]] * 5
