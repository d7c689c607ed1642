"""Catch of precipitation against the neighbours': four gauges side by side in even rain."""

import numpy as np
import pytest

from snowtally.stations.catch_checks import judge, words

DAYS = 120


def judged(days, values, even_mm=2.0, gauges=4, factor=5.0):
    """Return the days of the first gauge that are wrong and doubtful where it caught `values` on `days`."""
    fallen = np.full((DAYS, gauges), even_mm)
    fallen[days, 0] = values
    verdict = judge(fallen, np.full(gauges, 2000.0), factor)
    assert not verdict.wrong[:, 1:].any()
    return np.flatnonzero(verdict.wrong[:, 0]).tolist(), np.flatnonzero(verdict.doubtful[:, 0]).tolist()


def test_even_rain_is_right():
    assert judged([], 0.0) == ([], [])


@pytest.mark.parametrize(
    ("dry", "even_mm", "wrong"), [(15, 2.0, range(20, 36)), (14, 2.1, []), (15, 1.99, []), (20, 1.5, range(20, 41))]
)
def test_a_gauge_without_a_drop_while_others_caught_30_mm_is_plugged_up_to_the_day_after(dry, even_mm, wrong):
    assert judged(slice(20, 20 + dry), 0.0, even_mm) == ([*wrong], [])
    # With nobody beside it nobody knows.
    assert judged(slice(20, 20 + dry), 0.0, even_mm, gauges=1) == ([], [])


@pytest.mark.parametrize(("caught", "even_mm", "wrong"), [(75.0, 5.0, [50]), (74.9, 4.0, []), (75.0, 5.01, [])])
def test_a_day_that_no_other_gauge_knows_in_three_days_is_absurd(caught, even_mm, wrong):
    assert judged([50], caught, even_mm) == (wrong, [])
    # One other may be the one that is wrong, and a day after a gap holds what fell in the gap.
    assert judged([50], caught, even_mm, gauges=2) == ([], [])
    assert judged([49, 50], [np.nan, caught], even_mm) == ([], [])


@pytest.mark.parametrize(
    ("values", "wrong"),
    [
        ([10.0, *[40.0] * 10, 10.0], range(19, 31)),
        ([9.9, *[40.0] * 10, 9.9], range(20, 30)),
        ([10.0, *[18.0] * 10, 10.0], []),
    ],
)
def test_too_much_in_four_weeks_is_wrong_from_the_first_day_that_shows_it_to_the_last(values, wrong):
    """Five times 2 mm is 10; ten days of 40 mm make 436 mm where the others caught 56, of 18 mm only 232."""
    days = slice(19, 19 + len(values))
    assert judged(days, values) == ([*wrong], [])
    assert judged(days, values, gauges=2)[0] == []


def test_too_little_in_four_weeks_is_wrong_and_with_one_neighbour_alone_doubtful():
    values = [0.4, *[0.1] * 40, 0.4]
    assert judged(slice(39, 81), values) == ([*range(39, 81)], [])
    assert judged(slice(39, 81), [0.5, *values[1:-1], 0.5]) == ([*range(40, 80)], [])
    assert judged(slice(39, 81), values, gauges=2) == ([], [*range(39, 81)])


def test_a_gauge_that_is_wrong_in_half_of_its_windows_is_wrong_all_season():
    assert judged(slice(10, 110), 0.1) == ([*range(DAYS)], [])
    # Where the others caught less than 40 mm in four weeks shares say nothing.
    assert judged(slice(10, 110), 0.01, even_mm=1.4) == ([], [])


def test_a_stretch_is_told_by_what_was_caught_and_what_the_neighbours_caught():
    fallen = np.array([[0.0, 10.0, 12.0, np.nan], [1.0, 11.0, 12.4, np.nan]])
    assert words(fallen, 0) == "1 mm in 2 days where the neighbours caught 21 to 24 mm"
    assert words(fallen[:1], 1) == "10 mm in 1 day where the neighbours caught 0 to 12 mm"
