"""Bulk density against Sturm et al. 2010, J. Hydrometeor. 11, 1380-1394, Table 4 (read in public codes citing it)."""

import datetime as dt
from pathlib import Path

import numpy as np
import pytest

from snowtally.inputs.read_courses import read_courses
from snowtally.inputs.source import Source
from snowtally.snow.sturm import prior_density, sturm_day, sturm_density

CLASSES = ("alpine", "maritime", "prairie", "tundra", "taiga")


@pytest.mark.parametrize(
    ("depth_m", "day", "expected"),
    [
        (1.0, 1, (0.26723, 0.29133, 0.2875, 0.27327, 0.217)),
        (1.5, 91, (0.37655, 0.39075, 0.37995, 0.31306, 0.217)),
    ],
)
def test_relation_by_snow_class(depth_m, day, expected):  # DEN-01, DEN-02
    found = [float(sturm_density(np.array(depth_m), day, name)) / 1000 for name in CLASSES]
    assert found == pytest.approx(expected, abs=1e-5)


@pytest.mark.parametrize(
    ("date", "expected"),
    [
        ("2022-12-31", -1),
        ("2023-01-01", 1),
        ("2022-10-01", -92),
        ("2024-02-29", 60),
        ("2023-04-01", 91),
        ("2024-04-01", 92),
    ],
)
def test_day_count_has_no_zero(date, expected):  # DEN-03
    day = dt.date.fromisoformat(date)
    origin = dt.date(day.year if day.month >= 10 else day.year - 1, 10, 1)
    assert sturm_day(day, origin) == expected


def test_autumn_is_held_above_a_floor():  # DEN-04
    # The curve gives 0.127 g/cm3 for a metre on 1 October, below its own first density.
    assert float(sturm_density(np.array(1.0), -92, "alpine")) == pytest.approx(127.22, abs=0.01)
    assert float(prior_density(np.array(1.0), -92, "alpine")) == pytest.approx(0.6 * 223.7)


def test_depth_tells_most_of_the_demo_basin_s_swe():
    # DEN-05: depth explains some 95 % of the variance of SWE (Sturm et al. 2010, abstract); over 0.85 is asked of a table of
    # several sites. It holds the invented snow against the real.
    sheet = Path(__file__).parents[2] / "sample_inputs" / "larkmoor" / "course_samples.csv"
    samples, _ = read_courses(Source([sheet], {}, ["-9999", "", "M"]))
    weighed = samples[["depth_m", "swe_mm"]].dropna()
    assert samples.loc[weighed.index, "site_id"].nunique() > 5
    assert np.corrcoef(*weighed.to_numpy().T)[0, 1] ** 2 > 0.85
