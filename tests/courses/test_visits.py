"""What is told of a visit, by its own points and by other places: each to its limit."""

import numpy as np
import pandas as pd
import pytest
from clean_season import sheet
from made_courses import LIMITS, rules, samples

from snowtally.courses.context import Neighbours
from snowtally.courses.mixups import Points, explain_sheet
from snowtally.courses.visit_checks import (
    compared_visits,
    courses_against_others,
    notes_on_visits,
    points_against_their_course,
    sheets_with_a_slip,
)

HEIGHTS = Neighbours(pd.Series(dict.fromkeys("ABC", 2000.0)))


def in_use(*parts):
    made = pd.concat(parts, ignore_index=True)
    return made.assign(used=made["depth_m"].notna(), swe_used=made["swe_mm"].notna(), line=np.arange(len(made)) + 2)


def of(site, swe_mm, depth_m=1.0, **others):
    depth = np.full(5, depth_m)
    return sheet(depth, np.full(5, swe_mm), site_id=site, **others)


def told(made, sd):
    """What is told of visits where so many standard deviations are too far."""
    limits = LIMITS.model_copy(update={"course_outlier_sd": sd})
    return rules(courses_against_others(made, compared_visits(made, limits, HEIGHTS), limits))


def test_a_visit_is_laid_out_by_median_density_and_mean_depth_and_swe():
    made = in_use(sheet(np.array([1.0, 2.0, 3.0, 4.0]), np.array([300.0, 500.0, 1200.0, np.nan])))
    made.loc[2, "swe_used"] = False
    visit = compared_visits(made, LIMITS, HEIGHTS).each_visit()[0]
    assert visit.log_density == pytest.approx(0.5 * (np.log(300.0) + np.log(250.0)))
    assert (visit.depth_m, visit.swe_mm) == (2.5, 400.0)
    # A stake on bare ground says that there is no water.
    bare = in_use(sheet(np.array([0.0, 0.0, 2.0]), np.array([np.nan, np.nan, 600.0])))
    assert compared_visits(bare, LIMITS, HEIGHTS).each_visit()[0].swe_mm == 200.0


@pytest.mark.parametrize("ratio", [2.0, 0.5])
def test_swe_is_far_from_places_of_like_elevation_by_its_standard_deviations(ratio):
    """As dense as two courses of 300 mm, with ratio times their snow: log ratio over 0.5 of spread and twice the scale's 6.4 mm."""
    made = in_use(of("A", 300.0), of("B", 300.0), of("C", 300.0 * ratio, ratio))
    sd = np.hypot(0.5 * (1 + 1.5 / 2) ** 0.5, 2 * 6.4 / (300.0 * ratio))
    z = abs(np.log(ratio)) / sd
    # A and B see 300 mm and the other: the half way of the logarithms.
    assert told(made, 1.001 * z) == []
    assert told(made, 0.999 * z) == ["course against its neighbours"]


def test_density_is_far_from_other_places_by_its_standard_deviations():
    made = in_use(of("A", 300.0), of("B", 300.0), of("C", 300.0, 0.6))
    z = np.log(500 / 300) / (0.15 * (1 + 1.5 / 2) ** 0.5)
    assert told(made, 1.001 * z) == []
    assert told(made, 0.999 * z) == ["course against its neighbours"]
    # Thin snow may be of any density.
    assert told(in_use(of("A", 300.0), of("B", 300.0), of("C", 125.0, 0.25)), 2.0) == []


def test_a_mean_of_one_point_more_or_less_is_noted_to_its_limit():
    def notes(made, **limits):
        limits = LIMITS.model_copy(update=limits)
        return rules(notes_on_visits(made, compared_visits(made, limits, HEIGHTS), limits))

    assert notes(in_use(samples(n=5))) == []
    assert notes(in_use(samples(n=4))) == ["few points"]
    assert notes(in_use(samples(n=4).assign(cores=[np.nan, 2.0, np.nan, 0.0]))) == []
    thin = in_use(of("C", 60.0, 0.05))
    assert notes(thin) == []
    assert notes(thin, thin_snow_m=0.051) == ["thin snow"]
    assert notes(in_use(of("C", 50.9, 0.17))) == []
    assert notes(in_use(of("C", 50.7, 0.17))) == ["bulk sample advised"]
    assert notes(in_use(of("C", 50.7, 0.17).assign(cores=10.0))) == []
    # 200 to 500 kg/m3 in spring, a fifth more either way.
    for density, noted in ((159.0, True), (161.0, False), (599.0, False), (601.0, True)):
        assert notes(in_use(of("C", density))) == ["density against season"] * noted
    assert notes(in_use(of("C", 150.0 * 0.25, 0.25)), bulk_swe_mm=0.0) == []


def test_a_tare_of_another_tube_is_told_by_the_weight_that_mends_the_core():
    made = samples(n=8)
    cores = made.assign(mass_full_g=900.0 + made["swe_mm"] * 1.14, mass_empty_g=900.0, cutter_cm2=11.4)

    def told_of(tare):
        odd = cores.copy()
        odd.loc[3, ["mass_empty_g", "swe_mm"]] = tare, (odd.loc[3, "mass_full_g"] - tare) / 1.14
        checked = in_use(odd)
        findings = points_against_their_course(checked, LIMITS)
        assert checked["used"].all() or not findings
        return rules(findings), checked

    named, checked = told_of(700.0)
    assert named == ["wrong tare"]
    assert checked.index[~checked["swe_used"]].tolist() == [3]
    assert told_of(900.0)[0] == []
    # Nothing is told where the weight itself is odd and the tare the tube's own.
    heavy = in_use(edited_full(cores))
    findings = points_against_their_course(heavy, LIMITS)
    assert rules(findings) == ["sample against its course"]
    assert not heavy.loc[3, "used"]


def edited_full(cores):
    """The fourth core twice as heavy, on the same tube."""
    heavy = cores.copy()
    heavy.loc[3, ["swe_mm", "mass_full_g"]] = 2 * heavy.loc[3, "swe_mm"], 900.0 + 2.28 * heavy.loc[3, "swe_mm"]
    return heavy


def test_a_sheet_is_set_aside_where_a_slip_is_so_many_times_likelier():
    made = in_use(of("A", 300.0), of("B", 300.0), of("C", 30.0))
    season = compared_visits(made, LIMITS, HEIGHTS)
    points = Points(np.ones(5), np.full(5, 30.0), np.full(5, 0.95), np.full(5, np.nan))
    odds = explain_sheet(points, season.expected(2), (LIMITS.density_low_kg_m3, LIMITS.density_high_kg_m3)).odds
    for times, aside in ((1.001, False), (0.999, True)):
        checked, limits = made.copy(), LIMITS.model_copy(update={"mix_up_odds": times * np.exp(odds)})
        findings = sheets_with_a_slip(checked, compared_visits(checked, limits, HEIGHTS), limits)
        assert rules(findings) == ["unit mix-up"] * aside
        assert checked["used"].tolist() == [True] * 10 + [not aside] * 5
    words = findings[0].evidence
    assert "density 30 kg/m3 where 300 kg/m3 is expected by 2 other places, SWE 30 mm where 300 mm is expected" in words


def test_swe_is_far_from_its_last_visit_by_its_standard_deviation():
    """Stations stand still: 200 mm are expected, give or take a tenth of it and 30 mm."""
    days = pd.date_range("2031-01-01", "2031-03-10")
    daily = pd.concat(pd.DataFrame({"site_id": name, "date": days, "swe_mm": 200.0, "depth_m": 0.8}) for name in "ST")
    around = Neighbours(pd.Series({"C": 2000.0, "S": 3000.0, "T": 3000.0}), daily)
    made = in_use(of("C", 200.0, 0.8, date=pd.Timestamp("2031-02-01")), of("C", 400.0, 1.6))
    z = 200.0 / np.hypot(20.0, 30.0)
    for sd, named in ((1.001 * z, []), (0.999 * z, ["course against its last visit"])):
        limits = LIMITS.model_copy(update={"course_outlier_sd": sd})
        checked = made.copy()
        assert rules(courses_against_others(checked, compared_visits(made, limits, around), limits)) == named
        assert checked["used"].all()  # one yardstick alone takes nothing


def test_a_tare_of_another_tube_is_told_in_deep_snow_too():
    deep = sheet(np.full(8, 3.0), np.full(8, 900.0))
    cores = deep.assign(mass_full_g=900.0 + deep["swe_mm"] * 1.14, mass_empty_g=900.0, cutter_cm2=11.4)
    cores.loc[3, ["mass_empty_g", "swe_mm"]] = 400.0, (cores.loc[3, "mass_full_g"] - 400.0) / 1.14
    assert rules(points_against_their_course(in_use(cores), LIMITS)) == ["wrong tare"]
