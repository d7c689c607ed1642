"""The course rules one by one: what is planted is found and named, what is clean stays."""

import datetime as dt

import numpy as np
import pandas as pd
import pytest
from clean_season import sheet
from made_courses import LIMITS, around, edited, rules, samples

from snowtally.courses.checks import check_courses
from snowtally.courses.context import Neighbours
from snowtally.courses.dates import season_samples
from snowtally.courses.findings import sheet_finding
from snowtally.courses.sample_checks import (
    core_longer_than_depth,
    core_much_shorter,
    density_kg_m3,
    depth_without_water,
    far_from_nominal,
    impossible_density,
    negative,
    soil_in_the_core,
    too_much,
    tube_fuller_when_empty,
    water_without_depth,
)
from snowtally.courses.samplers import without_sampler_bias
from snowtally.model.rules.courses import UNITS_OF_SHEET
from snowtally.sites.points import course_visits

SEASON = dt.date(2030, 10, 1), dt.date(2031, 3, 10)


def weighed(empty=900.0, cutter=11.4, **others):
    """The same cores as weights in g on a tube of 11.4 cm2."""
    made = samples(**others)
    return made.assign(mass_full_g=empty + made["swe_mm"] * cutter / 10, mass_empty_g=empty, cutter_cm2=cutter)


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
    assert kept.index.tolist() == [0]
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


def test_a_samplers_bias_is_taken_off_its_own_cores_alone():
    tubes = ["Federal", " federal ", "wide", "federal", "federal"]
    made = samples(n=5).assign(sampler=tubes, swe_mm=[108.4, 216.8, 108.4, 0.0, 0.542])
    corrected, (finding,) = without_sampler_bias(made, {"FEDERAL": 0.084, "tin": 0.5})
    assert corrected["swe_mm"].tolist() == pytest.approx([100.0, 200.0, 108.4, 0.0, 0.5])
    assert made["swe_mm"].tolist() == [108.4, 216.8, 108.4, 0.0, 0.542]
    assert (finding.line, finding.start, finding.end) == (2, "2031-03-01", "2031-03-01")
    assert finding.evidence == "sampler FEDERAL: 3 cores, SWE divided by 1.084"


def test_a_sample_without_depth_has_no_density():
    assert density_kg_m3(edited(samples(n=2), 1, depth_m=0.0)).isna().tolist() == [False, True]


def breached(check, **values):
    """Which of some points break a check's rule: 1 m of 300 kg/m3 but for the columns named, as many as they have values."""
    n = max(np.size(value) for value in values.values())
    made = sheet(np.ones(n), np.full(n, 300.0), core_m=np.full(n, 0.95)).assign(**values)
    defaults = {"used": True, "swe_used": True}
    return check(
        made.assign(**{name: made.get(name, value) for name, value in defaults.items()}), LIMITS
    ).wrong.tolist()


def test_each_points_check_to_its_limits():
    assert breached(negative, depth_m=[0.0, -0.01, 1.0], swe_mm=[0.0, 1.0, -0.1]) == [False, True, True]
    assert breached(negative, swe_mm=[-1.0], swe_used=[False]) == [False]
    # A trace of water that the scale shows is no contradiction.
    assert breached(water_without_depth, depth_m=[0, 0, 0.01], swe_mm=[6.4, 6.5, 9]) == [
        False,
        True,
        False,
    ]
    assert breached(water_without_depth, depth_m=[0.0], swe_mm=[9.0], swe_used=[False]) == [False]
    # The least snow that could weigh what the scale shows, and the centimetre that a stake is read to.
    least = 6.4 / LIMITS.density_low_kg_m3 + 0.01
    depths = [least + 0.001, least - 0.001, least + 0.001]
    assert breached(depth_without_water, depth_m=depths, swe_mm=[0.0, 0.0, 0.1]) == [True, False, False]
    assert breached(depth_without_water, depth_m=[2.0], swe_mm=[0.0], swe_used=[False]) == [False]
    most = LIMITS.swe_high_mm
    assert breached(too_much, swe_mm=[most, most + 1, most + 1], swe_used=[True, True, False]) == [
        False,
        True,
        False,
    ]
    assert breached(too_much, depth_m=LIMITS.depth_high_m + np.array([0, 0.1])) == [False, True]
    # 3 % and 1 cm longer, 20 % and 1 cm shorter: over 2 m that is 2.07 m and 1.59 m.
    core = {"depth_m": 2.0, "core_m": [2.069, 2.071, 1.591, 1.589, 0.0]}
    assert breached(core_longer_than_depth, **core) == [False, True, False, False, False]
    assert breached(core_much_shorter, **core) == [False, False, False, True, False]
    for check in (core_longer_than_depth, core_much_shorter):
        assert breached(check, core_m=[0.1, 9.0], swe_used=[False, False]) == [False, False]


def test_weights_of_a_tube():
    weights = {"mass_full_g": [900, 900, 900, 900, 900, np.nan], "mass_empty_g": [900, 901, 0, np.nan, np.nan, 0]}
    swe = [300, 300, 300, np.nan, 300, 300]
    assert breached(tube_fuller_when_empty, **weights, swe_mm=swe) == [
        False,
        True,
        True,
        True,
        False,
        False,
    ]


def test_a_date_contradicts_its_nominal_one_by_more_than_the_limit():
    nominal = pd.Timestamp("2031-03-01") + pd.to_timedelta([20, 21, -20, -21], "D")
    assert breached(far_from_nominal, nominal_date=nominal) == [False, True, False, True]


def test_a_density_is_impossible_beyond_what_reading_leaves_open():
    """One point alone is held to the limits, others beside it of a believable median to a quarter more, none to ice's."""
    low, high = LIMITS.density_low_kg_m3, LIMITS.density_high_kg_m3

    def breaks(density, others=()):
        swe = np.array([density, *others], float)
        return breached(impossible_density, swe_mm=swe, site_id="C")[0]

    lightest, densest = low * 0.99 - 6.4, high * 1.01 + 6.4
    assert [breaks(lightest + d) for d in (0.1, -0.1)] == [False, True]
    assert [breaks(densest + d) for d in (-0.1, 0.1)] == [False, True]
    lightest, densest = low / 1.25 * 0.99 - 6.4, min(1.25 * high, 917.0) * 1.01 + 6.4
    assert [breaks(lightest + d, (300, 310)) for d in (0.1, -0.1)] == [False, True]
    assert [breaks(densest + d, (300, 310)) for d in (-0.1, 0.1)] == [False, True]
    # Others that are unbelievable themselves leave no margin.
    assert breaks(high * 1.01 + 6.5, (2 * high, 2 * high))
    assert breached(impossible_density, swe_mm=[9000.0], swe_used=[False]) == [False]
    # In a centimetre of snow any density may be read.
    assert breached(impossible_density, depth_m=[0.01, 0.011], swe_mm=[0.1, 20.0]) == [False, True]


def test_soil_is_in_a_core_that_is_heavy_and_long_or_remarked():
    """Of 300, 310 and 290 the spread is 1.4826 times 10; 5 % of the median is more: 1.5 times 15 kg/m3."""
    swe = [290, 300, 300, 310]
    long = {"core_m": 1.05}
    assert breached(soil_in_the_core, swe_mm=[*swe, 322.6, 290], **long) == [False] * 4 + [True, False]
    assert breached(soil_in_the_core, swe_mm=[*swe, 322.4, 290], **long) == [False] * 6
    remarks = ["", "", "", "", "a plug of Mud", ""]
    assert breached(soil_in_the_core, swe_mm=[*swe, 322.6, 290], remark=remarks)[4] is True
    assert breached(soil_in_the_core, swe_mm=[*swe, 322.6, 290], remark="muddy track")[4] is False


@pytest.mark.parametrize(
    ("date", "nominal", "rule"),
    [
        ("2030-09-01", "2030-10-01", "date far from nominal"),
        ("2031-03-20", "2031-03-10", "future date"),
        ("2030-09-01", "2030-09-30", None),
        ("2031-04-20", "2031-03-11", None),
        ("2031-03-15", "2031-03-10", None),
    ],
)
def test_a_nominal_day_belongs_to_the_season_from_its_first_day_to_the_last(date, nominal, rule):
    days = {"date": np.array([date], "datetime64[s]"), "nominal_date": np.array([nominal], "datetime64[s]")}
    _, findings = season_samples(sheet(np.ones(1), np.full(1, 300.0), **days), SEASON, 5.0)
    assert rules(findings) == ([] if rule is None else [rule])


def test_a_finding_of_two_rows_names_the_first_and_the_last():
    rows = samples(n=2)
    found = sheet_finding(rows, UNITS_OF_SHEET, "light")
    assert (found.line, found.evidence) == (rows["line"].min(), f"2 rows to line {rows['line'].max()}: light")
    assert sheet_finding(rows.head(1), UNITS_OF_SHEET, "light").evidence == "light"
