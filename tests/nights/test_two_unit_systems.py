"""One survey written in inches, feet, pounds, ounces and degrees Fahrenheit, and in metric units: one archive (VOL-10)."""

import json
import math
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import xarray as xr
from made_basin import snowtally

INCH_CM, OUNCE_G, POUND_G, FOOT_M = 2.54, 28.349523125, 453.59237, 0.3048  # international yard and pound, 1959
CUTTER_INCH = 1.485
TUBE_OUNCE = 30.0

CUSTOMARY = """columns:
  sites: {elevation: {column: "Height (ft)", unit: foot}}
  courses:
    site_id: {column: Course}
    depth: {column: "Depth (in)", unit: inch}
    mass_full: {column: "Full (lb)", unit: pound}
    mass_empty: {constant: 30, unit: ounce}
    cutter: {column: "Bore (in)", unit: inch}
  stations:
    swe: {column: "Water (in)", unit: inch}
    depth: {column: "Snow (ft)", unit: foot}
    air_temperature: {column: "Air (F)", unit: degF}
    precipitation: {column: "Fallen (in)", unit: inch}
formats:
  courses: {dates: month-first}
  stations: {clock: -2}
"""


def weighed(courses):
    """Return the courses' samples as they were weighed: a tube of 1.485 inches bore, full and empty."""
    area_cm2 = math.pi / 4 * (CUTTER_INCH * INCH_CM) ** 2
    full_g = courses["swe_mm"] / 10 * area_cm2 + TUBE_OUNCE * OUNCE_G
    return courses.drop(columns="swe_mm").assign(
        mass_full_g=full_g, mass_empty_g=TUBE_OUNCE * OUNCE_G, cutter_cm2=area_cm2
    )


@pytest.fixture(scope="module")
def archives(basin):
    """Return the published folder of each unit system by name."""
    sites, courses, stations = (pd.read_csv(basin / f"{name}.csv") for name in ("sites", "courses", "stations"))
    courses = weighed(courses)
    stations = stations.assign(
        air_temperature_c=-6.0 + np.arange(len(stations)) % 5,
        precipitation_mm=3.0,
        time=stations["time"] + "T06:00-02:00",
    )
    written = {
        "metric": (sites, courses, stations),
        "customary": (
            sites.drop(columns="elevation_m").assign(**{"Height (ft)": sites["elevation_m"] / FOOT_M}),
            pd.DataFrame(
                {
                    "Course": courses["site_id"],
                    "date": pd.to_datetime(courses["date"]).dt.strftime("%m/%d/%Y"),
                    "point": courses["point"],
                    "Depth (in)": courses["depth_cm"] / INCH_CM,
                    "Full (lb)": courses["mass_full_g"] / POUND_G,
                    "Bore (in)": CUTTER_INCH,
                }
            ),
            pd.DataFrame(
                {
                    "site_id": stations["site_id"],
                    "time": stations["time"].str.removesuffix("-02:00"),
                    "Water (in)": stations["swe_mm"] / 10 / INCH_CM,
                    "Snow (ft)": stations["depth_cm"] / 100 / FOOT_M,
                    "Air (F)": stations["air_temperature_c"] * 9 / 5 + 32,
                    "Fallen (in)": stations["precipitation_mm"] / 10 / INCH_CM,
                }
            ),
        ),
    }
    published = {}
    for system, tables in written.items():
        for name, table in zip(("sites", "courses", "stations"), tables, strict=True):
            table.to_csv(basin / f"{system}_{name}.csv", index=False)
        settings = basin / f"{system}.yaml"
        text = (basin / "basin.yaml").read_text().replace("archive: archive", f"archive: archive_{system}")
        for name in ("sites", "courses", "stations"):
            text = text.replace(f"{name}.csv", f"{system}_{name}.csv")
        settings.write_text(text + (CUSTOMARY if system == "customary" else ""))
        done = snowtally("update", settings, "--date", "2031-03-06", "--json")
        assert done.returncode == 0, done.stderr
        published[system] = Path(json.loads(done.stdout)["path"])
    return published


def test_the_grids_are_the_same(archives):
    with (
        xr.open_dataset(archives["metric"] / "estimate.nc") as metric,
        xr.open_dataset(archives["customary"] / "estimate.nc") as customary,
    ):
        assert set(metric.data_vars) == set(customary.data_vars)
        assert float(metric["swe"].mean()) > 100
        for name in ("swe", "swe_se", "depth", "depth_se", "density", "density_se"):
            # VOL-10 asks for 1e-6 where mass and cutter are used; the archive's rounding may fall to either side.
            step = {"swe": 0.1, "swe_se": 0.1, "density": 0.1, "density_se": 0.1}.get(name, 0.001)
            difference = np.abs(metric[name] - customary[name])
            assert float(difference.max()) < 1.01 * step, name
            assert float((difference > 1e-6 * np.abs(metric[name])).mean()) < 1e-3, name


def test_the_totals_are_the_same(archives):
    metric, customary = (pd.read_csv(archives[system] / "totals.csv") for system in ("metric", "customary"))
    numbers = metric.select_dtypes("number").columns
    assert {"volume_m3", "volume_se_m3", "swe_mean_mm"} <= set(numbers)
    np.testing.assert_allclose(customary[numbers], metric[numbers], rtol=1e-6, atol=1e-9)


def test_the_checks_found_the_same(archives):
    metric, customary = (pd.read_csv(archives[system] / "checks.csv") for system in ("metric", "customary"))
    assert customary[["rule", "site_id"]].to_numpy().tolist() == metric[["rule", "site_id"]].to_numpy().tolist()
