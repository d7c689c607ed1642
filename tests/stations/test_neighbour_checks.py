"""A station's SWE against its neighbours, on small made series whose right answer is plain."""

import numpy as np
import pandas as pd
import pytest

from snowtally.stations.neighbour_checks import against_neighbours, column_medians, swapped
from snowtally.stations.series import StationSeries

DAYS = 120
SHARES = [1.0, 1.2, 0.8, 0.9, 1.1, 1.3, 0.7]
"""What each station has of a storm's snow."""


def level():
    """Return SWE of a place that gets 12 mm every fifth day, mm."""
    return 60.0 + 12.0 * (np.arange(DAYS) // 5)


def winter(unsteady=0):
    """Return daily SWE (days, stations): shares of one level, each reading within 1 %; the first get theirs late."""
    rng = np.random.default_rng(5)
    swe = level()[:, None] * SHARES * rng.uniform(0.99, 1.01, (DAYS, len(SHARES)))
    day = np.arange(DAYS)
    for station, (first, last) in enumerate([(80, 120), (84, 120), (80, 116)][:unsteady]):
        swe[:, station] = 60.0 + 288.0 * np.clip((day - first) / (last - first), 0, 1)
    return swe


def series_of(swe):
    """Return daily readings at noon as the checks take them."""
    time = np.datetime64("2030-12-01T12", "s") + np.arange(len(swe)) * np.timedelta64(86400, "s")
    tables = [
        pd.DataFrame(
            {"site_id": f"S{k}", "time": time, "date": time.astype("datetime64[D]").astype("datetime64[s]"), "swe_mm": column,
             "file": "s.csv", "line": 2 + k * len(swe) + np.arange(len(swe))}
        )
        for k, column in enumerate(swe.T)
    ]  # fmt: skip
    nothing = ("depth_m", "air_temperature_c", "precipitation_mm", "precipitation_total_mm")
    return StationSeries(pd.concat(tables, ignore_index=True).assign(**dict.fromkeys(nothing, np.nan)))


def gone(series):
    """Return which readings are set aside, (days, stations)."""
    return np.isnan(series.values["swe_mm"]).reshape(series.shape[1], -1).T


@pytest.mark.parametrize("unsteady", [0, 3])
@pytest.mark.parametrize("off_mm", [-110.0, 110.0])
def test_days_far_from_the_steadiest_neighbours_are_set_aside_and_no_other(unsteady, off_mm):
    swe = winter(unsteady)
    swe[70:80, 6] += off_mm
    series = series_of(swe)
    against_neighbours(series)
    right = np.zeros(swe.shape, bool)
    right[70:80, 6] = True
    assert np.array_equal(gone(series)[:, unsteady:], right[:, unsteady:])
    (finding,) = [one for one in series.findings if one.site_id == "S6"]
    assert finding.rule.name == "station against its neighbours"
    # 12 mm at a time until the middle of these days, and seven tenths of it here.
    expected = 0.7 * (60.0 + 12.0 * 14.5)
    told = float(finding.evidence.split("make ")[1].split(" mm")[0])
    assert told == pytest.approx(expected, rel=0.04)


def test_steady_stations_are_left_alone():
    series = series_of(winter())
    against_neighbours(series)
    assert not series.findings


def test_a_miss_that_adds_up_storm_by_storm_is_weather():
    swe = winter()
    swe[60:, 0] += 4.0 * np.arange(DAYS - 60)
    series = series_of(swe)
    against_neighbours(series)
    assert not gone(series)[:, 0].any()


def test_two_stations_whose_feeds_were_exchanged_for_a_week_are_named_together():
    swe = np.round(winter())
    swe[80:87, [2, 5]] = swe[80:87, [5, 2]]
    series = series_of(swe)
    swapped(series)
    assert {one.site_id for one in series.findings} == {"S2", "S5"}
    # The first and the last day may be cut at the sharpest change.
    assert gone(series)[82:85, [2, 5]].all()
    assert not gone(series)[:79].any()
    assert not gone(series)[89:].any()
    assert not np.delete(gone(series), [2, 5], axis=1).any()


def test_a_jump_on_the_newest_day_is_no_exchange_yet():
    swe = np.round(winter())
    swe[-1, 2] += 100.0
    series = series_of(swe)
    swapped(series)
    assert not series.findings


def test_medians_take_the_lower_of_two_middle_values():
    assert column_medians(np.array([[4.0], [np.nan], [1.0], [9.0], [6.0]])).tolist() == [4.0]
