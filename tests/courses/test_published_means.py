"""Tables of published course means: one row a visit stands for as many points as are written under cores."""

import numpy as np
import pytest

from snowtally.courses.checks import check_courses
from snowtally.courses.context import Expected
from snowtally.courses.limits import CourseLimits
from snowtally.courses.mixups import Points, explain_sheet
from snowtally.inputs.read_courses import read_courses
from snowtally.inputs.source import Source
from snowtally.settings.blocks import Column
from snowtally.sites.points import course_visits


def visit(tmp_path, header, row, **columns):
    path = tmp_path / "means.csv"
    path.write_text(f"site_id,date,depth_cm,swe_mm{header}\nA,2031-04-01,150,500{row}\n")
    samples, noticed = read_courses(Source([path], columns, ["", "-9999", "M"]))
    samples, findings = check_courses(samples, CourseLimits())
    (only,) = course_visits(samples).itertuples()
    return only, noticed + findings


@pytest.mark.parametrize(
    ("header", "row", "columns"),
    [("", "", {"cores": Column(constant=10)}), (",No of samples", ",10", {"cores": Column(column="No of samples")})],
)
def test_a_mean_of_ten_has_the_error_of_ten(tmp_path, header, row, columns):
    """Spread of single points 20 % of SWE and of depth, 10 % about the density (common practice); 5 % of the tube's own."""
    only, findings = visit(tmp_path, header, row, **columns)
    assert findings == []
    assert (only.swe_mm, only.depth_m, only.points) == (500.0, 1.5, 10.0)
    assert only.swe_se_mm == pytest.approx(500.0 * np.hypot(0.2 / np.sqrt(10), 0.05))
    assert only.depth_se_m == pytest.approx(1.5 * 0.2 / np.sqrt(10))
    assert only.density_se_kg_m3 == pytest.approx(500.0 / 1.5 * np.hypot(0.1 / np.sqrt(10), 0.05))


def test_a_row_without_a_number_is_one_core_and_the_finding_tells_what_to_declare(tmp_path):
    only, (few,) = visit(tmp_path, "", "")
    assert only.swe_se_mm == pytest.approx(500.0 * np.hypot(0.2, 0.05))
    assert (few.rule.name, few.evidence) == ("few points", "1 point")
    assert "columns.courses.cores in the settings names its column or gives a constant" in few.detail


def test_a_mean_of_ten_tells_more_surely_of_a_slip_than_one_core():
    """1 m and 30 mm where 300 kg/m3 are expected: as snow it lies log 10 off, and below what is believable (8).

    Density is unsure by the expectation's 0.5 and the row's own error: the points' 0.11 with reading 1 cm of 1 m and 6.4 of 300 mm
    over the root of their number, and half the reading of all.
    """
    expected = Expected(np.log(300.0), 0.5, 3)
    reading = np.hypot(0.01, 6.4 / 300)
    for cores, n in ((np.nan, 1), (10.0, 10)):
        made = Points(np.array([1.0]), np.array([30.0]), np.array([np.nan]), np.array([cores]))
        sd = np.sqrt(0.5**2 + (0.11**2 + reading**2) / n + 0.25 * reading**2)
        slip = explain_sheet(made, expected, (40.0, 650.0))
        assert slip.odds == pytest.approx(0.5 * (np.log(10) / sd) ** 2 + 8.0)
