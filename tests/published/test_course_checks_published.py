"""Rules on course sheets against what the field guides and glossaries say. The entry's id stands beside each check."""

import numpy as np
import pandas as pd
import pytest

from snowtally.courses.checks import check_courses
from snowtally.courses.limits import CourseLimits
from snowtally.courses.samplers import without_sampler_bias
from snowtally.sites.points import SAMPLER_SE, course_visits
from snowtally.sites.seasons import seasonal_range, water_year_day

COLUMNS = {
    "site_id": "A", "date": pd.Timestamp("2031-03-01"), "point": "", "core_m": np.nan, "mass_full_g": np.nan,
    "mass_empty_g": np.nan, "cutter_cm2": np.nan, "cores": np.nan, "sampler": "", "nominal_date": pd.NaT, "remark": "",
    "file": "a.csv",
}  # fmt: skip


def sheet(depth_m, swe_mm, **others):
    rows = pd.DataFrame({"depth_m": np.asarray(depth_m, float), "swe_mm": np.asarray(swe_mm, float)})
    rows = rows.assign(**(COLUMNS | others), line=np.arange(len(rows)) + 2)
    return rows.astype({"nominal_date": "datetime64[s]", "date": "datetime64[s]"})


def checked(*what, **others):
    samples, findings = check_courses(sheet(*what, **others), CourseLimits())
    return samples, {finding.rule.name: finding for finding in findings}


def test_a_course_with_bare_points_comes_whole_through_the_checks():
    # CORE-07: Agriculture Handbook 169, Snow Survey Sampling Guide (bare points count as zero); ratio of the means.
    samples, rules = checked(np.array([0, 60, 80, 100, 120]) / 100, [0.0, 150, 230, 320, 400])
    assert rules == {}
    value = course_visits(samples).iloc[0]
    assert value[["swe_mm", "depth_m", "density_kg_m3"]].tolist() == pytest.approx([220.0, 0.72, 305.5556], abs=1e-3)


def test_few_points_and_thin_snow_are_told_and_used():
    # CORE-08: WMO HOMS component E53.1.04, "usually 5 or 10" points, "more than 5 cm of snow on the ground".
    for points, few in ((4, True), (5, False), (10, False)):
        samples, rules = checked(np.ones(points), np.full(points, 300.0), point=[str(p) for p in range(points)])
        assert ("few points" in rules) == few
        assert samples["swe_used"].all()
    for depth_cm, thin in ((4.0, True), (6.0, False)):
        samples, rules = checked(np.full(5, depth_cm / 100), np.full(5, 2.0 * depth_cm), point=list("abcde"))
        assert ("thin snow" in rules) == thin
        assert samples["swe_used"].all()


def test_a_bulk_row_is_as_its_cores_weighed_singly():
    # CORE-09: Agriculture Handbook 169: below 2 in (50.8 mm) of water weigh cores together; total over number of cores.
    swe = np.array([20.0, 24.0, 28.0, 30.0, 18.0])
    single, rules = checked(swe / 200, swe, point=list("abcde"))
    assert rules["bulk sample advised"].action == "used"
    bulk, rules = checked([0.12], [swe.sum() / 5], cores=5.0)
    assert "bulk sample advised" not in rules
    assert "few points" not in rules
    assert course_visits(bulk).iloc[0]["swe_mm"] == pytest.approx(course_visits(single).iloc[0]["swe_mm"], rel=1e-9)
    _, rules = checked(np.full(5, 0.2), np.full(5, 50.8), point=list("abcde"))
    assert "bulk sample advised" not in rules


def test_the_published_sampler_bias_lowers_swe_by_its_share():
    # CORE-10: Beaudoin-Galaise and Jutras 2022, The Cryosphere 16, 3199-3214: +8.4 %; 1 - 1 / 1.084 = 7.75 %.
    made = sheet([1.0], [300.0], sampler="federal")
    assert without_sampler_bias(made, {})[0]["swe_mm"].iloc[0] == 300.0
    corrected = without_sampler_bias(made, {"federal": 0.084})[0]["swe_mm"].iloc[0]
    assert 1 - corrected / 300.0 == pytest.approx(0.0775, abs=5e-5)
    # The error that no correction takes away lies within the published biases of all samplers.
    assert 0.026 <= SAMPLER_SE <= 0.114


@pytest.mark.parametrize(
    ("day", "low", "high"), [("2031-01-15", 100.0, 300.0), ("2031-04-15", 200.0, 500.0), ("2030-11-01", 50.0, 300.0)]
)
def test_seasonal_densities_span_the_published_ranges(day, low, high):
    # CORE-13: USDA NRCS, "What is Snow Water Equivalent?": maritime 20-30 % winter, 30-50 % spring; interior 10-20 %, 20-40 %; new
    # snow 5 to 20 %.
    told = seasonal_range(pd.Timestamp(day), southern=False)
    assert told[0] <= low
    assert told[1] >= high
    # And no more than a fifth further: a wider range tells nothing.
    assert told == pytest.approx((0.8 * low, 1.2 * high))


@pytest.mark.parametrize(("density", "possible"), [(3.0, False), (918.0 * 1.05, False), (70.0, True), (150.0, True)])
def test_density_beyond_what_was_ever_measured_is_set_aside(density, possible):
    # CORE-14: AMS Glossary of Meteorology, "snow density": 0.004 the lowest measured, ice about 0.91, fresh snow 0.07 to 0.15.
    samples, rules = checked(np.full(3, 2.0), np.full(3, 2.0 * density), point=list("abc"))
    assert samples["swe_used"].all() == possible
    assert any(f.action == "set aside" for f in rules.values()) != possible


@pytest.mark.parametrize(
    ("day", "number"),
    [
        ("2023-10-01", 1), ("2023-12-31", 92), ("2024-01-01", 93), ("2023-04-01", 183), ("2024-04-01", 184),
        ("2023-09-30", 365), ("2024-09-30", 366),
    ],
)  # fmt: skip
def test_the_day_of_the_water_year(day, number):
    # VOL-09: US water-year convention, origin 1 October = 1 as in Hill et al. 2019.
    assert water_year_day(pd.Timestamp(day)) == number
