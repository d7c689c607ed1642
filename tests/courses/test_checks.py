"""The course rules one by one: what is planted is found and named, what is clean stays."""

import datetime as dt
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from clean_season import DAYS, sheet

from pipeline.courses.checks import check_courses
from pipeline.courses.context import Neighbours
from pipeline.courses.dates import season_samples
from pipeline.courses.limits import CourseLimits
from pipeline.sites.points import course_visits

LIMITS = CourseLimits()
SEASON = dt.date(2030, 10, 1), dt.date(2031, 3, 10)


def samples(density=300.0, n=8, **others):
    depth = 1.0 + 0.05 * np.arange(n)
    return sheet(depth, density * depth, **others)


def weighed(empty=900.0, cutter=11.4, **others):
    """The same cores as weights in g on a tube of 11.4 cm2."""
    made = samples(**others)
    return made.assign(mass_full_g=empty + made["swe_mm"] * cutter / 10, mass_empty_g=empty, cutter_cm2=cutter)


def around(density, level_mm=200.0, change_mm=0.0):
    """Five stations and their snow; SWE changes evenly by `change_mm` in a month."""
    swe = level_mm + change_mm * np.arange(len(DAYS)) / 30.0
    daily = [
        pd.DataFrame({"site_id": f"S{i}", "date": DAYS, "swe_mm": swe, "depth_m": swe / density}) for i in range(5)
    ]
    return Neighbours(pd.Series({"C": 2000.0, **{f"S{i}": 2000.0 for i in range(5)}}), pd.concat(daily))


def rules(findings, *, aside=False):
    return sorted({finding.rule.name for finding in findings if not aside or finding.action == "set aside"})


def edited(made, row=3, **values):
    for name, value in values.items():
        made.loc[row, name] = value(made.loc[row]) if callable(value) else value
    return made


def test_clean_samples_stay_whole():
    checked, findings = check_courses(samples(), LIMITS, around(290.0))
    assert checked[["used", "swe_used"]].all(axis=None)
    assert findings == []


@pytest.mark.parametrize(
    ("values", "rule"),
    [
        ({"swe_mm": lambda r: 2.0 * r["swe_mm"]}, "sample against its course"),
        ({"swe_mm": lambda r: 0.5 * r["swe_mm"]}, "sample against its course"),
        ({"swe_mm": lambda r: 1.6 * r["swe_mm"]}, "sample against its course"),
        ({"depth_m": lambda r: r["depth_m"] / 2.54, "core_m": lambda r: r["core_m"] / 2.54}, "unit mix-up"),
        ({"depth_m": lambda r: 10 * r["depth_m"]}, "unit mix-up"),
        ({"swe_mm": lambda r: r["swe_mm"] / 25.4}, "unit mix-up"),
        ({"core_m": lambda r: 1.2 * r["depth_m"]}, "core longer than depth"),
        ({"core_m": lambda r: 1.2 * r["depth_m"], "swe_mm": lambda r: 1.15 * r["swe_mm"]}, "soil in the core"),
        ({"remark": "soil plug not taken out", "swe_mm": lambda r: 1.15 * r["swe_mm"]}, "soil in the core"),
        ({"swe_mm": -5.0}, "negative"),
        ({"swe_mm": 0.0}, "depth without water"),
        ({"depth_m": 0.0}, "water without depth"),
    ],
)
def test_one_faulty_point_is_named_and_set_aside(values, rule):
    checked, findings = check_courses(edited(samples(), **values), LIMITS)
    assert rules(findings, aside=True) == [rule]
    assert checked.index[~checked["swe_used"]].tolist() == [3]
    value = course_visits(checked).iloc[0]
    assert value["density_kg_m3"] == pytest.approx(300.0, rel=1e-9)


def test_a_remark_of_soil_alone_takes_no_core():
    checked, findings = check_courses(edited(samples(), remark="soil plug cut off"), LIMITS)
    assert checked["swe_used"].all()
    assert findings == []


@pytest.mark.parametrize("factors", [(1 / 2.54, 1.0), (1.0, 1 / 25.4), (1 / 2.54, 1 / 25.4), (10.0, 1.0), (1.0, 0.1)])
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


@pytest.mark.parametrize(
    "values",
    [
        {"mass_full_g": 900.0, "mass_empty_g": 1200.0, "swe_mm": -263.0},
        {"mass_empty_g": 0.0, "swe_mm": 1130.0},
        {"mass_empty_g": np.nan, "swe_mm": np.nan},
        {"mass_empty_g": 600.0, "swe_mm": lambda r: r["swe_mm"] + 263.0},
    ],
)
def test_weights_that_show_a_wrong_tare(values):
    checked, findings = check_courses(edited(weighed(), **values), LIMITS)
    assert rules(findings) == ["wrong tare"]
    assert checked.index[~checked["swe_used"]].tolist() == [3]


def test_thin_snow_read_coarsely_stays_and_is_noted():
    depth = np.array([0.03, 0.04, 0.05, 0.04, 0.06, 0.05])
    half_inch = 12.7 * np.array([0, 1, 1, 1, 2, 1])
    checked, findings = check_courses(sheet(depth, half_inch), LIMITS)
    assert checked["swe_used"].all()
    assert rules(findings) == ["bulk sample advised", "thin snow"]
    assert {f.action for f in findings} == {"used"}


def test_dense_spring_snow_stays_point_by_point():
    depth = 1.0 + 0.05 * np.arange(8)
    checked, _ = check_courses(sheet(depth, depth * 560.0 * np.exp(0.1 * np.sin(np.arange(8)))), LIMITS)
    assert checked["swe_used"].all()


def test_a_course_beyond_belief_that_nothing_explains_is_set_aside():
    checked, findings = check_courses(samples(700.0), LIMITS, around(470.0))
    assert rules(findings, aside=True) == ["impossible density"]
    assert not checked["used"].any()


def test_too_much_snow_is_out_of_range_and_an_empty_row_is_told():
    faulty = edited(samples(), 2, depth_m=np.nan, swe_mm=20_000.0)
    faulty = edited(faulty, 5, depth_m=np.nan, swe_mm=np.nan)
    checked, findings = check_courses(faulty, LIMITS)
    assert rules(findings) == ["empty sample", "out of range"]
    assert (~checked["used"]).sum() == 2


def two_sheets(second, **others):
    """The course's sheet, and rows that come after it."""
    later = second.assign(line=second["line"] + 100, **others)
    return pd.concat([samples(), later], ignore_index=True)


def test_a_row_twice_counts_once_and_an_empty_row_takes_no_other_rows_place():
    checked, findings = check_courses(two_sheets(samples()[3:4]), LIMITS)
    assert checked["used"].sum() == 8
    assert rules(findings) == ["duplicate"]
    blank = samples()[3:4].assign(depth_m=np.nan, swe_mm=np.nan, core_m=np.nan)
    assert check_courses(two_sheets(blank), LIMITS)[0]["used"].sum() == 8


@pytest.mark.parametrize("file", ["c.csv", "d.csv"])
def test_a_sheet_sent_again_replaces_the_whole_older_one(file):
    newer = samples(320.0)[:7].assign(point=lambda s: "0" + s["point"])
    checked, findings = check_courses(two_sheets(newer, file=file), LIMITS)
    assert rules(findings) == ["sheet sent again"]
    assert (findings[0].line, findings[0].action) == (2, "set aside")
    assert f"{file}, line 102" in findings[0].evidence
    assert checked.index[checked["used"]].tolist() == list(range(8, 15))
    assert course_visits(checked).iloc[0]["density_kg_m3"] == pytest.approx(320.0)


def test_the_rest_of_a_sheet_in_another_file_joins_it():
    rest = samples().assign(point=lambda s: (s["point"].astype(int) + 8).astype(str))
    checked, findings = check_courses(two_sheets(rest, file="d.csv"), LIMITS)
    assert findings == []
    assert course_visits(checked).iloc[0]["points"] == 16


def test_nameless_points_alike_are_two_points_and_a_nameless_sheet_again_is_one():
    nameless = samples().assign(point="")
    alike = pd.concat([nameless, nameless[:1]], ignore_index=True)
    assert check_courses(alike, LIMITS)[0]["used"].sum() == 9
    checked, findings = check_courses(pd.concat([nameless, nameless], ignore_index=True), LIMITS)
    assert checked["used"].sum() == 8
    assert rules(findings) == ["sheet sent again"]
    checked, _ = check_courses(two_sheets(samples(320.0).assign(point=""), file="d.csv")[8:], LIMITS)
    assert checked["used"].sum() == 8


def test_days_that_cannot_be_right_are_told_and_other_seasons_leave_silently():
    days = ["2031-03-01", "2030-03-01", "2031-03-20", "0031-03-01", "2032-03-01", "2030-03-02"]
    nominal = [None, None, None, None, "2031-03-01", "2031-03-01"]
    made = sheet(
        np.ones(6),
        np.full(6, 300.0),
        date=np.array(days, "datetime64[s]"),
        nominal_date=np.array(nominal, "datetime64[s]"),
    )
    kept, findings = season_samples(made, SEASON, 20.0)
    assert kept["date"].astype(str).str[:10].tolist() == ["2031-03-01"]
    assert [(f.line, f.rule.name) for f in findings] == [
        (5, "impossible date"),
        (6, "future date"),
        (7, "date far from nominal"),
    ]


@pytest.mark.parametrize(("days", "kept"), [(-7, True), (7, True), (-28, False), (31, False)])
def test_a_survey_near_its_nominal_day_keeps_its_true_date(days, kept):
    made = samples(nominal_date=pd.Timestamp("2031-03-01") + pd.Timedelta(days=days))
    checked, findings = check_courses(made, LIMITS)
    assert checked["used"].all() == kept
    assert rules(findings) == ([] if kept else ["date far from nominal"])


def test_a_course_is_told_against_neighbours_and_last_visit_and_goes_when_both_agree():
    # 280 mm in February, the stations stand still: 1250 mm on 1 March is nowhere near.
    before = samples(280.0, date=pd.Timestamp("2031-02-01"))[:6]
    after = sheet(3.5 + 0.2 * np.arange(6), 310.0 * (3.5 + 0.2 * np.arange(6)), line=np.arange(6) + 20)
    checked, findings = check_courses(pd.concat([before, after], ignore_index=True), LIMITS, around(290.0))
    assert rules(findings) == ["course against its last visit", "course against its neighbours"]
    assert checked["used"].tolist() == [True] * 6 + [False] * 6
    # Without a last visit one yardstick alone warns and takes nothing.
    checked, findings = check_courses(samples(), LIMITS, around(290.0, level_mm=3500.0))
    assert rules(findings) == ["course against its neighbours"]
    assert checked["used"].all()


def test_a_course_that_grows_as_the_stations_do_is_left_alone():
    before = samples(200.0, date=pd.Timestamp("2031-02-01"))
    after = samples(300.0).assign(line=lambda s: s["line"] + 20)
    around_it = around(280.0, change_mm=90.0)
    assert check_courses(pd.concat([before, after], ignore_index=True), LIMITS, around_it)[1] == []


@pytest.mark.parametrize(
    ("made", "rule"),
    [
        (samples(n=4), "few points"),
        (samples(390.0, date=pd.Timestamp("2031-01-15")), "density against season"),
        (samples(n=6).assign(core_m=0.6), "core much shorter than depth"),
    ],
)
def test_notes_take_nothing(made, rule):
    checked, findings = check_courses(made, LIMITS)
    assert rules(findings) == [rule]
    assert {f.action for f in findings} == {"used"}
    assert checked["swe_used"].all()


def test_southern_seasons_count_from_april():
    spring = samples(450.0, date=pd.Timestamp("2031-10-15"))
    southern = Neighbours(southern=True)
    assert check_courses(spring, LIMITS, southern)[1] == []
    assert rules(check_courses(spring, LIMITS)[1]) == ["density against season"]
