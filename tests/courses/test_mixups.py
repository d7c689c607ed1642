"""Slips of unit and tare: each is told by what it does, and snow that looks like one is left alone."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from clean_season import sheet
from made_courses import LIMITS, around, rules, samples

from snowtally.courses.checks import check_courses
from snowtally.courses.context import Expected
from snowtally.courses.mixups import Points, explain_sheet
from snowtally.courses.odd_points import odd_points


@pytest.mark.parametrize(
    "factors", [(1 / 2.54, 1.0), (1.0, 1 / 25.4), (1 / 2.54, 1 / 25.4), (1 / 30.48, 1.0), (10.0, 1.0), (1.0, 0.1)]
)
def test_a_sheet_in_other_units_is_set_aside_and_never_converted(factors):
    depth, swe = factors
    faulty = samples().assign(depth_m=lambda s: depth * s["depth_m"], swe_mm=lambda s: swe * s["swe_mm"])
    faulty["core_m"] *= depth
    checked, findings = check_courses(faulty, LIMITS, around(290.0))
    assert rules(findings) == ["unit mix-up"]
    assert len(findings) == 1
    assert "8 rows to line 9" in findings[0].evidence
    assert not checked["used"].any()
    pd.testing.assert_series_equal(checked["swe_mm"], faulty["swe_mm"])


def test_a_light_sheet_in_inches_needs_other_places_to_be_told():
    # 180 kg/m3 of January becomes 457: believable by itself, four times what everybody else has.
    january = samples(180.0, date=pd.Timestamp("2031-01-15"))
    faulty = january.assign(depth_m=lambda s: s["depth_m"] / 2.54, core_m=lambda s: s["core_m"] / 2.54)
    checked, findings = check_courses(faulty, LIMITS, around(185.0))
    assert rules(findings) == ["unit mix-up"]
    assert "2.54" in findings[0].evidence
    assert not checked["used"].any()
    assert check_courses(january, LIMITS, around(185.0))[1] == []


def storm(gain_mm):
    """Five stations of which each had so much snow, mm, in the three days up to 10 March, over 200 mm."""
    calm = around(300.0)
    late = calm.daily["date"] > pd.Timestamp("2031-03-07")
    return replace(calm, daily=calm.daily.assign(swe_mm=calm.daily["swe_mm"] + gain_mm * late))


def light(depth, swe):
    """One row of a visit on 10 March."""
    return sheet(np.array([depth]), np.array([swe]), date=pd.Timestamp("2031-03-10")).assign(cores=10.0, core_m=np.nan)


def test_new_snow_on_old_is_no_mix_up_where_it_may_have_fallen():
    # 100 mm of old snow in 33 cm and 40 mm of new in 75: like SWE in inches under centimetres.
    new_on_old = light(1.08, 110.0)
    assert check_courses(new_on_old, LIMITS, storm(40.0))[0]["used"].all()
    assert rules(check_courses(new_on_old, LIMITS, storm(0.0))[1], aside=True) == ["unit mix-up"]
    # No snow is lighter than new snow, whatever fell.
    assert rules(check_courses(light(1.08, 11.0), LIMITS, storm(40.0))[1], aside=True) == ["unit mix-up"]


def test_thin_snow_is_no_mix_up_for_its_little_water():
    for thin in (light(0.03, 2.5), light(0.08, 5.0), light(0.2, 25.0)):
        assert check_courses(thin, LIMITS, storm(0.0))[0]["used"].all()
    # Thinner than its weight allows it is one.
    assert "unit mix-up" in rules(check_courses(light(0.2, 200.0), LIMITS, storm(0.0))[1], aside=True)


def test_a_slip_that_leaves_density_alone_needs_both_places_and_last_visit():
    tenfold = samples().assign(depth_m=lambda s: 10 * s["depth_m"], swe_mm=lambda s: 10 * s["swe_mm"], core_m=np.nan)
    assert "unit mix-up" not in rules(check_courses(tenfold, LIMITS, around(290.0))[1], aside=True)
    before = samples(date=pd.Timestamp("2031-02-01"))
    both = pd.concat([before, tenfold.assign(line=lambda s: s["line"] + 20)], ignore_index=True)
    assert "unit mix-up" in rules(check_courses(both, LIMITS, around(290.0))[1], aside=True)


def test_depths_in_inches_beside_cores_in_centimetres_show_in_the_cores():
    faulty = samples(200.0, date=pd.Timestamp("2031-01-15")).assign(depth_m=lambda s: s["depth_m"] / 2.54)
    assert rules(check_courses(faulty, LIMITS)[1]) == ["unit mix-up"]


def test_a_forgotten_tare_is_told_from_a_wrong_unit():
    # A tube of 900 g on 11.4 cm2 is 789 mm on every core, thick or thin.
    depth = np.array([0.6, 0.8, 0.9, 1.0, 1.1, 1.3, 1.5])
    checked, findings = check_courses(sheet(depth, 300.0 * depth + 789.0), LIMITS, around(290.0))
    assert rules(findings) == ["wrong tare"]
    told = float(findings[0].evidence.split("every core is about ")[1].split(" mm")[0])
    assert told == pytest.approx(789, rel=0.1)  # the cores themselves tell it within the spread of their density
    assert not checked["swe_used"].any()
    assert checked["used"].all()


def points(depth_m, swe_mm, core_m=np.nan):
    depth = np.asarray(depth_m, float)
    return Points(depth, np.asarray(swe_mm, float), np.full(len(depth), core_m), np.full(len(depth), np.nan))


def test_how_much_likelier_a_slip_is_follows_from_density_level_and_cores():
    """Four points of 1 m and 30 mm where 300 kg/m3 are expected: SWE in centimetres is exactly what is expected.

    As snow it lies log 10 off, and below what is believable (8). Density is unsure by the expectation's 0.5 and the sheet's own
    error: the points' 0.11 with reading 1 cm of 1 m and 6.4 of 300 mm over the root of four, and half the reading of all.
    """
    known = {"density": np.log(300.0), "density_sd": 0.5, "density_sites": 3}
    metre = np.ones(4)
    slip = explain_sheet(points(metre, 30 * metre), Expected(**known), (40.0, 650.0))
    reading = np.hypot(0.01, 6.4 / 300)
    sd = np.sqrt(0.5**2 + (0.11**2 + reading**2) / 4 + 0.25 * reading**2)
    assert slip.odds == pytest.approx(0.5 * (np.log(10) / sd) ** 2 + 8.0)
    # SWE of 300 mm is expected too: its own error of 1, and 20 mm of patches.
    level = Expected(**known, near=np.log(300.0), near_sd=1.0)
    by_level = 0.5 * (np.log(10) / np.hypot(1.0, 20 / 300)) ** 2
    by_both = explain_sheet(points(metre, 30 * metre), level, (40.0, 650.0))
    assert "SWE in centimetres under millimetres" in by_both.words
    assert by_both.odds == pytest.approx(slip.odds + by_level)
    # However sure the yardsticks are, density counts for 6 deviations and SWE for 3.5.
    sure = Expected(np.log(300.0), 0.01, 3, near=np.log(300.0), near_sd=0.01)
    most = explain_sheet(points(metre, 30 * metre), sure, (40.0, 650.0)).odds
    assert most == pytest.approx(0.5 * 6.0**2 + 0.5 * 3.5**2 + 8.0)
    # A density that limits leave open, within the reading, is not unbelievable.
    for low, added in ((20.0, 0.0), (30.5, 0.0), (31.0, 8.0)):
        assert explain_sheet(points(metre, 30 * metre), sure, (low, 650.0)).odds == pytest.approx(most - 8.0 + added)


def test_cores_longer_than_the_stake_reads_tell_of_the_stake():
    """Cores of 0.95 m where the stake says 1 / 2.54: too long by log 2.54 of 0.12, which counts for 6 deviations."""
    shrunk, sure = np.full(3, 1 / 2.54), Expected(np.log(300.0), 0.01, 3)

    def explained(core_m):
        return explain_sheet(points(shrunk, np.full(3, 300.0), core_m), sure, (40.0, 1000.0))

    # So is density, for as much. Cores that slipped with the stake, or were not measured, tell nothing.
    assert "depths in inches under centimetres" in explained(0.95).words
    assert explained(0.95).odds == pytest.approx(18.0 + 18.0)
    assert explained(np.nan).odds == pytest.approx(18.0)
    assert explained(0.95 / 2.54).odds == pytest.approx(18.0)


def test_snow_as_expected_is_no_slip():
    for density in (250.0, 300.0, 360.0):
        slip = explain_sheet(points(np.ones(4), density * np.ones(4)), Expected(np.log(300.0), 0.2, 3), (40.0, 650.0))
        assert slip is None or slip.odds < 0
    assert explain_sheet(points([1.0], [np.nan]), Expected(np.log(300.0), 0.2, 3), (40.0, 650.0)) is None


def test_a_scale_is_read_to_half_the_step_that_its_weights_show():
    steps = [([10.0, 20.0, 30.0, 45.0], 5.0), ([10, 11, 30, 50], 2.5), ([10, 110, 210, 310], 6.4), ([10, 18, 26], 6.4)]
    for weights, error in steps:
        assert points(np.ones(len(weights)), weights).scale_error_mm == error
    assert points(np.ones(5), [10.0, 10.0, 18.0, 26.0, 34.0]).scale_error_mm == 4.0
    # The error of a weight counts against what snow of the density would weigh, where that is more.
    read = points([1.0, 2.0], [100.0, 900.0]).reading_error(300.0)
    assert read == pytest.approx([np.hypot(0.01, 6.4 / 300), np.hypot(0.005, 6.4 / 900)])


def test_a_point_is_odd_by_the_deviation_of_its_density_from_the_others():
    """Six others of 300 kg/m3 have no spread: with 12 points' worth of 0.11 it is 0.11 times the root of 12 / 18."""
    density = np.array([300.0] * 6 + [420.0])
    made = points(np.ones(7), density)
    reading = np.hypot(0.01, 6.4 / 420)
    sd = np.sqrt(0.11**2 * 12 / 18 * (1 + 1.57 / 6) + reading**2)
    z = np.log(420 / 300) / sd
    assert odd_points(made, np.zeros(7), 1.001 * z) == []
    ((place, slip, words),) = odd_points(made, np.zeros(7), 0.999 * z)
    assert (place, slip) == (6, None)
    assert words == "density 420 kg/m3, the others' median 300 kg/m3, depth 1.00 times the others' median"
    # Three others are enough, two are not.
    assert len(odd_points(points(np.ones(4), density[3:]), np.zeros(4), 0.1)) == 1
    assert odd_points(points(np.ones(3), density[4:]), np.zeros(3), 0.1) == []


@pytest.mark.parametrize(
    ("usual", "times", "odd"), [(0.5, 5.1, True), (0.5, 4.9, False), (0.21, 5.1, True), (0.19, 5.1, False)]
)
def test_a_point_without_a_core_is_odd_by_its_depth(usual, times, odd):
    made = points([usual, usual, usual, usual * times], [np.nan] * 4)
    assert [place for place, _, _ in odd_points(made, np.zeros(4), 3.5)] == [3] * odd
    assert odd_points(points([np.nan, np.nan], [np.nan, np.nan]), np.zeros(2), 3.5) == []


def test_a_row_in_other_units_is_weighed_against_a_core_badly_taken():
    """A point ten times as deep as three others, as dense as they are by tenfold SWE too.

    Its stake is off by log 10 of a spread of 0.25, held at 6: 18, or of 0.15 beside the usual, the same. With both ten times too
    large all is explained: -0.5 for rarity, -1.7 for a row alone, and log of the wider spread over the own.
    """
    made = points([1.0, 1.0, 1.0, 1.0, 10.0], [300.0, 300.0, 300.0, 300.0, 3000.0])
    ((place, slip, _),) = odd_points(made, np.zeros(5), 3.5)
    reading = np.hypot(0.001, 6.4 / 3000)
    sd = np.sqrt(0.11**2 * 12 / 16 * (1 + 1.57 / 4) + reading**2)
    assert place == 4
    assert "ten times too large (x 0.1 mends both)" in slip.words
    assert slip.odds == pytest.approx(18.0 - 0.5 - 1.7 + np.log(np.hypot(sd, 0.5) / sd))
    # A point that is as deep every time is no slip.
    assert odd_points(made, np.array([0, 0, 0, 0, np.log(10)]), 3.5)[0][1] is None


def test_a_point_that_is_deep_every_time_is_held_against_how_deep_it_is():
    """The fifth point lies log 10 above the others as always, and the stake says log 10 more: beside the usual that is a slip.

    The others' own median is taken off, so that a visit of deep snow is none.
    """
    for level in (1.0, 3.0):
        depth = level * np.array([1.0, 1.0, 1.0, 1.0, 100.0])
        ((place, slip, _),) = odd_points(points(depth, 300 * depth), np.array([0, 0, 0, 0, np.log(10)]), 3.5)
        assert place == 4
        assert "ten times too large (x 0.1 mends both)" in slip.words
