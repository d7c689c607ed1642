"""Snow cores and courses against published worked examples and arithmetic."""

import numpy as np
import pandas as pd
import pytest

from pipeline.inputs.read_courses import core_swe_mm
from pipeline.measurements.points import course_visits

INCH_CM, OUNCE_G = 2.54, 28.349523125


@pytest.mark.parametrize(
    ("cutter_in", "ounces", "source"),
    [
        (1.485, 1.00115, "AMS Glossary of Meteorology, 'Mount Rose snow sampler'"),
        (1.4872, 1.00412, "Munson 1933, Snow survey equipment, 1st Western Interstate Snow Survey Conf."),
    ],
)
def test_ounces_of_an_inch_of_water(cutter_in, ounces, source):
    area_cm2 = np.pi / 4 * (cutter_in * INCH_CM) ** 2
    assert core_swe_mm(ounces * OUNCE_G, area_cm2) == pytest.approx(25.4, rel=1e-5), source


def test_core_by_mass_and_area():
    # Definition SWE = m / (A rho_w): 620 g in 30 cm2 (Fierz et al. 2009, UNESCO-IHP Tech. Doc. 83, symbols from memory).
    assert core_swe_mm(620.0, 30.0) == pytest.approx(206.6667, abs=1e-3)


def test_course_counts_bare_points_and_takes_the_ratio_of_means():
    # Agriculture Handbook 169, Snow Survey Sampling Guide: total water content over number of points; ratio of means: common
    # practice, no source. The mean of the ratios, 297.7, must not come back.
    depth, swe = np.array([0, 60, 80, 100, 120]) / 100, np.array([0.0, 150, 230, 320, 400])
    visit = pd.DataFrame(
        {
            "site_id": "A",
            "date": pd.Timestamp("2031-03-01"),
            "depth_m": depth,
            "swe_mm": swe,
            "cores": np.nan,
            "used": True,
            "swe_used": True,
        }
    )
    value = course_visits(visit).iloc[0]
    assert (value["swe_mm"], value["depth_m"]) == pytest.approx((220.0, 0.72))
    assert value["density_kg_m3"] == pytest.approx(305.5556, abs=1e-3)
