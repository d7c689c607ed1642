"""A course's value and its error: against the definition, against chance, and with what the sheet leaves out."""

import numpy as np
import pandas as pd
import pytest
from clean_season import sheet

from snowtally.courses.samplers import without_sampler_bias
from snowtally.sites.points import SAMPLER_SE, course_visits


def value_of(depth, swe, **others):
    made = sheet(np.asarray(depth, float), np.asarray(swe, float), **others)
    made = made.assign(used=True, swe_used=made["swe_mm"].notna())
    return course_visits(made).iloc[0]


def test_a_depth_only_point_strengthens_depth_and_through_density_swe():
    value = value_of([1.0, 1.2, 1.1, 2.0], [300.0, 360.0, 330.0, np.nan])
    assert value["density_kg_m3"] == pytest.approx(300.0)
    assert value["depth_m"] == pytest.approx(1.325)
    assert value["swe_mm"] == pytest.approx(300.0 * 1.325)


def test_the_error_of_double_sampling_is_the_spread_over_many_surveys():
    # Six cores and six more depths each time, on snow of 30 % spread in depth and 10 % in density (its own known truth).
    rng = np.random.default_rng(5)
    sheets = []
    for survey in range(250):
        depth = rng.lognormal(0.0, 0.3, 12)
        swe = np.where(np.arange(12) < 6, 300.0 * depth * rng.lognormal(0.0, 0.1, 12), np.nan)
        sheets.append(sheet(depth, swe, site_id=f"C{survey}"))
    made = pd.concat(sheets, ignore_index=True)
    values = course_visits(made.assign(used=True, swe_used=made["swe_mm"].notna()))
    assert len(values) == 250
    claimed = values["swe_se_mm"] ** 2 - (SAMPLER_SE * values["swe_mm"]) ** 2
    # 250 surveys know a standard deviation to 4.5 %; the formula leaves out terms of the order of 1 / n.
    assert np.sqrt(np.mean(claimed)) == pytest.approx(np.std(values["swe_mm"], ddof=0), rel=0.12)


def test_depths_beside_the_cores_make_the_mean_surer():
    depth = np.array([0.7, 0.9, 1.0, 1.2, 1.5])
    swe = depth * np.array([290, 310, 300, 305, 295])
    alone = value_of(depth, swe)
    more = value_of(np.tile(depth, 3), np.concatenate([swe, np.full(10, np.nan)]))
    assert more["swe_se_mm"] < alone["swe_se_mm"]
    assert more["swe_se_mm"] > SAMPLER_SE * more["swe_mm"]


def test_a_visit_of_depths_alone_has_depth_and_no_swe():
    value = value_of([0.5, 0.7, 0.6], [np.nan, np.nan, np.nan])
    assert value["depth_m"] == pytest.approx(0.6)
    assert value[["swe_mm", "swe_se_mm", "density_kg_m3"]].isna().all()
    assert value["depth_se_m"] == pytest.approx(0.1 / np.sqrt(3))


def test_bare_points_say_nothing_of_snow_whose_cores_were_set_aside():
    made = sheet(np.array([0.0, 0.8, 1.0]), np.array([0.0, 240.0, 300.0])).assign(used=True, swe_used=True)
    cores_aside = made.assign(swe_used=made["depth_m"] == 0, swe_mm=made["swe_mm"].where(made["depth_m"] == 0))
    value = course_visits(cores_aside).iloc[0]
    assert np.isnan(value["swe_mm"])
    assert value["depth_m"] == pytest.approx(0.6)
    points_aside = made.assign(used=made["depth_m"] == 0, swe_used=made["depth_m"] == 0)
    assert course_visits(points_aside).empty


def test_bare_points_make_no_density_and_no_trouble():
    value = value_of([0.0, 0.0, 0.0], [np.nan, 0.0, np.nan])
    assert (value["swe_mm"], value["swe_se_mm"], value["depth_m"]) == (0.0, 0.0, 0.0)
    assert np.isnan(value["density_kg_m3"])


def test_true_date_and_nominal_date_both_travel():
    value = value_of([1.0], [300.0], date=pd.Timestamp("2031-03-29"), nominal_date=pd.Timestamp("2031-04-01"))
    assert (value["date"], value["nominal_date"]) == (pd.Timestamp("2031-03-29"), pd.Timestamp("2031-04-01"))


def test_a_samplers_bias_is_taken_off_its_own_cores_alone_and_told():
    made = sheet(np.ones(3), np.full(3, 300.0), sampler=["Federal ", "other", ""])
    corrected, findings = without_sampler_bias(made, {"federal": 0.084})
    assert corrected["swe_mm"].tolist() == pytest.approx([300.0 / 1.084, 300.0, 300.0])
    assert [(f.rule.name, f.action) for f in findings] == [("sampler correction", "corrected")]
    untouched, findings = without_sampler_bias(made, {})
    assert findings == []
    pd.testing.assert_frame_equal(untouched, made)


def test_a_bare_point_and_weights_that_were_set_aside_are_no_course():
    made = sheet(np.array([0.0, np.nan, np.nan]), np.array([0.0, 240.0, 300.0])).assign(used=True)
    assert course_visits(made.assign(swe_used=made["swe_mm"] == 0)).empty


def test_cores_too_light_for_the_scale_weigh_no_density():
    """A hand of snow reads 0 mm on a spring scale: the water is next to nothing, and what it weighs is not told."""
    value = value_of([0.12, 0.13, 0.11], [0.0, 0.0, 0.0])
    assert value["swe_mm"] == 0.0
    assert np.isnan([value["density_kg_m3"], value["density_se_kg_m3"]]).all()
