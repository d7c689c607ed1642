"""What became of rows: counts by site and day, against rows that were counted by hand."""

import numpy as np
import pandas as pd

from snowtally.gather.tally import course_tally, station_tally

DAYS = pd.to_datetime(["2031-03-01", "2031-03-01", "2031-03-01", "2031-03-02", "2031-03-01"])
NO = np.nan


def counts(tally):
    return {
        (row.site_id, row.date.day): (row.rows, row.used, row.set_aside, row.swe, row.depth)
        for row in tally.itertuples()
    }


def test_samples_of_unknown_sites_and_lost_swe_are_set_aside():
    read = pd.DataFrame({
        "site_id": ["A", "A", "A", "A", "Z"], "date": DAYS, "swe_mm": [100.0, 110.0, NO, 90.0, 80.0], "depth_m": [0.3, 0.4, 0.5, NO, 0.2],
    })  # fmt: skip
    # The second's SWE alone is set aside, the fourth whole; the first and the third, without SWE, are used. Z is not in the table.
    checked = read.head(4).assign(used=[True, True, True, False], swe_used=[True, False, False, False])
    assert counts(course_tally(read, checked)) == {
        ("A", 1): (3, 3, 1, 2, 3), ("A", 2): (1, 0, 1, 1, 0), ("Z", 1): (1, 0, 1, 1, 1),
    }  # fmt: skip


def test_readings_are_told_by_what_the_checks_left():
    rest = {"air_temperature_c": NO, "precipitation_mm": NO, "precipitation_total_mm": NO}
    read = pd.DataFrame({
        "site_id": ["A", "A", "Z", "A", "B"], "date": DAYS, "swe_mm": [100.0, 110.0, 5.0, NO, 80.0], "depth_m": [0.3, 0.4, NO, NO, NO],
    }).assign(**rest)  # fmt: skip
    read.loc[3, "air_temperature_c"] = -4.0
    # Of A's second row the depth is set aside, of B's row everything; Z never came to the checks. The rows come in another order.
    checked = read.assign(row=np.arange(5)).drop(index=2)
    checked.loc[1, "depth_m"], checked.loc[4, "swe_mm"] = NO, NO
    assert counts(station_tally(read, checked.iloc[::-1])) == {
        ("A", 1): (2, 2, 1, 2, 2), ("A", 2): (1, 1, 0, 0, 0), ("B", 1): (1, 0, 1, 1, 0), ("Z", 1): (1, 0, 1, 1, 0),
    }  # fmt: skip


def test_no_rows_are_no_counts():
    read = pd.DataFrame(
        {"site_id": pd.Series(dtype=str), "date": pd.Series(dtype="datetime64[s]"), "swe_mm": [], "depth_m": []}
    )
    marked = read.assign(used=pd.Series(dtype=bool), swe_used=pd.Series(dtype=bool))
    assert course_tally(read, marked).empty
