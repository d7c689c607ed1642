"""Snow cores and courses against published worked examples and arithmetic."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from snowtally.inputs.read_courses import core_swe_mm, read_courses
from snowtally.inputs.source import Source
from snowtally.settings.blocks import Checks, Column
from snowtally.sites.points import course_visits

INCH_CM, OUNCE_G = 2.54, 28.349523125


@pytest.mark.parametrize(
    ("cutter_in", "ounces", "source"),
    [
        (1.485, 1.00115, "AMS Glossary of Meteorology, 'Mount Rose snow sampler'"),
        (1.4872, 1.00412, "Munson 1933, Snow survey equipment, 1st Western Interstate Snow Survey Conf."),
        (1.48415, 1.0, "CORE-02, exact units: the bore for which an ounce is an inch"),
    ],
)
def test_ounces_of_an_inch_of_water(cutter_in, ounces, source):  # CORE-01 to 03
    area_cm2 = np.pi / 4 * (cutter_in * INCH_CM) ** 2
    assert core_swe_mm(ounces * OUNCE_G, area_cm2) == pytest.approx(25.4, rel=1e-5), source


def test_core_by_mass_and_area():  # CORE-04
    # Definition SWE = m / (A rho_w): 620 g in 30 cm2 (Fierz et al. 2009, UNESCO-IHP Tech. Doc. 83, symbols from memory).
    assert core_swe_mm(620.0, 30.0) == pytest.approx(206.6667, abs=1e-3)
    assert core_swe_mm(620.0, 30.0) / 0.60 == pytest.approx(344.4444, abs=1e-3)


def test_course_counts_bare_points_and_takes_the_ratio_of_means():  # CORE-07
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


def visit_of(folder, text, units=None):
    """Return the one course visit of a sheet, read as users write it; `units`: header and unit by canonical key."""
    path = Path(folder) / "sheet.csv"
    path.write_text(text)
    columns = {key: Column(column=header, unit=unit) for key, (header, unit) in (units or {}).items()}
    samples, findings = read_courses(Source([path], columns, [""]))
    assert findings == []
    visits = course_visits(samples.assign(used=True, swe_used=samples["swe_mm"].notna()))
    assert len(visits) == 1
    return visits.iloc[0]


def test_cutter_in_square_inches(
    tmp_path,
):  # CORE-05: a bore of 1.485 in is 11.17404 cm2, so that 111.7404 g are 100 mm
    sheet = f"site_id,date,point,depth_cm,full,empty,bore\nA,2031-03-01,1,30,{111.7404 / OUNCE_G + 20},20,{np.pi / 4 * 1.485**2}\n"
    units = {"mass_full": ("full", "ounce"), "mass_empty": ("empty", "ounce"), "cutter": ("bore", "inch**2")}
    # The entry's own tolerance is 1e-4 cm2 of 11.
    assert visit_of(tmp_path, sheet, units)["swe_mm"] == pytest.approx(100.0, rel=1e-5)


@pytest.mark.parametrize(
    ("depth_in", "water_in", "density"),
    [(120.25, 48.1, 400.0), (36.0, 3.6, 100.0)],
)
def test_published_worked_examples_in_inches(tmp_path, depth_in, water_in, density):
    # CORE-06: USDA NRCS, "What is Snow Water Equivalent?": 48.1 in at 40 % are 120.25 in of snow; 36 in at 10 % hold 3.6 in.
    sheet = f"site_id,date,point,Depth,Water\nA,2031-03-01,1,{depth_in},{water_in}\n"
    visit = visit_of(tmp_path, sheet, {"depth": ("Depth", "inch"), "swe": ("Water", "inch")})
    assert visit["density_kg_m3"] == pytest.approx(density, rel=1e-9)
    assert visit["depth_m"] == pytest.approx(depth_in * 0.0254, rel=1e-9)
    assert visit["swe_mm"] == pytest.approx(water_in * 25.4, rel=1e-9)


def test_bulk_sample_is_the_mean_of_its_cores(tmp_path):
    # CORE-09: Agriculture Handbook 169: below 2 in of water (50.8 mm) cores are weighed together; the result is total / n.
    weights = np.array([90.0, 104.0, 111.0, 95.0, 100.0])
    assert (10 * weights / 30 < 50.8).all()
    head = "site_id,date,point,depth_cm,mass_full_g,mass_empty_g,cutter_cm2,cores\n"
    single = visit_of(
        tmp_path, head + "".join(f"A,2031-03-01,{n},12,{800 + w},800,30,\n" for n, w in enumerate(weights))
    )
    bulk = visit_of(tmp_path, head + f"A,2031-03-01,1,12,{800 + weights.sum()},800,30,{len(weights)}\n")
    assert single["swe_mm"] == pytest.approx(weights.sum() / (30 * 5) * 10, rel=1e-9)
    for name in ("swe_mm", "depth_m", "density_kg_m3", "points"):
        assert bulk[name] == pytest.approx(single[name], rel=1e-9), name
    # Other points of the visit weigh as much as each core of the bulk.
    rest = "".join(f"A,2031-03-01,{n},12,{800 + w},800,30,\n" for n, w in enumerate(weights[3:]))
    mixed = visit_of(tmp_path, head + f"A,2031-03-01,9,12,{800 + weights[:3].sum()},800,30,3\n" + rest)
    assert mixed["swe_mm"] == pytest.approx(single["swe_mm"], rel=1e-9)


def test_limits_of_density_let_published_ranges_in_and_impossible_snow_out():
    limits = Checks()
    # CORE-13: USDA NRCS, "What is Snow Water Equivalent?": 5 % (new snow) to 50 % (maritime spring).
    assert limits.density_low_kg_m3 <= 50
    assert limits.density_high_kg_m3 >= 500
    # CORE-14: AMS Glossary, "snow density": 0.004 is the lowest measured, glacier ice about 0.91, fresh snow 0.07 to 0.15.
    assert 4 < limits.density_low_kg_m3 < 70
    assert 150 < limits.density_high_kg_m3 < 910
